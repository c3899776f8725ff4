"""The schema is frozen: a change needs a new version, and old files stay readable."""

from __future__ import annotations

import hashlib
import sqlite3
from pathlib import Path

import pytest

from support import cyclelog_rows as make
from tidegate.cyclelog import chain, schema
from tidegate.cyclelog.check import check
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.rows import AlarmRow, LinkRow, OutcomeRow
from tidegate.errors import LogError

# Version 1 as it is on disk. Never change a line: add a version.
VERSION_1 = """
CREATE TABLE "run" ("id" INTEGER PRIMARY KEY, "boot_ms" INTEGER NOT NULL, "wall_ms" INTEGER NOT NULL, "boot_id" TEXT NOT NULL, "machine" TEXT NOT NULL, "version" TEXT NOT NULL, "rules_version" INTEGER NOT NULL, "backends" TEXT NOT NULL, "synchronised" INTEGER NOT NULL, "prev_link" TEXT NOT NULL, "continued" INTEGER NOT NULL) STRICT
CREATE TABLE "run_end" ("id" INTEGER PRIMARY KEY, "boot_ms" INTEGER NOT NULL, "wall_ms" INTEGER NOT NULL, "why" TEXT NOT NULL) STRICT
CREATE TABLE "settings" ("id" INTEGER PRIMARY KEY, "boot_ms" INTEGER NOT NULL, "wall_ms" INTEGER NOT NULL, "station" TEXT NOT NULL, "policy" TEXT NOT NULL, "given" TEXT NOT NULL) STRICT
CREATE TABLE "event" ("id" INTEGER PRIMARY KEY, "boot_ms" INTEGER NOT NULL, "wall_ms" INTEGER NOT NULL, "station" TEXT NOT NULL, "kind" TEXT NOT NULL, "args" TEXT NOT NULL) STRICT
CREATE TABLE "battery" ("id" INTEGER PRIMARY KEY, "boot_ms" INTEGER NOT NULL, "wall_ms" INTEGER NOT NULL, "station" TEXT NOT NULL, "present" INTEGER NOT NULL, "current_sign_trusted" INTEGER NOT NULL, "temperature_sensor" TEXT, "full_charge_mah" INTEGER, "design_charge_mah" INTEGER, "cycle_count" INTEGER, "health" TEXT, "pack" TEXT, "flags" TEXT NOT NULL, "claims" TEXT) STRICT
CREATE TABLE "reading" ("id" INTEGER PRIMARY KEY, "boot_ms" INTEGER NOT NULL, "wall_ms" INTEGER NOT NULL, "station" TEXT NOT NULL, "reads" INTEGER NOT NULL, "span_ms" INTEGER NOT NULL, "wall_slip_ms" INTEGER NOT NULL, "longest_gap_ms" INTEGER NOT NULL, "same_reads" INTEGER NOT NULL, "same_span_ms" INTEGER NOT NULL, "why_not" TEXT, "soc_hundredths_percent" INTEGER, "battery_status_code" INTEGER NOT NULL, "external_power_code" INTEGER NOT NULL, "voltage_mv" INTEGER, "current_ma" INTEGER, "temperature_mc" INTEGER, "charge_mah" INTEGER, "uptime_s" INTEGER, "took_ms" INTEGER NOT NULL, "last_soc_hundredths_percent" INTEGER, "last_voltage_mv" INTEGER, "last_current_ma" INTEGER, "last_temperature_mc" INTEGER, "last_charge_mah" INTEGER, "last_uptime_s" INTEGER, "raw" TEXT) STRICT
CREATE TABLE "failure" ("id" INTEGER PRIMARY KEY, "boot_ms" INTEGER NOT NULL, "wall_ms" INTEGER NOT NULL, "station" TEXT NOT NULL, "kind" TEXT NOT NULL, "reads" INTEGER NOT NULL, "span_ms" INTEGER NOT NULL, "wall_slip_ms" INTEGER NOT NULL, "longest_gap_ms" INTEGER NOT NULL, "text" TEXT) STRICT
CREATE TABLE "intent" ("id" INTEGER PRIMARY KEY, "boot_ms" INTEGER NOT NULL, "wall_ms" INTEGER NOT NULL, "station" TEXT NOT NULL, "supply" TEXT NOT NULL, "reason" TEXT NOT NULL, "kind" TEXT NOT NULL, "swapped" INTEGER NOT NULL, "trigger" INTEGER, "state_digest" TEXT NOT NULL) STRICT
CREATE TABLE "outcome" ("id" INTEGER PRIMARY KEY, "boot_ms" INTEGER NOT NULL, "wall_ms" INTEGER NOT NULL, "station" TEXT NOT NULL, "intent" INTEGER NOT NULL, "succeeded" INTEGER NOT NULL, "error" TEXT, "took_ms" INTEGER) STRICT
CREATE TABLE "effect" ("id" INTEGER PRIMARY KEY, "boot_ms" INTEGER NOT NULL, "wall_ms" INTEGER NOT NULL, "station" TEXT NOT NULL, "intent" INTEGER, "supply" TEXT NOT NULL, "seen" INTEGER) STRICT
CREATE TABLE "alarm" ("id" INTEGER PRIMARY KEY, "boot_ms" INTEGER NOT NULL, "wall_ms" INTEGER NOT NULL, "station" TEXT NOT NULL, "code" TEXT NOT NULL, "raised" INTEGER NOT NULL) STRICT
CREATE TABLE "operator" ("id" INTEGER PRIMARY KEY, "boot_ms" INTEGER NOT NULL, "wall_ms" INTEGER NOT NULL, "station" TEXT NOT NULL, "action" TEXT NOT NULL, "by" TEXT NOT NULL, "because" TEXT NOT NULL, "args" TEXT NOT NULL) STRICT
CREATE TABLE "state" ("id" INTEGER PRIMARY KEY, "boot_ms" INTEGER NOT NULL, "wall_ms" INTEGER NOT NULL, "station" TEXT NOT NULL, "rules_version" INTEGER NOT NULL, "state" TEXT NOT NULL) STRICT
CREATE TABLE "gap" ("id" INTEGER PRIMARY KEY, "boot_ms" INTEGER NOT NULL, "wall_ms" INTEGER NOT NULL, "station" TEXT NOT NULL, "why" TEXT NOT NULL, "since_boot_ms" INTEGER NOT NULL, "since_wall_ms" INTEGER NOT NULL, "dropped_rows" INTEGER NOT NULL, "switchings" INTEGER NOT NULL) STRICT
CREATE TABLE "link" ("id" INTEGER PRIMARY KEY, "boot_ms" INTEGER NOT NULL, "wall_ms" INTEGER NOT NULL, "number" INTEGER NOT NULL, "rows" INTEGER NOT NULL, "digest" BLOB NOT NULL) STRICT
""".strip().splitlines()


