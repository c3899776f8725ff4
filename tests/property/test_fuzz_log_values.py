"""Whatever values a damaged or altered log holds, who reads them says that they cannot be.

SQLite keeps values to the types of their columns when they are put in, not when it
reads them: one flipped bit of a record makes a number of a text. So does somebody who
loosens the schema and puts it back. The log is that of a synthetic station.
"""

from __future__ import annotations

import contextlib
import io
import json
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from datetime import UTC
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from hypothesis import strategies as st

from property.test_fuzz_log import STATION, life, put, worn
from support import cyclelog_rows as make
from support.fuzz import JSON, hold
from tidegate.audit.auditor import audit, placed
from tidegate.audit.document import as_document
from tidegate.cli.audit_rows import overview
from tidegate.cyclelog import schema
from tidegate.cyclelog.export.lines import write_csv, write_json
from tidegate.cyclelog.export.source import Source
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.recording import Playback, logged
from tidegate.cyclelog.replay import rebuild, replay_all
from tidegate.cyclelog.whole import opened_whole
from tidegate.errors import LogError, LogUnreadable, TidegateError
from tidegate.plans.past import rates_of_log

# All six who read a log read each of these.
EXAMPLES = 80
BEGIN_MS = make.WALL_MS + 50_000


def _replayed(path: Path) -> None:
    with opened_whole(path) as whole:
        replay_all(whole.rows(), list(whole.stations) or [STATION])


def _rebuilt(path: Path) -> None:
    with Reader(path) as reader:
        for ask in (
            lambda: rebuild(reader, STATION),
            lambda: reader.last_run_of(STATION),
            lambda: reader.last_commanded(STATION),
            lambda: reader.last_settings(STATION),
            lambda: reader.last_trusted(STATION, boot_id="a"),
            lambda: list(reader.runs()),
            lambda: reader.tail,
        ):
            with contextlib.suppress(LogError):
                ask()


def _audited(path: Path) -> None:
    found = audit(path, STATION, placing=placed(path, STATION))
    json.dumps(as_document(found), allow_nan=False)
    assert all(label and text for label, text in overview(found, UTC))


def _exported(path: Path) -> None:
    with opened_whole(path) as whole:
        folder = path.parent / "csv"
        folder.mkdir()
        write_csv(Source(log=whole), folder)
        write_json(Source(log=whole), io.StringIO())


def _played(path: Path) -> None:
    make_taken = partial(logged, path, STATION, begin_wall_ms=BEGIN_MS)
    playback = Playback(make_taken, gap_ms=300_000, is_repeated=True)
    for now_ms in (0, 50_000, 10**7, 10**12):
        playback.at(now_ms)


READERS: tuple[Callable[[Path], object], ...] = (
    _replayed,
    _rebuilt,
    _audited,
    _exported,
    _played,
    partial(rates_of_log, station=STATION, wall_ms=make.WALL_MS),
)


def values_law(path: Path) -> None:
    """Law: all who read a log read it or say in our words why they do not."""
    for read in READERS:
        shutil.rmtree(path.parent / "csv", ignore_errors=True)
        with contextlib.suppress(TidegateError):
            read(path)


@pytest.mark.slow
def test_any_worn_log_is_read_or_refused(tmp_path: Path) -> None:
    hold(
        lambda data: values_law(put(tmp_path, data)), worn(life()[0]), examples=EXAMPLES
    )


CELLS = st.sampled_from(
    [
        *(None, 0, 1, -1, 2, 7, 2**31, 10**15, 2**63 - 1, -(2**63), 1.5, float("inf")),
        *(b"", b"\xff\xfe", "", "{}", "[]", "null", "[" * 3_000, "\0", "1e400", "on"),
        *("off", "lobby", "٤٢", "x" * 50_000, "9" * 5_000, '{"is":[]}', "a\nb\u2028"),
    ]
)
COLUMNS = st.sampled_from(
    [
        (table.name, column.name)
        for table in schema.TABLES.values()
        for column in table.columns
    ]
)


@st.composite
def edits(draw: st.DrawFn) -> tuple[bool, list[tuple[str, str, Any, bool, float]]]:
    """Return whether the schema is loosened first, and which cells become what."""
    one = st.tuples(COLUMNS, CELLS, st.booleans(), st.floats(0, 1))
    found = draw(st.lists(one, min_size=1, max_size=3))
    return draw(st.booleans()), [
        (*at, cell, every, where) for at, cell, every, where in found
    ]


