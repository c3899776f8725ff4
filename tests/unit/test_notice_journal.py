"""Messages in the journal's own protocol, read back as its documentation says.

Source of the reader below: systemd, docs/JOURNAL_NATIVE_PROTOCOL.md. A real journald
takes the same entries in ``tests/packaging/test_booted_service.py``.
"""

from __future__ import annotations

import io
import os
import socket
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tidegate import notice
from tidegate.cli.run import command
from tidegate.notice import journal
from tidegate.notice.journal import ALARM_ID, SWITCHING_ID, JournalSink


class ReadingJournal:
    """The journal's end of the socket; nothing of tidegate is used here."""

    def __init__(self, path: Path) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(str(path))
        self.socket.settimeout(5)

    def entry(self) -> dict[str, str]:
        data = self.socket.recv(1 << 20)
        fields: dict[str, str] = {}
        while data:
            line, _, rest = data.partition(b"\n")
            name, is_short, value = line.partition(b"=")
            if not is_short:
                (length,) = struct.unpack_from("<Q", rest)
                value, rest = rest[8 : 8 + length], rest[8 + length :]
                assert rest[:1] == b"\n"
                rest = rest[1:]
            assert name.decode() not in fields
            fields[name.decode()] = value.decode("utf-8")
            data = rest
        return fields


