"""Messages to the journal in its own protocol: fields that can be asked for by name.

One datagram an entry. A field is ``NAME=value`` and a line feed; a value with line
feeds in it stands behind the name, a line feed and its length in 8 bytes, low first.
Never waits: an entry that the journal does not take at once is dropped and counted.

Sources: systemd, "Native Journal Protocol" (docs/JOURNAL_NATIVE_PROTOCOL.md);
systemd.exec(5), ``$JOURNAL_STREAM``; systemd.journal-fields(7); RFC 5424, table 2, for
the priorities.
"""

from __future__ import annotations

import os
import re
import socket
import struct
from collections.abc import Mapping, MutableMapping
from pathlib import Path
from typing import Any, Final, TextIO

from tidegate.words import alarm_text, reason_text

SOCKET: Final = Path("/run/systemd/journal/socket")
STREAM: Final = "JOURNAL_STREAM"
IDENTIFIER: Final = "tidegate"
# Drawn once by chance, and never changed: people ask the journal for them.
SWITCHING_ID: Final = "8bd4e34877034749a80dd373f093ae5c"
ALARM_ID: Final = "6b5f33c42e8e411685424391972b0b22"

_SUPPLY: Final = "supply"
_ALARMS: Final = ("alarm", "alarm over")
_PRIORITIES: Final = {"critical": 2, "error": 3, "warning": 4, "info": 6, "debug": 7}
# The journal takes a datagram of about 200 kB; ours stay far under it. A traceback may
# be long, every other value that is longer than this says nothing more.
VALUE_AT_MOST: Final = 1_024
TRACE_AT_MOST: Final = 16_384
FIELDS_AT_MOST: Final = 32
_NAME_AT_MOST: Final = 64
_ODD: Final = re.compile(r"[^A-Z0-9_]")
_CUT: Final = b"..."


def is_ours(stream: TextIO, environ: Mapping[str, str] = os.environ) -> bool:
    """Return whether this stream leads to the journal, which the environment tells.

    ``JOURNAL_STREAM`` names device and inode of what the service was started with; a
    stream that was redirected since is another one.
    """
    device, _, inode = environ.get(STREAM, "").partition(":")
    try:
        found = os.fstat(stream.fileno())
    except (OSError, ValueError):  # ValueError: closed, or no file at all
        return False
    return (device, inode) == (str(found.st_dev), str(found.st_ino))


class JournalSink:
    """Where entries go. Never raises: a journal that is gone must not stop a station."""

    def __init__(self, path: Path = SOCKET) -> None:
        self.dropped = 0
        self._path = str(path)
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.setblocking(False)  # noqa: FBT003

    def msg(self, entry: bytes) -> None:
        """Send one entry, or count it as dropped."""
        try:
            self._socket.sendto(entry, self._path)
        except OSError:
            self.dropped += 1

    debug = info = warning = error = critical = exception = log = msg


def entry(_: Any, level: str, event: MutableMapping[str, Any]) -> str | bytes:
    """Return the datagram of one message; the last of structlog's processors."""
    told = dict(event)
    said = str(told.pop("event", ""))
    told.pop("level", None)
    fields = {
        "MESSAGE": _sentence(said, told),
        "PRIORITY": _PRIORITIES.get("error" if level == "exception" else level, 6),
        "SYSLOG_IDENTIFIER": IDENTIFIER,
        "SYSLOG_PID": os.getpid(),
    }
    if said == _SUPPLY:
        fields["MESSAGE_ID"] = SWITCHING_ID
        told["supply"] = told.pop("to", None)
    elif said in _ALARMS:
        fields["MESSAGE_ID"] = ALARM_ID
    fields |= {_name(key): told[key] for key in told if told[key] is not None}
    kept = list(fields.items())[:FIELDS_AT_MOST]
    return b"".join(_field(name, value) for name, value in kept)


def _sentence(said: str, told: Mapping[str, Any]) -> str:
    """Return the text of an entry: in words, the values that the words leave out."""
    shown = {key: told[key] for key in told if told[key] is not None}
    station = shown.pop("station", None)
    trace = shown.pop("exception", None)
    if said == _SUPPLY:
        said = f"supply {shown.pop('to', '?')}: {reason_text(shown.pop('reason', ''))}"
    elif said in _ALARMS:
        said = f"{said}: {alarm_text(shown.pop('alarm', ''))}"
    values = " ".join(f"{key}={value}" for key, value in shown.items())
    text = " ".join(part for part in (said, f"({values})" if values else "") if part)
    text = f"{station}: {text}" if station else text
    return f"{text}\n{trace}" if trace else text


def _name(key: str) -> str:
    return _ODD.sub("_", f"TIDEGATE_{key}".upper())[:_NAME_AT_MOST]


def _field(name: str, value: Any) -> bytes:
    most = TRACE_AT_MOST if name in ("MESSAGE", "TIDEGATE_EXCEPTION") else VALUE_AT_MOST
    data = str(value).encode("utf-8", "backslashreplace")
    if len(data) > most:
        data = data[: most - len(_CUT)].decode("utf-8", "ignore").encode() + _CUT
    if b"\n" in data:
        return name.encode() + b"\n" + struct.pack("<Q", len(data)) + data + b"\n"
    return name.encode() + b"=" + data + b"\n"
