"""What a story comes to, in words and numbers."""

from __future__ import annotations

import itertools
from datetime import tzinfo
from typing import Final

from tidegate.core.policy import DAY_MS, HOUR_MS, MINUTE_MS
from tidegate.cyclelog.placing import STEP_MS
from tidegate.report.axis import local, minute, zone_name
from tidegate.report.story import Line, Span, Story

# An integer gauge steps by one, so a point beside each mark still counts as inside.
MARGIN_PERCENT: Final = 1.0
ALARMS_TOLD: Final = 6


def verdict(told: Story) -> str:
    """Return the finding in one sentence, alarms that stand included."""
    alarms = _alarms(told)
    marks = told.policy.marks
    if not told.soc:
        return f"No charge of {told.station} was read that can be trusted; {alarms}."
    if marks is None:
        lowest, highest = _extremes(told.soc)
        return (
            f"{told.station} was measured, not controlled: its charge was "
            f"{lowest:.0f} to {highest:.0f} %; {alarms}."
        )
    window = f"its window of {marks.low_percent:g} to {marks.high_percent:g} %"
    inside = measured_in_window_percent(told)
    if inside is None:
        return f"{told.station} did not come into {window}; {alarms}."
    return (
        f"{told.station} was in {window} for {inside:.0f} % of the time read from its "
        f"first entry on, with {counted(told.switchings, 'switching')}; {alarms}."
    )


def _alarms(told: Story) -> str:
    stand = sum(1 for span in told.alarms if span.stands)
    alarms = counted(len(told.alarms), "alarm")
    if not told.alarms:
        return "no alarm"
    if stand == 0:
        return f"{alarms}, none stands"
    if stand == len(told.alarms):
        return f"{alarms}, which {'stands' if stand == 1 else 'stand'}"
    return f"{alarms}, of which {stand} {'stands' if stand == 1 else 'stand'}"


def counted(count: int, what: str) -> str:
    """Return such as ``1 alarm`` or ``2 alarms``."""
    return f"{count} {what}" if count == 1 else f"{count:,} {what}s"


def measured_in_window_percent(told: Story) -> float | None:
    """Return the share of the time read from the first entry on, marks included.

    ``None`` where no time was read in the window or after it. Between two readings
    the first of them holds.
    """
    marks = told.policy.marks
    if marks is None:
        return None
    low, high = marks.low_percent - MARGIN_PERCENT, marks.high_percent + MARGIN_PERCENT
    inside_ms = total_ms = 0
    has_entered = False
    for line in told.soc:
        for (at_ms, soc), (next_ms, _) in itertools.pairwise(line):
            is_inside = low <= soc <= high
            has_entered = has_entered or is_inside
            total_ms += next_ms - at_ms if has_entered else 0
            inside_ms += next_ms - at_ms if is_inside else 0
    return 100 * inside_ms / total_ms if total_ms else None


def _extremes(lines: list[Line]) -> tuple[float, float]:
    values = [value for line in lines for _, value in line]
    return min(values), max(values)


def _supply_on_percent(told: Story) -> float | None:
    known_ms = sum(span.until_ms - span.from_ms for span in told.supply)
    on_ms = sum(
        span.until_ms - span.from_ms for span in told.supply if span.label == "on"
    )
    return 100 * on_ms / known_ms if known_ms else None


def read_ms(told: Story) -> int:
    """Return for how long the charge was read."""
    return sum(line[-1][0] - line[0][0] for line in told.soc)


def numbers(told: Story, zone: tzinfo) -> list[tuple[str, str]]:
    """Return the rows of the table of numbers: what, and how much with its unit."""
    rows = [
        ("from", f"{minute(told.from_ms, zone)} {local(told.from_ms, zone).year}"),
        ("to", f"{minute(told.until_ms, zone)} {local(told.until_ms, zone).year}"),
    ]
    inside = measured_in_window_percent(told)
    if inside is not None:
        what = "time in the window, of the time read from the first entry on"
        rows.append((what, f"{inside:.0f} %"))
    if told.soc:
        lowest, highest = _extremes(told.soc)
        rows += [
            ("lowest charge read", f"{lowest:.0f} %"),
            ("highest charge read", f"{highest:.0f} %"),
        ]
    if told.heat:
        coldest, hottest = _extremes(told.heat)
        rows.append(("battery temperature", f"{coldest:.0f} to {hottest:.0f} °C"))
    return [*rows, *_work(told)]


