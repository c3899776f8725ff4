"""A log of three files, tampered with in every way we could think of.

Each change is made with SQLite itself. Ours and a verifier that shares no code with it
find each of them; where the end was cut, only an anchor can tell, and it does.
"""

from __future__ import annotations

import asyncio
import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from support import cyclelog_rows as make
from support.cyclelog_faults import garble_tables, tampered
from support.cyclelog_verifier import digest
from support.cyclelog_verifier import verify as verified_apart
from tidegate.core.policy import DAY_MS
from tidegate.cyclelog import neighbours, schema
from tidegate.cyclelog.anchor import Anchor, anchors_in
from tidegate.cyclelog.disk import aside_files
from tidegate.cyclelog.fault import Fault
from tidegate.cyclelog.neighbours import Begin
from tidegate.cyclelog.rows import LinkRow, Row
from tidegate.cyclelog.verify import Verdict, verify
from tidegate.cyclelog.writer import Writer
from tidegate.errors import LogUnreadable

YEAR_MS = 365 * DAY_MS
NAMES = ("cycles-2026.db", "cycles-2027.db", "cycles.db")


def _rare() -> list[Row]:
    """Return a row of each table that ``make.some`` leaves out."""
    values = {int: 1, bool: True, str: "x"}
    made = {type(row) for row in make.some()} | {LinkRow}
    return [
        table.row(**{each.name: values[each.kind] for each in table.columns})
        for table in schema.TABLES.values()
        if table.row not in made
    ]


