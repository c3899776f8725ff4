"""What a world is, and what came of it.

A world comes from its kind and one whole number, the seed. Everything that stands
there (settings, devices, backends) is drawn by the kind from the seed alone; what
happens is a list of incidents with dice of their own. So leaving out an incident, or
ending earlier, changes nothing else: that is what makes a failing world shrink.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Incident:
    """Something that happens to one station, or to all, ``at_s`` into the world.

    ``what`` names it in the table of its kind of world; ``dice`` seeds whatever it
    leaves to chance. ``number`` is its place in the whole plan and survives shrinking.
    """

    number: int
    at_s: float
    what: str
    station: str = ""
    lasts_s: float = 0.0
    dice: int = 0

    @property
    def random(self) -> random.Random:
        """Return fresh dice, the same each time."""
        return random.Random(self.dice)

    def __str__(self) -> str:
        where = f" {self.station}" if self.station else ""
        lasts = f" for {self.lasts_s:.0f} s" if self.lasts_s else ""
        return f"#{self.number} {self.at_s / 3600:.3f} h{where}: {self.what}{lasts}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """One world: ``of`` is how many incidents the seed drew, before any shrinking."""

    kind: str
    seed: int
    hours: float
    incidents: tuple[Incident, ...]
    of: int
    is_whole: bool = True

    def only(self, numbers: set[int], *, hours: float | None = None) -> Plan:
        """Return the world with these incidents alone, perhaps ending earlier."""
        kept = tuple(each for each in self.incidents if each.number in numbers)
        shorter = self.hours if hours is None else hours
        return replace(self, incidents=kept, hours=shorter, is_whole=False)

    @property
    def rerun(self) -> str:
        """Return the one line that lives this world again."""
        line = f"make search KIND={self.kind} SEED={self.seed}"
        if self.is_whole:
            return line
        numbers = ",".join(str(each.number) for each in self.incidents)
        return f"{line} HOURS={self.hours!r} ONLY={numbers or 'none'}"


@dataclass(kw_only=True)
class Tally:
    """What worlds came to, added up over many.

    ``incidents`` counts what happened by kind; ``checks`` how often each of the seven
    promises was checked, by its number; ``rules`` in how many worlds a reason of the
    table of rules commanded or ruled; ``faults`` in how many worlds a fault of the
    list of what must be survived was reached with its effect, by its number.
    """

    worlds: int = 0
    device_days: float = 0.0
    crashes: int = 0
    switchings: int = 0
    incidents: Counter[str] = field(default_factory=Counter)
    checks: Counter[int] = field(default_factory=Counter)
    rules: Counter[str] = field(default_factory=Counter)
    faults: Counter[int] = field(default_factory=Counter)

    def add(self, other: Tally) -> None:
        """Add what other worlds came to."""
        self.worlds += other.worlds
        self.device_days += other.device_days
        self.crashes += other.crashes
        self.switchings += other.switchings
        self.incidents.update(other.incidents)
        self.checks.update(other.checks)
        self.rules.update(other.rules)
        self.faults.update(other.faults)


@dataclass(kw_only=True)
class Outcome:
    """What came of one world: broken promises in words, with the last events before."""

    plan: Plan
    tally: Tally
    broken: list[str] = field(default_factory=list)
    last_events: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A kind of world.

    ``draw`` makes the plan of a seed; ``live`` lives it, using a folder of its own
    that is empty. A world never raises for a broken promise: it goes into the
    outcome. What it does raise is a fault of ours, and counts as one broken promise.
    """

    name: str
    draw: Callable[[int], Plan]
    live: Callable[[Plan, Path], Outcome]
