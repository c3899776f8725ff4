"""The numbers of a charge as rows of a table, for the page and the terminal."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import tzinfo
from itertools import pairwise

from tidegate.report.audit_finding import length, moment
from tidegate.report.axis import zone_name
from tidegate.taper.charges import Charge
from tidegate.taper.evidence import Points
from tidegate.taper.finding import Finding, Judged
from tidegate.taper.measured import Measured

WAYS = {
    Points.TAPERS: "for a taper",
    Points.NOT: "against one",
    Points.NEITHER: "neither",
}


def when(charge: Charge, zone: tzinfo, *, is_calendar: bool) -> str:
    """Return from when to when a charge was read, or how long where no one knows."""
    if not is_calendar:
        return (
            f"{length(charge.until_ms - charge.from_ms)} of a file that tells seconds"
        )
    name = zone_name(charge.from_ms, charge.until_ms, zone)
    return f"{moment(charge.from_ms, zone)} to {moment(charge.until_ms, zone)} ({name})"


def by_fifth(measured: Measured) -> list[tuple[str, ...]]:
    """Return level, hours, rate, current, voltage, power and temperature, each fifth."""
    curve = measured.curve
    rows: list[tuple[str, ...]] = []
    levels = [0.0, 20.0, 40.0, 60.0, 80.0, 100.0]
    for low, high in pairwise(levels):
        begin = max(low, float(int(measured.charge.start_percent) + 1))
        end = min(high, measured.end_percent)
        hours = curve.hours(begin, end)
        if hours is None or end - begin < 2:
            continue
        amps = curve.middle(begin, end, lambda point: point.current_a)
        volts = curve.middle(begin, end, lambda point: point.voltage_v)
        celsius = curve.middle(begin, end, lambda point: point.temperature_c)
        amps = None if amps is None or not measured.by_current else abs(amps)
        rows.append(
            (
                f"{begin:.0f} to {end:.0f} %",
                f"{hours:.2f} ± {curve.sigma_h(begin, end):.2f} h",
                f"{(end - begin) / max(hours, 1e-6):.1f} % an hour",
                "" if amps is None else f"{amps:.2f} A",
                "" if volts is None else f"{volts:.2f} V",
                "" if amps is None or volts is None else f"{amps * volts:.1f} W",
                "" if celsius is None else f"{celsius:.0f} °C",
            )
        )
    return rows


def overview(finding: Finding, best: Judged, zone: tzinfo) -> list[tuple[str, str]]:
    """Return what and how much, of the charge that shows most."""
    return list(_overview(finding, best, zone))


def _overview(
    finding: Finding, best: Judged, zone: tzinfo
) -> Iterator[tuple[str, str]]:
    measured = best.measured
    charge = measured.charge
    yield "charge", when(charge, zone, is_calendar=finding.series.is_calendar)
    yield "from, to", f"{charge.start_percent:.0f} %, {charge.top_percent:.0f} %"
    yield "at first", _first(measured)
    falls = measured.shape.falls_at_percent
    what = "current" if measured.by_current else "rate"
    yield (
        f"{what} falls under 85 % of that",
        "not before its end" if falls is None else f"from {falls:.0f} % on",
    )
    yield from _voltage(measured)
    if measured.ratio is not None:
        yield (
            "last fifth to the fifth before, per percent",
            f"{measured.ratio:.1f} times",
        )
    if measured.shape.heat_share is not None:
        yield (
            "time from 40 % on in a band of heat or cold",
            f"{100 * measured.shape.heat_share:.0f} %",
        )


def _voltage(measured: Measured) -> Iterator[tuple[str, str]]:
    if (
        measured.shape.held_from_percent is not None
        and measured.shape.held_h is not None
    ):
        yield (
            "voltage within 0.03 V of its highest",
            f"from {measured.shape.held_from_percent:.0f} % on, {measured.shape.held_h:.1f} h",
        )
    if measured.shape.voltage_change_v is not None:
        yield (
            "voltage from 50 % to the end",
            f"{measured.shape.voltage_change_v:+.2f} V",
        )


def _first(measured: Measured) -> str:
    said = f"{measured.rate_percent_h:.1f} % an hour"
    if measured.plateau_a is not None:
        said += f", {measured.plateau_a:.2f} A"
    return said


def by_charge(finding: Finding, zone: tzinfo) -> list[tuple[str, ...]]:
    """Return a row for each charge that was looked at."""
    rows: list[tuple[str, ...]] = []
    for each in finding.charges:
        measured = each.measured
        charge = measured.charge
        last = measured.last_fifth_h
        way = WAYS[
            Points.TAPERS
            if each.score > 0
            else Points.NOT
            if each.score < 0
            else Points.NEITHER
        ]
        rows.append(
            (
                when(charge, zone, is_calendar=finding.series.is_calendar),
                f"{charge.start_percent:.0f} to {charge.top_percent:.0f} %",
                "" if last is None else f"{last:.1f} h",
                f"{measured.rate_percent_h:.1f} % an hour",
                way,
            )
        )
    return rows
