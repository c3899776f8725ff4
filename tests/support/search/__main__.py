"""``make search``: look for a world in which a promise breaks."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

from support.search import told
from support.search.demanded import not_reached
from support.search.kinds import ADDRESSES, incidents_at
from support.search.lanes import Job, Lane
from support.search.runner import LIMIT_S, STANDARD, Goal, in_memory, search

FINE: Final = 0
BROKEN: Final = 1
# As sysexits.h has it: the command was used incorrectly.
USAGE: Final = 64

NAMES: Final = ("KIND", "SEEDS", "FROM", "DAYS", "SEED", "HOURS", "ONLY", "JSON")


class Wrong(Exception):
    """What was asked cannot be; its text is the sentence to say."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What was asked: one world again, or goals; ``is_standard`` where nothing was."""

    goals: Mapping[str, Goal]
    again: Job | None = None
    is_standard: bool = False
    as_json: bool = False


def asked(
    words: Sequence[str],
    addresses: Mapping[str, str] = ADDRESSES,
    standard: Mapping[str, Goal] = STANDARD,
) -> Asked:
    """Read words of the form ``NAME=value``, and ``--json``. Errors: Wrong."""
    given = _given(words)
    as_json = bool(given.pop("JSON", ""))
    kind = given.pop("KIND", "both")
    if kind not in (*addresses, "both"):
        raise Wrong(f"KIND is {' or '.join((*addresses, 'both'))}, not {kind!r}")
    if "SEED" in given:
        return Asked(goals={}, again=_again(given, kind, addresses), as_json=as_json)
    alone = sorted({"HOURS", "ONLY"} & set(given))
    if alone:
        raise Wrong(f"{alone[0]} is for one world: say SEED too")
    if "SEEDS" in given and "DAYS" in given:
        raise Wrong("SEEDS and DAYS are two ends: say one of them")
    return Asked(
        goals=_goals(given, standard if kind == "both" else {kind: standard[kind]}),
        is_standard=kind == "both" and not {"SEEDS", "DAYS"} & set(given),
        as_json=as_json,
    )


def _given(words: Sequence[str]) -> dict[str, str]:
    given: dict[str, str] = {}
    for word in words:
        name, is_given, value = word.partition("=")
        if word == "--json":
            name, value = "JSON", "1"
        elif name not in NAMES or not is_given:
            raise Wrong(f"{word!r} is none of {', '.join(NAMES)} with its value")
        if name in given:
            raise Wrong(f"{name} was said twice")
        given[name] = value
    return given


def _goals(given: dict[str, str], standard: Mapping[str, Goal]) -> dict[str, Goal]:
    first = _whole("FROM", given.get("FROM", "0"), least=0)
    if "SEEDS" in given:
        worlds = _whole("SEEDS", given["SEEDS"], least=1)
        return {kind: Goal(first=first, worlds=worlds) for kind in standard}
    days = sum(goal.wanted for goal in standard.values())
    wanted = _whole("DAYS", given["DAYS"], least=1) if "DAYS" in given else days
    # Shared out between the kinds as in the standard search.
    return {
        kind: Goal(first=first, days=wanted * goal.wanted / days)
        for kind, goal in standard.items()
    }


def _again(given: dict[str, str], kind: str, addresses: Mapping[str, str]) -> Job:
    more = sorted(set(given) - {"SEED", "HOURS", "ONLY"})
    if more:
        raise Wrong(f"{more[0]} is for many worlds, SEED for one")
    if kind == "both":
        raise Wrong(f"SEED needs one kind: say KIND={' or KIND='.join(addresses)}")
    return Job(
        address=addresses[kind],
        kind=kind,
        seed=_whole("SEED", given["SEED"], least=0),
        hours=_hours(given["HOURS"]) if "HOURS" in given else None,
        only=_only(given["ONLY"]) if "ONLY" in given else None,
    )


def _whole(name: str, text: str, *, least: int) -> int:
    if not re.fullmatch(r"[0-9]{1,18}", text) or int(text) < least:
        raise Wrong(f"{name} is a whole number from {least} on, not {text!r}")
    return int(text)


def _hours(text: str) -> float:
    if not re.fullmatch(r"[0-9]{1,9}(\.[0-9]+)?", text) or not float(text):
        raise Wrong(f"HOURS is a number above 0, not {text!r}")
    return float(text)


def _only(text: str) -> frozenset[int]:
    if text == "none":
        return frozenset()
    if not re.fullmatch(r"[0-9]{1,9}(,[0-9]{1,9})*", text):
        raise Wrong(f"ONLY is numbers of incidents like 1,4,7 or none, not {text!r}")
    return frozenset(map(int, text.split(",")))


def main(
    words: Sequence[str],
    addresses: Mapping[str, str] = ADDRESSES,
    standard: Mapping[str, Goal] = STANDARD,
) -> int:
    """Search, or live one world again; return the exit code."""
    try:
        what = asked(words, addresses, standard)
        if what.again is not None:
            return _live_again(what.again, as_json=what.as_json)
    except Wrong as error:
        sys.stderr.write(f"{error}.\n")
        return USAGE
    return _search(what, addresses)


def _search(what: Asked, addresses: Mapping[str, str]) -> int:
    progress = told.Progress(sys.stderr)
    found = search(what.goals, addresses=addresses, onlook=progress)
    progress.clear()
    missing = None
    if what.is_standard and not found.cut_short:
        tables = {kind: incidents_at(addresses[kind]) for kind in what.goals}
        missing = not_reached(found.tallies, tables)
    if what.as_json:
        _print_json(told.document(found, missing))
    else:
        sys.stdout.write(told.summary(found, missing))
    is_fine = not found.broken and not missing and not found.cut_short
    return FINE if is_fine else BROKEN


def _live_again(job: Job, *, as_json: bool) -> int:
    with (
        TemporaryDirectory(prefix="worlds-", dir=in_memory()) as folder,
        Lane(Path(folder, "lane"), limit_s=LIMIT_S) as lane,
    ):
        outcome = lane.live(job).outcome
    plan = outcome.plan
    unknown = (job.only or frozenset()) - {each.number for each in plan.incidents}
    if unknown and plan.of:
        numbers = ", ".join(map(str, sorted(unknown)))
        raise Wrong(f"ONLY names {numbers}, which this world does not have")
    if as_json:
        _print_json(told.world_document(outcome))
    else:
        sys.stdout.write(told.world(outcome))
    return BROKEN if outcome.broken else FINE


def _print_json(document: Mapping[str, Any]) -> None:
    sys.stdout.write(json.dumps(document, indent=2) + "\n")


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        sys.exit(BROKEN)
