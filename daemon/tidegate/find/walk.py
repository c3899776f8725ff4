"""What gauges and relays are in reach: the survey of every kind, all at the same time.

Each survey has a thread and an event loop of its own, so that even one that blocks
holds up nobody. Past its limit it is given up; what it found until then counts.
Nothing is opened or moved, but for the one port that ``probe`` names: that is asked
by one kind after another, since a port answers one at a time.
"""

from __future__ import annotations

import os
import queue
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack
from dataclasses import replace
from typing import Any, Final

from tidegate.clock import SystemClock
from tidegate.contract import Target
from tidegate.errors import TidegateError
from tidegate.find.outcome import Source, State, shown, told
from tidegate.find.search import Search
from tidegate.host import Machine
from tidegate.registry import ROLES, Kinds

LIMIT_S: Final = 8.0
# One port alone may take longer: a radio has to connect first.
PROBE_LEAST_S: Final = 20.0
# What a survey that is given up may take to let go of what it holds.
GRACE_S: Final = 0.5


def look(
    *,
    limit_s: float = LIMIT_S,
    probe: str | None = None,
    said: Callable[[Source], None] = lambda _: None,
    warn: Callable[[str], None] = lambda _: None,
    roles: Mapping[str, Kinds[Any]] = ROLES,
) -> list[Source]:
    """Search for every kind; return how each search went, with what it found.

    ``said`` is told of each source when it is done, ``warn`` if none of them knows
    what to probe. Errors: Busy when another
    tidegate holds what is to be probed, Unavailable when it cannot be locked.
    """
    with ExitStack() as held:
        if probe is not None:
            # Probing speaks to the board, and its owner must not be disturbed.
            held.enter_context(Machine(SystemClock()).locks.take(Target(probe)))
        results, searches = _prepared(roles)
        for result in results:
            said(result)
        first = {}
        for each in _finished(searches, limit_s=limit_s):
            first[each] = each.result(limit_s)
            if probe is None:
                said(first[each])
        results += first.values()
        if probe is not None:
            asked_s = max(limit_s, PROBE_LEAST_S)
            asked = list(_probed(first, probe, asked_s, said))
            if not _is_known(probe, first.values(), asked):
                warn(
                    f'nothing in reach goes by the name "{shown(probe)}", so it was not '
                    "probed: probe a port or an address as it is listed here"
                )
            results = [*asked, *results]
    # Of two results of one kind the one that asked the port counts: it stands first.
    latest = {(each.role, each.kind): each for each in reversed(results)}
    return [latest[key] for key in sorted(latest)]


def _probed(
    first: Mapping[Search, Source],
    probe: str,
    limit_s: float,
    said: Callable[[Source], None],
) -> Iterator[Source]:
    """Search again with the kinds that are to ask the port, one after another."""
    names = {each: _asked(first[each], probe, first.values()) for each in first}
    for each, name in names.items():
        result = first[each]
        if name is not None:
            for again in _finished([each.again(name)], limit_s=limit_s):
                result = again.result(limit_s)
        said(result)
        yield result


def _is_known(probe: str, first: Iterable[Source], asked: Iterable[Source]) -> bool:
    """Return whether any kind shows what was probed, or says anything new about it."""
    pairs = zip(first, asked, strict=True)
    return any(
        probe.partition(":")[0] == before.kind
        or any(_same(where, probe) for where in _places(after))
        or (before.things, before.why) != (after.things, after.why)
        for before, after in pairs
    )


def _prepared(roles: Mapping[str, Kinds[Any]]) -> tuple[list[Source], list[Search]]:
    """Load every kind; return what needs no search, and the searches to make."""
    done, searches = [], []
    for role, kinds in roles.items():
        assert role in ("gauge", "relay")
        for kind in kinds.known():
            source = Source(
                role=kinds.role,
                kind=kind,
                distribution=kinds.provenance(kind).distribution,
                state=State.SEARCHED,
            )
            try:
                backend = kinds.find(kind)
            except TidegateError as error:
                done.append(told(source, error))
                continue
            if backend.survey is None:
                done.append(replace(source, state=State.BY_HAND))
            else:
                searches.append(Search(source, backend, roles))
    return done, searches


def _finished(searches: list[Search], *, limit_s: float) -> Iterator[Search]:
    """Start them all; yield each when it ends, or at the limit."""
    ended: queue.SimpleQueue[Search] = queue.SimpleQueue()
    waiting = {id(each): each for each in searches}
    for each in searches:
        each.start(ended)
    end_s = time.monotonic() + limit_s
    for extra_s in (0.0, GRACE_S):
        while waiting:
            left_s = end_s + extra_s - time.monotonic()
            try:
                search = ended.get(timeout=max(0.0, left_s))
            except queue.Empty:
                break
            yield waiting.pop(id(search))
        for each in waiting.values():
            each.cut()
    yield from waiting.values()


def _asked(source: Source, probe: str, every: Iterable[Source]) -> str | None:
    """Return what to probe for this kind: the name under which it showed the port.

    Where no kind shows it, all are asked: some list only what they could ask.
    """
    mine = [where for where in _places(source) if _same(where, probe)]
    if mine:
        return mine[0]
    shown = any(_same(where, probe) for other in every for where in _places(other))
    return None if shown or source.state is not State.SEARCHED else probe


def _places(source: Source) -> list[str]:
    return [thing.found.where for thing in source.things]


def _same(one: str, other: str) -> bool:
    """Return whether two names are one device: a node has several."""
    if one.startswith("/") and other.startswith("/"):
        return os.path.realpath(one) == os.path.realpath(other)
    return one == other
