"""What a log is too short, too coarse or too warm for, and how to get it."""

from __future__ import annotations

from collections.abc import Iterator

from tidegate.taper.finding import EARLY_START_PERCENT, Finding, Judged, Verdict
from tidegate.taper.shape import COOL_C, WARM_C


def missing(finding: Finding) -> list[str]:
    """Return a sentence for each thing, what to do about it included."""
    best = finding.best
    if best is None:
        return [_no_charge(finding)]
    said = [*_disagree(finding), *_reach(best), *_heat(finding, best)]
    said += [*_conditions(best), *_untold(best)]
    if finding.verdict is Verdict.UNCLEAR and not said:
        said.append(
            "The signs are weak: charge once more from 20 to 30 % up to full, unused and "
            "at room temperature, and read current and voltage if the gauge tells them."
        )
    return said


def _no_charge(finding: Finding) -> str:
    if finding.found:
        return (
            "No charge in it is long enough: one from 20 to 30 % up to full is wanted, "
            "read every 10 min at least."
        )
    return (
        "There is no charge in it, a rise of 15 points or more: a battery that stays in "
        "a charge window or at full shows nothing. Record one from 20 to 30 % up to full."
    )


def _disagree(finding: Finding) -> Iterator[str]:
    if not finding.agree:
        yield (
            "The charges do not agree: look at one that was recorded with the device "
            "unused, on its own charger and at room temperature."
        )


def _reach(best: Judged) -> Iterator[str]:
    measured = best.measured
    start = measured.charge.start_percent
    if start > EARLY_START_PERCENT:
        yield f"The charge began at {start:.0f} %: start at 20 to 30 %."
    if not measured.is_complete:
        yield (
            f"It was read up to {measured.end_percent:.0f} % only: leave it on the "
            "charger until it is full and stays there."
        )
    elif not measured.is_full:
        yield (
            f"It ended at {measured.charge.top_percent:.0f} %: what comes above that was "
            "not seen."
        )
    gap, hours = measured.last_fifth_gap_h, measured.last_fifth_h
    if gap and hours:
        yield (
            f"There is a gap in the last fifth: for {gap:.1f} h of {hours:.1f} h nobody "
            "looked, and whether it was fed then is not known."
        )


def _heat(finding: Finding, best: Judged) -> Iterator[str]:
    measured = best.measured
    if best.is_held_by_heat:
        yield (
            f"For {100 * (measured.shape.heat_share or 0):.0f} % of the time from 40 % on the "
            f"battery was at {WARM_C:g} °C or warmer, or at {COOL_C:g} °C or colder: the "
            "charger itself holds back then, which is no taper. Charge at room "
            "temperature."
        )
    elif measured.shape.heat_share is None and finding.verdict is not Verdict.NOT:
        yield "No temperature was told: in a warm case a charger holds back too."


def _conditions(best: Judged) -> Iterator[str]:
    measured = best.measured
    if best.is_held_up:
        yield (
            f"A percent from 60 to 80 % took {1 / (measured.ratio or 1):.1f} times as "
            "long as one above: the charge was held up there, or the gauge jumps. Charge "
            "once more, with nothing else done meanwhile."
        )
    if best.is_one_step:
        what = "current" if measured.by_current else "rate"
        yield (
            f"The {what} fell once, at {measured.shape.falls_at_percent or 0:.0f} %, and "
            f"kept {100 * (measured.shape.step_share or 0):.0f} % of its height: a device "
            "in use from then on, heat or another supply do that as well as a taper of "
            "one step. Charge once more with the device switched off; if it was off, it "
            "is such a taper."
        )
    if best.is_weak:
        yield (
            f"The supply gave {measured.rate_percent_h:.1f} % an hour: one so weak can "
            "hide a taper. Use the device's own charger and cable."
        )
    if best.is_unsteady:
        yield (
            "The charge was unsteady, as of a device in use: switch it off or leave it "
            "alone meanwhile."
        )


def _untold(best: Judged) -> Iterator[str]:
    measured = best.measured
    points = measured.charge.points
    if measured.is_voltage_coarse:
        yield (
            "The voltage was always the same, or told in steps of 0.05 V or more: too "
            "coarse to use."
        )
    is_current_odd = not measured.by_current and any(
        point.current_a is not None for point in points
    )
    if is_current_odd:
        yield "The current was none or out of the battery while it charged: left out."
    lacks = []
    if not measured.by_current and not is_current_odd:
        lacks.append("current")
    if measured.shape.highest_v is None and not measured.is_voltage_coarse:
        lacks.append("voltage")
    if lacks:
        yield (
            f"No {' and no '.join(lacks)} was told: the answer rests on the times "
            "at each level" + ("." if len(lacks) == 2 else " and on the rest.")
        )
