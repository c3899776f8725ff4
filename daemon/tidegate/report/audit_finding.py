"""What an audit comes to, in sentences: the verdict, and what each picture shows."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo
from typing import Final

from tidegate.audit.result import Audit, Bin, Gap, Measured
from tidegate.core.policy import DAY_MS, HOUR_MS, MINUTE_MS
from tidegate.report.audit_words import (
    contact,
    efc,
    from_to,
    is_gappy,
    percent,
    read_with_window,
    unread,
)
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
    soc, station = audit.soc, audit.station
    if unread(audit):
        trusted = " that can be trusted" if audit.readings.count else ""
        return f"No charge of {station} was read{trusted}"
    its_charge = f"its charge was {from_to(audit)}"
    if soc.mean_percent is None:
        return f"{station} was read at moments only, which cover no time: {its_charge}"
    if not audit.windows:
        return f"{station} was measured, not controlled: {its_charge}"
    window = _window(audit)
    begin = station
    if audit.marks is None:
        # The settings of the end measure only; before, a window was in force.
        begin = f"{station} is no longer controlled: it"
    if soc.in_window_percent is None:
        return f"{begin} was not read while {window} was in force; {its_charge}"
    of = read_with_window(audit)
    if not soc.in_window_percent:
        return f"{begin} did not come into {window} in {of}"
    return f"{begin} was in {window} for {percent(soc.in_window_percent)} of {of}"


def _window(audit: Audit) -> str:
    marks, window = audit.marks, "its window then in force"
    if marks is not None:
        levels = f"{marks.low_percent:g} to {marks.high_percent:g} %"
        window = f"its window of {levels}"
        if audit.windows > 1:
            window = f"its window then in force (the last: {levels})"
    if audit.plans:
        # Else 100 % of 55 to 65 would stand beside a charge of 30 to 95 %.
        window += f", as moved by {counted(audit.plans, 'plan')},"
    return window


def _models(audit: Audit) -> list[str]:
    years, wear = audit.deciding
    if wear is None or not wear.of:
        return ["no model can say what it cost the battery"]
    lasting = ""
    if years is not None:
        gaps = ", gaps included" if audit.cycles.efc_in_gaps and is_gappy(audit) else ""
        lasting = f"if it goes on like this for {years} years{gaps}, "
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
    said = f"Relay: {contact(made) or 'no operation'}."
    if not made.reasons:
        return said
    code, count = max(made.reasons, key=lambda each: each[1])
    return f"{said} Most switchings were made for {code}: {count:,}."


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


def milliohm(ohm: float) -> str:
    """Return a resistance in mΩ."""
    return f"{1000 * ohm:.0f} mΩ"
