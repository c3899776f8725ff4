"""What is exported is what the log holds, to readers that share no code with ours.

Sources: RFC 4180 (CSV), read by the csv module of Python; W3C Recommendation "Metadata
Vocabulary for Tabular Data" of 17 December 2015, typed here from memory; JSON Schema
draft 2020-12, checked by jsonschema; Parquet, read by duckdb; SQLite by sqlite3.
"""

from __future__ import annotations

import asyncio
import csv
import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import duckdb
import jsonschema
import pytest

from support import hostile_log
from support.cyclelog_life import Life
from support.cyclelog_rows import clock as a_clock
from tidegate.cyclelog import schema
from tidegate.cyclelog.export import meaning
from tidegate.cyclelog.export.columns import exported
from tidegate.cyclelog.export.duplicate import duplicate
from tidegate.cyclelog.export.lines import csv_folder, json_lines, schema_beside
from tidegate.cyclelog.export.parquet import parquet_folder
from tidegate.cyclelog.export.source import Selection, Source
from tidegate.cyclelog.export.target import TargetTaken
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.verify import verify
from tidegate.cyclelog.whole import opened_whole
from tidegate.errors import LogUnreadable

csv.field_size_limit(1 << 24)
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
# What the names of the log end in, and the export's name and power of ten.
ENDS = (
    ("_hundredths_percent", "_percent", 2),
    ("_mah", "_ah", 3),
    ("_mv", "_v", 3),
    ("_ma", "_a", 3),
    ("_mc", "_c", 3),
)
SPANS = {
    "span_ms": "lasts_s",
    "wall_slip_ms": "wall_slip_s",
    "longest_gap_ms": "longest_gap_s",
    "same_span_ms": "same_span_s",
    "took_ms": "took_s",
}
STATUS = ["charging", "discharging", "not_charging", "full", "unknown"]
POWER = ["yes", "no", "unknown"]
TRUTHS = {
    "synchronised",
    "continued",
    "present",
    "current_sign_trusted",
    "swapped",
    "succeeded",
    "seen",
    "raised",
}
Row = dict[str, Any]


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("hostile")
    return asyncio.run(hostile_log.write(folder / "cycles.db"))


@pytest.fixture
def source(log: Path) -> Iterator[Source]:
    with opened_whole(log) as whole:
        yield Source(log=whole)


def wanted(log: Path) -> dict[str, list[Row]]:
    """Return what the export must hold, read with SQLite and converted here."""
    out: dict[str, list[Row]] = {}
    for path in (log.with_name("cycles-2026.db"), log):
        with closing(sqlite3.connect(path)) as database:
            database.row_factory = sqlite3.Row
            for (name,) in database.execute(
                "SELECT name FROM sqlite_schema ORDER BY name"
            ).fetchall():
                rows = database.execute(f'SELECT * FROM "{name}" ORDER BY id')
                out.setdefault(name, []).extend(map(converted, rows))
    return out


def converted(row: sqlite3.Row) -> Row:
    out: Row = {}
    for name in row.keys():  # noqa: SIM118 - a Row iterates over its values
        value = row[name]
        if name in ("wall_ms", "since_wall_ms"):
            out["time" if name == "wall_ms" else "since_time"] = moment(value)
        if name == "battery_status_code":
            out["battery_status"] = STATUS[value]
        elif name == "external_power_code":
            out["external_power"] = POWER[value]
        elif name in TRUTHS:
            out[name] = None if value is None else bool(value)
        elif name in SPANS:
            out[SPANS[name]] = scaled(value, 3)
        elif isinstance(value, bytes):
            out[name] = value.hex()
        else:
            ends = [each for each in ENDS if name.endswith(each[0])]
            if ends:
                end, shown, places = ends[0]
                out[name.removesuffix(end) + shown] = scaled(value, places)
            else:
                out[name] = value
    return out


def scaled(value: int | None, places: int) -> Decimal | None:
    return None if value is None else Decimal(value).scaleb(-places)


