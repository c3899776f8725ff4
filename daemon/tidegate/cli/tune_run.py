"""From a file of readings to a choice in words: what ``tidegate tune`` goes through."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import click

from tidegate.cli.tune_question import Question
from tidegate.cli.tune_source import Source, source
from tidegate.cli.zone import SystemZone
from tidegate.core.policy import Policy
from tidegate.tuning import candidates
from tidegate.tuning.advice import Advice, advise
from tidegate.tuning.changing import COOLER_C
from tidegate.tuning.choice import Choice, choose
from tidegate.tuning.compare import compare, with_sigma
from tidegate.tuning.constraints import Constraints, Worst
from tidegate.tuning.device import Device
from tidegate.tuning.fit import fit
from tidegate.tuning.offs import Offs, offs_of
from tidegate.tuning.outcome import Candidate, Outcome

Progress = Callable[[float], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tuned:
    """The device, the policy it was walked with, the choice and the advice."""

    device: Device
    policy: Policy
    choice: Choice
    advice: Advice


def tuned(
    ctx: click.Context,
    path: Path,
    station: str | None,
    *,
    asked: Question,
    years: int,
    is_supply_free: bool = True,
    progress: Progress | None = None,
) -> Tuned:
    """Return what is to be said of one station.

    ``is_supply_free``: other supplies may be chosen. Errors: as ``source``;
    LogUnreadable where too little was read.
    """
    found = source(ctx, path, station)
    device = fit(found.series, SystemZone())
    policy = found.series.given.policy
    outcomes = _compared(found, device, _grid(policy, asked), progress=progress)
    choice = choose(
        outcomes,
        _constraints(found, asked, device, is_supply_free=is_supply_free),
        is_present_known=found.is_present_known,
        years=years,
    )
    choice = _surely(choice, device, policy)
    advice = advise(
        choice,
        device,
        cooler=_cooler(found, device, choice),
        remarks=found.remarks,
        has_plans=found.has_plans,
        by_time=_by_time(device, policy, choice),
    )
    return Tuned(device=device, policy=policy, choice=choice, advice=advice)


def _grid(policy: Policy, asked: Question) -> list[Candidate]:
    # Holds are compared with any relay, so that one can be told what it would bring.
    return candidates.grid(
        policy,
        can_hold=True,
        most_percent=max(asked.max_window_percent, candidates.MOST_PERCENT),
        supplies_a=asked.supplies_a,
    )


def _constraints(
    found: Source, asked: Question, device: Device, *, is_supply_free: bool
) -> Constraints:
    return Constraints.of(
        found.series.given.policy,
        autonomy_h=asked.autonomy_h,
        relay_life_years=asked.relay_life_years,
        max_window_percent=asked.max_window_percent,
        can_hold=found.can_hold,
        is_supply_free=is_supply_free,
        worst=Worst.of(device),
    )


def _surely(choice: Choice, device: Device, policy: Policy) -> Choice:
    """Return it with how sure the figures of the two are that are told at length.

    Each costs several walks; nothing in the choice itself rests on them.
    """
    shown = {choice.recommended, choice.present}
    outcomes = tuple(
        with_sigma(each, device, policy) if place in shown else each
        for place, each in enumerate(choice.outcomes)
    )
    return replace(choice, outcomes=outcomes)


def _by_time(device: Device, policy: Policy, choice: Choice) -> Offs | None:
    """Return how offs end where they do by time: of the recommended, else the first."""
    if not choice.outcomes:
        return None
    return offs_of(device, policy, choice.outcomes[choice.recommended or 0])


def _compared(
    found: Source,
    device: Device,
    grid: Sequence[Candidate],
    *,
    progress: Progress | None = None,
) -> list[Outcome]:
    given = found.series.given

    def told(done: int, of: int) -> None:
        if progress is not None:
            progress(done / of)

    return compare(
        device,
        given.policy,
        grid,
        life=given.life,
        chemistry=given.chemistry,
        can_hold=True,
        progress=told,
    )


def _cooler(found: Source, device: Device, choice: Choice) -> list[Outcome]:
    """Return what is recommended, in a cooler place; nothing without temperatures."""
    if choice.recommended is None or not device.fed_c:
        return []
    cool = replace(
        device,
        fed_c=tuple(each - COOLER_C for each in device.fed_c),
        unfed_c=tuple(each - COOLER_C for each in device.unfed_c),
        held_c=tuple(each - COOLER_C for each in device.held_c),
    )
    return _compared(found, cool, [choice.outcomes[choice.recommended].candidate])
