"""What an audit comes to, in sentences: the verdict, and what each picture shows."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo
from typing import Final

from tidegate.audit.result import Audit, Bin, Gap, Measured
from tidegate.core.policy import DAY_MS, HOUR_MS, MINUTE_MS
from tidegate.report.axis import local, minute
from tidegate.report.finding import counted
from tidegate.report.ink import hours_of, share_of
from tidegate.report.matrix import by_depth, short
from tidegate.wear.account import Account
from tidegate.wear.finding import claim

# The warmest JEITA band ends here; from there on a charger holds back.
WARM_C: Final = 45.0


def verdict(audit: Audit) -> str:
    """Return the finding in one sentence: the window, the models, the alarms."""
    parts = [_charge(audit), *_models(audit), _alarms(audit)]
    return "; ".join(parts) + "."


def _charge(audit: Audit) -> str:
    soc, marks = audit.soc, audit.marks
    if soc.lowest_percent is None or soc.highest_percent is None:
        return f"No charge of {audit.station} was read that can be trusted"
    if marks is None:
        # The settings of the end measure only; before, a window may have been in force.
        how = (
            "is no longer controlled"
            if audit.windows > 1
            else "was measured, not controlled"
        )
        return (
            f"{audit.station} {how}: its charge was "
            f"{soc.lowest_percent:.0f} to {soc.highest_percent:.0f} %"
        )
    levels = f"{marks.low_percent:g} to {marks.high_percent:g} %"
    window = f"its window of {levels}"
    if audit.windows > 1:
        window = f"its window then in force (the last: {levels})"
    if audit.plans:
        # Else 100 % of 55 to 65 would stand beside a charge of 30 to 95 %.
        window += f", as moved by {counted(audit.plans, 'plan')},"
    if soc.in_window_percent is None:
        return f"{audit.station} did not come into {window}"
    return (
        f"{audit.station} was in {window} for {soc.in_window_percent:.0f} % of the "
        "time read"
    )


def _models(audit: Audit) -> list[str]:
    years, wear = audit.deciding
    if wear is None or not wear.of:
        return ["no model can say what it cost the battery"]
    lasting = "" if years is None else f"if it goes on like this for {years} years, "
    if years is None and wear.days < 1:
        lasting = f"over the {hours_of(86_400 * wear.days)} read, "
    subject = "it cost" if years is None else "it costs"
    return [lasting + claim(wear, subject=subject)]


def _alarms(audit: Audit) -> str:
    stand = sum(1 for each in audit.alarms if each.until_ms is None)
    if not audit.alarms:
        return "no alarm"
    said = counted(len(audit.alarms), "alarm")
    if not stand:
        return f"{said}, none stands"
    return f"{said}, of which {stand} {'stands' if stand == 1 else 'stand'}"


# --- text alternatives ----------------------------------------------------------------


def station_seen(audit: Audit, zone: tzinfo) -> str:
    """Return what the picture of the station shows."""
    soc = audit.soc
    said = [
        f"{audit.station} from {moment(audit.from_ms, zone)} to "
        f"{moment(audit.until_ms, zone)}."
    ]
    if soc.lowest_percent is not None and soc.highest_percent is not None:
        said.append(
            f"Charge from {soc.lowest_percent:.0f} to {soc.highest_percent:.0f} %."
        )
    gaps = audit.readings.gaps
    said.append(f"{counted(audit.switchings.count, 'switching')}.")
    if gaps:
        longest = max(gaps, key=lambda gap: gap.until_ms - gap.from_ms)
        said.append(
            f"{counted(len(gaps), 'gap')}, the longest {lasting(longest)} from "
            f"{moment(longest.from_ms, zone)}."
        )
    codes = dict.fromkeys(each.code for each in audit.alarms)
    said.append(f"Alarms: {', '.join(codes)}." if codes else "No alarm.")
    return " ".join(said)


def charge_seen(audit: Audit) -> str:
    """Return where the charge mostly was."""
    return f"The charge was {_mostly(audit.soc.histogram, '%')}."


def heat_seen(audit: Audit) -> str:
    """Return how warm the battery mostly was."""
    heat = audit.temperature
    hot = hours(heat.hours_above_45_c)
    where = _mostly(heat.histogram, "°C")
    return f"The battery was {where}; at or above {WARM_C:g} °C for {hot}."


def _mostly(bins: Sequence[Bin], unit: str) -> str:
    total = sum(each.seconds for each in bins)
    most = max(bins, key=lambda each: each.seconds)
    share = share_of(most.seconds, total)
    return f"for {share} of the time read from {most.low:g} to {most.high:g} {unit}"


def cycles_seen(audit: Audit) -> str:
    """Return which cycles there were most of, and what they come to."""
    counts = by_depth(audit.cycles.half_cycles)
    label, cycles, _ = max(counts, key=lambda each: each[1])
    deepest = max(each.depth_percent for each in audit.cycles.half_cycles)
    return (
        f"Most cycles, {short(cycles)}, were {label} points deep, the deepest "
        f"{deepest:.0f}; together {efc(audit.cycles.efc)} equivalent full cycles."
    )


def models_seen(account: Account, *, over: str) -> str:
    """Return every model's number beside float and hold; ``over`` is the time."""
    said = [
        f"{each.name}: {each.loss_percent:.1f} %, float {each.float_loss_percent:.1f} "
        f"%, hold {each.hold_loss_percent:.1f} %"
        + (", partly outside its tests." if each.outside else ".")
        for each in account.models
    ]
    return " ".join([f"Loss of capacity by model {over}.", *said])