def moment(wall_ms: int) -> datetime | None:
    try:
        return EPOCH + timedelta(milliseconds=wall_ms)
    except OverflowError:
        return None


def test_every_column_has_a_meaning_and_no_meaning_is_left_over() -> None:
    columns = {
        column.name
        for table in schema.TABLES.values()
        for column in exported(table).columns
    }
    assert columns == meaning.COLUMNS.keys()
    assert schema.TABLES.keys() == meaning.TABLES.keys()


# --- CSV ------------------------------------------------------------------------------


def from_csv(path: Path, types: dict[str, Any]) -> list[Row]:
    with path.open(encoding="utf-8", newline="") as file:
        return [
            {name: read_as(types[name], text) for name, text in line.items()}
            for line in csv.DictReader(file, strict=True)
        ]


def read_as(datatype: Any, text: str) -> Any:
    """Return a cell as its metadata says."""
    if isinstance(datatype, dict) and datatype["base"] == "boolean":
        true, false = datatype["format"].split("|")
        return {true: True, false: False, "": None}[text]
    if datatype == "string" or isinstance(datatype, dict):
        return text
    if text == "":
        return None
    return {
        "long": int,
        "decimal": Decimal,
        "dateTimeStamp": datetime.fromisoformat,
    }[datatype](text)


def test_csv_holds_the_log(log: Path, source: Source, tmp_path: Path) -> None:
    to = tmp_path / "guides"
    count = csv_folder(source, to).count
    found = json.loads((to / "csv-metadata.json").read_text(encoding="utf-8"))
    rows = wanted(log)
    assert count == sum(map(len, rows.values()))
    assert found["@context"][0] == "http://www.w3.org/ns/csvw"
    assert {path.name for path in to.iterdir()} == {
        "csv-metadata.json",
        *(table["url"] for table in found["tables"]),
    }
    for table in found["tables"]:
        types = {
            column["name"]: column["datatype"]
            for column in table["tableSchema"]["columns"]
        }
        name = table["url"].removesuffix(".csv")
        # To the csv module an empty text and none are one.
        plain = [
            {
                key: "" if types[key] == "string" and value is None else value
                for key, value in row.items()
            }
            for row in rows[name]
        ]
        assert from_csv(to / table["url"], types) == plain
        with (to / table["url"]).open(encoding="utf-8", newline="") as file:
            assert next(csv.reader(file)) == list(types)


def test_csv_metadata_say_what_csvw_wants(source: Source, tmp_path: Path) -> None:
    csv_folder(source, tmp_path / "guides")
    found = json.loads((tmp_path / "guides/csv-metadata.json").read_text("utf-8"))
    head = found["notes"][0]["head"]
    assert head["link"] == source.log.head.link
    assert found["notes"][0]["schema_version"] == 1
    assert found["notes"][0]["files"] == ["cycles-2026.db", "cycles.db"]
    for table in found["tables"]:
        columns = table["tableSchema"]["columns"]
        assert table["tableSchema"]["primaryKey"] == "id"
        for column in columns:
            assert {"name", "titles", "datatype", "dc:description"} <= column.keys()
            # Section 5.7 there: an empty cell is null unless `null` names another.
            assert column["null"] == ([] if column["required"] else "")
            ends = {"_percent": "%", "_v": "V", "_a": "A", "_c": "degC", "_ah": "Ah"}
            for end, unit in {**ends, "_s": "s", "_ms": "ms"}.items():
                if column["name"].endswith(end):
                    assert column["schema:unitText"] == unit


