"""What was read of a battery, in order, with the times at which nobody looked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

from tidegate.audit.given import Set
from tidegate.core.reading import BatteryStatus

Stretch = tuple["Point", ...]


class Point(NamedTuple):
    """A trusted reading. ``at_ms`` is UTC, placed by the boot clock.

    ``current_a`` is as the gauge told it: positive into the cell where the series says
    that its sign is trusted. ``is_fed`` is external power, ``None`` where not known.
    """

    at_ms: int
    soc_percent: float
    voltage_v: float | None
    current_a: float | None
    temperature_c: float | None
    charge_ah: float | None
    is_fed: bool | None
    status: BatteryStatus


class Coast(NamedTuple):
    """A time without supply in which a gauge that needs it could not be read.

    UTC ms of the off and of the on, as the relay carried them out; ``place`` is that of
    the first reading after it among the points.
    """

    off_ms: int
    on_ms: int
    place: int


@dataclass(frozen=True, kw_only=True)
class Series:
    """The readings of one station.

    ``points`` are in the order of time; a run of equal readings is its first and its
    last. ``breaks`` are the places in it before which something was not seen: a gap,
    another boot, another pack. ``is_whole``: whole percents only. ``is_calendar`` is
    false where only seconds are known and no time of day. ``is_log``: from a cycle
    log. ``step_s`` is the usual time from one read to the next. ``sensor`` is what the
    gauge calls its thermometer, the last where there were several. ``coasts`` are the
    times without supply between two readings, for which the log vouches; before the
    ``place`` of each is a break.
    """

    station: str
    path: Path
    points: tuple[Point, ...]
    breaks: tuple[int, ...]
    is_whole: bool
    sign_is_trusted: bool
    is_calendar: bool
    is_log: bool
    step_s: float
    given: Set
    sensor: str | None = None
    coasts: tuple[Coast, ...] = ()

    def stretches(self) -> Sequence[Stretch]:
        """Return the readings in pieces within which none is missing."""
        return self._stretches

    @property
    def covered_s(self) -> float:
        """For how long somebody looked, gaps left out."""
        lengths = (each[-1].at_ms - each[0].at_ms for each in self._stretches)
        return sum(lengths) / 1000

    @property
    def known_s(self) -> float:
        """For how long it is known what went on: that, and the coasts."""
        blind = (
            self.points[each.place].at_ms - self.points[each.place - 1].at_ms
            for each in self.coasts
        )
        return self.covered_s + sum(blind) / 1000

    @property
    def from_ms(self) -> int:
        """When it begins; 0 without any reading."""
        return self.points[0].at_ms if self.points else 0

    @property
    def until_ms(self) -> int:
        """When it ends; 0 without any reading."""
        return self.points[-1].at_ms if self.points else 0

    @cached_property
    def _stretches(self) -> tuple[Stretch, ...]:
        edges = [0, *self.breaks, len(self.points)]
        pairs = pairwise(edges)
        return tuple(self.points[begin:end] for begin, end in pairs if end > begin)
