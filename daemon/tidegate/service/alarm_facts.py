"""What the operator's program is told of an alarm: environment variables and JSON."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Final

from tidegate.words import alarm_text

# Ours alone: sd_notify(3), sd_watchdog_enabled(3), sd_listen_fds(3), systemd.exec(5).
NOT_HANDED_ON: Final = frozenset(
    {
        b"NOTIFY_SOCKET",
        b"WATCHDOG_PID",
        b"WATCHDOG_USEC",
        b"LISTEN_PID",
        b"LISTEN_FDS",
        b"LISTEN_FDNAMES",
        b"JOURNAL_STREAM",
        b"INVOCATION_ID",
        b"CREDENTIALS_DIRECTORY",
        b"MAINPID",
        b"MANAGERPID",
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """An alarm that was raised, or is over, with what was known at that time.

    Absent is ``None``. ``untold``: how often the same alarm came and went since the
    program was last started for it, without a start of its own.
    """

    station: str
    alarm: str
    raised: bool
    at: str
    soc_percent: float | None = None
    temperature_c: float | None = None
    external_power: str | None = None
    supply: str | None = None
    untold: int = 0

    @property
    def key(self) -> tuple[str, str]:
        """What it is that comes and goes."""
        return self.station, self.alarm


def line(told: Told) -> bytes:
    """Return what the program gets on standard input: JSON (RFC 8259), in one line."""
    document = {**asdict(told), "text": alarm_text(told.alarm)}
    return json.dumps(document, ensure_ascii=False, allow_nan=False).encode()


def environment(
    told: Told, environ: Mapping[bytes, bytes] | None = None
) -> dict[bytes, bytes]:
    """Return the environment of the program; what is not known is empty."""
    facts = {
        "STATION": told.station,
        "ALARM": told.alarm,
        "ALARM_TEXT": alarm_text(told.alarm),
        "RAISED": "yes" if told.raised else "no",
        "AT": told.at,
        "SOC_PERCENT": _number(told.soc_percent),
        "TEMPERATURE_C": _number(told.temperature_c),
        "EXTERNAL_POWER": told.external_power or "",
        "SUPPLY": told.supply or "",
        "UNTOLD": str(told.untold),
    }
    given = os.environb if environ is None else environ
    ours = {key: value for key, value in given.items() if key not in NOT_HANDED_ON}
    return {**ours, **{f"TIDEGATE_{k}".encode(): v.encode() for k, v in facts.items()}}


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:g}"
