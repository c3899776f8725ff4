"""What a gauge says, and what we believe of it.

A ``Sample`` is what a gauge reported. A ``Reading`` is a sample with its time and
the verdict on it. Quantities are rounded here to the resolution of the cycle log
(mV, mA, m°C, mAh, 0.01 %), so that a replayed reading equals the live one exactly.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from enum import StrEnum
from typing import Final

from tidegate.core.frozen import replace


class Supply(StrEnum):
    """The feed to the device, as the device sees it."""

    ON = "on"
    OFF = "off"

    @property
    def other(self) -> Supply:
        """Return the opposite supply."""
        return Supply.OFF if self is Supply.ON else Supply.ON


class BatteryStatus(StrEnum):
    """What the battery says that it is doing; says nothing about the supply."""

    CHARGING = "charging"
    DISCHARGING = "discharging"
    NOT_CHARGING = "not_charging"
    FULL = "full"
    UNKNOWN = "unknown"


class ExternalPower(StrEnum):
    """Yes if any system supply is online, no if all are off, else unknown."""

    YES = "yes"
    NO = "no"
    UNKNOWN = "unknown"


class WhyNot(StrEnum):
    """Why a reading is not trusted."""

    NOT_PRESENT = "not_present"
    LEVEL_ONLY = "level_only"
    OUT_OF_RANGE = "out_of_range"
    ALL_ZERO = "all_zero"
    SLOW = "slow"
    STALE = "stale"
    JUMP = "jump"
    UNIT_MISMATCH = "unit_mismatch"
    FROZEN = "frozen"
    UPDATES_STOPPED = "updates_stopped"


class Flag(StrEnum):
    """A caution on a reading that is trusted all the same."""

    OVER_FULL = "over_full"
    CLAMPED = "clamped"
    COMPUTED = "computed"
    COARSE = "coarse"
    CLOCK_UNSYNCED = "clock_unsynced"


_STEPS: Final = {
    "soc_percent": 2,
    "voltage_v": 3,
    "current_a": 3,
    "temperature_c": 3,
    "charge_ah": 3,
    "full_charge_ah": 3,
    "design_charge_ah": 3,
}


@dataclass(frozen=True, kw_only=True)
class Sample:
    """One answer of a gauge, not yet judged. ``None`` is: the gauge did not say.

    ``soc_percent`` may lie outside 0..100 here (the raw claim; judging rejects it).
    ``current_a`` keeps the sign of the source; ``current_sign_trusted`` tells
    whether positive is known to mean "into the battery". ``took_s`` is how long the
    read lasted. ``raw`` is the source text, kept for the log's first rejection.
    ``claims`` is the verdict that only the gauge can know (``level_only``,
    ``updates_stopped``, ``out_of_range``, ``unit_mismatch``), else ``None``.
    """

    soc_percent: float | None = None
    battery_status: BatteryStatus = BatteryStatus.UNKNOWN
    external_power: ExternalPower = ExternalPower.UNKNOWN
    present: bool = True
    voltage_v: float | None = None
    current_a: float | None = None
    current_sign_trusted: bool = False
    temperature_c: float | None = None
    temperature_sensor: str | None = None
    charge_ah: float | None = None
    full_charge_ah: float | None = None
    design_charge_ah: float | None = None
    cycle_count: int | None = None
    health: str | None = None
    pack: str | None = None
    uptime_s: int | None = None
    took_s: float = 0.0
    flags: frozenset[Flag] = frozenset()
    claims: WhyNot | None = None
    raw: str = ""

    def rounded(self) -> Sample:
        """Return the sample at the resolution of the cycle log."""
        changed = {
            name: round(value, digits)
            for name, digits in _STEPS.items()
            if (value := getattr(self, name)) is not None
        }
        return replace(self, **changed)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One judged sample. ``at_ms`` is boot-clock, ``wall_ms`` UTC since 1970.

    ``why_not`` is the first reason against it, ``None`` when it is trusted.
    """

    sample: Sample
    at_ms: int
    wall_ms: int
    why_not: WhyNot | None = None

    @property
    def trusted(self) -> bool:
        """Whether the station may act on it."""
        return self.why_not is None

    @property
    def soc_percent(self) -> float:
        """The state of charge of a reading that has one."""
        assert self.sample.soc_percent is not None
        return self.sample.soc_percent


SAMPLE_FIELDS: Final = tuple(field.name for field in fields(Sample))