@pytest.fixture
def reading(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[ReadingJournal]:
    """Send the messages of this test to a journal of its own."""
    there = ReadingJournal(tmp_path / "socket")
    sink = JournalSink(tmp_path / "socket")
    monkeypatch.setattr(notice, "JournalSink", lambda: sink)
    with (tmp_path / "stderr").open("w") as stream:
        notice.configure(stream=stream, environ=stream_of(stream))
        yield there
        assert (tmp_path / "stderr").read_text() == ""
    there.socket.close()
    sink._socket.close()


def stream_of(stream: Any) -> dict[str, str]:
    found = os.fstat(stream.fileno())
    return {"JOURNAL_STREAM": f"{found.st_dev}:{found.st_ino}"}


def test_a_switching_can_be_asked_for(reading: ReadingJournal) -> None:
    notice.logger(station="hall").info(
        "supply", to="off", reason="at_high_mark", kind="first", soc_percent=65.0
    )
    assert reading.entry() == {
        "MESSAGE": "hall: supply off: the charge is at the high mark "
        "(kind=first soc_percent=65.0)",
        "MESSAGE_ID": SWITCHING_ID,
        "PRIORITY": "6",
        "SYSLOG_IDENTIFIER": "tidegate",
        "SYSLOG_PID": str(os.getpid()),
        "TIDEGATE_STATION": "hall",
        "TIDEGATE_SUPPLY": "off",
        "TIDEGATE_REASON": "at_high_mark",
        "TIDEGATE_KIND": "first",
        "TIDEGATE_SOC_PERCENT": "65.0",
    }


@pytest.mark.parametrize("said", ["alarm", "alarm over"])
def test_an_alarm_can_be_asked_for(reading: ReadingJournal, said: str) -> None:
    notice.logger(station="hall").warning(said, alarm="battery_hot")
    entry = reading.entry()
    assert entry["MESSAGE_ID"] == ALARM_ID
    assert entry["TIDEGATE_ALARM"] == "battery_hot"
    assert entry["PRIORITY"] == "4"
    assert entry["MESSAGE"].startswith(f"hall: {said}: The battery is hot")


@pytest.mark.parametrize(
    ("level", "priority"),
    [("debug", 7), ("info", 6), ("warning", 4), ("error", 3), ("critical", 2)],
)
def test_levels_are_severities(
    reading: ReadingJournal, level: str, priority: int
) -> None:
    """RFC 5424, section 6.2.1, table 2."""
    with Path(os.devnull).open() as stream:
        notice.configure(level="debug", stream=stream, environ=stream_of(stream))
    getattr(notice.logger(), level)("told")
    entry = reading.entry()
    assert entry["PRIORITY"] == str(priority)
    assert "MESSAGE_ID" not in entry


def test_a_value_cannot_forge_a_field(reading: ReadingJournal) -> None:
    notice.logger().warning("odd", model="X\nPRIORITY=0\nTIDEGATE_STATION=hall")
    entry = reading.entry()
    assert entry["PRIORITY"] == "4"
    assert "TIDEGATE_STATION" not in entry
    assert entry["TIDEGATE_MODEL"] == "X\nPRIORITY=0\nTIDEGATE_STATION=hall"


def test_a_traceback_comes_whole(reading: ReadingJournal) -> None:
    try:
        raise ValueError("deep inside")
    except ValueError:
        notice.logger().exception("a backend broke")
    entry = reading.entry()
    assert "ValueError: deep inside" in entry["MESSAGE"]
    assert entry["TIDEGATE_EXCEPTION"].startswith("Traceback")
    assert entry["PRIORITY"] == "3"


def test_sizes_are_bounded(reading: ReadingJournal) -> None:
    many = {f"key_{n}": "ä" * 100_000 for n in range(100)}
    notice.logger().warning("x" * 100_000, **many, exception="é" * 100_000)
    entry = reading.entry()
    assert len(entry) <= journal.FIELDS_AT_MOST
    assert max(len(value.encode()) for value in entry.values()) <= journal.TRACE_AT_MOST
    assert len(entry["TIDEGATE_KEY_0"].encode()) <= journal.VALUE_AT_MOST
    assert entry["TIDEGATE_KEY_0"].endswith("ä...")


def test_odd_names_become_names_of_fields(reading: ReadingJournal) -> None:
    """systemd.journal-fields(7): capitals, digits and underscores."""
    notice.logger().warning("odd", **{"größe-in m": 3, "k" * 200: 1})
    entry = reading.entry()
    assert entry["TIDEGATE_GR_SSE_IN_M"] == "3"
    assert max(map(len, entry)) == 64


def test_half_characters_do_not_stop_it(reading: ReadingJournal) -> None:
    notice.logger().warning("odd", model="R\udce9gie")
    assert reading.entry()["TIDEGATE_MODEL"] == "R\\udce9gie"


def test_a_journal_that_is_gone_or_does_not_read_stops_nothing(tmp_path: Path) -> None:
    gone = JournalSink(tmp_path / "gone")
    gone.msg(b"MESSAGE=x\n")
    assert gone.dropped == 1
    gone._socket.close()
    there = ReadingJournal(tmp_path / "busy")
    busy = JournalSink(tmp_path / "busy")
    for _ in range(100_000):
        if busy.dropped:
            break
        busy.msg(b"MESSAGE=x\n")
    assert busy.dropped == 1
    busy._socket.close()
    there.socket.close()


@pytest.mark.parametrize(
    "variable",
    ["", "1", "1:2", "a:b", ":", "12:34:56"],
    ids=lambda text: text or "none",
)
def test_another_stream_is_not_the_journal(tmp_path: Path, variable: str) -> None:
    """systemd.exec(5), JOURNAL_STREAM: device and inode, for those who redirect."""
    with (tmp_path / "out").open("w") as stream:
        assert not journal.is_ours(stream, {"JOURNAL_STREAM": variable})
        assert journal.is_ours(stream, stream_of(stream))
    assert not journal.is_ours(io.StringIO(), {"JOURNAL_STREAM": "1:2"})


@pytest.mark.parametrize(
    ("environ", "coloured"),
    [
        pytest.param({"TERM": "xterm"}, True, id="a terminal"),
        pytest.param({"TERM": "xterm", "NO_COLOR": "1"}, False, id="NO_COLOR"),
        pytest.param({"TERM": "xterm", "NO_COLOR": ""}, True, id="an empty NO_COLOR"),
        pytest.param({"TERM": "dumb"}, False, id="a dumb one"),
    ],
)
def test_colours_are_for_terminals_that_want_them(
    environ: dict[str, str], *, coloured: bool
) -> None:
    """no-color.org: "when present and not an empty string"."""
    master, slave = os.openpty()
    with os.fdopen(slave, "w") as stream:
        notice.configure(stream=stream, environ=environ)
        notice.logger(station="hall").warning("supply absent")
        text = os.read(master, 65_536)
    os.close(master)
    assert (b"\x1b[" in text) is coloured
    assert b"supply absent" in text


def test_the_ids_are_told_where_people_look() -> None:
    said = command.help or ""
    assert f"MESSAGE_ID={SWITCHING_ID}   # switchings" in said
    assert f"MESSAGE_ID={ALARM_ID}   # alarms" in said
