"""The facts about wear: does it die, its capacity, its resistance, its hours."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from tidegate.triage.discharging import Collapse
from tidegate.triage.evidence import Evidence
from tidegate.triage.fact import Fact, clause, missing, side, times
from tidegate.triage.inspection import Inspection, Told
from tidegate.triage.limits import (
    LEAST_CAPACITY,
    MOST_RESISTANCE,
    NEW_YEARS,
    Number,
    from_sigma,
    ratio_of,
)
from tidegate.triage.trend import Trend
from tidegate.wear.duty import YEAR_DAYS

_DAY_MS = 86_400_000
# By a clock on the wall and a person who came by; a choice.
_SEEN_ERROR = 0.1


def capacity(evidence: Evidence | None) -> Fact:
    """Whether the measured capacity is under 80 % of the rated one."""
    code = "capacity"
    swing = "a relearn: one swing of 30 points and more with a charge counter"
    measured = None if evidence is None else evidence.measured
    if measured is None or measured.capacity_ah is None:
        why = (
            "there is no log" if measured is None else clause(measured.why_no_capacity)
        )
        said = f"The capacity was not measured: {why}."
        return missing(code, said + _gauge_belief(evidence), swing)
    ah, sigma = measured.capacity_ah, measured.capacity_sigma_ah or 0.0
    if measured.design_ah is None:
        said = f"The capacity is {ah:.2f} ± {2 * sigma:.2f} Ah, of no known rated one."
        return missing(code, said, "the rated capacity, from the battery (design_ah)")
    limit = LEAST_CAPACITY * measured.design_ah
    share = 100 * ah / measured.design_ah
    said = (
        f"The measured capacity is {ah:.2f} ± {2 * sigma:.2f} Ah, {share:.0f} % of "
        f"{measured.design_ah:.2f} Ah"
    )
    holds = from_sigma(ah, sigma).is_under(limit)
    return Fact(
        code=code,
        holds=holds,
        said=f"{said}, {side(holds, 'under', 'not under')} {limit:.2f} Ah (80 %).",
        turns=f"a capacity {'of' if holds else 'under'} {limit:.2f} Ah (80 %)",
        lacks=() if holds is not None else ("more and wider swings of the charge",),
    )


def _gauge_belief(evidence: Evidence | None) -> str:
    if evidence is None:
        return ""
    full, design = evidence.measured.gauge_full_ah, evidence.measured.design_ah
    if full is None or design is None:
        return ""
    return (
        f" The gauge itself believes in {full:.2f} of {design:.2f} Ah "
        f"({100 * full / design:.0f} %), which is no measurement."
    )


def resistance(evidence: Evidence | None, inspection: Inspection) -> Fact:
    """Whether the resistance has doubled since the battery was new."""
    code = "resistance"
    moved = None if evidence is None else evidence.trend
    if moved is None:
        why = "there is no log" if evidence is None else clause(_why_no_trend(evidence))
        return missing(
            code,
            f"The resistance has no trend: {why}.",
            "resistance steps over a month and more, one a switching",
        )
    return _doubled(code, moved, inspection)


def _doubled(code: str, moved: Trend, inspection: Inspection) -> Fact:
    ratio, since, is_new = _grown(moved, inspection)
    doubled = ratio.reaches(MOST_RESISTANCE)
    said = (
        f"The resistance{_at(moved)} is {1000 * moved.end_ohm:.0f} mΩ, "
        f"{ratio.value:.2f} times ({ratio.low:.2f} to {ratio.high:.2f}) that {since}"
    )
    if doubled is False and not is_new:
        return Fact(
            code=code,
            holds=None,
            said=f"{said}; how far it had grown before is not known.",
            lacks=("its resistance when new (resistance_new_ohm)",),
            is_missing=True,
        )
    limit = 1000 * moved.end_ohm / ratio.value * MOST_RESISTANCE
    return Fact(
        code=code,
        holds=doubled,
        said=f"{said}, {side(doubled, 'at least', 'less than')} twice.",
        turns=f"a resistance {'under' if doubled else 'of'} {limit:.0f} mΩ (twice)",
        lacks=() if doubled is not None else ("more months of the log",),
    )


def _at(moved: Trend) -> str:
    """Return at what it was taken: only what moved in the log was taken out."""
    pairs = ((moved.by_heat, "25 °C"), (moved.by_charge, "60 %"))
    taken = [name for is_taken, name in pairs if is_taken]
    return f" at {' and '.join(taken)}" if taken else ""


def _why_no_trend(evidence: Evidence) -> str:
    measured = evidence.measured
    return measured.why_no_resistance if not measured.steps else evidence.why_no_trend


def _grown(moved: Trend, inspection: Inspection) -> tuple[Number, str, bool]:
    """Return the growth, since when, and whether it was new then."""
    new_ohm = inspection.resistance_new_ohm
    if new_ohm is not None:
        ratio = ratio_of(moved.end_ohm, moved.end_sigma_ohm, new_ohm, 0.0)
        return ratio, f"when new ({1000 * new_ohm:.0f} mΩ)", True
    span_years = (moved.until_ms - moved.from_ms) / _DAY_MS / YEAR_DAYS
    age = inspection.age_years
    is_new = age is not None and age - span_years <= NEW_YEARS
    since = f"{span_years:.1f} years before ({1000 * moved.start_ohm:.0f} mΩ)"
    return moved.ratio, since, is_new


def dying(evidence: Evidence | None, inspection: Inspection) -> Fact:
    """Whether the battery gives way when it has to carry the device."""
    code = "dies_on_battery"
    died = _died(evidence, inspection)
    fallen = () if evidence is None else evidence.collapses
    if died or len(fallen) > 1:
        return Fact(code=code, holds=True, said=died or _collapsed(fallen))
    if fallen:
        return Fact(
            code=code,
            holds=None,
            said=_collapsed(fallen),
            lacks=("whether the voltage collapses again at the next off",),
        )
    if held := _held(evidence, inspection):
        return Fact(code=code, holds=False, said=held)
    return missing(
        code,
        "Whether it dies on its battery is not known.",
        "whether it died on its battery (died_on_battery)",
    )


def _died(evidence: Evidence | None, inspection: Inspection) -> str:
    if inspection.died_on_battery is Told.YES:
        return "It went dark within minutes of losing its supply, with charge left."
    if evidence is not None and "only_source" in evidence.ever:
        return "It died twice in a row while the supply was off (only_source)."
    return ""


def _held(evidence: Evidence | None, inspection: Inspection) -> str:
    seen_h = inspection.autonomy_seen_h
    if seen_h is not None and seen_h >= 1:
        return f"It lasted {seen_h:g} h on its battery, by the clock."
    if inspection.died_on_battery is Told.NO:
        return "It never died on its battery."
    if evidence is not None and evidence.autonomy is not None:
        runs = times(evidence.autonomy.runs)
        return f"It held {runs} on its battery in the log, each time that it had to."
    return ""


def _collapsed(fallen: tuple[Collapse, ...]) -> str:
    worst = min(fallen, key=lambda each: each.cell_v)
    return (
        f"A cell fell to {worst.cell_v:.2f} V at {worst.soc_percent:.0f} % charge; it "
        f"collapsed {times(len(fallen))} on its battery."
    )


def short(evidence: Evidence | None, inspection: Inspection) -> Fact:
    """Whether a full battery lasts less than the hours that are wanted."""
    code = "autonomy"
    wanted = inspection.autonomy_wanted_h
    if wanted is None:
        return missing(
            code,
            "How long it must run on its battery is not known.",
            "the hours of autonomy wanted (autonomy_wanted_h)",
        )
    if wanted == 0:
        return Fact(code=code, holds=False, said="No hours on its battery are wanted.")
    lasts, how = _lasts(evidence, inspection)
    if lasts is None:
        # Hours that are wanted and never tried are no comfort, whatever the capacity.
        return Fact(
            code=code,
            holds=None,
            said=f"{wanted:g} h are wanted; how long it lasts was not measured.",
            lacks=(
                "how long it lasts from full (autonomy_seen_h), or a log with an off",
            ),
        )
    found = _lasting(code, lasts, how, wanted)
    if found.holds is False and inspection.autonomy_seen_h is None:
        return _as_far_as_seen(found, evidence, wanted)
    return found


def _as_far_as_seen(found: Fact, evidence: Evidence | None, wanted: float) -> Fact:
    """Return it uncertain where no fall that was logged went so far.

    A worn cell may carry the device over its first points and give way further down.
    """
    falls = None if evidence is None else evidence.autonomy
    if falls is None or falls.widest_percent >= wanted * falls.rate.value:
        return found
    return replace(
        found,
        holds=None,
        said=f"{found.said[:-1]}, if it falls as fast further down: no fall in the log "
        f"went over more than {falls.widest_percent:.0f} points.",
        lacks=("one run from full by the clock (autonomy_seen_h)",),
        is_missing=True,
    )


def _lasting(code: str, lasts: Number, how: str, wanted: float) -> Fact:
    holds = lasts.is_under(wanted)
    return Fact(
        code=code,
        holds=holds,
        said=(
            f"From full it lasts {lasts.value:.1f} h ({lasts.low:.1f} to "
            f"{lasts.high:.1f}; {how}), {side(holds, 'less than', 'not less than')} the "
            f"{wanted:g} h wanted."
        ),
        turns=f"{_limit_h(lasts, holds)} h wanted",
        lacks=() if holds is not None else ("one run from full by the clock",),
    )


def _lasts(
    evidence: Evidence | None, inspection: Inspection
) -> tuple[Number | None, str]:
    if inspection.autonomy_seen_h is not None:
        seen = inspection.autonomy_seen_h
        error = _SEEN_ERROR * seen
        return Number(value=seen, low=seen - error, high=seen + error), "by the clock"
    if evidence is None or evidence.autonomy is None:
        return None, ""
    found = evidence.autonomy
    return found.hours, f"to the floor of {found.floor_percent:g} %, from falls logged"


def _limit_h(lasts: Number, holds: bool | None) -> str:
    return f"at most {lasts.low:.1f}" if holds else f"more than {lasts.high:.1f}"


def worn(evidence: Evidence | None, inspection: Inspection) -> tuple[Fact, ...]:
    """Return all facts about wear, those that weigh most first."""
    return (
        dying(evidence, inspection),
        capacity(evidence),
        resistance(evidence, inspection),
        short(evidence, inspection),
    )


def is_worn(facts: Iterable[Fact]) -> bool | None:
    """Return whether the battery is worn out.

    One that holds is enough. What nobody measured does not speak against a battery of
    which the capacity or the autonomy was measured and is enough.
    """
    found = list(facts)
    if any(each.holds for each in found):
        return True
    if any(each.holds is None and not each.is_missing for each in found):
        return None
    # Only what was measured says at which number it would turn.
    is_enough = any(each.holds is False and each.turns for each in found)
    return False if is_enough else None
