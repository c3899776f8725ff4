"""What the charge control attributes of a battery say, and what to write to them.

Pure functions; no file is touched here.

Source: Linux Documentation/ABI/testing/sysfs-class-power (charge_behaviour,
charge_types, charge_control_start_threshold, charge_control_end_threshold) and
drivers/power/supply/power_supply_sysfs.c.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

BEHAVIOUR: Final = "charge_behaviour"
END: Final = "charge_control_end_threshold"
START: Final = "charge_control_start_threshold"
TYPES: Final = "charge_types"

AUTO: Final = "auto"
INHIBIT: Final = "inhibit-charge"
INHIBIT_AWAKE: Final = "inhibit-charge-awake"
FORCE_DISCHARGE: Final = "force-discharge"
CUSTOM: Final = "Custom"

FULL_PERCENT: Final = 100
# Drivers round to what their hardware can do. How far an effective threshold may be
# from the one that was asked: engineering choice, no source; a mark's own tolerance.
ROUNDED_AT_MOST_PERCENT: Final = 2
# How far under the end charging begins again; the least that drivers with a rule of
# their own ask for (dell-laptop, from memory).
START_UNDER_END_PERCENT: Final = 5

_PERCENT: Final = re.compile(r"[0-9]{1,3}", re.ASCII)
_CHOICE: Final = re.compile(r"(\[)?([^\[\]]+)(?(1)\])")


class OddText(ValueError):
    """An attribute says what its interface does not allow."""


@dataclass(frozen=True, slots=True)
class Choices:
    """What an attribute with a list says: the active word, and all that are offered."""

    active: str
    offered: tuple[str, ...]


def parse_choices(text: str) -> Choices:
    """Return what ``[auto] inhibit-charge`` means. Errors: OddText.

    A driver without a list of its own prints the active word alone, so nothing else
    is known to be offered.
    """
    found = [_CHOICE.fullmatch(word) for word in text.split()]
    words = [each for each in found if each is not None]
    active = [each[2] for each in words if each[1]]
    if len(words) == 1:
        active = [words[0][2]]
    if len(active) == 1 and len(words) == len(found):
        return Choices(active[0], tuple(each[2] for each in words))
    raise OddText(f"one word in [ ] is due, {text[:60]!r} came")


def parse_percent(text: str) -> int:
    """Return a threshold or a level of 0 to 100. Errors: OddText."""
    stripped = text.strip()
    if not _PERCENT.fullmatch(stripped) or int(stripped) > FULL_PERCENT:
        raise OddText(f"a percentage of 0 to 100 is due, {text[:60]!r} came")
    return int(stripped)


def off_ends(level_percent: int) -> tuple[int, ...]:
    """Return the end thresholds that stop charging at this level, the best first.

    Under the level newer firmware discharges down to the threshold although there is
    power (AsahiLinux/linux pull request 521), and well above it charging goes on. So
    it is the level itself, or the next that a coarse driver may take. 100 is "on", so
    a full battery is stopped a point lower.
    """
    least = min(max(level_percent, 1), FULL_PERCENT - 1)
    most = min(least + ROUNDED_AT_MOST_PERCENT, FULL_PERCENT - 1)
    return tuple(range(least, most + 1))


def start_under(end_percent: int) -> int:
    """Return where charging shall begin again below an end threshold."""
    return max(0, end_percent - START_UNDER_END_PERCENT)


def is_rounding(asked_percent: int, effective_percent: int) -> bool:
    """Return whether a driver's value is still what was asked for."""
    return abs(asked_percent - effective_percent) <= ROUNDED_AT_MOST_PERCENT
