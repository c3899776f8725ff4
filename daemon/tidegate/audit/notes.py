"""What the numbers of an audit do not show, in sentences."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from tidegate.audit.result import Audit
from tidegate.core.policy import DAY_MS, HOUR_MS, MINUTE_MS, PlanReason
from tidegate.cyclelog.placing import STEP_MS
from tidegate.wear.duty import YEAR_DAYS

# Below this a part of the time without temperature is not worth a sentence.
_LEAST_SHARE: Final = 0.01
# Below this share of the time from the first reading to the last that was covered, the
# pace while it was read is told too; a choice.
_MOSTLY: Final = 0.9
# Above this share of all cycles those that may be noise are told; a choice.
_LEAST_NOISE: Final = 0.05
_PLANS: Final = {
    PlanReason.PLANNED_RISE.value: "planned rise",
    PlanReason.RELEARN.value: "relearn",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Asides:
    """What only the notes tell.

    ``packs`` is how many battery packs were in the device, ``plans`` how often which
    plan moved the window; ``unheated_s`` is the covered time without a temperature,
    ``shallow_efc`` what is in cycles of a point and less, ``across_edges_percent`` what
    moved in gaps across an edge of the span. ``is_cut``: a span was asked for.
    ``begins_late``: a file before the oldest here is not here. ``unset`` and
    ``doubtful_ms`` are those of ``Placing``.
    """

    sensors: tuple[str, ...]
    chemistries: tuple[str, ...]
    is_whole: bool
    half_cycles: float
    shallow_efc: float
    packs: int
    plans: Mapping[str, int]
    across_edges_percent: float
    unheated_s: float
    lost_rows_of_log: int
    is_cut: bool
    begins_late: bool
    unset: int
    doubtful_ms: int


def notes(audit: Audit, asides: Asides) -> tuple[str, ...]:
    """Return all that applies, what weighs most first."""
    return (
        *_wear(audit, asides),
        *_temperature(audit, asides),
        *_gaps(audit, asides),
        *_charge(audit, asides),
        *_window(audit, asides),
        *_work(audit),
        *_clock(audit, asides),
        *_kept(audit, asides),
    )


def _wear(audit: Audit, asides: Asides) -> Iterator[str]:
    if audit.wear is None:
        yield "No time was covered by readings, so no model could be asked."
        return
    yield (
        "The models count this span as the first of a new cell's life, where every law "
        "is steepest, and only the time covered, with the cycles at their pace over all "
        "of the time. For a cell that is older the losses are less; how they compare with "
        "float still tells."
    )
    if audit.marks is None:
        yield (
            "No charge window was in force at the end; the hold beside it is at "
            f"{audit.wear.hold_percent:g} %, a choice."
        )
    if len(asides.chemistries) > 1:
        yield (
            f"The battery was declared {', then '.join(asides.chemistries)}; the last "
            "decides for all of the time."
        )


def _temperature(audit: Audit, asides: Asides) -> Iterator[str]:
    heat = audit.temperature
    if heat.assumed_c is not None and audit.wear is not None:
        yield (
            f"The log has no temperature; the models were given {heat.assumed_c:g} °C "
            "throughout, which is a guess, and heat matters as much as charge does."
        )
        return
    share = asides.unheated_s / audit.readings.covered_s if asides.unheated_s else 0.0
    if heat.mean_c is not None and share >= _LEAST_SHARE:
        yield (
            f"For {asides.unheated_s / 3600:,.0f} h of the time covered there was no "
            f"temperature; the models were given its mean there, {heat.mean_c:.1f} °C."
        )
    if len(asides.sensors) > 1:
        yield f"The temperature came from several sensors: {', '.join(asides.sensors)}."


def _gaps(audit: Audit, asides: Asides) -> Iterator[str]:
    cycles, covered_days = audit.cycles, audit.readings.covered_s / 86_400
    if cycles.efc_in_gaps:
        yield (
            f"Within gaps the charge changed by {200 * cycles.efc_in_gaps:.0f} points "
            "in all. Each gap counts as one move by what changed; cycles in it were not "
            "seen, so that the true number, and that for a year, is the same or higher."
        )
    if asides.across_edges_percent:
        yield (
            "In gaps across the beginning or the end of the time asked for the charge "
            f"changed by {asides.across_edges_percent:.0f} points, which are not "
            "counted: when in the gap is not known."
        )
    if cycles.efc_per_year is not None and covered_days < _MOSTLY * cycles.days:
        read = ""
        if covered_days >= 1:
            rate = (cycles.efc - cycles.efc_in_gaps) * YEAR_DAYS / covered_days
            read = (
                f" While it was read the charge moved {rate:,.0f} a year; the models "
                "get the pace with the gaps."
            )
        yield (
            f"{cycles.efc_per_year:,.0f} equivalent full cycles a year are over the "
            f"{cycles.days:.1f} days from the first reading to the last, of which "
            f"{covered_days:.1f} were read.{read}"
        )


def _charge(audit: Audit, asides: Asides) -> Iterator[str]:
    if asides.is_whole and asides.half_cycles:
        # A range between two whole percents is less than a point off.
        yield (
            "The gauge tells whole percents: each half cycle may be a point shallower or "
            f"deeper than told, together up to {asides.half_cycles / 200:.2f} equivalent "
            "full cycles, and what moved within a point was not seen."
        )
    elif asides.half_cycles:
        yield (
            "Charge is counted in tenths of a percent: each half cycle may be a tenth "
            "of a point shallower or deeper than the gauge told, together up to "
            f"{asides.half_cycles / 2_000:.2f} equivalent full cycles."
        )
    if asides.shallow_efc > _LEAST_NOISE * audit.cycles.efc:
        yield (
            f"{asides.shallow_efc:.2f} of the {audit.cycles.efc:.2f} equivalent full "
            "cycles are in cycles of a point and less, which may be the noise of the "
            "gauge. They are counted, as ASTM E1049 does; without them the models would "
            "tell less for the cycling."
        )
    if asides.packs > 1:
        yield (
            f"{asides.packs} battery packs were in the device one after another. The "
            "models count them as one cell, the change from one to the next as no "
            "cycle; what was measured is of the last."
        )


def _window(audit: Audit, asides: Asides) -> Iterator[str]:
    window_s, covered_s = audit.soc.window_s, audit.readings.covered_s
    if audit.windows and window_s < (1 - _LEAST_SHARE) * covered_s:
        yield (
            f"A charge window was in force for {window_s / 3600:,.1f} h of the "
            f"{covered_s / 3600:,.1f} h read; the time in the window is of these."
        )
    if asides.plans:
        named = (
            _counted(count, _PLANS.get(why, "plan"))
            for why, count in sorted(asides.plans.items())
        )
        yield (
            f"The window was moved as planned ({', '.join(named)}); the way there and "
            "back, for two days at most, counts as in the window. The log says when "
            "and why in its rows plan_changed."
        )
    if audit.windows > 1:
        yield (
            f"{audit.windows} charge windows were in force one after another; the time "
            "in the window is that in the one then in force."
        )


def _work(audit: Audit) -> Iterator[str]:
    made = audit.switchings
    if made.unlogged:
        yield (
            f"Up to {_counted(made.unlogged, 'switching')} more, made while the log "
            "could not be written, cannot be told apart. They count for the relay and "
            "for the switchings a day, and have no reason here."
        )
    if made.others:
        yield (
            f"{_counted(made.others, 'operation')} of the relay were made by others, as "
            "it reported or readings showed; they count for the relay only."
        )
    for run in audit.commissionings:
        yield (
            f"A commissioning run by {run.by or 'a person not named'} came to: "
            f"{run.verdict}. Its {_counted(run.switchings, 'switching')} are counted "
            "for the relay, not as switchings."
        )


def _clock(audit: Audit, asides: Asides) -> Iterator[str]:
    if asides.unset:
        yield (
            f"The clock was not set yet in {_counted(asides.unset, 'boot')} at the "
            "beginning; what was seen then is placed right before what came after. How "
            "long before is not known, and paces do not have that time in them."
        )
    if asides.doubtful_ms:
        yield (
            f"{_length(asides.doubtful_ms)} lie between two boots of which at least "
            "one had a clock that nobody had synchronised: if it was wrong, the paces "
            "here are, too."
        )
    if audit.stepped_ms >= STEP_MS:
        yield (
            f"The wall clock was set by {_length(audit.stepped_ms)} within a boot; times "
            "here follow the boot clock, which nobody can set."
        )
    if audit.delayed:
        yield (
            f"The wall clock went back between boots ({audit.delayed} times); what came "
            "after is placed right after what came before."
        )


def _kept(audit: Audit, asides: Asides) -> Iterator[str]:
    if asides.begins_late:
        yield (
            "The log goes on from a file that is not here: what is in it is not counted, "
            "for the relay either."
        )
    if asides.is_cut:
        yield (
            "Readings and failed reads are counted by the run of equal ones in which "
            "they are kept, in the time asked for if that begins in it."
        )
    if audit.readings.lost_rows:
        of_log = ""
        if asides.lost_rows_of_log:
            of_log = f", {asides.lost_rows_of_log:,} of them of the whole log,"
        yield (
            f"{_counted(audit.readings.lost_rows, 'row')}{of_log} could not be kept "
            "while the log was not writable, and are missing here."
        )
    yield (
        "This audit does not verify the log. Whether any row was altered, added or "
        "taken out says: tidegate log verify."
    )


def _counted(count: int, what: str) -> str:
    return f"{count:,} {what}" if count == 1 else f"{count:,} {what}s"


def _length(length_ms: float) -> str:
    if length_ms >= DAY_MS:
        return f"{length_ms / DAY_MS:.1f} days"
    if length_ms >= HOUR_MS:
        return f"{length_ms / HOUR_MS:.1f} h"
    return f"{length_ms / MINUTE_MS:.0f} min"
