"""Every way of changing a closed file is found, and named as closely as can be."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from support import cyclelog_rows as make
from support.cyclelog_faults import tampered
from support.cyclelog_verifier import verify
from tidegate.cyclelog.check import check
from tidegate.cyclelog.fault import Fault
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.writer import Writer

Change = Callable[[sqlite3.Connection], object]


@pytest.fixture
async def path(tmp_path: Path) -> Path:
    """A log of five batches: rows 1-3, 5-7, 9-11, 13-15, 17-19, links at 4, 8, …"""
    path = tmp_path / "cycles.db"
    writer = Writer.open(path, clock=make.clock(), threaded=False)
    for batch in range(5):
        writer.append(make.alarm(batch, code=f"first of {batch}"))
        writer.append(make.event(batch))
        writer.append(make.alarm(batch, code=f"last of {batch}"))
        await writer.commit()
    await writer.close()
    return path


def fault(path: Path) -> Fault | None:
    with Reader(path) as reader:
        return check(reader)


def test_an_untouched_file_has_no_fault(path: Path) -> None:
    assert fault(path) is None
    assert verify(path)[0] == 5


@pytest.mark.parametrize(
    ("what", "kind", "row"),
    [
        ("UPDATE alarm SET code = 'another' WHERE id = 7", "altered", 5),
        ("UPDATE alarm SET wall_ms = wall_ms + 1 WHERE id = 7", "altered", 5),
        ("UPDATE alarm SET id = 12 WHERE id = 11", "added", 12),
        ("UPDATE event SET args = '{} ' WHERE id = 18", "altered", 17),
        ("DELETE FROM event WHERE id = 10", "missing", 12),
        ("DELETE FROM link WHERE id = 8", "missing", 12),
        ("DELETE FROM alarm WHERE id > 4 AND id < 8", "missing", 8),
        ("INSERT INTO run_end VALUES (21, 1, 2, 'x')", "added", 21),
        ("UPDATE link SET wall_ms = 1 WHERE id = 12", "altered", 9),
        ("UPDATE link SET digest = zeroblob(32) WHERE id = 12", "link_changed", 12),
        ("UPDATE link SET digest = zeroblob(32) WHERE id = 20", "altered", 17),
        ("UPDATE link SET rows = 4 WHERE id = 12", "missing", 12),
    ],
)
def test_each_change_is_found_and_named(
    path: Path, what: str, kind: str, row: int
) -> None:
    tampered(path, lambda database: database.execute(what))
    found = fault(path)
    assert found is not None
    assert (found.kind, found.row) == (kind, row)
    with pytest.raises(ValueError, match=r"link|rows"):
        verify(path)


def test_a_whole_batch_that_is_missing_is_found(path: Path) -> None:
    def change(database: sqlite3.Connection) -> None:
        for table in ("alarm", "event", "link"):
            database.execute(f"DELETE FROM {table} WHERE id > 4 AND id <= 8")

    tampered(path, change)
    found = fault(path)
    assert found is not None
    assert (found.kind, found.what) == (
        "missing",
        "link 2 is missing, next comes link 3",
    )


def test_an_added_row_within_a_batch_is_found(path: Path) -> None:
    def change(database: sqlite3.Connection) -> None:
        database.execute("UPDATE link SET id = 40 WHERE id = 20")
        database.execute("INSERT INTO run_end VALUES (39, 1, 2, 'x')")

    tampered(path, change)
    found = fault(path)
    assert found is not None
    assert (found.kind, found.row) == ("added", 40)


def test_rows_that_changed_places_are_named(path: Path) -> None:
    def change(database: sqlite3.Connection) -> None:
        for old, new in ((9, 90), (11, 9), (90, 11)):
            database.execute("UPDATE alarm SET id = ? WHERE id = ?", (new, old))

    tampered(path, change)
    assert fault(path) == Fault(9, "reordered", "rows 9 and 11 changed places")


def test_what_is_cut_off_whole_at_the_end_cannot_be_seen(path: Path) -> None:
    """The limit that the docs state: only an anchor elsewhere can show this."""

    def change(database: sqlite3.Connection) -> None:
        for table in ("alarm", "event", "link"):
            database.execute(f"DELETE FROM {table} WHERE id > 16")

    tampered(path, change)
    assert fault(path) is None