async def written(
    folder: Path, *, machine: str = "0f" * 32, life: str = "time_passed"
) -> Path:
    """Write a log over three years, some batches each, and return its path."""
    path = folder / "cycles.db"  # the writer makes the folder
    for year in range(3):
        clock = make.clock(wall_ms=make.WALL_MS + year * YEAR_MS)
        writer = Writer.open(path, clock=clock, threaded=False)
        writer.append(replace(make.run(), machine=machine))
        for row in (*make.some()[1:], *_rare()):
            writer.append(row)
            await writer.commit()
        for count in range(3):
            writer.append(make.alarm(count, code="25 °C"))
            writer.append(make.event(count, kind=life))
        await writer.commit()
        await writer.close()
    return path


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A log, another of the same device, and one of another device; not to touch."""
    folder = tmp_path_factory.mktemp("logs")
    asyncio.run(written(folder / "log"))
    asyncio.run(written(folder / "same", life="another"))
    asyncio.run(written(folder / "other", machine="aa" * 32))
    return folder


@pytest.fixture
def path(tmp_path: Path, logs: Path) -> Path:
    shutil.copytree(logs / "log", tmp_path / "log")
    return tmp_path / "log" / "cycles.db"


def apart(path: Path) -> str | None:
    """Return what the other program finds wrong, ``None`` for nothing."""
    files = [path.with_name(name) for name in NAMES]
    try:
        verified_apart(*(file for file in files if file.exists()))
    except (ValueError, sqlite3.Error) as error:
        return str(error)
    return None


def test_a_log_that_nobody_touched_is_whole(path: Path) -> None:
    verdict = verify(path)
    assert (verdict.fault, verdict.notes, verdict.anchored) == (None, (), False)
    assert [each.path.name for each in verdict.files] == list(NAMES)
    assert apart(path) is None


def _every_table() -> list[tuple[str, str]]:
    """Return a column of each table, the last one that is covered."""
    return [
        (
            table.name,
            [each for each in table.columns if each.kind is not bytes][-1].name,
        )
        for table in schema.TABLES.values()
        if table is not schema.LINK
    ]


@pytest.mark.parametrize(("table", "column"), _every_table())
def test_a_change_in_any_table_is_found(path: Path, table: str, column: str) -> None:
    def change(database: sqlite3.Connection) -> None:
        (row,) = database.execute(f"SELECT min(id) FROM {table}").fetchone()
        value = database.execute(
            f"SELECT typeof({column}) FROM {table} WHERE id = ?", (row,)
        ).fetchone()[0]
        new = "another" if value == "text" else 77
        database.execute(f"UPDATE {table} SET {column} = ? WHERE id = ?", (new, row))

    tampered(path, change)
    found = verify(path).fault
    assert found is not None
    assert found.kind == "altered"
    assert apart(path) is not None


SQL = {
    "delete-row": ("DELETE FROM reading", "missing"),
    "delete-first-link": (
        "DELETE FROM link WHERE id = (SELECT min(id) FROM link)",
        "missing",
    ),
    "insert-row": ("INSERT INTO run_end VALUES (100000, 1, 2, 'x')", "added"),
    "id-below-one": ("INSERT INTO run_end VALUES (0, 1, 2, 'x')", "added"),
    "id-negative": (
        "INSERT INTO run_end VALUES (-9223372036854775808, 1, 2, 'x')",
        "added",
    ),
    "id-largest": (
        "INSERT INTO run_end VALUES (9223372036854775807, 1, 2, 'x')",
        "added",
    ),
    "same-id-in-two-tables": (
        "INSERT INTO run_end SELECT id, 1, 2, 'x' FROM alarm LIMIT 1",
        "added",
    ),
    "swap-two-rows": (
        "UPDATE alarm SET boot_ms = 2 - boot_ms WHERE boot_ms IN (0, 2)",
        "altered",
    ),
    "link-digest": (
        "UPDATE link SET digest = randomblob(32) WHERE number = 2",
        "link_changed",
    ),
    "link-digest-short": (
        "UPDATE link SET digest = x'' WHERE number = 2",
        "link_changed",
    ),
    "link-number": ("UPDATE link SET number = 9 WHERE number = 2", "missing"),
    "link-rows": ("UPDATE link SET rows = 0 WHERE number = 2", "added"),
    "link-time": ("UPDATE link SET wall_ms = 5 WHERE number = 2", "altered"),
    "null-for-text": ("UPDATE battery SET health = NULL", "altered"),
    "text-that-looks-like-null": ("UPDATE battery SET claims = '\\N'", "altered"),
    "nul-in-a-text": ("UPDATE alarm SET code = code || char(0) || 'x'", "altered"),
    "escape-in-a-text": (
        "UPDATE alarm SET code = replace(code, char(9), '\\t')",
        "altered",
    ),
    "no-utf-8": (
        "UPDATE event SET kind = CAST(x'ff' AS TEXT) WHERE boot_ms = 2",
        "altered",
    ),
    "extra-table": ("CREATE TABLE notes (text)", "schema"),
    "extra-column": ("ALTER TABLE alarm ADD COLUMN extra INTEGER", "schema"),
    "trigger": (
        "CREATE TRIGGER quiet BEFORE INSERT ON alarm BEGIN SELECT RAISE(IGNORE); END",
        "schema",
    ),
    "index": ("CREATE INDEX fast ON alarm (code)", "schema"),
    "view": ("CREATE VIEW shown AS SELECT * FROM alarm", "schema"),
    "view-in-place": (
        "ALTER TABLE gap RENAME TO hole; CREATE VIEW gap AS SELECT * FROM hole",
        "schema",
    ),
    "no-table": ("DROP TABLE gap", "schema"),
    "without-rowid": (
        "CREATE TABLE other (id INTEGER PRIMARY KEY, boot_ms INTEGER NOT NULL, "
        "wall_ms INTEGER NOT NULL, why TEXT NOT NULL) STRICT, WITHOUT ROWID; "
        "INSERT INTO other SELECT * FROM run_end; DROP TABLE run_end; "
        "ALTER TABLE other RENAME TO run_end",
        "schema",
    ),
    "statistics": ("ANALYZE", "schema"),
}


@pytest.mark.parametrize(("what", "kind"), SQL.values(), ids=SQL)
@pytest.mark.parametrize("name", ["cycles.db", "cycles-2026.db"])
def test_each_change_is_found_by_both(
    path: Path, what: str, kind: str, name: str
) -> None:
    file = path.with_name(name)
    tampered(file, lambda database: database.executescript(what))
    verdict = verify(path)
    assert verdict.fault is not None
    assert verdict.fault.kind == kind
    assert apart(path) is not None


def _forced(database: sqlite3.Connection, loosen: tuple[str, str], what: str) -> None:
    """Change what the schema forbids: loosen it, change, put it back as it was."""
    database.execute("PRAGMA writable_schema = ON")
    swap = "UPDATE sqlite_schema SET sql = replace(sql, ?, ?) WHERE name = 'alarm'"
    database.execute(swap, loosen)
    database.commit()
    file = database.execute("PRAGMA database_list").fetchone()[2]
    with closing(sqlite3.connect(file)) as other:
        other.execute(what)
        other.commit()
    database.execute(swap, loosen[::-1])


def test_a_number_stored_as_text_is_found_though_its_line_is_the_same(
    path: Path,
) -> None:
    tampered(
        path,
        lambda database: _forced(
            database,
            ('"wall_ms" INTEGER NOT NULL', '"wall_ms" TEXT NOT NULL'),
            "UPDATE alarm SET wall_ms = CAST(wall_ms AS TEXT)",
        ),
    )
    found = verify(path).fault
    assert found is not None
    assert found.kind == "altered"
    assert apart(path) is not None


@pytest.mark.parametrize("pragma", ["application_id", "user_version"])
def test_another_header_is_refused(path: Path, pragma: str) -> None:
    tampered(path, lambda database: database.execute(f"PRAGMA {pragma} = 7"))
    with pytest.raises(LogUnreadable):
        verify(path)
    assert apart(path) is not None


@pytest.mark.parametrize("pragma", ["application_id", "user_version"])
def test_another_header_of_a_past_file_is_a_fault(path: Path, pragma: str) -> None:
    past = path.with_name("cycles-2027.db")
    tampered(past, lambda database: database.execute(f"PRAGMA {pragma} = 7"))
    verdict = verify(path)
    assert verdict.fault is not None
    assert (verdict.fault.kind, verdict.fault_file) == ("damaged", past)
    assert apart(path) is not None


def test_a_log_in_another_encoding_is_found_though_its_links_hold(path: Path) -> None:
    """Every row is the same; the bytes on disk are not those that were written."""
    again = path.with_name("again")
    with (
        closing(sqlite3.connect(again)) as copy,
        closing(sqlite3.connect(path)) as source,
    ):
        copy.executescript(
            f"PRAGMA encoding = 'UTF-16le'; PRAGMA user_version = {schema.VERSION};"
            f"PRAGMA application_id = {schema.APPLICATION_ID}"
        )
        for table in schema.TABLES.values():
            copy.execute(table.create)
            copy.executemany(table.insert, source.execute(table.select))
        copy.commit()
    again.replace(path)
    fault = verify(path).fault
    assert fault is not None
    assert fault.kind == "schema"
    assert apart(path) is not None


def test_ids_that_were_counted_anew_are_found(path: Path) -> None:
    def change(database: sqlite3.Connection) -> None:
        for name in schema.TABLES:
            database.execute(f"UPDATE {name} SET id = -id")
            database.execute(f"UPDATE {name} SET id = 1000 - id")

    tampered(path, change)
    found = verify(path).fault
    assert found is not None
    assert found.kind == "altered"
    assert apart(path) is not None


@pytest.mark.parametrize(("row_id", "kind"), [(1, None), (0, "added"), (-5, "added")])
def test_an_id_below_one_is_found_though_its_link_holds(
    tmp_path: Path, row_id: int, kind: str | None
) -> None:
    path = tmp_path / "cycles.db"
    writer = Writer.open(path, clock=make.clock(), threaded=False)
    asyncio.run(writer.close())
    lines = ["0" * 64, f"{row_id}\trun_end\t5\t6\tx", "2\tlink\t7\t8\t1\t1"]
    link = bytes.fromhex(digest(lines))

    def change(database: sqlite3.Connection) -> None:
        database.execute("INSERT INTO run_end VALUES (?, 5, 6, 'x')", (row_id,))
        database.execute("INSERT INTO link VALUES (2, 7, 8, 1, 1, ?)", (link,))

    tampered(path, change)
    found = verify(path).fault
    assert (None if found is None else (found.kind, found.row)) == (
        None if kind is None else (kind, row_id)
    )
    assert (apart(path) is None) is (kind is None)


# --- whole files ----------------------------------------------------------------------


def test_a_past_file_that_is_gone_is_missing(path: Path) -> None:
    path.with_name("cycles-2027.db").unlink()
    verdict = verify(path)
    assert verdict.fault is not None
    assert (verdict.fault.kind, verdict.fault_file) == ("missing", path)
    assert apart(path) is not None


def test_past_years_that_exchanged_their_names_are_swapped(path: Path) -> None:
    one, other = (path.with_name(name) for name in NAMES[:2])
    one.rename(path.with_name("aside"))
    other.rename(one)
    path.with_name("aside").rename(other)
    verdict = verify(path)
    assert verdict.fault is not None
    assert verdict.fault.kind == "swapped"
    assert apart(path) is not None


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("device", ["same", "other"])
def test_a_file_of_another_log_is_swapped(
    path: Path, logs: Path, name: str, device: str
) -> None:
    shutil.copy(logs / device / name, path.with_name(name))
    verdict = verify(path)
    assert verdict.fault is not None
    assert verdict.fault.kind == "swapped"
    assert apart(path) is not None


async def test_another_log_in_its_place_is_swapped(path: Path, tmp_path: Path) -> None:
    fresh = tmp_path / "fresh.db"
    writer = Writer.open(fresh, clock=make.clock(), threaded=False)
    for row in make.some():
        writer.append(row)
    await writer.commit()
    await writer.close()
    shutil.copy(fresh, path)
    verdict = verify(path)
    assert verdict.fault is not None
    assert verdict.fault.kind == "swapped"
    assert apart(path) is not None


async def _set_aside(path: Path) -> Path:
    """Let a daemon meet a damaged file; return where it put it."""
    garble_tables(path)
    clock = make.clock(wall_ms=make.WALL_MS + 2 * YEAR_MS)
    writer = Writer.open(path, clock=clock, threaded=False)
    writer.append(make.run())
    await writer.commit()
    await writer.close()
    (aside,) = aside_files(path)
    return aside


async def test_what_follows_a_file_that_was_set_aside_is_no_fault(path: Path) -> None:
    aside = await _set_aside(path)
    verdict = verify(path)
    assert (verdict.fault, verdict.set_aside) == (None, (aside,))
    assert "follows a file that was set aside (damaged)" in verdict.notes[0]


async def test_a_file_that_was_set_aside_and_is_gone_is_missing(path: Path) -> None:
    """Whoever tidies up damaged files has not put another one in their place."""
    (await _set_aside(path)).unlink()
    fault = verify(path).fault
    assert fault is not None
    assert fault.kind == "missing"
    assert "is not here (it was set aside: damaged)" in fault.what
    for name in NAMES[:2]:
        path.with_name(name).unlink()
    verdict = verify(path)
    assert verdict.fault is None
    assert "is not here (it was set aside: damaged)." in verdict.notes[0]


def test_noise_that_was_set_aside_is_nothing_to_follow(path: Path) -> None:
    """It has no last link, and so not the 64 zeros that the first link follows."""
    path.with_name("cycles.db.damaged-20270101T000000Z").write_bytes(b"noise" * 1000)
    begin = Begin(first_id=90, run=90, prev_link="0" * 64, machine="0f" * 32, lost=None)
    beside = neighbours.beside(path)
    found = neighbours.tie(begin, path, beside.past[-1], beside.aside)
    assert isinstance(found, Fault)


@pytest.mark.parametrize("content", [b"", b"no database" * 1000])
def test_a_past_file_that_cannot_be_read_is_damaged(path: Path, content: bytes) -> None:
    path.with_name("cycles-2026.db").write_bytes(content)
    verdict = verify(path)
    assert verdict.fault is not None
    assert verdict.fault.kind == "damaged"
    assert "cycles-2026.db" in verdict.fault.what
    assert apart(path) is not None


def test_a_file_of_noise_is_told_to_be_unreadable(path: Path) -> None:
    garble_tables(path)
    with pytest.raises(LogUnreadable, match=r"cycles\.db cannot be used"):
        verify(path)
    assert apart(path) is not None


def test_one_damaged_page_leaves_the_rest_readable(path: Path) -> None:
    with closing(sqlite3.connect(path)) as database:
        (page,) = database.execute(
            "SELECT rootpage FROM sqlite_schema WHERE name = 'alarm'"
        ).fetchone()
    with path.open("r+b") as file:
        file.seek((page - 1) * 4096)
        file.write(b"\xff" * 200)
    found = verify(path).fault
    assert found is not None
    assert found.kind == "damaged"
    # 20 rows and 14 links are in the file, four alarms among them; none is certain,
    # because a link can be checked only when every table can be read.
    assert "no row is certain, 30 behind can still be read" in found.what


# --- the end, which only an anchor can vouch for ---------------------------------------


def _cut(path: Path, links: int) -> None:
    def change(database: sqlite3.Connection) -> None:
        (last,) = database.execute(
            "SELECT id FROM link ORDER BY id DESC LIMIT 1 OFFSET ?", (links,)
        ).fetchone()
        for name in schema.TABLES:
            database.execute(f"DELETE FROM {name} WHERE id > ?", (last,))

    tampered(path, change)


def _kept(path: Path, tmp_path: Path, kind: str) -> tuple[Anchor, ...]:
    """Return an anchor taken of the log as it is now."""
    if kind == "copy":
        copy = tmp_path / "copy.db"
        with (
            closing(sqlite3.connect(path)) as source,
            closing(sqlite3.connect(copy)) as target,
        ):
            source.backup(target)
        return anchors_in(copy)
    head = verify(path).head
    assert head is not None
    note = tmp_path / "note.txt"
    link = head[1]
    note.write_text(f"Head: {link.digest} (link {link.number}, row {link.row})\n")
    return anchors_in(note)


def _against(path: Path, anchors: tuple[Anchor, ...]) -> Verdict:
    return verify(path, anchors=anchors)


@pytest.mark.parametrize("kind", ["copy", "note"])
@pytest.mark.parametrize("links", [1, 3, 5])
def test_an_end_that_was_cut_off_is_missing(
    path: Path, tmp_path: Path, kind: str, links: int
) -> None:
    anchors = _kept(path, tmp_path, kind)
    assert _against(path, anchors).anchored
    _cut(path, links)
    assert verify(path).fault is None
    assert apart(path) is None
    verdict = _against(path, anchors)
    assert verdict.fault is not None
    assert verdict.fault.kind == "missing"
    assert not verdict.anchored


def test_the_end_of_a_past_year_is_missed_by_the_file_that_follows(path: Path) -> None:
    _cut(path.with_name("cycles-2027.db"), 2)
    verdict = verify(path)
    assert verdict.fault is not None
    assert (verdict.fault.kind, verdict.fault_file) == ("missing", path)
    assert "the end of the one was cut off, or a file between" in verdict.fault.what
    assert apart(path) is not None


@pytest.mark.parametrize("kind", ["copy", "note"])
async def test_a_log_that_was_cut_and_went_on_is_swapped(
    path: Path, tmp_path: Path, kind: str
) -> None:
    anchors = _kept(path, tmp_path, kind)
    _cut(path, 3)
    clock = make.clock(wall_ms=make.WALL_MS + 2 * YEAR_MS)
    writer = Writer.open(path, clock=clock, threaded=False)
    for count in range(9):
        writer.append(make.alarm(count, code="never"))
        await writer.commit()
    await writer.close()
    assert verify(path).fault is None
    verdict = _against(path, anchors)
    assert verdict.fault is not None
    assert verdict.fault.kind == "swapped"


@pytest.mark.parametrize("kind", ["copy", "note"])
async def test_an_anchor_holds_while_the_log_grows_and_the_years_turn(
    path: Path, tmp_path: Path, kind: str
) -> None:
    anchors = _kept(path, tmp_path, kind)
    clock = make.clock(wall_ms=make.WALL_MS + 3 * YEAR_MS)
    writer = Writer.open(path, clock=clock, threaded=False)
    for row in make.some():
        writer.append(row)
        await writer.commit()
    await writer.close()
    assert path.with_name("cycles-2028.db").exists()
    verdict = _against(path, anchors)
    assert (verdict.fault, verdict.anchored) == (None, True)
    assert verdict.anchors[0].file == path.with_name("cycles-2028.db")


@pytest.mark.parametrize("kind", ["copy", "note"])
def test_a_whole_other_log_is_swapped(
    path: Path, logs: Path, tmp_path: Path, kind: str
) -> None:
    """It is whole by itself; the anchor alone shows that it is another."""
    anchors = _kept(path, tmp_path, kind)
    other = logs / "other" / "cycles.db"
    assert verify(other).fault is None
    verdict = _against(other, anchors)
    assert verdict.fault is not None
    assert verdict.fault.kind == "swapped"


def test_an_anchor_behind_a_fault_is_not_reached(path: Path, tmp_path: Path) -> None:
    anchors = _kept(path, tmp_path, "note")
    tampered(path, lambda database: database.execute("DELETE FROM reading"))
    verdict = _against(path, anchors)
    assert verdict.fault is not None
    assert verdict.fault.kind == "missing"
    assert verdict.anchors[0].file is None
    assert not verdict.anchored


# --- where it may stand ---------------------------------------------------------------


def test_a_journal_of_a_change_that_never_ended_is_undone(
    path: Path, tmp_path: Path
) -> None:
    """A copy in the rollback mode, torn by a crash in the middle of a change."""
    copy, torn = tmp_path / "copy.db", tmp_path / "torn" / "copy.db"
    torn.parent.mkdir()
    _kept(path, tmp_path, "copy")
    with closing(sqlite3.connect(copy, isolation_level=None)) as database:
        database.execute("PRAGMA journal_mode = DELETE")
        database.execute("PRAGMA cache_size = 1")
        database.execute("BEGIN")
        for table in ("alarm", "reading", "settings", "event"):
            database.execute(f"UPDATE {table} SET station = 'another'")
        database.execute("UPDATE state SET state = hex(randomblob(90000))")
        for end in ("", "-journal"):
            shutil.copy(f"{copy}{end}", f"{torn}{end}")
        database.execute("ROLLBACK")
    alone = tmp_path / "alone.db"
    shutil.copy(torn, alone)
    assert verify(alone).fault is not None
    verdict = verify(torn)
    assert verdict.fault is None
    assert any("SQLite undoes it" in note for note in verdict.notes)


async def test_what_a_tool_added_does_not_stop_the_writer(path: Path) -> None:
    """A fault to an auditor, and yet no reason to leave a battery without its log."""
    tampered(path, lambda database: database.execute("ANALYZE"))
    clock = make.clock(wall_ms=make.WALL_MS + 2 * YEAR_MS)
    writer = Writer.open(path, clock=clock, threaded=False)
    row_id = writer.append(make.run())
    await writer.commit()
    assert writer.healthy
    await writer.close()
    found = verify(path).fault
    assert found is not None
    assert found.kind == "schema"
    with closing(sqlite3.connect(path)) as database:
        assert database.execute("SELECT max(id) FROM run").fetchone() == (row_id,)


async def test_a_year_that_turns_meanwhile_is_no_fault(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The open file gets the name of a past one, and is not taken for two."""
    turned = path.parent.with_name("turned") / path.name
    shutil.copytree(path.parent, turned.parent)
    clock = make.clock(wall_ms=make.WALL_MS + 3 * YEAR_MS)
    writer = Writer.open(turned, clock=clock, threaded=False)
    for row in (make.run(), make.alarm()):
        writer.append(row)
        await writer.commit()
    await writer.close()
    beside = neighbours.beside

    def turning(log: Path) -> neighbours.Beside:
        past = path.with_name("cycles-2028.db")
        if not past.exists():
            path.rename(past)
            for name in (past.name, path.name):
                shutil.copy(turned.with_name(name), path.parent)
        return beside(log)

    monkeypatch.setattr(neighbours, "beside", turning)
    verdict = verify(path)
    assert verdict.fault is None
    assert [each.path.name for each in verdict.files] == [
        *(NAMES[:2]),
        "cycles-2028.db",
        "cycles.db",
    ]
