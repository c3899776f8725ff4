"""Logs that no writer ever wrote: an auditor gets an answer, the daemon a log.

Types that the schema forbids, ids and numbers at the end of their range, names and
texts that are not UTF-8, tables that are gone. Each is made with SQLite itself, or
byte by byte where even that refuses.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from support import cyclelog_rows as make
from support.cyclelog_faults import tampered
from support.cyclelog_verifier import verify as verified_apart
from support.first_schema import FILES, unpack
from tidegate.cli.main import run
from tidegate.cyclelog.disk import aside_files
from tidegate.cyclelog.verify import verify
from tidegate.cyclelog.writer import Writer
from tidegate.errors import LogUnreadable

# March 2027: the year of the last file goes on.
WALL_MS = 1_804_000_000_000
Change = Callable[[Path], None]


@pytest.fixture
def log(tmp_path: Path) -> Path:
    return unpack(tmp_path)


def _sql(script: str) -> Change:
    return lambda file: tampered(file, lambda database: database.executescript(script))


def _forced(table: str, was: str, loose: str, script: str) -> Change:
    """Put in what the schema forbids: loosen it, change, make it look as it was."""

    def redefined(database: sqlite3.Connection, old: str, new: str) -> None:
        database.execute("PRAGMA writable_schema = ON")
        database.execute(
            "UPDATE sqlite_schema SET sql = replace(sql, ?, ?) WHERE name = ?",
            (old, new, table),
        )

    def change(file: Path) -> None:
        tampered(file, lambda database: redefined(database, was, loose))
        _sql(script)(file)
        tampered(file, lambda database: redefined(database, loose, was))

    return change


def _schema_bytes(file: Path) -> None:
    data = file.read_bytes()
    file.write_bytes(data.replace(b'CREATE TABLE "alarm"', b'CREATE\xffTABLE "alarm"'))


ODD: dict[str, tuple[Change, str]] = {
    "digest-of-text": (
        _forced("link", '"digest" BLOB', '"digest" TEXT', "UPDATE link SET digest='x'"),
        "altered",
    ),
    "time-of-text": (
        _forced(
            "link",
            '"wall_ms" INTEGER',
            '"wall_ms" TEXT',
            "UPDATE link SET wall_ms = 'x'",
        ),
        "altered",
    ),
    "number-of-text": (
        _forced(
            "link", '"number" INTEGER', '"number" TEXT', "UPDATE link SET number = 'x'"
        ),
        "missing",
    ),
    "number-at-the-end": (
        _sql("UPDATE link SET number = 9223372036854775807"),
        "missing",
    ),
    "machine-of-bytes": (
        _forced(
            "run",
            '"machine" TEXT NOT NULL',
            '"machine" BLOB NOT NULL',
            "UPDATE run SET machine = x'00ff'",
        ),
        "altered",
    ),
    "machine-not-utf-8": (
        _sql("UPDATE run SET machine = CAST(x'ff' AS TEXT)"),
        "altered",
    ),
    "id-at-the-end": (
        _sql("INSERT INTO run_end VALUES (9223372036854775807, 1, 2, 'x')"),
        "added",
    ),
    "foreign-id-at-the-end": (
        _sql(
            "CREATE TABLE notes (id INTEGER PRIMARY KEY);"
            "INSERT INTO notes VALUES (9223372036854775807)"
        ),
        "schema",
    ),
    "quote-in-a-name": (
        _sql('CREATE TABLE "a""b" (id INTEGER PRIMARY KEY)'),
        "schema",
    ),
    "no-link-table": (_sql("DROP TABLE link"), "schema"),
    "no-run-table": (_sql("DROP TABLE run"), "schema"),
    "extra-column": (_sql("ALTER TABLE alarm ADD COLUMN extra INTEGER"), "schema"),
    "trigger": (
        _sql("CREATE TRIGGER t BEFORE INSERT ON run BEGIN SELECT RAISE(IGNORE); END"),
        "schema",
    ),
}
each_odd = pytest.mark.parametrize(("change", "kind"), ODD.values(), ids=ODD)


@each_odd
@pytest.mark.parametrize("name", FILES)
def test_the_fault_is_named(log: Path, change: Change, kind: str, name: str) -> None:
    change(log.with_name(name))
    verdict = verify(log)
    assert verdict.fault is not None
    assert (verdict.fault.kind, verdict.fault_file) == (kind, log.with_name(name))
    with pytest.raises((ValueError, sqlite3.Error)):
        verified_apart(*(log.with_name(name) for name in FILES))


def test_a_schema_that_is_no_utf_8_is_told(log: Path) -> None:
    """SQLite quotes it in its message, which Python then cannot decode."""
    past = log.with_name(FILES[0])
    _schema_bytes(past)
    verdict = verify(log)
    assert verdict.fault is not None
    assert (verdict.fault.kind, verdict.fault_file) == ("damaged", past)
    _schema_bytes(log)
    with pytest.raises(LogUnreadable, match="not UTF-8"):
        verify(log)


@each_odd
def test_such_an_end_is_signed_as_it_stands_or_not_at_all(
    log: Path, capsys: pytest.CaptureFixture[str], change: Change, kind: str
) -> None:
    change(log)
    code = run(["log", "sign", "--log", str(log)])
    out, err = capsys.readouterr()
    assert code in (0, 65), err
    if code:
        assert out == ""
        return
    note = log.with_name("head.json")
    note.write_text(out)
    assert run(["log", "verify", "--log", str(log), "--against", str(note)]) == 1
    assert isinstance(json.loads(out)["head"]["number"], int)


async def _written(path: Path) -> int:
    """Let a daemon write a run row, and return its id."""
    writer = Writer.open(path, clock=make.clock(wall_ms=WALL_MS), threaded=False)
    row_id = writer.append(make.run())
    await writer.commit()
    assert writer.healthy
    await writer.close()
    return row_id


@pytest.mark.parametrize(
    "change",
    [*(change for change, _ in ODD.values()), _schema_bytes],
    ids=[*ODD, "schema-not-utf-8"],
)
@pytest.mark.parametrize("name", FILES)
async def test_the_daemon_writes_on(log: Path, change: Change, name: str) -> None:
    """In this file or, when that cannot take its rows, in one of its own."""
    change(log.with_name(name))
    row_id = await _written(log)
    assert 359 < row_id < 2**62
    with closing(sqlite3.connect(log)) as database:
        assert database.execute(
            "SELECT id FROM run ORDER BY id DESC LIMIT 1"
        ).fetchone() == (row_id,)
    assert log.with_name(name).exists()
    aside = aside_files(log)
    assert len(aside) <= 1
    if aside:  # nothing is deleted, and the new file by itself is a log
        assert verified_apart(log)[0] == 1