def edited(
    path: Path, case: tuple[bool, list[tuple[str, str, Any, bool, float]]]
) -> Path:
    loosened, changes = case
    if loosened:
        with contextlib.closing(sqlite3.connect(path)) as database, database:
            database.execute("PRAGMA writable_schema = ON")
            database.execute(
                "UPDATE sqlite_schema SET sql = "
                "replace(replace(sql, ' STRICT', ''), ' NOT NULL', '')"
            )
    with contextlib.closing(sqlite3.connect(path)) as database, database:
        for table, column, cell, every, where in changes:
            ids = [row[0] for row in database.execute(f'SELECT "id" FROM "{table}"')]
            if not ids:
                continue
            one = ids[min(int(where * len(ids)), len(ids) - 1)]
            with contextlib.suppress(sqlite3.IntegrityError, sqlite3.DataError):
                database.execute(
                    f'UPDATE "{table}" SET "{column}" = ? WHERE ? OR "id" = ?',
                    (cell, every, one),
                )
    return path


# What once came through as a fault of Python's, one of each.
MET = [
    (True, [("reading", "boot_ms", "a\nb\u2028", False, 0.9)]),
    (True, [("state", "boot_ms", "true", False, 0.9)]),
    (True, [("run_end", "wall_ms", None, False, 0.0)]),
    (True, [("reading", "voltage_mv", "null", False, 0.5)]),
    (True, [("battery", "design_charge_mah", b"\xff\xfe", False, 0.0)]),
    (True, [("link", "digest", "nan", True, 0.0)]),
    (True, [("state", "rules_version", "{}", False, 0.9)]),
    (False, [("settings", "policy", "[" * 3_000, True, 0.0)]),
    (
        False,
        [
            ("intent", "supply", "1e400", True, 0.0),
            ("state", "station", "x", True, 0.0),
        ],
    ),
]


@pytest.mark.slow
def test_any_value_in_any_column_is_read_or_refused(tmp_path: Path) -> None:
    def law(case: tuple[bool, list[tuple[str, str, Any, bool, float]]]) -> None:
        values_law(edited(put(tmp_path, life()[0]), case))

    hold(law, edits(), examples=EXAMPLES, known=MET)


def test_a_value_of_another_type_is_refused_and_no_other(tmp_path: Path) -> None:
    path = put(tmp_path, life()[0])
    assert placed(path, STATION) is not None
    with Reader(path) as reader:
        assert sum(1 for _ in reader.rows()) > 20
    edited(path, MET[0])
    with pytest.raises(LogUnreadable, match=r"reading, row \d+"):
        placed(path, STATION)
    with (
        pytest.raises(LogUnreadable, match="where boot_ms is due"),
        Reader(path) as reader,
    ):
        list(reader.rows())


# --- the JSON in it


def _inner(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    yield path
    if isinstance(value, dict):
        for key, each in value.items():
            yield from _inner(each, (*path, key))
    elif isinstance(value, list):
        for place, each in enumerate(value):
            yield from _inner(each, (*path, place))


def _replaced(value: Any, path: tuple[Any, ...], put_in: Any) -> Any:
    if not path:
        return put_in
    copy = value.copy()
    copy[path[0]] = _replaced(value[path[0]], path[1:], put_in)
    return copy


@pytest.mark.slow
def test_any_part_of_any_document_is_read_or_refused(tmp_path: Path) -> None:
    whole = put(tmp_path, life()[0])
    columns = (("state", "state"), ("settings", "policy"), ("event", "args"))
    with contextlib.closing(sqlite3.connect(whole)) as database:
        texts = [
            (table, column, row_id, json.loads(text))
            for table, column in columns
            for row_id, text in database.execute(
                f'SELECT "id", "{column}" FROM "{table}"'
            )
        ]
    parts = [
        (*rest, document, path)
        for *rest, document in texts
        for path in _inner(document)
    ]

    def law(case: tuple[Any, Any]) -> None:
        (table, column, row_id, document, at), put_in = case
        text = json.dumps(_replaced(document, at, put_in))
        path = put(tmp_path, life()[0])
        with contextlib.closing(sqlite3.connect(path)) as database, database:
            database.execute(
                f'UPDATE "{table}" SET "{column}" = ? WHERE "id" = ?', (text, row_id)
            )
        values_law(path)

    (policy,) = {row_id for table, _, row_id, _ in texts if table == "settings"}
    (floor,) = [
        each for each in parts if each[2] == policy and each[4] == ("floor_percent",)
    ]
    hold(
        law,
        st.tuples(st.sampled_from(parts), JSON),
        examples=EXAMPLES,
        known=[(floor, 10**400)],
    )
