"""One check of a design, with all that is needed to work it out again."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from tidegate.eliminator.units import shown


class Outcome(StrEnum):
    """What a check came to."""

    PASSES = "passes"
    FAILS = "fails"
    UNKNOWN = "cannot be told"


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """``value`` and ``limit`` are in base units, ``None`` where there is no number.

    ``is_most``: the limit is the most that is allowed, else the least. ``formula`` has
    the numbers in it. ``mend`` says what would help where it does not pass.
    """

    code: str
    name: str
    outcome: Outcome
    value: float | None
    limit: float | None
    unit: str
    is_most: bool
    formula: str
    source: str
    mend: tuple[str, ...] = ()

    @property
    def margin(self) -> float | None:
        """What is left to the limit; under 0 where it is passed."""
        if self.value is None or self.limit is None:
            return None
        return self.limit - self.value if self.is_most else self.value - self.limit

    @property
    def passes(self) -> bool:
        """Whether it is known to be all right."""
        return self.outcome is Outcome.PASSES

    def said(self) -> str:
        """Return number, limit and margin in words."""
        if self.value is None:
            return self.outcome.value
        if self.limit is None:
            return shown(self.value, self.unit)
        bound, verb = ("at most", "allowed") if self.is_most else ("at least", "needed")
        margin = self.margin
        assert margin is not None
        left = (
            f"{shown(margin, self.unit)} left"
            if margin >= 0
            else f"{shown(-margin, self.unit)} beyond it"
        )
        return (
            f"{shown(self.value, self.unit)}, {bound} {shown(self.limit, self.unit)} "
            f"{verb}, {left}"
        )


def weighed(
    code: str,
    name: str,
    *,
    value: float | None,
    limit: float | None,
    unit: str,
    is_most: bool,
    formula: str,
    source: str,
    mend: tuple[str, ...] = (),
) -> Check:
    """Return the check of a value against its limit. Without a value it fails: there
    is no such state, as the formula then says.
    """
    if value is None or limit is None:
        holds = False
    else:
        # What is equal on paper must not fail by the last bit of a float.
        slack = 1e-9 * max(abs(value), abs(limit))
        holds = value <= limit + slack if is_most else value >= limit - slack
    return Check(
        code=code,
        name=name,
        outcome=Outcome.PASSES if holds else Outcome.FAILS,
        value=value,
        limit=limit,
        unit=unit,
        is_most=is_most,
        formula=formula,
        source=source,
        mend=() if holds else mend,
    )
