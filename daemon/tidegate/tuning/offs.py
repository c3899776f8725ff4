"""What is to be said of offs that end by time, and of the setting that limits them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from tidegate.core.policy import HOUR_MS, Policy
from tidegate.settings.durations import duration_text
from tidegate.tuning import said
from tidegate.tuning.compare import compare
from tidegate.tuning.device import Device
from tidegate.tuning.outcome import Outcome

# What the settings allow for max_off at most.
_MOST_MS: Final = 24 * HOUR_MS
_LIKE: Final = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Offs:
    """Offs of a station whose gauge needs the supply.

    ``here`` is the year of a candidate as it is set, ``other`` the same with
    ``other_max_off_ms`` instead of ``max_off_ms``.
    """

    here: Outcome
    other: Outcome
    max_off_ms: int
    other_max_off_ms: int

    @property
    def is_changed(self) -> bool:
        """Whether the other setting makes any difference."""
        off_h, other_h = self.here.off_h or 0.0, self.other.off_h or 0.0
        return abs(other_h - off_h) > _LIKE * off_h


def offs_of(device: Device, policy: Policy, here: Outcome) -> Offs | None:
    """Return them with a max_off twice as long; ``None`` where no off ends by time."""
    if here.off_h is None:
        return None
    longer_ms = 2 * policy.max_off_ms
    other_ms = longer_ms if longer_ms <= _MOST_MS else policy.max_off_ms // 2
    (other,) = compare(
        device, replace(policy, max_off_ms=other_ms), [here.candidate], can_hold=True
    )
    return Offs(
        here=here,
        other=other,
        max_off_ms=policy.max_off_ms,
        other_max_off_ms=other_ms,
    )


def sentence(it: Offs) -> str:
    """Return how its offs end, and what another max_off would make of that."""
    here, other = it.here, it.other
    setting = (
        f"a max_off of {duration_text(it.other_max_off_ms)} instead of "
        f"{duration_text(it.max_off_ms)}"
    )
    text = (
        "While this station is off nothing is read of it, so its offs end by time and "
        f"not at the low mark: at {said.window(here.candidate)} after "
        f"{said.hours(here.off_h or 0.0)} in the mean; {setting} would "
    )
    if not it.is_changed:
        return f"{text}change nothing there, as the steepest loss learned ends them sooner."
    return (
        f"{text}make that {said.hours(other.off_h or 0.0)}, with "
        f"{said.count(other.switchings_per_year)} switchings and "
        f"{said.count(other.efc_per_year)} equivalent full cycles a year instead of "
        f"{said.count(here.switchings_per_year)} and {said.count(here.efc_per_year)}."
    )
