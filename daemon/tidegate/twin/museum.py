"""A week of a museum's wall guide: the demo's scenario. Every figure is invented.

A tablet on the wall of a gallery tells visitors about the exhibits. It works while the
museum is open and idles at night. The battery was found full and somewhat worn. In the
week a contact welds for an hour, the mains fail once, and on one afternoon the sun
stands on the wall.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from random import Random
from typing import Any, Final

from tidegate.twin.bench import Bench
from tidegate.twin.profile import DAY_HOURS
from tidegate.twin.tables import TwinGaugeSettings

STATION: Final = "wall-guide"
INVENTED: Final = (
    "A museum's wall guide of our own invention: visitors, weather, faults and"
    " battery are made up, and no figure was measured on a real device."
)

_UTC_OFFSET_H: Final = 2
# A Tuesday, 6:00 local time: the museum's week begins after its closed Monday.
_STARTS_AT: Final = datetime(2025, 6, 3, 6 - _UTC_OFFSET_H, tzinfo=UTC)
_OPENING_HOURS: Final = (
    None,
    (10, 18),
    (10, 18),
    (10, 21),
    (10, 18),
    (10, 18),
    (10, 18),
)
# Of 6.7 Ah: about 10.5 %/h with visitors, 4 while staff are in, 1.8 at night.
_VISITORS_A: Final = 0.70
_STAFF_A: Final = 0.25
_NIGHT_A: Final = 0.12
# Hours from the start, so that each finds the museum open, with time left that day
# to come back into the window: Thursday 10:30, Friday 13:15, Saturday 13:15.
_WELDED_AFTER_H: Final = 52.5
_WELDED_FOR_H: Final = 1.0
_OUTAGE_AFTER_H: Final = 79.25
_OUTAGE_FOR_H: Final = 1.5
_SUN_AFTER_H: Final = 103.25
_SUN_FOR_H: Final = 3.0
_SUN_K: Final = 17.5
_JITTER_H: Final = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Museum:
    """The scenario for so many days; another seed is another week of the same kind.

    Events that lie after its last day do not happen, and none comes twice.
    """

    days: int = 7
    seed: int = 1

    @property
    def start_wall_ms(self) -> int:
        """The wall-clock time at which it begins."""
        return round(_STARTS_AT.timestamp() * 1000)

    @property
    def end_wall_ms(self) -> int:
        """The wall-clock time at which it ends."""
        end = _STARTS_AT + timedelta(days=self.days)
        return round(end.timestamp() * 1000)

    @property
    def utc_offset_h(self) -> int:
        """The museum's local time, for people who read of its hours."""
        return _UTC_OFFSET_H

    def gauge(self) -> dict[str, Any]:
        """Return the gauge's table, which holds the device and what happens to it."""
        random = Random(self.seed)
        return {
            "kind": "twin",
            "device": STATION,
            "seed": self.seed,
            "starts_at": _STARTS_AT.isoformat(),
            "utc_offset_h": _UTC_OFFSET_H,
            "soc_percent": 96.0,
            "load_a": _load_by_hour(random),
            "around_c": _gallery_by_hour(),
            "design_ah": 7.0,
            "cell": {"capacity_ah": 6.7, "r0_ohm": 0.05, "r1_ohm": 0.03, "c1_f": 1000},
            "charger": {"charge_a": 1.3, "supply_a": 1.4},
            "quirks": {"step_percent": 1.0, "refresh_s": 10.0, "lag_s": 20.0},
            "events": _events(random, self.days),
        }

    def relay(self) -> dict[str, Any]:
        """Return the relay's table."""
        return {"kind": "twin", "device": STATION, "life": 100_000}

    def station(self) -> dict[str, Any]:
        """Return the whole table of the station: defaults, read once a minute.

        A guide moves a sixth of a point in that time, and a week goes by in half.
        """
        return {
            "poll": "1min",
            "gauge": self.gauge(),
            "relay": self.relay(),
            "window": {"low": 55, "high": 65},
            "battery": {"design_ah": 7.0},
        }

    def bench(self, boot_ms: int) -> Bench:
        """Return the bench with the device on it, begun at this boot-clock time.

        Shared under ``bench.key(STATION)`` before the daemon starts, it is what the
        gauge and the relay find.
        """
        settings = TwinGaugeSettings.model_validate(self.gauge())
        bench = Bench()
        bench.place(settings.build(), settings.world(boot_ms))
        return bench


def _load_by_hour(random: Random) -> list[float]:
    hours: list[float] = []
    for opening in _OPENING_HOURS:
        for hour in range(DAY_HOURS):
            if opening is not None and opening[0] <= hour < opening[1]:
                amperes = _VISITORS_A * random.uniform(0.9, 1.1)
            elif opening is not None and hour in (opening[0] - 1, opening[1]):
                amperes = _STAFF_A
            else:
                amperes = _NIGHT_A
            hours.append(round(amperes, 3))
    return hours


def _gallery_by_hour() -> list[float]:
    # Air-conditioned: 21 °C in the morning, 24 °C in the afternoon.
    return [round(22.5 - 1.5 * _DAY_COURSE[hour], 2) for hour in range(DAY_HOURS)]


_DAY_COURSE: Final = (
    *(0.2, 0.4, 0.6, 0.8, 0.9, 1.0, 1.0, 0.9, 0.7, 0.4, 0.1, -0.2),
    *(-0.5, -0.8, -0.9, -1.0, -1.0, -0.9, -0.7, -0.5, -0.3, -0.2, 0.0, 0.1),
)


def _events(random: Random, days: int) -> list[dict[str, Any]]:
    plan = [
        ("relay_welded", _WELDED_AFTER_H, _WELDED_FOR_H, 0.0),
        ("mains_out", _OUTAGE_AFTER_H, _OUTAGE_FOR_H, 0.0),
        ("hot", _SUN_AFTER_H, _SUN_FOR_H, _SUN_K),
    ]
    events = []
    for what, after_h, for_h, amount in plan:
        after_h = round(after_h + random.uniform(-_JITTER_H, _JITTER_H), 3)
        if after_h < days * DAY_HOURS:
            events.append(
                {"what": what, "after_h": after_h, "for_h": for_h, "amount": amount}
            )
    return events
