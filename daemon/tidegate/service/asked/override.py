"""`override` and `release`: an operator's order, and the end of one."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import TYPE_CHECKING, Any

from tidegate.clock import rfc3339
from tidegate.control.server import Ask, Talk
from tidegate.core.effects import Reason
from tidegate.core.policy import MINUTE_MS
from tidegate.core.reading import Supply
from tidegate.core.rules import first_match
from tidegate.core.state import State
from tidegate.service.asked import arguments as given
from tidegate.station.operator import (
    OVERRIDE_MOST_MS,
    place_override,
    release_override,
)
from tidegate.words import reason_text

if TYPE_CHECKING:
    from tidegate.service.root import Service


def asks(service: Service) -> dict[str, Ask]:
    """Return the two orders."""
    return {
        "override": Ask(partial(_override, service), orders=True),
        "release": Ask(partial(_release, service), orders=True),
    }


async def _override(
    service: Service, arguments: Mapping[str, Any], talk: Talk
) -> Mapping[str, Any]:
    given.only(arguments, "station", "supply", "for_ms", "because")
    supply = Supply(given.choice(arguments, "supply", Supply))
    for_ms = given.whole(arguments, "for_ms", least=MINUTE_MS, most=OVERRIDE_MOST_MS)
    because = given.text(arguments, "because", default="")
    station = given.station_of(service, arguments)
    by = talk.peer.name
    place_override(station, supply, for_ms=for_ms, because=because, by=by)
    station.log.info(
        "override", supply=supply.value, for_s=for_ms // 1_000, because=because, by=by
    )
    assert station.state is not None
    return {
        "station": station.name,
        "supply": supply.value,
        "until": rfc3339(service.clock.wall_ms() + for_ms),
        "for_s": for_ms // 1_000,
        "because": because,
        "by": by,
        "in_force": station.state.override is not None,
        **_now(station.state, station.state.override is None),
    }


async def _release(
    service: Service, arguments: Mapping[str, Any], talk: Talk
) -> Mapping[str, Any]:
    given.only(arguments, "station", "because")
    because = given.text(arguments, "because", default="")
    station = given.station_of(service, arguments)
    by = talk.peer.name
    ended = station.state.override if station.state is not None else None
    release_override(station, because=because, by=by)
    station.log.info("release", because=because, by=by)
    assert station.state is not None
    assert ended is not None
    return {
        "station": station.name,
        "released": {
            "supply": ended.supply.value,
            "because": ended.because,
            "by": ended.by,
        },
        "because": because,
        "by": by,
        "commanded": _commanded(station.state),
        "reason": station.state.reason.value,
        "text": reason_text(station.state.reason),
    }


def _commanded(state: State) -> str | None:
    return None if state.drive.commanded is None else state.drive.commanded.value


def _now(state: State, has_ended: bool) -> dict[str, Any]:
    """Return what is commanded now, and what outranks the order if anything does."""
    outranking = outranked_by(state, has_ended=has_ended)
    return {"commanded": _commanded(state), "outranked_by": outranking}


def outranked_by(state: State, *, has_ended: bool) -> dict[str, Any] | None:
    """Return the rule above an override right now: ``reason``, ``text``, ``supply``.

    ``has_ended``: that rule has ended the override at once, too.
    """
    if state.drive.commanded is None:
        reason, supply = Reason.START, Supply.ON
    elif not has_ended and _off_is_refused(state):
        reason, supply = Reason.DEAD_LOCK, Supply.ON
    else:
        verdict = first_match(state)
        reason, supply = verdict.reason, verdict.supply or state.drive.commanded
    if reason is Reason.OVERRIDE:
        return None
    return {"reason": reason.value, "text": reason_text(reason), "supply": supply.value}


def _off_is_refused(state: State) -> bool:
    wants_off = state.override is not None and state.override.supply is Supply.OFF
    return wants_off and state.policy.off_is_refused
