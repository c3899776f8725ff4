"""What is counted of one station since the daemon started, and a view of it.

``Figures`` belong to the control loop. A ``View`` is what a sink gets: the frozen
state and a copy of the counters, so it may be read in any thread at any time.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Final

from tidegate.core.effects import Reason
from tidegate.core.events import GaugeFailed, ReadingArrived
from tidegate.core.reading import BatteryStatus
from tidegate.core.state import State

# Upper bounds of the histogram of switch times, in seconds; one more has no bound. A
# relay call and its log take milliseconds, a reading before it up to 2 s, a slow log up
# to 10 s: engineering choice, no source.
SWITCH_BOUNDS_S: Final = (0.1, 0.5, 2.0, 5.0, 15.0)


@dataclass(slots=True)
class SwitchTimes:
    """How many commands took how long, each bucket by itself, and all of it together."""

    counts: list[int] = field(default_factory=lambda: [0] * (len(SWITCH_BOUNDS_S) + 1))
    sum_s: float = 0.0

    def take(self, took_s: float) -> None:
        """Count one."""
        self.counts[sum(took_s > bound_s for bound_s in SWITCH_BOUNDS_S)] += 1
        self.sum_s += took_s

    def copy(self) -> SwitchTimes:
        """Return them as they are now."""
        return SwitchTimes(self.counts.copy(), self.sum_s)


@dataclass(slots=True, kw_only=True)
class Figures:
    """The counters. Label values are few: codes of rules, error classes and backends.

    ``switchings`` by supply and reason; errors by the kind of the backend and of the
    error, ``switches`` by that of the relay, for a reload may bring others, which had
    no part in them; ``charged_c`` and ``discharged_c`` stay ``None`` until a charge
    moved that could be told; ``dropped`` by sink.
    """

    switchings: Counter[tuple[str, str]] = field(default_factory=Counter)
    relay_errors: Counter[tuple[str, str]] = field(default_factory=Counter)
    gauge_errors: Counter[tuple[str, str]] = field(default_factory=Counter)
    switches: dict[str, SwitchTimes] = field(default_factory=dict)
    below_s: float = 0.0
    above_s: float = 0.0
    charged_c: float | None = None
    discharged_c: float | None = None
    soc_moved_percent: float = 0.0
    dropped: dict[str, int] = field(default_factory=dict)

    def switched(self, relay: str, took_s: float) -> None:
        """Count one command by how long it took."""
        self.switches.setdefault(relay, SwitchTimes()).take(took_s)

    def moved(self, *, into_c: float, out_of_c: float) -> None:
        """Count charge that went into and out of the battery."""
        self.charged_c = (self.charged_c or 0.0) + into_c
        self.discharged_c = (self.discharged_c or 0.0) + out_of_c

    def copy(self) -> Figures:
        """Return the counters as they are now."""
        return Figures(
            switchings=self.switchings.copy(),
            relay_errors=self.relay_errors.copy(),
            gauge_errors=self.gauge_errors.copy(),
            switches={relay: each.copy() for relay, each in self.switches.items()},
            below_s=self.below_s,
            above_s=self.above_s,
            charged_c=self.charged_c,
            discharged_c=self.discharged_c,
            soc_moved_percent=self.soc_moved_percent,
            dropped=self.dropped.copy(),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Latest:
    """What of the last trusted reading the core has no use for.

    ``current_a`` is ``None`` where its sign is not known; positive is into the battery.
    """

    wall_ms: int
    current_a: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """One station at one moment.

    ``gauge`` and ``relay`` are the kinds of its backends, no relay is an empty one.
    ``is_fresh``: the last trusted reading is not stale; without it nothing of it may be
    shown as what is now. ``alarms_since`` are UTC ms by code, ``None`` where it stood
    before the daemon began. ``wall_ms`` minus ``boot_ms`` places times of the state.
    """

    station: str
    gauge: str
    relay: str
    state: State
    latest: Latest | None
    is_fresh: bool
    alarms_since: dict[str, int | None]
    figures: Figures
    boot_ms: int
    wall_ms: int

    def wall_of(self, boot_ms: int) -> int:
        """Return the UTC time of a time of this boot."""
        return self.wall_ms - (self.boot_ms - boot_ms)


# The events that complete a control cycle: what is due goes out with one of them.
CYCLES: Final = (ReadingArrived, GaugeFailed)

# The rules 1 to 9: not the window decides, but what protects device and battery.
PROTECTING: Final = frozenset(
    {
        Reason.NO_BATTERY,
        Reason.BATTERY_CRITICAL_HEAT,
        Reason.COAST_OVER,
        Reason.GAUGE_LOST,
        Reason.GAUGE_FROZEN,
        Reason.GAUGE_IMPLAUSIBLE,
        Reason.BELOW_FLOOR,
        Reason.ONLY_SOURCE,
        Reason.RELAY_FED_BY_SUPPLY,
        Reason.RELAY_NO_EFFECT,
        Reason.RELAY_REVERSED,
        Reason.BATTERY_HOT,
        Reason.BATTERY_COLD,
    }
)

# What a status tells of a charge that a hold may stop and start; else nothing.
CHARGES: Final = {
    BatteryStatus.CHARGING: True,
    BatteryStatus.DISCHARGING: False,
    BatteryStatus.NOT_CHARGING: False,
}
