"""A fact that rules ask about: it holds, does not hold, or is not certain.

It carries its sentence, at which number it would turn, and what would decide it.
"""

from __future__ import annotations

from dataclasses import dataclass

from tidegate.triage.result import Said


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """A claim. ``holds`` is ``None`` where it is not certain.

    ``is_missing``: nothing at all is known, other than a number too near to its limit.
    ``said`` is the sentence, ``turns`` at which number it becomes otherwise, ``lacks``
    what would decide it.
    """

    code: str
    holds: bool | None
    said: str
    turns: str = ""
    lacks: tuple[str, ...] = ()
    is_missing: bool = False

    @property
    def reason(self) -> Said:
        """The fact as a reason."""
        return Said(code=self.code, text=self.said)


def missing(code: str, said: str, *lacks: str) -> Fact:
    """Return a fact of which nothing is known, and what would tell."""
    return Fact(code=code, holds=None, said=said, lacks=lacks, is_missing=True)


def side(holds: bool | None, yes: str, no: str) -> str:
    """Return on which side of a limit it is, or that this is not certain."""
    if holds is None:
        return f"not certain to be {yes}"
    return yes if holds else no


def clause(sentence: str) -> str:
    """Return a sentence as part of another."""
    said = sentence.rstrip(".")
    return said[:1].lower() + said[1:]


def percent(share: float) -> str:
    """Return a share in percent, a tenth below ten."""
    found = 100 * share
    return f"{found:.0f} %" if found >= 9.95 or found == 0 else f"{found:.1f} %"


def hours_of(count: float) -> str:
    """Return hours, a tenth below ten."""
    return f"{count:,.0f} h" if count >= 9.95 else f"{count:.1f} h"


def times(count: int) -> str:
    """Return how often, in words."""
    return "1 time" if count == 1 else f"{count:,} times"
