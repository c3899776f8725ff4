"""The search: worlds of rising seeds until enough were lived, and what came of them."""

from __future__ import annotations

import os
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from support.search.kinds import ADDRESSES
from support.search.lanes import Job, Lane, Lived, lived
from support.search.plan import Outcome, Plan, Tally
from support.search.shrink import Shrunk, promise_of, shrunk

LANES: Final = 2
_MEMORY: Final = "/dev/shm"
# A world takes seconds; on a busy machine minutes.
LIMIT_S: Final = 600.0
# Where that many fail, more of the same tell nothing new.
FAILING_MAX: Final = 50
# So many different broken promises are made small, and in so much time together.
SHRUNK_MAX: Final = 5
SHRINKING_S: Final = 900.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """How much of a kind of world is to be lived, from seed ``first`` on.

    So many worlds, or so many device-days; exactly one of them is given.
    """

    first: int = 0
    worlds: int | None = None
    days: float | None = None

    def done(self, tally: Tally) -> float:
        """Return how much of the goal is reached: worlds, or device-days."""
        return tally.device_days if self.worlds is None else tally.worlds

    @property
    def wanted(self) -> float:
        """Return the goal: worlds, or device-days."""
        wanted = self.days if self.worlds is None else self.worlds
        assert wanted is not None
        return wanted


# What is lived where nothing else is asked for, and at least before a release.
STANDARD: Final = {"whole": Goal(days=1_000), "core": Goal(days=10_000)}


def in_memory() -> str | None:
    """Return where files lie in memory, if that is to be had: worlds sync them often."""
    return _MEMORY if os.access(_MEMORY, os.W_OK) else None


@dataclass(kw_only=True)
class Failing:
    """One promise that was broken, in the first world that did, and in which others."""

    first: Outcome
    seeds: list[int] = field(default_factory=list)
    shrunk: Shrunk | None = None

    @property
    def least(self) -> Outcome:
        """Return the smallest world known to break it."""
        return self.first if self.shrunk is None else self.shrunk.least


@dataclass(kw_only=True)
class Found:
    """What a search has come to so far; all by kind of world.

    ``longest`` is the seconds, kind and seed of the world that took longest;
    ``cut_short`` says why not all was lived, ``shrinking`` what is made small now.
    """

    goals: Mapping[str, Goal]
    tallies: dict[str, Tally]
    cpu_s: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    lane_s: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    failing: dict[tuple[str, str], Failing] = field(default_factory=dict)
    longest: tuple[float, str, int] = (0.0, "", 0)
    took_s: float = 0.0
    lanes: int = LANES
    cut_short: str = ""
    shrinking: str = ""

    @property
    def broken(self) -> int:
        """Return in how many worlds a promise was broken."""
        return sum(len(each.seeds) for each in self.failing.values())

    @property
    def sum(self) -> Tally:
        """Return what the worlds of all kinds came to."""
        total = Tally()
        for tally in self.tallies.values():
            total.add(tally)
        return total

    def add(self, one: Lived) -> None:
        """Add a world that is over."""
        outcome, plan = one.outcome, one.outcome.plan
        self.tallies[plan.kind].add(outcome.tally)
        self.cpu_s[plan.kind] += one.cpu_s
        self.lane_s[plan.kind] += one.took_s
        self.longest = max(self.longest, (one.took_s, plan.kind, plan.seed))
        if outcome.broken:
            key = plan.kind, promise_of(outcome)
            failing = self.failing.setdefault(key, Failing(first=outcome))
            failing.seeds.append(plan.seed)


def search(
    goals: Mapping[str, Goal],
    *,
    addresses: Mapping[str, str] = ADDRESSES,
    lanes: int = LANES,
    limit_s: float = LIMIT_S,
    onlook: Callable[[Found], None] = lambda found: None,
) -> Found:
    """Live worlds until every goal is reached; make small what broke a promise.

    ``onlook`` is called after every world and after every life of shrinking. Ctrl-C
    ends the search with what was found so far, and nothing is made smaller then.
    """
    began_s = time.monotonic()
    found = Found(goals=goals, tallies={kind: Tally() for kind in goals}, lanes=lanes)

    def look() -> None:
        found.took_s = time.monotonic() - began_s
        onlook(found)

    with TemporaryDirectory(prefix="worlds-", dir=in_memory()) as name:
        folder = Path(name)
        try:
            jobs = _jobs(found, addresses)
            with closing(lived(jobs, folder, lanes=lanes, limit_s=limit_s)) as worlds:
                for one in worlds:
                    found.add(one)
                    look()
            _shrink(found, addresses, folder, limit_s, look)
        except KeyboardInterrupt:
            found.cut_short = "interrupted"
        found.shrinking = ""
    found.took_s = time.monotonic() - began_s
    return found


def _jobs(found: Found, addresses: Mapping[str, str]) -> Iterator[Job]:
    """Yield the next world of the kind that is furthest from its goal."""
    begun: Counter[str] = Counter()

    def share(kind: str) -> float:
        goal = found.goals[kind]
        if goal.worlds is not None:
            return begun[kind] / goal.wanted
        return goal.done(found.tallies[kind]) / goal.wanted

    while True:
        if found.broken >= FAILING_MAX:
            found.cut_short = f"{found.broken} worlds failed"
            return
        kind = min(found.goals, key=share)
        if share(kind) >= 1:
            return
        seed = found.goals[kind].first + begun[kind]
        begun[kind] += 1
        yield Job(address=addresses[kind], kind=kind, seed=seed)


def _shrink(
    found: Found,
    addresses: Mapping[str, str],
    folder: Path,
    limit_s: float,
    look: Callable[[], None],
) -> None:
    # A world that could not be drawn has no incidents to leave out.
    drawn = [each for each in found.failing.values() if each.first.plan.hours > 0]
    chosen = drawn[:SHRUNK_MAX]
    until_s = time.monotonic() + SHRINKING_S
    with Lane(folder / "shrinking", limit_s=limit_s) as lane:

        def live(plan: Plan) -> Outcome:
            many = len(plan.incidents)
            found.shrinking = f"{plan.kind} seed {plan.seed} with {many} incidents"
            look()
            return lane.live(Job.of(plan, addresses[plan.kind])).outcome

        for n, failing in enumerate(chosen):
            left_s = until_s - time.monotonic()
            failing.shrunk = shrunk(
                failing.first, live, seconds_max=left_s / (len(chosen) - n)
            )
