"""The numbers of an audit as rows of tables: what, how much, in which unit."""

from __future__ import annotations

from datetime import tzinfo
from typing import Final

from tidegate.audit.result import AlarmSpan, Audit, Bin
from tidegate.report.ahead import accounts
from tidegate.report.audit_finding import (
    WARM_C,
    hours,
    lasting,
    length,
    milliohm,
    moment,
)
from tidegate.report.audit_words import (
    capacity,
    contact,
    cycled,
    efc,
    effects,
    from_to,
    percent,
    read_with_window,
    switched,
    unread,
)
from tidegate.report.finding import counted
from tidegate.report.ink import hours_of, share_of
from tidegate.report.matrix import by_depth
from tidegate.wear.account import ModelLoss
from tidegate.words import alarm_text, gap_text, reason_text

Rows = list[tuple[str, ...]]

GAPS_MOST: Final = 10
# What it stands between stays on one line.
_FIXED: Final = "\N{NO-BREAK SPACE}"


def overview(audit: Audit, zone: tzinfo) -> Rows:
    """Return what was read, where the charge was, how warm it was, what was done."""
    return [
        ("from", moment(audit.from_ms, zone)),
        ("to", moment(audit.until_ms, zone)),
        *_read(audit),
        *_charge(audit),
        *_heat(audit),
        *_cycles(audit),
        *_switched(audit),
    ]


def _read(audit: Audit) -> Rows:
    read = audit.readings
    span_s = max((audit.until_ms - audit.from_ms) / 1000, 0.001)
    gaps_ms = sum(gap.until_ms - gap.from_ms for gap in read.gaps)
    return [
        (
            "readings",
            f"{read.count:,}, of which {read.rejected:,} not trusted; "
            f"{counted(read.failed, 'failed read')}",
        ),
        (
            "time covered by trusted readings",
            f"{hours_of(read.covered_s)}, {share_of(read.covered_s, span_s)}",
        ),
        (
            "gaps",
            f"{len(read.gaps):,}, together {length(gaps_ms)}" if read.gaps else "none",
        ),
    ]


def _charge(audit: Audit) -> Rows:
    soc = audit.soc
    if why := unread(audit):
        return [("state of charge (SoC)", why)]
    if soc.mean_percent is None:
        return [
            ("lowest and highest charge", from_to(audit)),
            ("time that these readings cover", "none: each stands alone"),
        ]
    rows: Rows = []
    if soc.in_window_percent is not None:
        share = percent(soc.in_window_percent)
        rows.append((f"time in the window, of {read_with_window(audit)}", share))
    return [
        *rows,
        ("mean charge", f"{soc.mean_percent:.0f} %"),
        ("lowest and highest charge", from_to(audit)),
        ("time above 80 % charge", hours(soc.hours_above_80_percent)),
    ]


def _range(low: float | None, high: float | None, unit: str) -> str:
    if low is None or high is None:
        return "unknown"
    return f"{low:.0f} to {high:.0f} {unit}"


def _heat(audit: Audit) -> Rows:
    heat = audit.temperature
    if heat.mean_c is None:
        said = "none in the log"
        if heat.assumed_c is not None:
            said += f"; the models take {heat.assumed_c:g} °C"
        return [("battery temperature", said)]
    return [
        ("mean battery temperature", f"{heat.mean_c:.0f} °C"),
        ("lowest and highest temperature", _range(heat.lowest_c, heat.highest_c, "°C")),
        (f"time at or above {WARM_C:g} °C", hours(heat.hours_above_45_c)),
        ("sensor", heat.sensor or "not named by the gauge"),
    ]


def _cycles(audit: Audit) -> Rows:
    return [("equivalent full cycles (EFC)", cycled(audit))]


def _switched(audit: Audit) -> Rows:
    made = audit.switchings
    rows: Rows = [("switchings", switched(audit))]
    if made.count:
        said = f"{effects(made)} (the effect not seen, or not waited for)"
        rows.append(("of these", said))
    return [*rows, ("relay, repeats apart", contact(made) or "no operation")]


# --- wear and cycles ------------------------------------------------------------------


def by_model(audit: Audit) -> tuple[tuple[str, ...], Rows]:
    """Return head and rows: each model's losses over each time, and what its tests
    leave out of the time on which the verdict rests; then how many say less than float.
    """
    names = [name for name, _ in accounts(audit)]
    found = [account for _, account in accounts(audit)]
    _, deciding = audit.deciding
    assert deciding is not None
    rows: Rows = []
    for model, *others in zip(deciding.models, *(e.models for e in found), strict=True):
        losses = (
            f"{each.loss_percent:.1f}, float{_FIXED}{each.float_loss_percent:.1f}, "
            f"hold{_FIXED}{each.hold_loss_percent:.1f} %"
            for each in others
        )
        name = model.name if model.counts else f"{model.name} (not counted)"
        rows.append((name, *losses, _outside(model)))
    better = (f"{each.better} of {each.of} models" for each in found)
    return (
        ("model", *names, "outside its tests"),
        [*rows, ("less than float", *better, "")],
    )


