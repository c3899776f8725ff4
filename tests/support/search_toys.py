"""Invented kinds of world whose failings are known: for tests of the search itself."""

from __future__ import annotations

import os
import signal
import threading
from collections import Counter
from pathlib import Path
from typing import Final

from support.search.plan import Incident, Kind, Outcome, Plan, Tally
from support.search.runner import Goal

INCIDENTS: Final = ("mains out", "gauge lost", "never drawn")

# What a seed of the perilous kind does.
RAISES, HANGS, KILLED, EXITS, CANNOT_BE_DRAWN = range(1, 6)

# Names a named pipe that is told when a world hangs.
HANGS_AT: Final = "SEARCH_TOYS_HANG_AT"


def _draw(kind: str, seed: int) -> Plan:
    incidents = tuple(
        Incident(
            number=n, at_s=n * 600.0, what=INCIDENTS[n % 2], station="hall", dice=seed
        )
        for n in range(1, 9)
    )
    return Plan(kind=kind, seed=seed, hours=4.0, incidents=incidents, of=8)


def _lived(plan: Plan) -> Outcome:
    return Outcome(
        plan=plan,
        tally=Tally(
            worlds=1,
            device_days=plan.hours / 24,
            crashes=1,
            switchings=2,
            incidents=Counter(each.what for each in plan.incidents),
            checks=Counter(dict.fromkeys(range(1, 8), 3)),
            rules=Counter(["in_window", "at_low_mark"]),
            faults=Counter([1, 5]),
        ),
        last_events=[f"hall is on at {plan.hours} h"],
    )


def _draw_fragile(seed: int) -> Plan:
    return _draw("fragile", seed)


def _live_fragile(plan: Plan, folder: Path) -> Outcome:
    """Break in every fifth world, where 2 and 5 happen and half an hour follows."""
    assert not list(folder.iterdir())
    (folder / "left behind").write_text("until the world is over")
    outcome = _lived(plan)
    at_s = {each.number: each.at_s for each in plan.incidents}
    if plan.seed % 5 == 4 and {2, 5} <= set(at_s):
        broken_s = at_s[5] + 1800.0
        if plan.hours * 3600 >= broken_s:
            outcome.broken.append(f"{broken_s} s: hall: off below the floor, {folder}")
            outcome.last_events.append(f"dice {plan.incidents[0].random.random()}")
    return outcome


def _draw_perilous(seed: int) -> Plan:
    if seed == CANNOT_BE_DRAWN:
        raise LookupError("no such station: attic")
    return _draw("perilous", seed)


def _live_perilous(plan: Plan, folder: Path) -> Outcome:
    match plan.seed:
        case seed if seed == RAISES:
            raise ValueError("the lobby has no gauge")
        case seed if seed == HANGS:
            if HANGS_AT in os.environ:
                # Opening a named pipe waits for whoever reads it.
                Path(os.environ[HANGS_AT]).write_text("hanging")
            threading.Event().wait()
        case seed if seed == KILLED:
            os.kill(os.getpid(), signal.SIGKILL)
        case seed if seed == EXITS:
            os.write(2, b"the tower fell\n")
            os._exit(7)
        case _:
            os.write(1, b"all is well\n")
    return _lived(plan)


FRAGILE: Final = Kind(name="fragile", draw=_draw_fragile, live=_live_fragile)
PERILOUS: Final = Kind(name="perilous", draw=_draw_perilous, live=_live_perilous)

# As the search has them for its own kinds.
ADDRESSES: Final = {
    "fragile": "support.search_toys:FRAGILE",
    "perilous": "support.search_toys:PERILOUS",
}
STANDARD: Final = {"fragile": Goal(days=2), "perilous": Goal(days=1)}
