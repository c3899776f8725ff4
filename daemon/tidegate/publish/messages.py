"""What is said to a broker: one JSON document a message, units in the key names.

Keys of a state are those of ``status --json`` as far as they make sense in a message
that is kept: an age, or a forecast, would be wrong as soon as it was sent, so there
are times instead. Who placed an override is not told to the network.

Topics below the one of the settings: ``there`` (online, offline), and of each station
``state`` (retained), ``switching`` and ``alarm``.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from tidegate.clock import rfc3339
from tidegate.core.effects import Reason
from tidegate.core.reading import Supply
from tidegate.publish.figures import View
from tidegate.publish.tally import marks_of
from tidegate.words import alarm_text, reason_text

# The value of the user property ``schema``; keys may be added without a new one.
SCHEMA: Final = "tidegate {} 1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """Something that happened: one message, sent once and not retained."""

    station: str
    kind: str
    said: Mapping[str, Any]


def switching(
    *,
    station: str,
    supply: Supply,
    reason: Reason,
    decided_wall_ms: int,
    took_s: float,
    error: str | None,
) -> Note:
    """Return what to say of a command that the relay carried out, or did not."""
    said = {
        "station": station,
        "at": rfc3339(decided_wall_ms),
        "supply": supply.value,
        "reason": reason.value,
        "reason_text": reason_text(reason),
        "carried_out": error is None,
        "error": error,
        "took_s": round(took_s, 3),
    }
    return Note(station=station, kind="switching", said=said)


def alarm(*, station: str, code: str, raised: bool, wall_ms: int) -> Note:
    """Return what to say of an alarm that came or went."""
    said = {
        "station": station,
        "at": rfc3339(wall_ms),
        "code": code,
        "text": alarm_text(code),
        "raised": raised,
    }
    return Note(station=station, kind="alarm", said=said)


def state(view: View) -> dict[str, Any]:
    """Return how a station is."""
    return {
        "station": view.station,
        "at": rfc3339(view.wall_ms),
        **_reading(view),
        **_supply(view),
        "window": _window(view),
        "alarms": [
            {
                "code": code,
                "text": alarm_text(code),
                "since": None if since_ms is None else rfc3339(since_ms),
            }
            for code, since_ms in sorted(view.alarms_since.items())
        ],
        "override": _override(view),
    }


def _reading(view: View) -> dict[str, Any]:
    """Return the last trusted reading; once it is stale, only when it was."""
    latest, seen = view.latest, view.state.quiet.seen
    if latest is None or seen is None or not view.is_fresh:
        seen = None
    return {
        "taken_at": None if latest is None else rfc3339(latest.wall_ms),
        "soc_percent": None if seen is None else seen.soc_percent,
        "battery_status": None if seen is None else seen.status.value,
        "external_power": None if seen is None else seen.power.value,
        "voltage_v": None if seen is None else seen.voltage_v,
        "current_a": None if seen is None or latest is None else latest.current_a,
        "temperature_c": None if seen is None else seen.temperature_c,
    }


def _supply(view: View) -> dict[str, Any]:
    state = view.state
    commanded = state.drive.commanded
    return {
        "supply": None if commanded is None else commanded.value,
        "reason": state.reason.value,
        "reason_text": reason_text(state.reason),
        "since": rfc3339(view.wall_of(state.reason_since_ms)),
        "relay_operations": state.drive.operations,
    }


def _window(view: View) -> dict[str, float] | None:
    marks = marks_of(view.state)
    if marks is None:
        return None
    return {"low_percent": marks.low_percent, "high_percent": marks.high_percent}


def _override(view: View) -> dict[str, Any] | None:
    override = view.state.override
    if override is None:
        return None
    return {
        "supply": override.supply.value,
        "until": rfc3339(view.wall_of(override.until_ms)),
        "because": override.because,
    }


def encoded(document: Mapping[str, Any]) -> bytes:
    """Return a document as UTF-8 JSON."""
    return json.dumps(document, ensure_ascii=False, allow_nan=False).encode()