def _outside(model: ModelLoss) -> str:
    """Return what the tests leave out, of float and of the hold what is theirs only."""
    said = [*model.outside]
    for name, phrases in (("float", model.float_outside), ("hold", model.hold_outside)):
        said += [f"{name}: {each}" for each in phrases if each not in model.outside]
    return "; ".join(said) or "nothing"


def by_depth_rows(audit: Audit) -> Rows:
    """Return cycles and EFC by class of depth."""
    return [
        (f"{label} points", f"{cycles:,.1f}".removesuffix(".0"), efc(moved))
        for label, cycles, moved in by_depth(audit.cycles.half_cycles)
    ]


def by_bin(bins: tuple[Bin, ...], unit: str) -> Rows:
    """Return the bins that are not empty, high ones first: share and hours."""
    total = sum(each.seconds for each in bins)
    return [
        (
            f"{each.low:g} to {each.high:g} {unit}",
            share_of(each.seconds, total),
            hours_of(each.seconds),
        )
        for each in reversed(bins)
        if each.seconds > 0
    ]


def measured(audit: Audit) -> Rows:
    """Return what was measured of the cell, or why it was not."""
    found = audit.measured
    rows: Rows = []
    if found.capacity_ah is None:
        rows.append(("capacity", found.why_no_capacity))
    else:
        rests = f"over {counted(found.swings, 'swing')} of 30 points and more"
        rows.append(("capacity", f"{capacity(found)}, {rests}"))
    rows.append(("chemistry, as declared", audit.chemistry))
    if found.design_ah is not None:
        rows.append(("design capacity, as named", f"{found.design_ah:.2f} Ah"))
    if found.resistance_ohm is None:
        rows.append(("resistance", found.why_no_resistance))
    else:
        steps = counted(len(found.steps), "switching")
        said = f"{milliohm(found.resistance_ohm)}, the median of {steps}"
        rows.append(("resistance", said))
    return rows


# --- what happened --------------------------------------------------------------------


def reasons(audit: Audit) -> Rows:
    """Return the reasons of switchings, the commonest first."""
    return [
        (f"{reason_text(code)} ({code})", f"{count:,}")
        for code, count in sorted(audit.switchings.reasons, key=lambda each: -each[1])
    ]


def gaps(audit: Audit, zone: tzinfo) -> tuple[Rows, str]:
    """Return the longest gaps, and a sentence on those that are left out."""
    found = sorted(
        audit.readings.gaps, key=lambda gap: (gap.from_ms - gap.until_ms, gap.from_ms)
    )
    shown, rest = found[:GAPS_MOST], found[GAPS_MOST:]
    rows: Rows = [
        (moment(gap.from_ms, zone), lasting(gap), f"{gap_text(gap.why)} ({gap.why})")
        for gap in shown
    ]
    if not rest:
        return rows, ""
    together = length(sum(gap.until_ms - gap.from_ms for gap in rest))
    return rows, f"And {counted(len(rest), 'shorter gap')}, together {together}."


def alarms(audit: Audit, zone: tzinfo) -> Rows:
    """Return a row for each code: those that stand first, then the longest."""
    by_code: dict[str, list[AlarmSpan]] = {}
    for each in audit.alarms:
        by_code.setdefault(each.code, []).append(each)
    lasted = {
        code: sum(_lasted_ms(each, audit.until_ms) for each in spans)
        for code, spans in by_code.items()
    }
    order = sorted(
        by_code.items(), key=lambda item: (not _stands(item[1]), -lasted[item[0]])
    )
    return [
        (
            f"{alarm_text(code)} ({code})",
            f"{len(spans):,}",
            length(lasted[code]) + (", it stands" if _stands(spans) else ""),
            moment(spans[-1].from_ms, zone),
        )
        for code, spans in order
    ]


def _stands(spans: list[AlarmSpan]) -> bool:
    return any(each.until_ms is None for each in spans)


def _lasted_ms(alarm: AlarmSpan, end_ms: int) -> int:
    until_ms = end_ms if alarm.until_ms is None else alarm.until_ms
    return max(until_ms - alarm.from_ms, 0)