def _work(told: Story) -> list[tuple[str, str]]:
    days = (told.until_ms - told.from_ms) / DAY_MS
    often = f" ({told.switchings / days:.1f} a day)" if days >= 1 else ""
    rows = [("switchings", f"{told.switchings}{often}")]
    on = _supply_on_percent(told)
    if on is not None:
        rows.append(("supply on, of the time it is known", f"{on:.0f} %"))
    if told.effects:
        seen, missing = told.effects[True], told.effects[False]
        proof = f"{seen} seen, {missing} missing, {told.effects[None]} unknown"
        rows.append(("effects of commands, repeats included", proof))
    moved = sum(
        abs(after - before)
        for line in told.soc
        for (_, before), (_, after) in itertools.pairwise(line)
    )
    rows.append(("equivalent full cycles (EFC), as read", f"{moved / 200:.2f}"))
    return rows


def alternative(told: Story, zone: tzinfo) -> str:
    """Return what the picture shows, for whoever does not see it."""
    said = [verdict(told)]
    if told.soc:
        lowest, highest = _extremes(told.soc)
        said.append(f"Charge from {lowest:.0f} to {highest:.0f} %.")
    on = _supply_on_percent(told)
    if on is not None:
        said.append(f"Supply on for {on:.0f} % of the time.")
    if told.heat:
        coldest, hottest = _extremes(told.heat)
        said.append(f"Battery from {coldest:.0f} to {hottest:.0f} °C.")
    said += [
        f"{span.label} {minute(span.from_ms, zone)}, {lasted(span)}."
        for span in told.alarms[:ALARMS_TOLD]
    ]
    if len(told.alarms) > ALARMS_TOLD:
        said.append("The other alarms are in the table.")
    return " ".join(said)


def lasted(span: Span) -> str:
    """Return how long an alarm stood, and whether it still does."""
    length_ms = span.until_ms - span.from_ms
    if length_ms < MINUTE_MS:
        length = f"{length_ms / 1000:.0f} s"
    elif length_ms < HOUR_MS:
        length = f"{length_ms / MINUTE_MS:.0f} min"
    elif length_ms < 2 * DAY_MS:
        minutes = round(length_ms / MINUTE_MS)
        length = f"{minutes // 60} h {minutes % 60} min"
    else:
        length = f"{length_ms / DAY_MS:.1f} days"
    return f"{length}, it stands" if span.stands else length


def evidence(told: Story, zone: tzinfo) -> list[str]:
    """Return what the page rests on and where it stops, a paragraph each."""
    unread_h = (told.until_ms - told.from_ms - read_ms(told)) / HOUR_MS
    gaps = max(len(told.soc) - 1, 0)
    said = [
        f"Drawn from {told.rows} rows of the cycle log, which stand for "
        f"{counted(told.readings, 'reading')}, {told.rejected} of them not trusted, "
        f"and {counted(told.failed, 'failed read')}. For {unread_h:.1f} h nothing "
        f"trusted was read ({counted(gaps, 'gap')}); there nothing is drawn.",
        "Charge is what the gauge reported, not a measurement of ours. All time read "
        "from the first entry into the window on counts, heat and failed mains too; a "
        "point beside each mark counts as inside.",
        "The supply is what the relay reported as done; whether the device's supply "
        "followed is in the effects.",
        f"Times are local ({zone_name(told.from_ms, told.until_ms, zone)}). Within a "
        "boot they follow the boot clock, which nobody can set.",
    ]
    if told.stepped_ms >= STEP_MS:
        said.append(
            f"The wall clock was set by {_length(told.stepped_ms)} within a boot; "
            "times here do not follow it."
        )
    if told.delayed:
        said.append(
            f"The wall clock went back between boots ({told.delayed} times); what "
            "came after is drawn right after what came before, so that its dates are "
            "later than the clock said."
        )
    if told.lost_rows:
        said.append(
            f"{counted(told.lost_rows, 'row')} could not be kept while the log was not "
            "writable, and are missing here."
        )
    return said


def _length(length_ms: int) -> str:
    if length_ms >= DAY_MS:
        return f"{length_ms / DAY_MS:.1f} days"
    if length_ms >= HOUR_MS:
        return f"{length_ms / HOUR_MS:.1f} h"
    return f"{length_ms / MINUTE_MS:.0f} min"
