"""`status` and `watch`: what each station does and why, once or as it goes on."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Mapping
from functools import partial
from typing import TYPE_CHECKING, Any, Final

from tidegate import __version__
from tidegate.clock import rfc3339
from tidegate.control.server import Ask, Talk
from tidegate.core.effects import Alarm
from tidegate.core.state import Override, State
from tidegate.service.asked import arguments as given
from tidegate.service.onlooking import Onlooking
from tidegate.service.outlook import Next, Rise, because, sentence, upcoming
from tidegate.service.plans_part import outlook
from tidegate.words import ALARMS

if TYPE_CHECKING:
    from tidegate.plans.outlook import Outlook
    from tidegate.service.root import Service
    from tidegate.station.shell import Station

# Whoever watches is told at most so often.
APART_S: Final = 1.0
# What a station says of itself, null where it is not known.
_KEYS: Final = (
    "supply",
    "supply_since",
    "reason",
    "because",
    "text",
    "since",
    "soc_percent",
    "battery_status",
    "external_power",
    "temperature_c",
    "window",
    "floor_percent",
    "limits",
    "poll_s",
    "plan",
    "next",
    "next_why",
)


def asks(service: Service) -> dict[str, Ask]:
    """Return the two questions."""
    onlooking = Onlooking(service)
    return {
        "status": Ask(partial(_status, service, onlooking)),
        "watch": Ask(partial(_watch, service, onlooking)),
    }


async def _status(
    service: Service, onlooking: Onlooking, arguments: Mapping[str, Any], talk: Talk
) -> Mapping[str, Any]:
    return document(service, onlooking, _names(service, arguments))


async def _watch(
    service: Service, onlooking: Onlooking, arguments: Mapping[str, Any], talk: Talk
) -> Mapping[str, Any]:
    """Send the document now and after each change, for as long as the peer listens."""
    changed = asyncio.Event()
    onlooking.wants(changed)
    began = True
    try:
        while not service.is_ending:
            changed.clear()
            names = _names(service, arguments)
            told = document(service, onlooking, names)
            await talk.more(_with_recent(told, onlooking) if began else told)
            began = False
            await changed.wait()
            # A pause, so that a burst of events makes one line.
            await asyncio.sleep(APART_S)
    finally:
        onlooking.leaves(changed)
    return {"ended": True}


def _names(service: Service, arguments: Mapping[str, Any]) -> list[str]:
    """Return the stations that are meant: the one named, or all there are.

    Errors: Malformed, OrderRefused, Unsupported.
    """
    given.only(arguments, "station")
    given.check_settings(service, arguments)
    known = [*service.settings.stations, *service.settings.unsupported]
    names = list(dict.fromkeys([*known, *service.stations, *service.turnover.names]))
    if "station" not in arguments:
        return names
    named = given.text(arguments, "station")
    if named in names:
        return [named]
    given.station_of(service, arguments)  # says which there are
    return [named]


def document(
    service: Service, onlooking: Onlooking, names: list[str]
) -> dict[str, Any]:
    """Return the answer: the daemon, and each of these stations. It is shared."""
    return onlooking.told(tuple(names), partial(_made, service, onlooking, names))


def _made(service: Service, onlooking: Onlooking, names: list[str]) -> dict[str, Any]:
    return {
        "service": {
            "version": __version__,
            "pid": os.getpid(),
            "since": rfc3339(onlooking.began_ms + onlooking.ahead_ms()),
            "restarts": service.restarts,
            "log": str(service.settings.log.path),
            "log_is_written": service.writer.healthy,
            "settings_files": [str(file) for file in service.settings.files],
            "settings_error": service.settings_error,
        },
        "stations": [_station(service, onlooking, name) for name in names],
    }


def _with_recent(told: Mapping[str, Any], onlooking: Onlooking) -> dict[str, Any]:
    """Add what was read of late and is not yet in the log: equal readings wait there."""
    ahead_ms = onlooking.ahead_ms()
    stations = []
    for station in told["stations"]:
        recent = [
            {"at": rfc3339(at_ms + ahead_ms), "soc_percent": soc_percent}
            for at_ms, soc_percent in onlooking.of(station["station"]).recent
        ]
        stations.append({**station, "recent": recent})
    return {**told, "stations": stations}


def _station(service: Service, onlooking: Onlooking, name: str) -> dict[str, Any]:
    station = service.stations.get(name)
    state = station.state if station is not None else None
    if station is None or state is None:
        unsupported = name in service.settings.unsupported
        why = _why_blank(service, name)
        out = service.turnover.names.get(name)
        return {**_blank(name), "text": why, "unsupported": unsupported, "out": out}
    now_ms, ahead_ms = service.clock.boot_ms(), onlooking.ahead_ms()
    memory = onlooking.of(name)

    def wall(at_ms: int | None) -> str | None:
        return None if at_ms is None else rfc3339(at_ms + ahead_ms)

    drive, seen = state.drive, state.quiet.seen
    plan = outlook(service, name)
    rise = _rise(plan, -ahead_ms)
    return {
        **_blank(name),
        "supply": drive.commanded.value if drive.commanded else None,
        "supply_since": wall(drive.commanded_at_ms) if drive.commanded else None,
        "reason": state.reason.value,
        "because": because(state),
        "text": _text(station, state),
        "unsupported": station.cannot is not None,
        "since": wall(state.reason_since_ms),
        "soc_percent": state.soc_percent,
        "battery_status": seen.status.value if seen else None,
        "external_power": seen.power.value if seen else None,
        "temperature_c": seen.temperature_c if seen else None,
        "window": _window(state),
        "floor_percent": state.policy.floor_percent if state.policy.marks else None,
        "limits": {
            "hot_c": state.policy.hot_c,
            "critical_c": state.policy.critical_c,
            "cold_c": state.policy.cold_c,
        },
        "poll_s": state.policy.poll_ms / 1_000,
        "plan": plan.document() if plan is not None else None,
        **_next(upcoming(state, memory.pace, now_ms, rise=rise), now_ms, wall),
        "alarms": [
            _alarm(alarm, memory.alarm_wall_ms(alarm, ahead_ms=ahead_ms))
            for alarm in sorted(state.alarms)
        ],
        "override": _override(state.override, wall),
        "relay_operations": drive.operations,
        "gauge_age_s": round((now_ms - seen.at_ms) / 1_000, 1) if seen else None,
    }


def _alarm(alarm: Alarm, since_ms: int | None) -> dict[str, Any]:
    since = None if since_ms is None else rfc3339(since_ms)
    return {"code": alarm.value, "text": ALARMS[alarm], "since": since}


def _blank(name: str) -> dict[str, Any]:
    """Return the keys of a station of which nothing is known, in their order."""
    return {
        "station": name,
        **dict.fromkeys(_KEYS),
        "unsupported": False,
        "out": None,
        "alarms": [],
        "override": None,
        "relay_operations": None,
        "gauge_age_s": None,
    }


def _why_blank(service: Service, name: str) -> str:
    if name in service.turnover.names:
        # What the supply does is then the business of whoever took it out.
        return f"out for {service.turnover.names[name]}, not controlled meanwhile"
    if name in service.settings.unsupported:
        return f"cannot run here: {service.settings.unsupported[name]}"
    return "starting"


def _text(station: Station, state: State) -> str:
    if station.cannot is None:
        return sentence(state)
    return f"{sentence(state)}; this machine cannot run it: {station.cannot}"


def _window(state: State) -> dict[str, Any] | None:
    if state.policy.marks is None:
        return None
    return {
        "low_percent": state.low_percent,
        "high_percent": state.high_percent,
        "hold": state.policy.hold,
    }


def _rise(plan: Outlook | None, ahead_ms: int) -> Rise | None:
    """Return the rise in force or still to begin; ``ahead_ms`` makes boot clock of wall.

    A relearn has none of its times.
    """
    if plan is None or plan.until_ms is None:
        return None
    if plan.low_percent is None or plan.high_percent is None:
        return None
    begins_ms = None if plan.begins_ms is None else plan.begins_ms + ahead_ms
    return Rise(
        begins_ms=begins_ms,
        low_percent=plan.low_percent,
        high_percent=plan.high_percent,
        ends_ms=plan.until_ms + ahead_ms,
    )


def _next(found: Next, now_ms: int, wall: Any) -> dict[str, Any]:
    if found.what is None or found.at_ms is None:
        return {"next": None, "next_why": found.why}
    return {
        "next": {
            "what": found.what,
            "at": wall(found.at_ms),
            "in_s": max(0, (found.at_ms - now_ms) // 1_000),
            "at_percent": found.to_percent,
            "because": found.why,
        },
        "next_why": None,
    }


def _override(override: Override | None, wall: Any) -> dict[str, Any] | None:
    if override is None:
        return None
    return {
        "supply": override.supply.value,
        "until": wall(override.until_ms),
        "because": override.because,
        "by": override.by,
    }
