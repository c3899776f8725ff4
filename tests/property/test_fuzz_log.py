"""Whatever a worn card makes of a cycle log and what is kept beside it: told, not met.

The log is that of a synthetic station.
"""

from __future__ import annotations

import asyncio
import contextlib
import csv
import io
import json
import math
import shutil
import sqlite3
import struct
from functools import cache, partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, get_args

import pytest
from hypothesis import strategies as st

from support import cyclelog_rows as make
from support.cyclelog_life import Life
from support.fuzz import JSON, calls, depths, hold, is_told, peak_bytes, spoiled
from tidegate.core.events import Event
from tidegate.core.policy import Policy
from tidegate.core.state import State
from tidegate.cyclelog import anchor, keys, recording_csv, signing
from tidegate.cyclelog.anchor import anchors_in, distrusted
from tidegate.cyclelog.check import check
from tidegate.cyclelog.plain import from_plain, to_plain
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.recording import Playback
from tidegate.cyclelog.torn import explanations, wal_end
from tidegate.cyclelog.verify import verify
from tidegate.errors import LogError, LogUnreadable, Malformed, TidegateError

STATION = "lobby"


@cache
def life() -> tuple[bytes, bytes]:
    """Return the log of some hours, and a WAL that a kill left beside a log."""

    async def live(folder: Path) -> tuple[bytes, bytes]:
        whole, killed = folder / "whole.db", folder / "killed.db"
        for path in (whole, killed):
            station = Life(path, make.clock(), charge_percent_h=60, load_percent_h=40)
            await station.start()
            await station.live(90)
            await station.fail(2)
            await station.live(60)
            if path == whole:
                await station.stop()
            else:
                wal = path.with_name("killed.db-wal").read_bytes()
                station.die()
        return whole.read_bytes(), wal

    with TemporaryDirectory() as folder:
        return asyncio.run(live(Path(folder)))


def put(folder: Path, data: bytes, wal: bytes | None = None) -> Path:
    """Write a file, and nothing but its WAL beside it."""
    for old in folder.iterdir():
        shutil.rmtree(old) if old.is_dir() else old.unlink()
    path = folder / "cycles.db"
    path.write_bytes(data)
    if wal is not None:
        path.with_name("cycles.db-wal").write_bytes(wal)
    return path


PLACES = st.floats(0, 1, exclude_max=True)


@st.composite
def worn(draw: st.DrawFn, data: bytes) -> bytes:
    """Return a file after some accidents anywhere in it, its first pages above all."""
    worn_data = bytearray(data)
    for _ in range(draw(st.integers(1, 6))):
        reach = draw(st.sampled_from((100, 4_096, 9_000, len(worn_data))))
        at = int(draw(PLACES) * min(reach, len(worn_data)))
        match draw(st.sampled_from(("flip", "byte", "noise", "copy", "cut"))):
            case "flip":
                worn_data[at] ^= 1 << draw(st.integers(0, 7))
            case "byte":
                worn_data[at] = draw(st.sampled_from((0, 1, 127, 128, 255)))
            case "noise":
                worn_data[at : at + 16] = draw(st.binary(min_size=16, max_size=16))
            case "copy":
                source = int(draw(PLACES) * len(worn_data))
                part = worn_data[source : source + 512]
                worn_data[at : at + len(part)] = part
            case "cut":
                # SQLite takes no file under its header, and neither do we.
                del worn_data[max(at, 512) :]
    return bytes(worn_data)


def log_law(path: Path) -> None:
    """Law: a file is verified, with a fault or without, or it is said to be none."""
    try:
        verdict = verify(path)
    except LogError as error:
        is_told(error)
    else:
        assert (verdict.fault is None) == (verdict.fault_file is None)
        assert verdict.rows >= 0
    with contextlib.suppress(LogError), Reader(path) as reader:
        fault = check(reader)
        assert fault is None or fault.what
        assert reader.tail.last_id >= 0
    with contextlib.suppress(LogError):
        (copy,) = anchors_in(path)
        assert len(copy.link) == 64
    assert all(len(said) < 2_000 for said in explanations(path))


@depths(4)
def test_any_worn_log_is_verified_or_said_to_be_none(
    examples: int, tmp_path: Path
) -> None:
    hold(lambda data: log_law(put(tmp_path, data)), worn(life()[0]), examples=examples)


@depths(2)
def test_a_log_beside_any_worn_wal_is_verified_or_said_to_be_none(
    examples: int, tmp_path: Path
) -> None:
    whole, wal = life()
    known = [b"", wal, wal[:40], b"\x37\x7f\x06\x82" + bytes(28)]
    hold(
        lambda data: log_law(put(tmp_path, whole, data)),
        worn(wal),
        examples=examples,
        known=known,
    )


