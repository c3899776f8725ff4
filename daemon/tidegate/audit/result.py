"""What an audit comes to: plain values that the text, the document and the page show.

Times are UTC in ms, placed by the boot clock (``cyclelog.placing``). A number that the
log cannot support is ``None``.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from tidegate.core.policy import Marks
from tidegate.wear.account import Account
from tidegate.wear.duty import YEAR_DAYS, Duty


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """Which log this is: its last link when it was read, for an anchor.

    ``link`` is hex, ``number`` the link's place in its file, ``row`` its id.
    """

    path: Path
    link: str
    number: int
    row: int
    wall_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A time without a trusted reading, or a run of equal ones with a hole in it.

    Of such a run the log does not keep where in it the hole was.
    ``why`` is what took the most of it: ``no_daemon``, ``gauge_failed``,
    ``rejected``, ``log_lost``, ``suspended``, or ``unread`` where nothing tells.
    """

    from_ms: int
    until_ms: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """What was read. ``covered_s`` is the time for which a trusted reading holds."""

    count: int
    rejected: int
    failed: int
    covered_s: float
    gaps: tuple[Gap, ...]
    lost_rows: int


@dataclass(frozen=True, slots=True, kw_only=True)
class HalfCycles:
    """Cycles of one depth and mean level; ``count`` is 1 a full cycle, ½ a half."""

    depth_percent: float
    mean_percent: float
    count: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycles:
    """What rainflow counts.

    ``days`` are those from the first reading to the last, gaps included, and
    ``efc_per_year`` is the pace over them, 365 days a year; ``None`` for less than a
    day. ``efc_in_gaps`` is what of ``efc`` was moved within gaps, each of which counts
    as one move by what changed in it, so that both are the least that there was.
    """

    half_cycles: tuple[HalfCycles, ...]
    efc: float
    efc_per_year: float | None
    days: float = 0.0
    efc_in_gaps: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Bin:
    """Seconds spent from ``low`` up to, not including, ``high``."""

    low: float
    high: float
    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Soc:
    """Where the charge was, by time covered. Bins of 5 points from 0 to 100 %.

    ``in_window_percent`` is of the time read while a window was in force, which is
    ``window_s``, the way into it included; a point beside each mark counts as inside,
    each moment by the window then in force.
    """

    mean_percent: float | None
    lowest_percent: float | None
    highest_percent: float | None
    hours_above_80_percent: float
    in_window_percent: float | None
    histogram: tuple[Bin, ...]
    window_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Temperature:
    """How warm the battery was, by time covered. Bins of 5 °C; empty without any.

    ``assumed_c`` stands in where the log has no temperature at all, else ``None``.
    """

    sensor: str | None
    mean_c: float | None
    lowest_c: float | None
    highest_c: float | None
    hours_above_45_c: float
    histogram: tuple[Bin, ...]
    assumed_c: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Switchings:
    """Changes of the commanded supply that were carried out.

    ``reasons`` counts them by reason code. Of ``count``, ``missing`` are those without
    effect and ``unconfirmed`` those whose effect could not be seen or was not waited
    for; of all others it was seen. Commissioning runs are apart: ``proving`` are
    theirs. ``repeats`` said again what was commanded, ``failed`` the relay did not
    take, ``unlogged`` is the most that the log lost. ``operations`` are those the
    contact made, whoever asked for them, repeats apart; ``others`` of them nobody here
    asked for, and ``operations_of_log`` are those of the whole log, with what it lost.

    Paces are over all of the time, gaps included, and count what the log lost:
    ``per_day``, and ``life_years``, which is how long a new contact would last of which
    the settings say that it does ``life`` operations. ``has_contact``: the relay is
    one that wears.
    """

    count: int
    per_day: float | None
    unconfirmed: int
    missing: int
    reasons: tuple[tuple[str, int], ...]
    operations: int
    life: int | None
    life_years: float | None
    proving: int = 0
    repeats: int = 0
    failed: int = 0
    unlogged: int = 0
    others: int = 0
    operations_of_log: int = 0
    has_contact: bool = True

    @property
    def used(self) -> int:
        """Operations in this time, with the most that the log lost."""
        return self.operations + self.unlogged


@dataclass(frozen=True, slots=True, kw_only=True)
class Commissioning:
    """A commissioning run; ``verdict`` is ``unfinished`` where the log has no result."""

    at_ms: int
    verdict: str
    by: str
    switchings: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmSpan:
    """An alarm and when it stood; ``until_ms`` is ``None`` while it stands."""

    code: str
    from_ms: int
    until_ms: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A resistance seen at one switching, as measured."""

    at_ms: int
    ohm: float
    soc_percent: float
    temperature_c: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """Measurements of the cell, apart from any model. ``None``: no evidence for it.

    ``capacity_ah`` rests on ``swings`` of 30 points and more; ``why_no_capacity`` and
    ``why_no_resistance`` say in a sentence what is missing. ``resistance_ohm`` is the
    median of the ``steps``. ``gauge_full_ah`` is what the gauge itself calls its full
    charge. ``capacity_sigma_ah`` is that of rounding, for several swings of rounding
    and scatter: what the gauge errs by in every swing alike is not in it.
    """

    capacity_ah: float | None
    capacity_sigma_ah: float | None
    swings: int
    design_ah: float | None
    resistance_ohm: float | None
    steps: tuple[Step, ...]
    why_no_capacity: str
    why_no_resistance: str
    gauge_full_ah: float | None = None

    @property
    def sigma_of(self) -> str:
        """What the sigma of the capacity is of, "" without any."""
        if self.capacity_sigma_ah is None:
            return ""
        return "rounding" if self.swings == 1 else "rounding and scatter"


@dataclass(frozen=True, slots=True, kw_only=True)
class AtThisPace:
    """What the models say if it goes on for so many years: the charge and the heat of
    the time covered, the cycles at their pace with the gaps.
    """

    years: int
    account: Account


@dataclass(frozen=True, slots=True, kw_only=True)
class Audit:
    """One station over a time, ``until_ms`` not included.

    ``marks`` are those last in force, ``chemistry`` what the settings declare.
    ``notes`` are sentences on what the numbers do not show. ``duty`` is what the
    models were given; ``stepped_ms`` and ``delayed`` are those of ``Placing``.
    ``at_this_pace`` is empty where less than a day was covered. ``windows`` is how many
    charge windows were in force one after another, 0 for a station that only measured,
    ``plans`` how often a planned rise or a relearn moved one.
    """

    station: str
    head: Head
    version: str
    from_ms: int
    until_ms: int
    marks: Marks | None
    floor_percent: float
    chemistry: str
    readings: Readings
    cycles: Cycles
    soc: Soc
    temperature: Temperature
    switchings: Switchings
    alarms: tuple[AlarmSpan, ...]
    wear: Account | None
    measured: Measured
    notes: tuple[str, ...]
    commissionings: tuple[Commissioning, ...] = ()
    duty: Duty | None = None
    stepped_ms: int = 0
    delayed: int = 0
    at_this_pace: tuple[AtThisPace, ...] = ()
    windows: int = 1
    plans: int = 0

    @property
    def deciding(self) -> tuple[int | None, Account | None]:
        """The account on which a verdict rests, and its years at this pace.

        The laws of the models have different powers of time, so how they rank this
        and float over a few days is not how they rank them over years. Where less
        than a year was covered the longest time at its pace decides; else the time
        covered does, and the years are ``None``.
        """
        if self.wear is None or self.wear.days >= YEAR_DAYS or not self.at_this_pace:
            return None, self.wear
        longest = self.at_this_pace[-1]
        return longest.years, longest.account
