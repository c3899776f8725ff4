"""From a cycle log, or a CSV made by hand, to the evidence of a triage."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import Final, TypeVar

from tidegate.audit.auditor import audit
from tidegate.audit.cell import Capacity
from tidegate.audit.levels import Levels, Told
from tidegate.audit.result import AlarmSpan, Measured, Step
from tidegate.audit.rows import Run
from tidegate.audit.time_at import soc_of, temperature_of
from tidegate.core.reading import Sample
from tidegate.cyclelog.recording_csv import begins_ms, read_csv, stations, taken
from tidegate.history import Point, Series, opened
from tidegate.history.opening import is_csv
from tidegate.triage.discharging import autonomy, collapses
from tidegate.triage.evidence import Evidence
from tidegate.triage.limits import STOP_C
from tidegate.triage.trend import trend
from tidegate.wear.resistance import Moment, median_ohm, stepped

T = TypeVar("T", float, str)

_FOR_EVER_MS: Final = 1 << 62

Progress = Callable[[float], None]


def evidence(
    log: Path,
    station: str | None,
    *,
    design_ah: float | None = None,
    progress: Progress | None = None,
) -> Evidence:
    """Return what a log says of a station. Only a CSV may do without its name.

    ``design_ah`` is what the battery itself says; it wins over settings and gauge.
    Errors: LogAbsent; LogUnreadable, LogEmpty without a trusted reading; LogError.
    """
    series = opened(log, station)
    if is_csv(log):
        found = _of_csv(series, station)
    else:
        found = _of_log(series, log, series.station, progress)
    if design_ah is not None:
        found = replace(found, measured=replace(found.measured, design_ah=design_ah))
    return found


def _of_log(
    series: Series, log: Path, station: str, progress: Progress | None
) -> Evidence:
    made = audit(log, station, progress=progress)
    moved, why_not = trend(made.measured.steps)
    unseen_ms = sum(gap.until_ms - gap.from_ms for gap in made.readings.gaps)
    return Evidence(
        path=log,
        is_log=True,
        is_calendar=True,
        from_ms=made.from_ms,
        until_ms=made.until_ms,
        covered_s=made.readings.covered_s,
        unseen_s=unseen_ms / 1000,
        soc=made.soc,
        temperature=made.temperature,
        measured=made.measured,
        trend=moved,
        why_no_trend=why_not,
        autonomy=autonomy(series),
        collapses=collapses(series),
        switchings=made.switchings,
        standing=_codes(each.code for each in made.alarms if each.until_ms is None),
        ever=_codes(each.code for each in made.alarms),
        alarmed_ms=_alarmed(made.alarms, made.until_ms),
        last_c=_last_c(series),
        stopped_ms=_stopped_ms(series),
        marks=made.marks,
        floor_percent=made.floor_percent,
        fitted=series.given.policy.fitted,
        chemistry=made.chemistry,
    )


def _codes(codes: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(codes))


def _alarmed(spans: Iterable[AlarmSpan], until_ms: int) -> tuple[tuple[str, int], ...]:
    found: dict[str, int] = {}
    for each in spans:
        end_ms = until_ms if each.until_ms is None else each.until_ms
        found[each.code] = max(found.get(each.code, end_ms), end_ms)
    return tuple(found.items())


def _last_c(series: Series) -> float | None:
    return next(
        (
            each.temperature_c
            for each in reversed(series.points)
            if each.temperature_c is not None
        ),
        None,
    )


def _stopped_ms(series: Series) -> int | None:
    return next(
        (
            each.at_ms
            for each in reversed(series.points)
            if each.temperature_c is not None and each.temperature_c >= STOP_C
        ),
        None,
    )


# --- a CSV ----------------------------------------------------------------------------


def _of_csv(series: Series, station: str | None) -> Evidence:
    beside = _beside(series.path, station)
    told = _levels(series)
    measured = _measured(series, beside)
    moved, why_no_trend = trend(measured.steps)
    return Evidence(
        path=series.path,
        is_log=False,
        is_calendar=series.is_calendar,
        from_ms=series.from_ms,
        until_ms=series.until_ms,
        covered_s=series.covered_s,
        unseen_s=(series.until_ms - series.from_ms) / 1000 - series.covered_s,
        soc=soc_of(told),
        temperature=temperature_of(told, beside.sensors),
        measured=measured,
        trend=moved,
        why_no_trend=why_no_trend,
        autonomy=autonomy(series),
        collapses=collapses(series),
        last_c=_last_c(series),
        stopped_ms=_stopped_ms(series),
        floor_percent=series.given.policy.floor_percent,
    )


def _levels(series: Series) -> Told:
    levels = Levels(since_ms=None, until_ms=None, is_whole=series.is_whole)
    breaks = set(series.breaks)
    for place, point in enumerate(series.points):
        # What is a gap was decided when the file was read.
        most_ms = 0 if place in breaks else _FOR_EVER_MS
        levels.take(_run(point), point.at_ms, most_ms=most_ms)
    until_ms = max(series.until_ms, series.from_ms + 1)
    return levels.end(series.from_ms, until_ms, most_ms=_FOR_EVER_MS)


def _measured(series: Series, beside: _Beside) -> Measured:
    capacity = Capacity(is_whole=series.is_whole)
    breaks = set(series.breaks)
    for place, point in enumerate(series.points):
        if place in breaks:
            capacity.interrupt()
        if point.charge_ah is not None and point.at_ms >= beside.since_ms:
            capacity.take(point.soc_percent, point.charge_ah)
    found = capacity.measured([*beside.full_ah, *beside.design_ah])
    steps, why_not = _steps(series, since_ms=beside.since_ms)
    return Measured(
        capacity_ah=found.ah,
        capacity_sigma_ah=found.sigma_ah,
        swings=found.swings,
        design_ah=beside.design_ah[-1] if beside.design_ah else None,
        resistance_ohm=median_ohm(step.ohm for step in steps),
        steps=steps,
        why_no_capacity=found.why_not,
        why_no_resistance=why_not,
        gauge_full_ah=beside.full_ah[-1] if beside.full_ah else None,
    )


def _run(point: Point) -> Run:
    """Return a reading as the audit counts it."""
    return Run(
        boot_ms=point.at_ms,
        reads=1,
        span_ms=0,
        longest_gap_ms=0,
        why_not=None,
        soc_hundredths_percent=round(100 * point.soc_percent),
        temperature_mc=_thousandths(point.temperature_c),
        last_temperature_mc=None,
        voltage_mv=_thousandths(point.voltage_v),
        last_voltage_mv=None,
        current_ma=_thousandths(point.current_a),
        last_current_ma=None,
        charge_mah=_thousandths(point.charge_ah),
        last_charge_mah=None,
    )


def _thousandths(value: float | None) -> int | None:
    return None if value is None else round(1000 * value)


@dataclass(slots=True)
class _Beside:
    """What a CSV has beside its readings.

    ``full_ah`` and ``design_ah`` are what the gauge called so, the last one last;
    ``since_ms`` is when the last pack came.
    """

    full_ah: list[float] = field(default_factory=list)
    design_ah: list[float] = field(default_factory=list)
    sensors: list[str] = field(default_factory=list)
    pack: str | None = None
    since_ms: int = 0

    def take(self, sample: Sample, at_ms: int) -> None:
        """Take the next line."""
        if sample.pack is not None:
            if self.pack not in (None, sample.pack):
                self.since_ms = at_ms
                self.full_ah, self.design_ah = [], []
            self.pack = sample.pack
        _kept(self.full_ah, sample.full_charge_ah)
        _kept(self.design_ah, sample.design_charge_ah)
        _kept(self.sensors, sample.temperature_sensor)


def _kept(found: list[T], value: T | None) -> None:
    if value and (not found or found[-1] != value):
        if value in found:
            found.remove(value)
        found.append(value)


def _beside(path: Path, station: str | None) -> _Beside:
    text = read_csv(path)
    asked = station if stations(path, text) else None
    begin_ms = begins_ms(path, text, station=asked) or 0
    found = _Beside()
    for each in taken(path, text, station=asked):
        if each.sample is not None:
            found.take(each.sample, begin_ms + each.at_ms)
    return found


def _steps(series: Series, *, since_ms: int) -> tuple[tuple[Step, ...], str]:
    """Return the resistance at each turn of the supply that was read on both sides.

    The moment of the turn is not in a CSV: it is taken as the middle of two readings.
    """
    steps = []
    said = "The supply never turned while somebody looked."
    for stretch in series.stretches():
        for before, after in pairwise(stretch):
            if before.is_fed is None or after.is_fed in (None, before.is_fed):
                continue
            if before.at_ms < since_ms:
                continue
            found = stepped(
                _moment(before),
                _moment(after),
                switched_s=median((before.at_ms, after.at_ms)) / 1000,
                sign_is_trusted=series.sign_is_trusted,
            )
            if found.ohm is None:
                said = found.why_not
                continue
            steps.append(
                Step(
                    at_ms=after.at_ms,
                    ohm=found.ohm,
                    soc_percent=after.soc_percent,
                    temperature_c=after.temperature_c,
                )
            )
    return tuple(steps), "" if steps else said


def _moment(point: Point) -> Moment:
    return Moment(
        at_s=point.at_ms / 1000,
        voltage_v=point.voltage_v,
        current_a=point.current_a,
        soc_percent=point.soc_percent,
    )