@depths(10)
def test_the_end_of_any_wal_lies_in_it(examples: int) -> None:
    def law(data: bytes) -> None:
        end = wal_end(data)
        assert 0 <= end.committed_bytes <= len(data)
        assert 0 <= end.torn_bytes <= len(data) - end.committed_bytes

    wal = life()[1][:20_000]
    header = struct.pack(">4I", 0x377F0682, 3_007_000, 512, 0)
    hold(law, worn(wal), examples=examples, known=[header, header + bytes(16)])


def test_a_change_of_the_law_would_be_seen(tmp_path: Path) -> None:
    """A log that nobody touched has no fault, and one that was touched has one."""
    whole, _ = life()
    assert verify(put(tmp_path, whole)).fault is None
    at = (
        whole.rindex(b"charging")
        if b"charging" in whole
        else whole.rindex(STATION.encode())
    )
    touched = whole[:at] + b"X" + whole[at + 1 :]
    assert verify(put(tmp_path, touched)).fault is not None


# --- what is kept elsewhere: anchors and keys

LINK = "ab" * 32


def head_document() -> dict[str, Any]:
    head = {
        "link": LINK,
        "first_link": "cd" * 32,
        "number": 4,
        "row": 40,
        "rows": 36,
        "machine": "a wall guide",
        "linked_at": "2026-03-02T06:00:00.000Z",
        "signed_at": "2026-03-02T06:00:01.000Z",
    }
    public_key = "0f" * 32
    return {
        "form": signing.FORM,
        "head": head,
        "public_key": public_key,
        "key_sha256": signing.fingerprint(public_key),
        "signature": "01" * 64,
    }


NOTES = [
    json.dumps(head_document(), indent=1).encode(),
    json.dumps([{"link": LINK, "number": 4, "row": 40}, head_document()]).encode(),
    json.dumps({"head": {"link": LINK, "number": 4, "row": 40}}).encode(),
    f"station lobby\nhead  {LINK}\nlink 4, row 40\n".encode(),
    f"link 4 {LINK}\n".encode(),
]


def anchor_law(path: Path) -> None:
    try:
        found = anchors_in(path)
    except LogError as error:
        is_told(error, most=20_000)
        return
    for each in found:
        assert len(each.link) == 64
        int(each.link, 16)
        assert each.where
        fault = distrusted(each, LINK)
        assert fault is not None, "nobody signed this"


@depths(20)
def test_any_note_is_an_anchor_or_none(examples: int, tmp_path: Path) -> None:
    def law(data: bytes) -> None:
        path = tmp_path / "note"
        path.write_bytes(data)
        anchor_law(path)

    long = b"9" * 5_000
    nested = [
        opening + b"[" * deep + b"]" * deep + b"}"
        for opening in (b'{"form":', b'{"head":{"link":')
        for deep in (900, 950, 985)
    ]
    known = [f"link {'9' * 5_000} {LINK}".encode(), b"[" * 100_000, long, *nested]
    written = JSON.map(
        lambda value: json.dumps({**head_document(), "head": value}).encode()
    )
    hold(law, spoiled(NOTES) | written, examples=examples, known=known)


def test_a_number_is_read_with_its_last_digit_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "note"
    for digits, number in (("12", 12), ("9" * 18, int("9" * 18)), ("9" * 19, None)):
        path.write_text(f"link {digits} {LINK}")
        assert anchors_in(path)[0].number == number


def test_a_large_note_takes_no_more_than_a_multiple_of_its_size(tmp_path: Path) -> None:
    path = tmp_path / "note"
    path.write_text("link\n" * 10_000)

    def take() -> None:
        with pytest.raises(LogUnreadable):
            anchors_in(path)

    take()
    assert peak_bytes(take) < 40 * path.stat().st_size


@depths(10)
def test_any_key_file_is_a_key_or_none(examples: int, tmp_path: Path) -> None:
    pytest.importorskip("cryptography")
    path = tmp_path / "log.key"
    keys.device_key(path)
    pem = path.read_bytes()

    def law(data: bytes) -> None:
        path.write_bytes(data)
        with contextlib.suppress(TidegateError):
            key, is_new = keys.device_key(path)
            assert not is_new
            assert len(key.public_key().public_bytes_raw()) == 32
        with contextlib.suppress(TidegateError):
            found = keys.public_key_of_pem(data.decode("utf-8", "replace"))
            assert len(found) == 64

    hold(law, spoiled([pem]), examples=examples, known=[b"", pem * 40])


# --- values in JSON