def switchings_seen(audit: Audit) -> str:
    """Return how much of the relay's life was used, and the commonest reason."""
    made = audit.switchings
    said = f"The contact made {counted(made.operations, 'operation')}"
    if made.life:
        share = share_of(made.operations, made.life)
        said += f" of the {made.life:,} that it lasts, {share}"
    if not made.reasons:
        return said + "."
    code, count = max(made.reasons, key=lambda each: each[1])
    return f"{said}. Most were made for {code}: {count:,}."


def resistance_seen(measured: Measured) -> str:
    """Return the range of the steps and their median."""
    ohms = [step.ohm for step in measured.steps]
    median = measured.resistance_ohm
    middle = "" if median is None else f", median {milliohm(median)}"
    return (
        f"{counted(len(ohms), 'resistance step')} from {milliohm(min(ohms))} to "
        f"{milliohm(max(ohms))}{middle}."
    )


# --- numbers in words -----------------------------------------------------------------


def moment(at_ms: int, zone: tzinfo) -> str:
    """Return a time with its year."""
    return f"{minute(at_ms, zone)} {local(at_ms, zone).year}"


def lasting(gap: Gap) -> str:
    """Return how long a gap is."""
    return length(gap.until_ms - gap.from_ms)


def length(length_ms: float) -> str:
    """Return a time in the unit that suits it."""
    if length_ms < MINUTE_MS:
        return f"{length_ms / 1000:.0f} s"
    if length_ms < HOUR_MS:
        return f"{length_ms / MINUTE_MS:.0f} min"
    if length_ms < 2 * DAY_MS:
        minutes = round(length_ms / MINUTE_MS)
        return f"{minutes // 60} h {minutes % 60} min"
    return f"{length_ms / DAY_MS:,.1f} days"


def hours(count: float) -> str:
    """Return hours, a tenth below ten."""
    return f"{count:,.0f} h" if count >= 9.95 else f"{count:.1f} h"


def efc(count: float) -> str:
    """Return equivalent full cycles, whole from 100 on."""
    return f"{count:,.0f}" if count >= 100 else f"{count:.2f}"


def milliohm(ohm: float) -> str:
    """Return a resistance in mΩ."""
    return f"{1000 * ohm:.0f} mΩ"