def test_the_origin_says_what_was_written(log: Path, tmp_path: Path) -> None:
    rows = wanted(log)
    every = [row for table in rows.values() for row in table]
    ends = [row["wall_ms"] + int(1000 * row.get("lasts_s", 0)) for row in every]
    with opened_whole(log) as whole:
        tally = json_lines(Source(log=whole), tmp_path / "x.jsonl")
    document = json.loads((tmp_path / "x.jsonl.schema.json").read_text("utf-8"))
    said = json.loads(document["$comment"])
    assert said["rows"] == {name: len(rows[name]) for name in schema.TABLES}
    assert said["span"]["first_row"] == min(row["id"] for row in every)
    assert said["span"]["last_row"] == max(row["id"] for row in every)
    assert (tally.begin_ms, tally.end_ms) == (
        min(row["wall_ms"] for row in every),
        max(ends),
    )
    for key, expected_ms in (("begin", tally.begin_ms), ("end", tally.end_ms)):
        assert datetime.fromisoformat(said["span"][key]) == moment(expected_ms)


def test_csv_tells_an_empty_text_from_none_by_its_quotes(
    source: Source, tmp_path: Path
) -> None:
    """As PostgreSQL's COPY and DuckDB read it; the csv module cannot."""
    csv_folder(source, tmp_path / "guides")
    rows = duckdb.sql(
        f"SELECT pack, health FROM read_csv('{tmp_path}/guides/battery.csv', "
        "all_varchar = true, allow_quoted_nulls = false, nullstr = '', "
        "max_line_size = 10000000)"
    ).fetchall()
    assert ("", None) in rows


# --- JSON Lines -----------------------------------------------------------------------


def test_json_lines_hold_the_log_in_order(
    log: Path, source: Source, tmp_path: Path
) -> None:
    to = tmp_path / "guides.jsonl"
    json_lines(source, to)
    found: dict[str, list[Row]] = {name: [] for name in schema.TABLES}
    ids = []
    with to.open(encoding="utf-8", newline="\n") as file:
        for line in file:
            row = json.loads(line, parse_float=Decimal)
            ids.append(row["id"])
            found[row.pop("table")].append(
                {
                    key: datetime.fromisoformat(value)
                    if key in ("time", "since_time") and value
                    else value
                    for key, value in row.items()
                }
            )
    assert found == wanted(log)
    assert ids == sorted(ids)


