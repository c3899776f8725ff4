"""What a person saw of a device and what the device is needed for."""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import date
from enum import StrEnum


class Told(StrEnum):
    """An answer to a question. What was not asked is not known."""

    YES = "yes"
    NO = "no"
    UNKNOWN = "unknown"

    @property
    def known(self) -> bool | None:
        """Return it as a claim that holds or not, ``None`` where that is not known."""
        return None if self is Told.UNKNOWN else self is Told.YES


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspection:
    """The answers. ``Told.UNKNOWN`` and ``None`` are what nobody knows.

    The eight signs come first: each of them puts a device out of use. ``age_years`` is
    that of the battery, ``full_years`` how long of it the device stood full. What is
    wanted comes with what was seen: ``autonomy_wanted_h`` from full, 0 for none;
    ``autonomy_seen_h`` by a person with a clock. ``on`` is the day of the inspection.
    """

    lid_gap: Told = Told.UNKNOWN
    bulge: Told = Told.UNKNOWN
    lifted_screen: Told = Told.UNKNOWN
    rocks: Told = Told.UNKNOWN
    hot_at_rest: Told = Told.UNKNOWN
    smell: Told = Told.UNKNOWN
    leak: Told = Told.UNKNOWN
    force_damage: Told = Told.UNKNOWN
    died_on_battery: Told = Told.UNKNOWN
    always_fed: Told = Told.UNKNOWN
    holds_itself: Told = Told.UNKNOWN
    may_run_without_battery: Told = Told.UNKNOWN
    battery_available: Told = Told.UNKNOWN
    autonomy_wanted_h: float | None = None
    autonomy_seen_h: float | None = None
    age_years: float | None = None
    full_years: float | None = None
    design_ah: float | None = None
    resistance_new_ohm: float | None = None
    station: str | None = None
    on: date | None = None
    by: str | None = None
    notes: str | None = None

    def told(self, key: str) -> Told:
        """Return the answer to a question of yes or no."""
        found = getattr(self, key)
        assert isinstance(found, Told)
        return found

    def signs(self) -> tuple[str, ...]:
        """Return the keys of the signs that were seen."""
        return tuple(key for key in SIGNS if self.told(key) is Told.YES)

    def unseen(self) -> tuple[str, ...]:
        """Return the keys of the signs for which nobody has looked."""
        return tuple(key for key in SIGNS if self.told(key) is Told.UNKNOWN)


SWELLING = ("lid_gap", "bulge", "lifted_screen", "rocks")
SIGNS = (*SWELLING, "hot_at_rest", "smell", "leak", "force_damage")
KEYS = tuple(field.name for field in fields(Inspection))
