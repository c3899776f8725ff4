"""What the rows of a station come to: an audit, of what one pass over them found."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from tidegate import __version__
from tidegate.audit.contact import life_years
from tidegate.audit.levels import Told
from tidegate.audit.notes import Asides, notes
from tidegate.audit.result import (
    AtThisPace,
    Audit,
    Cycles,
    HalfCycles,
    Head,
    Readings,
    Switchings,
)
from tidegate.audit.time_at import at_this_pace, duty_of, soc_of, temperature_of
from tidegate.audit.walk import Walk
from tidegate.cyclelog.signing import moment
from tidegate.errors import LogEmpty, LogUnreadable
from tidegate.wear.account import Account, account
from tidegate.wear.duty import DAY_S, YEAR_DAYS, Duty

# The years 2 to 9998, so that a time zone of a day does not lead out of 1 to 9999,
# which is what datetime knows.
_EARLIEST_MS: Final = -62_104_060_800_000
_LATEST_MS: Final = 253_370_764_800_000
# Where no window is in force the hold is at the middle of 55 to 65 %; a choice.
HOLD_PERCENT: Final = 60.0
# What moves by no more than this may be the noise of a gauge; a choice.
SHALLOW_PERCENT: Final = 1.0
# A relay of this kind has no contact that wears.
KERNEL: Final = "kernel"


def made(walk: Walk, station: str, head: Head, *, begins_late: bool) -> Audit:
    """Return what the rows came to. ``begins_late``: a file before them is not here.

    Errors: LogEmpty for a span without any, LogUnreadable for times of no calendar.
    """
    from_ms, until_ms = _span(walk, station)
    told = walk.levels.end(from_ms, until_ms, most_ms=walk.most_ms)
    walk.work.end()
    found = walk.last_set
    temperature = temperature_of(told, walk.sensors)
    duty = duty_of(told, temperature)
    wear, ahead = _modelled(walk, duty)
    result = Audit(
        station=station,
        head=head,
        version=__version__,
        from_ms=from_ms,
        until_ms=until_ms,
        marks=found.policy.marks,
        floor_percent=found.policy.floor_percent,
        chemistry=found.chemistry,
        readings=_readings(walk, told),
        cycles=_cycles(told),
        soc=soc_of(told),
        temperature=temperature,
        switchings=_switchings(walk, until_ms - from_ms),
        alarms=walk.alarms.spans(from_ms, until_ms),
        wear=wear,
        measured=walk.cell.measured(found.design_ah),
        notes=(),
        commissionings=tuple(walk.work.commissionings),
        duty=duty,
        stepped_ms=walk.placing.stepped_ms,
        delayed=walk.placing.delayed,
        at_this_pace=ahead,
        windows=_runs(walk.windows),
        plans=sum(walk.plans.values()),
    )
    asides = _asides(walk, told, begins_late=begins_late)
    return replace(result, notes=notes(result, asides))


def _span(walk: Walk, station: str) -> tuple[int, int]:
    first_ms = walk.first_ms or 0
    from_ms = max(first_ms, walk.since_ms or first_ms)
    until_ms = walk.last_ms
    if walk.until_ms is not None:
        until_ms = min(until_ms, walk.until_ms)
    if not walk.is_any_told:
        raise LogEmpty(
            f"the cycle log holds nothing about {station} in the time asked for",
            remedy=f"Its rows lie from {moment(first_ms)} to {moment(walk.last_ms)}.",
        )
    until_ms = max(until_ms, from_ms + 1)
    if not _EARLIEST_MS <= from_ms < until_ms <= _LATEST_MS:
        raise LogUnreadable(
            f"the rows of {station} lie where no calendar reaches",
            remedy="The log was altered: tidegate log verify says where.",
        )
    return from_ms, until_ms


def _modelled(walk: Walk, duty: Duty) -> tuple[Account | None, tuple[AtThisPace, ...]]:
    """Return what the models say of a duty, and of more years of it."""
    hold_percent, chemistry = _hold_percent(walk), walk.last_set.chemistry
    wear = None
    if duty.days > 0:
        wear = account(duty, hold_percent=hold_percent, chemistry=chemistry)
    return wear, at_this_pace(duty, hold_percent=hold_percent, chemistry=chemistry)


def _hold_percent(walk: Walk) -> float:
    """Return the level of the hold beside it: as set, else the middle of the window."""
    marks = walk.last_set.policy.marks
    if marks is None:
        return HOLD_PERCENT
    if walk.last_set.hold_percent is not None:
        return walk.last_set.hold_percent
    return (marks.low_percent + marks.high_percent) / 2


def _readings(walk: Walk, told: Told) -> Readings:
    return Readings(
        count=told.reads,
        rejected=told.rejected,
        failed=walk.failed,
        covered_s=told.covered_s,
        gaps=tuple(told.gaps),
        lost_rows=walk.work.lost_rows,
    )


def _switchings(walk: Walk, length_ms: int) -> Switchings:
    work, contact, life = walk.work, walk.work.contact, walk.last_set.life
    has_contact = walk.last_set.kind != KERNEL
    days = length_ms / 1000 / DAY_S
    return Switchings(
        count=work.count,
        per_day=(work.count + contact.unlogged) / days if days >= 1 else None,
        unconfirmed=work.unconfirmed,
        missing=work.missing,
        reasons=tuple(work.reasons.most_common()),
        operations=contact.operations,
        life=life,
        life_years=life_years(
            life if has_contact else None,
            contact.operations + contact.unlogged,
            length_ms=length_ms,
        ),
        proving=work.proving,
        repeats=work.repeats,
        failed=work.failed,
        unlogged=contact.unlogged,
        others=contact.others,
        operations_of_log=contact.operations_of_log + contact.unlogged_of_log,
        has_contact=has_contact,
    )


def _asides(walk: Walk, told: Told, *, begins_late: bool) -> Asides:
    cycles = told.cycles()
    known = [each for (_, celsius), each in told.rests.items() if celsius is not None]
    return Asides(
        sensors=tuple(dict.fromkeys(walk.sensors)),
        chemistries=tuple(dict.fromkeys(walk.chemistries)),
        is_whole=walk.known.is_whole,
        half_cycles=2 * sum(count for _, _, count in cycles),
        shallow_efc=sum(
            depth * count / 100
            for depth, _, count in cycles
            if depth <= SHALLOW_PERCENT
        ),
        packs=_runs(walk.packs),
        plans=dict(walk.plans),
        across_edges_percent=told.across_edges_percent,
        unheated_s=told.covered_s - sum(known) / 2000,
        lost_rows_of_log=walk.work.lost_rows_of_log,
        is_cut=walk.since_ms is not None or walk.until_ms is not None,
        begins_late=begins_late,
        unset=walk.placing.unset,
        doubtful_ms=walk.placing.doubtful_ms,
    )


def _runs(found: Sequence[object]) -> int:
    """Return how many there are, equal neighbours counted once."""
    return sum(1 for _ in itertools.groupby(found))


def _cycles(told: Told) -> Cycles:
    found = tuple(
        HalfCycles(depth_percent=depth, mean_percent=mean, count=count)
        for depth, mean, count in told.cycles()
    )
    efc = sum(each.depth_percent * each.count for each in found) / 100
    days = told.spanned_s / DAY_S
    return Cycles(
        half_cycles=found,
        efc=efc,
        efc_per_year=efc * YEAR_DAYS / days if days >= 1 else None,
        days=days,
        efc_in_gaps=told.across_gaps_percent / 200,
    )