def test_version_1_is_what_it_was() -> None:
    assert [table.create for table in schema.tables(1)] == VERSION_1


def _version_1(path: Path) -> str:
    """Write a file of version 1 by hand, one alarm and one link; return the link."""
    lines = ["0" * 64, "1\talarm\t5\t6\tlobby\ta\\tb\t1", "2\tlink\t7\t8\t1\t1"]
    text = "".join(line + "\n" for line in lines)
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    with sqlite3.connect(path) as database:
        for statement in VERSION_1:
            database.execute(statement)
        database.execute("PRAGMA application_id = 0x74696465")
        database.execute("PRAGMA user_version = 1")
        database.execute("INSERT INTO alarm VALUES (1, 5, 6, 'lobby', 'a\tb', 1)")
        database.execute("INSERT INTO link VALUES (2, 7, 8, 1, 1, ?)", (digest,))
    database.close()
    return digest.hex()


def test_a_file_of_version_1_is_readable(tmp_path: Path) -> None:
    path = tmp_path / "one.db"
    digest = _version_1(path)
    with Reader(path) as reader:
        assert check(reader) is None
        alarm, link = list(reader.rows())
    assert alarm.row == AlarmRow(
        boot_ms=5, wall_ms=6, station="lobby", code="a\tb", raised=True
    )
    assert link.row == LinkRow(boot_ms=7, wall_ms=8, number=1, rows=1, digest=digest)


@pytest.mark.parametrize("version", [0, 2, 99])
def test_an_unknown_version_is_refused_in_one_sentence(
    tmp_path: Path, version: int
) -> None:
    path = tmp_path / "one.db"
    _version_1(path)
    with sqlite3.connect(path) as database:
        database.execute(f"PRAGMA user_version = {version}")
    database.close()
    with pytest.raises(LogError, match=f"schema version {version}, known is 1"):
        Reader(path)


@pytest.mark.parametrize("content", [b"", b"no database at all", None])
def test_what_is_no_log_is_refused_in_one_sentence(
    tmp_path: Path, content: bytes | None
) -> None:
    path = tmp_path / "other.db"
    if content is not None:
        path.write_bytes(content * 100)
    with pytest.raises(LogError):
        Reader(path)


def test_the_canonical_line() -> None:
    row = OutcomeRow(
        boot_ms=1, wall_ms=-2, station="a\\b\tc\nd\re", intent=3, succeeded=False
    )
    table = schema.TABLE_OF[OutcomeRow]
    line = schema.line(7, table, schema.cells(row))
    assert line == "7\toutcome\t1\t-2\ta\\\\b\\tc\\nd\\re\t3\t0\t\\N\t\\N"
    assert "\n" not in line


def test_a_text_of_backslash_and_n_is_not_null() -> None:
    row = OutcomeRow(
        boot_ms=1, wall_ms=2, station="x", intent=3, succeeded=False, error="\\N"
    )
    line = schema.line(1, schema.TABLE_OF[OutcomeRow], schema.cells(row))
    assert line.split("\t")[-2:] == ["\\\\N", "\\N"]


def test_a_link_is_the_hash_of_the_lines_before_it() -> None:
    # Any SHA-256 will do: printf '0…0\na\nb\n' | sha256sum, and so on.
    text = "0" * 64 + "\na\nb\n"
    assert (
        chain.link(chain.START, ["a"], "b") == hashlib.sha256(text.encode()).hexdigest()
    )


def test_every_row_comes_back_from_its_columns() -> None:
    for row in make.some():
        table = schema.TABLE_OF[type(row)]
        assert schema.row_of(table, schema.cells(row)) == row