def test_every_line_fits_the_schema(source: Source, tmp_path: Path) -> None:
    to = tmp_path / "guides.jsonl"
    json_lines(source, to)
    document = json.loads(schema_beside(to).read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(document)
    validator = jsonschema.Draft202012Validator(document)
    lines = lines_of(to)
    for line in lines:
        validator.validate(line)
    assert {line["table"] for line in lines} == schema.TABLES.keys() - {"effect"}
    for change in (
        {"table": "boiler"},
        {"id": "1"},
        {"boot_ms": None},
        {"colour": "red"},
    ):
        assert not validator.is_valid({**lines[0], **change})
    (reading, *_) = [line for line in lines if line["table"] == "reading"]
    assert not validator.is_valid({**reading, "battery_status": "hungry"})
    said = json.loads(document["$comment"])
    assert said["head"]["link"] == source.log.head.link


# --- Parquet --------------------------------------------------------------------------


def test_parquet_holds_the_log(log: Path, source: Source, tmp_path: Path) -> None:
    to = tmp_path / "guides"
    parquet_folder(source, to)
    rows = wanted(log)
    document = json.loads((to / "schema.json").read_text(encoding="utf-8"))
    assert {path.name for path in to.iterdir()} == {
        "schema.json",
        *(table["url"] for table in document["tables"]),
    }
    for name, expected in rows.items():
        found = duckdb.sql(f"SELECT * FROM '{to}/{name}.parquet'")
        names = found.columns
        as_rows = [dict(zip(names, row, strict=True)) for row in found.fetchall()]
        assert as_rows == expected
        (table,) = [t for t in document["tables"] if t["url"] == f"{name}.parquet"]
        assert [c["name"] for c in table["tableSchema"]["columns"]] == names


def test_parquet_is_zstd_and_says_where_it_is_from(
    source: Source, tmp_path: Path
) -> None:
    to = tmp_path / "guides"
    parquet_folder(source, to)
    used = duckdb.sql(
        f"SELECT DISTINCT compression FROM parquet_metadata('{to}/reading.parquet')"
    ).fetchall()
    assert used == [("ZSTD",)]
    ((told,),) = duckdb.sql(
        "SELECT decode(value) FROM "
        f"parquet_kv_metadata('{to}/reading.parquet') WHERE decode(key) = 'tidegate'"
    ).fetchall()
    assert json.loads(told)["head"]["link"] == source.log.head.link


# --- a copy ---------------------------------------------------------------------------


def test_a_copy_is_whole_and_has_the_same_head(log: Path, tmp_path: Path) -> None:
    to = tmp_path / "mine.db"
    with opened_whole(log) as whole:
        verdict = duplicate(whole, to)
        head = whole.head.link
    assert verdict.fault is None
    assert {path.name for path in tmp_path.iterdir()} == {"mine.db", "mine-2026.db"}
    again = verify(to)
    assert again.fault is None
    assert len(again.files) == 2
    assert again.head is not None
    assert again.head[1].digest == head
    assert wanted(log)["reading"] == [
        row for path in (tmp_path / "mine-2026.db", to) for row in _readings(path)
    ]


def _readings(path: Path) -> list[Row]:
    with closing(sqlite3.connect(path)) as database:
        database.row_factory = sqlite3.Row
        rows = database.execute("SELECT * FROM reading ORDER BY id").fetchall()
    return list(map(converted, rows))


async def test_a_log_in_use_is_copied_and_exported(tmp_path: Path) -> None:
    """The writer has the file open and goes on; what it adds meanwhile is left out."""
    path = tmp_path / "cycles.db"
    life = Life(path, a_clock())
    await life.start()
    await life.live(60)
    await life.writer.commit()
    with opened_whole(path) as whole:
        head = whole.head
        await life.live(60)
        await life.writer.commit()
        tally = json_lines(Source(log=whole), tmp_path / "now.jsonl")
    rows = lines_of(tmp_path / "now.jsonl")
    assert len(rows) == tally.count
    assert rows[-1]["id"] == head.last_id
    assert rows[-1]["digest"] == head.link
    with opened_whole(path) as whole:
        verdict = duplicate(whole, tmp_path / "now.db")
    assert verdict.fault is None
    await life.live(60)
    await life.stop()
    with Reader(path) as mine, Reader(tmp_path / "now.db") as copy:
        assert mine.tail.number > copy.tail.number > head.number
        shorter = list(copy.rows())
        assert list(mine.rows(up_to=shorter[-1].id)) == shorter


def test_nothing_is_left_of_an_interrupted_copy(log: Path, tmp_path: Path) -> None:
    def stop(_: int, __: int) -> None:
        raise KeyboardInterrupt

    with opened_whole(log) as whole, pytest.raises(KeyboardInterrupt):
        duplicate(whole, tmp_path / "mine.db", progress=stop)
    assert list(tmp_path.iterdir()) == []


def test_a_copy_brings_what_was_set_aside(tmp_path: Path) -> None:
    """A file that was set aside explains why the next does not go on from another."""
    here, there = tmp_path / "here", tmp_path / "there"
    here.mkdir()
    there.mkdir()
    path = here / "cycles.db"
    asyncio.run(_lives(path))
    path.write_bytes(b"noise" * 5_000)
    asyncio.run(_lives(path))
    assert any(".damaged-" in each.name for each in here.iterdir())
    with opened_whole(path) as whole:
        assert duplicate(whole, there / "copy.db").fault is None
    assert len(list(there.iterdir())) == 2
    assert verify(there / "copy.db").set_aside != ()


async def _lives(path: Path) -> None:
    life = Life(path, a_clock())
    await life.start()
    await life.live(30)
    await life.stop()


@pytest.mark.parametrize(
    ("name", "what"),
    [
        ("cycles.db", "of the log itself"),
        ("cycles-2031.db", "would be taken for a part of it"),
        ("cycles.db.damaged-20270102T030405Z", "would be taken for a part of it"),
    ],
)
def test_a_copy_is_never_taken_for_a_part_of_the_log(
    tmp_path: Path, name: str, what: str
) -> None:
    path = tmp_path / "cycles.db"
    asyncio.run(_lives(path))
    before = path.read_bytes()
    with opened_whole(path) as whole, pytest.raises(TargetTaken, match=what):
        duplicate(whole, tmp_path / name, force=True)
    assert path.read_bytes() == before


def test_a_copy_does_not_mix_with_files_of_another(log: Path, tmp_path: Path) -> None:
    (tmp_path / "mine-2019.db").write_bytes(b"another year")
    with opened_whole(log) as whole, pytest.raises(TargetTaken, match="mine-2019"):
        duplicate(whole, tmp_path / "mine.db", force=True)
    assert [path.name for path in tmp_path.iterdir()] == ["mine-2019.db"]


# --- what is selected -----------------------------------------------------------------


def read_lines(log: Path, to: Path, selection: Selection) -> list[Row]:
    with opened_whole(log) as whole:
        json_lines(Source(log=whole, selection=selection), to, force=True)
    return lines_of(to)


def lines_of(path: Path) -> list[Row]:
    with path.open(encoding="utf-8", newline="\n") as file:
        return [json.loads(line) for line in file]


def test_of_one_station_there_are_its_rows_and_those_of_none(
    log: Path, tmp_path: Path
) -> None:
    to = tmp_path / "x.jsonl"
    every = read_lines(log, to, Selection())
    hall = read_lines(log, to, Selection(station="hall"))
    assert hall == [row for row in every if row.get("station") in (None, "", "hall")]
    assert {row.get("station") for row in hall} == {None, "", "hall"}
    assert json.loads(schema_beside(to).read_text("utf-8"))["$comment"].count("hall")


def test_of_a_time_there_is_what_lies_in_it(log: Path, tmp_path: Path) -> None:
    to, year_ms = tmp_path / "x.jsonl", hostile_log.NEW_YEAR_MS
    every = read_lines(log, to, Selection())
    before = read_lines(log, to, Selection(until_ms=year_ms))
    after = read_lines(log, to, Selection(since_ms=year_ms))
    assert before + after == every
    assert before
    assert after
    # A run of equal readings that began a minute after midnight and lasted 90 s; the
    # other readings came with it.
    late = Selection(since_ms=year_ms + 60_000 + 90_000)
    kept = [row for row in read_lines(log, to, late) if row["table"] == "reading"]
    assert [row["reads"] for row in kept] == [4]


def test_what_is_empty_is_a_file_with_its_header(log: Path, tmp_path: Path) -> None:
    to = tmp_path / "none"
    with opened_whole(log) as whole:
        none = Source(log=whole, selection=Selection(until_ms=1))
        assert csv_folder(none, to).count == 0
        assert parquet_folder(none, tmp_path / "none-too").count == 0
    text = (to / "reading.csv").read_text("utf-8")
    assert text.startswith("id,boot_ms,time,wall_ms,station,reads,")
    assert text.count("\n") == 1
    ((count,),) = duckdb.sql(
        f"SELECT count(*) FROM '{tmp_path}/none-too/reading.parquet'"
    ).fetchall()
    assert count == 0


def test_a_row_that_no_daemon_writes_is_named(log: Path, tmp_path: Path) -> None:
    with opened_whole(log) as whole:
        duplicate(whole, tmp_path / "mine.db")
    with closing(sqlite3.connect(tmp_path / "mine-2026.db")) as database:
        database.execute("UPDATE reading SET battery_status_code = 17 WHERE reads = 4")
        ((row,),) = database.execute("SELECT id FROM reading WHERE reads = 4")
        database.commit()
    with (
        opened_whole(tmp_path / "mine.db") as whole,
        pytest.raises(LogUnreadable, match=rf"row {row} .* no code 17"),
    ):
        csv_folder(Source(log=whole), tmp_path / "guides")
    names = {path.name for path in tmp_path.iterdir()}
    assert not any(name.startswith((".", "guides")) for name in names)
