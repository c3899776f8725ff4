"""The kind of world in which the core alone looks after a twin, for many days, fast."""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable
from functools import partial
from pathlib import Path
from random import Random
from typing import Final

from support.search.core_incidents import INCIDENTS as INCIDENTS
from support.search.core_incidents import calendar_of, draw
from support.search.core_site import site_of
from support.search.core_witness import CoreWitness
from support.search.core_world import WALL_MS, CoreWorld, Step
from support.search.plan import Kind, Outcome, Plan, Tally
from tidegate.core.controller import step
from tidegate.core.effects import Reason
from tidegate.core.events import Started
from tidegate.core.policy import DAY_MS, HOUR_MS
from tidegate.core.state import State, fresh
from tidegate.twin.world import World as Calendar

# In so many worlds the events are told once more to a core that knows nothing else.
TOLD_AGAIN: Final = 0.1
LAST_EVENTS: Final = 40


def live(plan: Plan, _: Path) -> Outcome:
    """Live the world of core and twin; nothing is written anywhere."""
    site = site_of(plan.seed)
    calendar = Calendar(start_wall_ms=WALL_MS, events=calendar_of(plan, site))
    world = CoreWorld(site, calendar)
    witness = CoreWitness(plan, site, world)
    is_told_again = Random(plan.seed ^ 0xA6A1).random() < TOLD_AGAIN
    again = _Again(world, witness) if is_told_again else None
    world.timeline = _timeline(plan, world)
    world.start(same_boot=False, was_closed=True)
    until_ms = round(plan.hours * HOUR_MS)
    world.live(until_ms, witness.watch)
    if world.is_up:
        world.stop()
    if again is not None:
        again.judge()
    return Outcome(
        plan=plan,
        tally=_tally(plan, world, witness),
        broken=witness.broken,
        last_events=_told(world) if witness.broken else [],
    )


def _timeline(plan: Plan, world: CoreWorld) -> deque[tuple[int, Callable[[], None]]]:
    entries: list[tuple[int, int, Callable[[], None]]] = []
    for each in plan.incidents:
        doing, from_ms = INCIDENTS[each.what], round(each.at_s * 1000)
        if doing.begin is not None:
            begin = partial(doing.begin, world, each)
            entries.append((from_ms, 2 * each.number, begin))
        if doing.end is not None:
            until_ms = from_ms + round(each.lasts_s * 1000)
            end = partial(doing.end, world, each)
            entries.append((until_ms, 2 * each.number + 1, end))
    entries.sort(key=lambda entry: entry[:2])
    return deque((at_ms, do) for at_ms, _, do in entries)


class _Again:
    """Tells a core all events once more: it must do the same, and remember the same."""

    def __init__(self, world: CoreWorld, witness: CoreWitness) -> None:
        self._world, self._witness = world, witness
        self._state = fresh(world.site.policy)
        self._look, world.onlooker = world.onlooker, self._take
        self._steps: list[tuple[Step, State | None]] = []

    def _take(self, one: Step, before: State) -> None:
        forgot = self._world.is_forgetful and isinstance(one.event, Started)
        self._steps.append((one, before if forgot else None))
        self._look(one, before)

    def judge(self) -> None:
        """Compare what the core does with what it did."""
        state = self._state
        for one, other in self._steps:
            if other is not None:
                state = fresh(other.policy)
            state, effects = step(state, one.event, one.at_ms)
            self._witness.checks[6] += 1
            if effects != one.effects:
                self._witness.broken.append(
                    f"told again, {one.event} at {one.at_ms} brings {effects}"
                )
                return
        if state != self._world.state:
            self._witness.broken.append("told again, the state is another")


def _tally(plan: Plan, world: CoreWorld, witness: CoreWitness) -> Tally:
    return Tally(
        worlds=1,
        device_days=world.true_ms / DAY_MS,
        crashes=world.crashes,
        switchings=world.switchings,
        incidents=Counter(
            each.what for each in plan.incidents if each.at_s < plan.hours * 3600
        ),
        checks=witness.checks,
        rules=Counter({reason.value: 1 for reason in Reason if world.reasons[reason]}),
        faults=Counter(dict.fromkeys(sorted(witness.faults), 1)),
    )


def _told(world: CoreWorld) -> list[str]:
    return [
        f"{true_ms / HOUR_MS:.4f} h: {one.event} -> {one.effects}"
        for true_ms, one in list(world.last)[-LAST_EVENTS:]
    ]


CORE: Final = Kind(name="core", draw=draw, live=live)