@depths(10)
def test_any_json_is_a_value_of_its_type_or_refused(examples: int) -> None:
    kinds = st.sampled_from([Policy, State, *get_args(Event)])
    policy = to_plain(Policy())

    def law(case: tuple[Any, Any, Any]) -> None:
        kind, value, key = case
        documents = [value, {"is": value}]
        if kind is Policy:
            documents.append({**policy, key: value})
        for document in documents:
            try:
                found = from_plain(kind, document)
            except LogError:
                continue
            assert isinstance(found, kind)
            with contextlib.suppress(AssertionError):  # more than three decimals
                assert from_plain(kind, to_plain(found)) == found

    fields = st.sampled_from(sorted(policy))
    known = [(Policy, 10**400, "floor_percent")]
    hold(law, st.tuples(kinds, JSON, fields), examples=examples, known=known)


# --- recordings as CSV

TABLES = [
    b"time,soc_percent\n0,61.5\n30,61\n60,60.5\n",
    b"\xef\xbb\xbftime,station,soc_percent,battery_status,flags,lasts_s,boot_ms\r\n"
    b"2026-03-02T06:00:00Z,hall,61.5,discharging,coarse,60,1000\r\n"
    b"2026-03-02T06:02:00Z,hall,61,charging,,,121000\r\n"
    b"2026-03-02T05:00:00Z,hall,60,charging,,,151000\r\n",
    b'time,soc_percent,health,took_s,cycle_count\n1,50,"a ""word"", or two",0.01,300\n',
]


def csv_law(path: Path) -> None:
    """Law: every line has its moment, in order, and its finite numbers."""
    try:
        text = recording_csv.read_csv(path)
        for station in (*recording_csv.stations(path, text), None):
            make_taken = partial(recording_csv.taken, path, text, station=station)
            last_ms = 0
            for each in make_taken():
                assert each.at_ms >= last_ms or station is None
                last_ms = each.at_ms
                assert each.lasts_ms >= 0
                for name in ("soc_percent", "voltage_v", "took_s", "cycle_count"):
                    value = getattr(each.sample, name)
                    assert value is None or abs(value) <= 1e15
                    assert value is None or math.isfinite(value)
            if station is not None or not recording_csv.stations(path, text):
                playback = Playback(make_taken, gap_ms=300_000, is_repeated=True)
                for now_ms in (0, 50_000, 10**9, 10**15):
                    playback.at(now_ms)
    except Malformed as error:
        is_told(error, names=str(path))


@depths(20)
def test_any_table_is_a_recording_or_refused(examples: int, tmp_path: Path) -> None:
    path = tmp_path / "recording.csv"

    def law(data: bytes) -> None:
        path.write_bytes(data)
        csv_law(path)

    known = [
        b"time,soc_percent\n1e308,5\n",
        b"time,soc_percent\n-1e308,5\n1,1e308\n",
        b"time,soc_percent,lasts_s\n1,2,1e308\n",
        b"time,soc_percent,took_s\n1,2,1e307\n",
        b"time,soc_percent,cycle_count\n1,2," + b"9" * 4_000,
        b"time,soc_percent,boot_ms\n5,2," + b"9" * 4_000 + b"\n4,2,0\n",
        b"9" * 200_000,
        b"time,soc_percent\n" + b"9" * 200_000 + b",1\n",
        b'time,soc_percent\n"',
    ]
    hold(law, spoiled(TABLES), examples=examples, known=known)


def test_a_table_costs_in_proportion(tmp_path: Path) -> None:
    def cost(lines: int) -> int:
        path = tmp_path / "recording.csv"
        rows = io.StringIO()
        csv.writer(rows).writerows((at, 50) for at in range(lines))
        path.write_text("time,soc_percent\n" + rows.getvalue())
        return calls(lambda: recording_csv.read_csv(path))

    assert cost(400) < 2.5 * cost(200)


def test_an_anchor_that_believes_any_digits_is_caught(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "note"
    path.write_text(f"link {'9' * 5_000} {LINK}")
    anchor_law(path)
    monkeypatch.setattr(anchor, "_COUNT", r"\s+(\d+)(?!\w|[.,\s]\d)")
    with pytest.raises(ValueError, match="digits"):
        anchor_law(path)


def test_sqlite_itself_is_met_no_more_than_it_must(tmp_path: Path) -> None:
    """A text of a mebibyte in a column costs a verification a few times its size."""
    path = put(tmp_path, life()[0])
    with contextlib.closing(sqlite3.connect(path)) as database, database:
        database.execute('UPDATE "settings" SET "policy" = ?', ("x" * 1_000_000,))

    def take() -> None:
        assert verify(path).fault is not None

    take()
    assert peak_bytes(take) < 12 * 1_000_000
