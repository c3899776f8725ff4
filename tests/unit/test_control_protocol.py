"""Lines of the control socket: what is read, what is refused, what comes back.

Sources: RFC 8259, sections 2 to 8;
unix(7), sysexits.h as in ``os.EX_*``.
"""

from __future__ import annotations

import inspect
import json
import os
import socket
from pathlib import Path

import pytest

from tidegate import errors
from tidegate.cli.exits import exit_code
from tidegate.control import protocol
from tidegate.control.bucket import Bucket, Buckets
from tidegate.control.told import raised, told
from tidegate.errors import (
    BackendError,
    Malformed,
    NotPermitted,
    TidegateError,
    Unavailable,
    Unsupported,
)

GARBAGE = {
    "nothing": b"",
    "blanks": b"   ",
    "no JSON": b"hello",
    "an array": b'[{"tidegate": 1, "ask": "status"}]',
    "a number": b"1",
    "two values": b'{"tidegate": 1} {"tidegate": 1}',
    "half an object": b'{"tidegate": 1, "ask": "sta',
    "no UTF-8": b'{"tidegate": 1, "ask": "\xff\xfe"}',
    "a byte order mark": b'\xef\xbb\xbf{"tidegate": 1, "ask": "status"}',
    "zero bytes": b"\0" * 64,
    "half a character": b'{"tidegate": 1, "ask": "\\ud83d"}',
    "no number": b'{"tidegate": 1, "ask": "read", "x": NaN}',
    "minus infinity": b'{"tidegate": 1, "ask": "read", "x": -Infinity}',
    "beyond all numbers": b'{"tidegate": 1, "ask": "read", "x": 1e999}',
    "more digits than Python reads": b'{"tidegate": 1, "x": ' + b"9" * 5_000 + b"}",
    "a name twice": b'{"tidegate": 1, "ask": "status", "ask": "override"}',
    "deep nesting": b'{"tidegate": 1, "x": ' + b"[" * 30_000 + b"]" * 30_000 + b"}",
    "a little too deep": b'{"tidegate": 1, "x": ' + b"[" * 40 + b"]" * 40 + b"}",
    "no version": b'{"ask": "status"}',
    "a true version": b'{"tidegate": true, "ask": "status"}',
    "a version in quotes": b'{"tidegate": "1", "ask": "status"}',
    "asks nothing": b'{"tidegate": 1}',
    "asks a number": b'{"tidegate": 1, "ask": 7}',
}


@pytest.mark.parametrize("line", GARBAGE.values(), ids=GARBAGE)
def test_garbage_is_refused_as_such(line: bytes) -> None:
    with pytest.raises(Malformed) as caught:
        protocol.question(line)
    assert caught.value.remedy


def test_a_question_comes_with_its_arguments() -> None:
    line = '{"ask":"override","tidegate":1,"station":"hall","because":"Übung"}'.encode()
    asked, arguments = protocol.question(line)
    assert asked == "override"
    assert arguments == {"station": "hall", "because": "Übung"}


@pytest.mark.parametrize("version", [0, 2, -1, 10**30])
def test_another_version_is_named_plainly(version: int) -> None:
    line = json.dumps({"tidegate": version, "ask": "status"}).encode()
    with pytest.raises(Unsupported, match=rf"version {version} .* speaks version 1"):
        protocol.question(line)


def test_lines_are_cut_where_they_end_and_bounded() -> None:
    lines = protocol.Lines(8)
    assert list(lines.split(b"one\ntw")) == [b"one"]
    assert lines.in_the_middle
    assert list(lines.split(b"o\n\n12345678\n")) == [b"two", b"", b"12345678"]
    assert not lines.in_the_middle
    with pytest.raises(Malformed, match="longer than 8 bytes"):
        list(lines.split(b"123456789"))


def test_a_line_too_long_is_refused_before_it_ends() -> None:
    lines = protocol.Lines(8)
    assert list(lines.split(b"1234")) == []
    with pytest.raises(Malformed):
        list(lines.split(b"56789"))


def every_error() -> list[TidegateError]:
    kinds = [
        kind
        for _, kind in inspect.getmembers(errors, inspect.isclass)
        if issubclass(kind, TidegateError)
    ]
    return [
        kind("it failed", target="/dev/example", remedy="Look at it")
        if issubclass(kind, BackendError)
        else kind("it failed", remedy="Look at it")
        for kind in kinds
    ]


@pytest.mark.parametrize("error", every_error(), ids=lambda each: type(each).__name__)
def test_an_error_arrives_as_it_was(error: TidegateError) -> None:
    again = raised(json.loads(json.dumps(told(error))))
    assert type(again) is type(error)
    assert str(again) == str(error)
    assert exit_code(again) == exit_code(error)


def test_what_the_system_did_not_allow_keeps_its_exit_code() -> None:
    error = Unavailable("may not be opened", target="/dev/example", remedy="Join")
    error.__cause__ = PermissionError(13, "Permission denied")
    assert exit_code(raised(told(error))) == os.EX_NOPERM


@pytest.mark.parametrize(
    "document", [None, 7, {}, {"kind": "os.system"}, {"kind": ["x"]}, {"says": 1}]
)
def test_an_error_that_is_none_is_still_an_error(document: object) -> None:
    assert type(raised(document)) is TidegateError


def test_an_error_of_tomorrow_is_an_error_of_ours() -> None:
    again = raised({"kind": "Drowned", "says": "the cellar is wet", "remedy": "Pump"})
    assert type(again) is TidegateError
    assert str(again) == "the cellar is wet. Pump"


def test_a_bucket_gives_its_burst_then_its_rate() -> None:
    bucket = Bucket(burst=3, per_s=2.0)
    assert [bucket.take(10.0) for _ in range(3)] == [0, 0, 0]
    assert bucket.wait_s(10.0) == pytest.approx(0.5)
    assert bucket.take(10.0) == pytest.approx(0.5)
    assert bucket.wait_s(11.0) == 0.0
    assert not bucket.is_full(11.0)
    assert bucket.is_full(60.0)


def test_a_bucket_is_not_filled_by_a_clock_that_stands() -> None:
    bucket = Bucket(burst=1, per_s=1.0)
    bucket.take(5.0)
    assert bucket.take(5.0) == pytest.approx(1.0)
    assert bucket.take(4.0) == pytest.approx(2.0)


def test_one_user_has_one_bucket_however_often_they_connect() -> None:
    buckets = Buckets(burst=2, per_s=1.0)
    assert [buckets.take(1000, 0.0) for _ in range(3)] == [0, 0, 1.0]
    assert buckets.take(1001, 0.0) == 0.0
    for uid in range(2_000, 2_200):  # buckets are forgotten once they are full
        buckets.take(uid, 3_600.0)
    assert len(buckets._by_uid) <= 201
    assert buckets.take(1000, 3_600.0) == 0.0


def test_whoever_is_refused_at_the_door_is_told_the_group(tmp_path: Path) -> None:
    from tidegate.control.client import _not_permitted

    path = tmp_path / "control.sock"
    with socket.socket(socket.AF_UNIX) as here:
        here.bind(str(path))
        os.chown(path, -1, os.getgid())
        error = _not_permitted(path)
    assert isinstance(error, NotPermitted)
    assert "Be root" in error.remedy
    if os.getgid():
        assert "usermod -aG" in error.remedy
