"""``tidegate log export`` as its user meets it: places, refusals, interruptions, codes.

Sources: exit codes of sysexits.h (4.2BSD) and 128 + SIGINT as shells say it (POSIX,
2.8.2), typed here from memory.
"""

from __future__ import annotations

import asyncio
import errno
import hashlib
import json
import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any
from unittest import mock

import pytest

from support import hostile_log
from support.cyclelog_faults import filled, read_only, small_disk, tampered
from support.cyclelog_life import Life
from support.cyclelog_rows import clock as a_clock
from support.first_schema import unpack
from support.host import TestHost
from tidegate.cli.main import run
from tidegate.cyclelog.export import lines
from tidegate.cyclelog.export.target import tempfile as temporary
from tidegate.cyclelog.gauge import ReplayGauge, ReplaySettings
from tidegate.cyclelog.verify import verify
from tidegate.cyclelog.writer import Writer

HEAD = "70e7e2d8e7594766ce3a2c82420c30b0ccd4e3df6bfd3a8f862b5af9fa1e9f63"
FORMATS = ("csv", "jsonl", "parquet", "db")
FOLDERS = ("csv", "parquet")
HALF_BYTES = 16 * 4096
BESIDE = {"jsonl": {"out.schema.json"}, "db": {"out-2026"}}


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return unpack(tmp_path_factory.mktemp("kept"))


def export(log: Path, form: str, to: Path, *more: str) -> int:
    words = ["log", "export", "--log", str(log), "--format", form, "--to", str(to)]
    return run([*words, *more])


def counted(log: Path) -> dict[str, int]:
    """Return the rows of each table, counted with SQLite alone."""
    counts: dict[str, int] = {}
    for path in (log.with_name("cycles-2026.db"), log):
        with closing(sqlite3.connect(path)) as database:
            for (name,) in database.execute("SELECT name FROM sqlite_schema"):
                query = f'SELECT count(*) FROM "{name}"'
                ((count,),) = database.execute(query).fetchall()
                counts[name] = counts.get(name, 0) + count
    return counts


def digests(folder: Path) -> dict[str, str]:
    """Return what is in a folder, without what SQLite leaves as somebody reads."""
    return {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.iterdir()
        if not path.name.endswith("-shm")
        and not (path.name.endswith("-wal") and path.stat().st_size == 0)
    }


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


@pytest.mark.parametrize("form", FORMATS)
def test_it_says_what_it_wrote(
    log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], form: str
) -> None:
    assert export(log, form, tmp_path / "out") == 0
    assert names(tmp_path) == {"out", *BESIDE.get(form, ())}
    out, err = capsys.readouterr()
    if form == "db":
        assert out.startswith(f"Copied out-2026, out to {tmp_path}.\nWhole: 268 rows ")
        assert f"Head: {HEAD} (link 13 of out, row 359, " in out
    else:
        first, rows, head = out.splitlines()
        assert first == f"Wrote 359 rows of {log} to {tmp_path / 'out'}:"
        assert dict(each.split() for each in rows.split(", ")) == {
            table: str(count) for table, count in counted(log).items() if count
        }
        assert head == f"Head of the log: {HEAD} (link 13 of cycles.db, row 359)"
    assert err == ""


@pytest.mark.parametrize("form", FORMATS)
def test_its_document(
    log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], form: str
) -> None:
    to = tmp_path / "out"
    assert export(log, form, to, "--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["to"], found["format"]) == (str(to), form)
    assert found["head"]["link"] == HEAD
    if form == "db":
        assert (found["ok"], found["rows"], found["links"]) == (True, 268, 91)
        assert found["files"] == [str(tmp_path / "out-2026"), str(to)]
        assert found["head"]["file"] == str(to)
    else:
        assert found["rows"] == counted(log)
        assert found["schema_version"] == 1
        assert (found["span"]["first_row"], found["span"]["last_row"]) == (1, 359)


def test_the_copy_is_an_anchor_of_the_log(
    log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    to = tmp_path / "copy.db"
    assert export(log, "db", to) == 0
    capsys.readouterr()
    words = ["log", "verify", "--log", str(log), "--against", str(to), "--json"]
    assert run(words) == 0
    assert json.loads(capsys.readouterr().out)["anchored"] is True


def test_the_copy_of_a_log_with_a_fault_is_made_and_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "kept").mkdir()
    log = unpack(tmp_path / "kept")
    tampered(log, lambda database: database.execute("UPDATE run_end SET why = 'x'"))
    assert export(log, "db", tmp_path / "copy.db") == 1
    assert "Fault: altered at row 357 of copy.db" in capsys.readouterr().out
    assert verify(tmp_path / "copy.db").fault == verify(log).fault


def test_rows_on_stdout(log: Path, capsysbinary: pytest.CaptureFixture[bytes]) -> None:
    assert export(log, "jsonl", Path("-")) == 0
    out, err = capsysbinary.readouterr()
    rows = [json.loads(line) for line in out.splitlines()]
    assert len(rows) == 359
    assert rows[-1]["digest"] == HEAD
    assert err == b""


def test_a_reader_that_leaves_early_hears_no_traceback(log: Path) -> None:
    command = [sys.executable, "-m", "tidegate", "log", "export", "--log", str(log)]
    with subprocess.Popen(
        [*command, "--format", "jsonl", "--to", "-"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        said = process.stderr.read()
        assert process.wait() == 74
    assert said == b""


# --- what is in the way ---------------------------------------------------------------


@pytest.mark.parametrize("form", FORMATS)
def test_nothing_gives_way_unasked(
    log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], form: str
) -> None:
    to = tmp_path / "out"
    to.write_text("somebody's")
    assert export(log, form, to) == 64
    assert "is there already" in capsys.readouterr().err
    assert to.read_text() == "somebody's"
    assert names(tmp_path) == {"out"}


@pytest.mark.parametrize("form", FORMATS)
def test_an_older_export_gives_way_to_force(
    log: Path, tmp_path: Path, form: str
) -> None:
    to = tmp_path / "out"
    assert export(log, form, to) == 0
    made = names(tmp_path)
    (file, *_) = sorted(to.iterdir()) if to.is_dir() else [to]
    whole = file.read_bytes()
    file.write_bytes(b"older")
    assert export(log, form, to) == 64
    assert export(log, form, to, "--force") == 0
    assert names(tmp_path) == made
    assert file.read_bytes() == whole


@pytest.mark.parametrize("form", FOLDERS)
def test_force_deletes_no_folder_but_an_export(
    log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], form: str
) -> None:
    to = tmp_path / "home"
    (to / "letters").mkdir(parents=True)
    assert export(log, form, to, "--force") == 64
    assert "is not only an export, it has letters" in capsys.readouterr().err
    assert names(to) == {"letters"}


@pytest.mark.parametrize("form", ["jsonl", "db"])
def test_force_deletes_no_folder_for_a_file(
    log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], form: str
) -> None:
    to = tmp_path / "home"
    to.mkdir()
    assert export(log, form, to, "--force") == 64
    assert "is a folder" in capsys.readouterr().err
    assert names(tmp_path) == {"home"}


@pytest.mark.parametrize("form", FORMATS)
def test_force_deletes_no_device_and_no_link(
    log: Path, tmp_path: Path, form: str
) -> None:
    (tmp_path / "letter").write_text("somebody's")
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "link").symlink_to(tmp_path / "letter")
    for name in ("pipe", "link"):
        assert export(log, form, tmp_path / name, "--force") == 64
    assert names(tmp_path) == {"letter", "pipe", "link"}
    assert (tmp_path / "pipe").is_fifo()
    assert (tmp_path / "link").is_symlink()


@pytest.mark.parametrize("form", FOLDERS)
def test_an_empty_folder_is_a_place(log: Path, tmp_path: Path, form: str) -> None:
    to = tmp_path / "out"
    to.mkdir()
    assert export(log, form, to) == 0
    assert len(names(to)) == 16


def test_what_sqlite_left_beside_an_older_copy_goes_with_it(
    log: Path, tmp_path: Path
) -> None:
    to = tmp_path / "copy.db"
    (tmp_path / "copy.db-wal").write_bytes(b"of another file")
    assert export(log, "db", to) == 64
    assert export(log, "db", to, "--force") == 0
    assert names(tmp_path) == {"copy.db", "copy-2026.db"}
    assert verify(to).fault is None


@pytest.mark.parametrize(
    "name",
    [
        "cycles.db",
        "cycles.db-wal",
        "cycles.db-shm",
        "cycles.db.lock",
        "cycles-2026.db",
        "cycles-2026.db-wal",
        "cycles-2031.db",
        "cycles-undated-2.db",
        "cycles.db.damaged-20270102T030405Z",
    ],
)
def test_no_part_of_the_log_ever_gives_way(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    log = unpack(tmp_path)
    # Open, so that SQLite's own files are there as they are beside a daemon.
    with closing(sqlite3.connect(log)) as database:
        database.execute("SELECT count(*) FROM run").fetchone()
        before = digests(tmp_path)
        for form in FORMATS:
            assert export(log, form, tmp_path / name, "--force") == 64
            said = capsys.readouterr().err
            assert "of the log itself" in said or "for a part of it" in said
        assert digests(tmp_path) == before


@pytest.mark.parametrize("form", FORMATS)
def test_another_name_of_the_log_is_no_other_file(tmp_path: Path, form: str) -> None:
    for folder in ("kept", "here"):
        (tmp_path / folder).mkdir()
    log = unpack(tmp_path / "kept")
    (tmp_path / "here" / "soft").symlink_to(log)
    (tmp_path / "here" / "hard").hardlink_to(log)
    (tmp_path / "there").symlink_to(tmp_path / "kept")
    before = log.read_bytes()
    for to in ("here/soft", "here/hard", "there/cycles.db", "there/cycles.db-wal"):
        assert export(log, form, tmp_path / to, "--force") == 64
    assert log.read_bytes() == before


@pytest.mark.parametrize("form", FORMATS)
def test_the_log_of_another_daemon_does_not_give_way(
    log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], form: str
) -> None:
    to = tmp_path / "tower.db"
    asyncio.run(_lived(to))
    before = to.read_bytes()
    assert export(log, form, to, "--force") == 64
    assert to.read_bytes() == before
    assert "tower.db" in capsys.readouterr().err


async def _lived(path: Path) -> None:
    life = Life(path, a_clock())
    await life.start()
    await life.stop()


@pytest.mark.parametrize("form", FORMATS)
def test_beside_the_log_there_is_a_place(tmp_path: Path, form: str) -> None:
    log = unpack(tmp_path)
    assert export(log, form, tmp_path / "cycles-copy.db") == 0
    assert verify(log).fault is None


@pytest.mark.parametrize(("form", "to"), [("csv", "."), ("csv", "/"), ("jsonl", ".")])
def test_a_place_without_a_name(
    log: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    form: str,
    to: str,
) -> None:
    here = tmp_path / "here"
    here.mkdir()
    monkeypatch.chdir(here)
    done = export(log, form, Path(to))
    if (form, to) == ("csv", "."):
        assert done == 0
        assert "reading.csv" in names(here)
    else:
        assert done == 64
        assert names(here) == set()


# --- what the disk does ---------------------------------------------------------------


@pytest.mark.parametrize("form", FORMATS)
def test_a_folder_that_is_not_there(
    log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], form: str
) -> None:
    assert export(log, form, tmp_path / "attic" / "out") == 74
    said = capsys.readouterr().err
    assert f"there is no folder {tmp_path / 'attic'} for the export" in said
    assert "Make it first" in said


@pytest.mark.parametrize("form", FORMATS)
def test_a_folder_of_somebody_else(
    log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], form: str
) -> None:
    """Root may write anywhere, so the refusal is the system's in a stand-in's place."""
    refusal = PermissionError(errno.EACCES, os.strerror(errno.EACCES))
    with mock.patch.object(temporary, "mkdtemp", side_effect=refusal):
        assert export(log, form, tmp_path / "out") == 77
    assert f"Get the right to write in {tmp_path}" in capsys.readouterr().err
    assert names(tmp_path) == set()


@pytest.mark.parametrize("form", FORMATS)
def test_nothing_is_left_on_a_full_disk(
    log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], form: str
) -> None:
    with small_disk(tmp_path / "disk", size_kib=256) as disk, filled(disk):
        assert export(log, form, disk / "out") == 74
        assert names(disk) == {"ballast"}
    said = capsys.readouterr().err
    assert "nothing of it is left" in said
    assert len(said.splitlines()) == 1


@pytest.mark.parametrize("form", FORMATS)
def test_a_disk_that_fills_half_way_leaves_the_older_export(
    log: Path, tmp_path: Path, form: str
) -> None:
    with small_disk(tmp_path / "disk", size_kib=400) as disk:
        to = disk / "out"
        if form in FOLDERS:
            to.mkdir()
            to = to / "in"
            to.mkdir()
            (to / "run.csv" if form == "csv" else to / "run.parquet").write_bytes(
                b"old"
            )
        else:
            to.write_bytes(b"old")
        before = sorted(path.name for path in disk.rglob("*"))
        with filled(disk):
            ballast = disk / "ballast"
            os.truncate(ballast, ballast.stat().st_size - HALF_BYTES)
            assert export(log, form, to, "--force") == 74
        assert sorted(path.name for path in disk.rglob("*")) == before


def test_a_disk_that_fills_as_parquet_is_made(
    log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """There is room for the CSV files that it is made from, and no more."""
    assert export(log, "csv", tmp_path / "out") == 0
    room = sum(
        -(-path.stat().st_size // 4096) * 4096
        for path in (tmp_path / "out").glob("*.csv")
    )
    capsys.readouterr()
    with small_disk(tmp_path / "disk", size_kib=800) as disk:
        ballast = disk / "ballast"
        with filled(disk):
            os.truncate(ballast, ballast.stat().st_size - room)
            assert export(log, "parquet", disk / "out") == 74
            assert names(disk) == {"ballast"}
    said = capsys.readouterr().err
    assert "nothing of it is left" in said
    assert "run.parquet" in said  # it was DuckDB that found no room


@pytest.mark.parametrize("form", FORMATS)
def test_a_read_only_folder(
    log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], form: str
) -> None:
    with small_disk(tmp_path / "disk", size_kib=256) as disk, read_only(disk):
        assert export(log, form, disk / "out") == 74
        assert names(disk) == set()
    assert "read-only file system" in capsys.readouterr().err.lower()


@pytest.mark.parametrize("form", FORMATS)
def test_a_log_on_a_read_only_disk(tmp_path: Path, form: str) -> None:
    with small_disk(tmp_path / "disk", size_kib=800) as disk:
        log = unpack(disk)
        with read_only(disk):
            assert export(log, form, tmp_path / "out") == 0


@contextmanager
def interrupted_at(row: int) -> Iterator[None]:
    """Press Ctrl-C as this row is written."""
    real = lines.Source.rows

    def rows(self: Any, tally: Any, progress: Any = None) -> Iterator[Any]:
        for count, each in enumerate(real(self, tally, progress)):
            if count == row:
                signal.raise_signal(signal.SIGINT)
            yield each

    with mock.patch.object(lines.Source, "rows", rows):
        yield


@pytest.mark.parametrize("form", ["csv", "jsonl", "parquet"])
@pytest.mark.parametrize("row", [0, 200, 358])
def test_nothing_is_left_of_an_interrupted_export(
    log: Path, tmp_path: Path, form: str, row: int
) -> None:
    with interrupted_at(row):
        assert export(log, form, tmp_path / "out") == 130
    assert names(tmp_path) == set()


@pytest.mark.parametrize("form", FORMATS)
def test_progress_at_a_terminal_leaves_a_clean_line(
    log: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    form: str,
) -> None:
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    assert export(log, form, tmp_path / "out") == 0
    said = capsys.readouterr().err
    assert " of about " in said
    assert said.endswith("\r\x1b[K")
    with small_disk(tmp_path / "disk", size_kib=256) as disk, filled(disk):
        assert export(log, form, disk / "out") == 74
    assert "\r\x1b[Ktidegate: " in capsys.readouterr().err


@pytest.mark.parametrize("form", FORMATS)
def test_an_interruption_as_progress_is_told(
    log: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, form: str
) -> None:
    def interrupt(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    with mock.patch("tidegate.cli.log_export.shown", interrupt):
        assert export(log, form, tmp_path / "out") == 130
    assert names(tmp_path) == set()


@pytest.mark.parametrize("form", FORMATS)
def test_an_interruption_as_it_is_put_in_place(
    log: Path, tmp_path: Path, form: str
) -> None:
    """The older export is there, or the new one; never neither."""
    to = tmp_path / "out"
    assert export(log, form, to) == 0
    made = names(tmp_path)
    real, calls = Path.replace, []

    def replace(self: Path, to: Path) -> Path:
        calls.append(to)
        if len(calls) == 2:
            raise KeyboardInterrupt
        return real(self, to)

    with mock.patch.object(Path, "replace", replace):
        assert export(log, form, to, "--force") == 130
    assert len(calls) >= 2
    assert names(tmp_path) == made
    assert to.exists()


# --- what it needs --------------------------------------------------------------------


def test_parquet_without_duckdb_is_a_plain_sentence(
    log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with mock.patch.dict(sys.modules, {"duckdb": None}):
        assert export(log, "parquet", tmp_path / "out") == 69
    said = capsys.readouterr().err
    assert "pip install 'tidegate[report]'" in said
    assert names(tmp_path) == set()


def test_parquet_fetches_and_installs_nothing(log: Path, tmp_path: Path) -> None:
    """A home without anything in it is as empty afterwards."""
    home = tmp_path / "home"
    home.mkdir()
    command = [sys.executable, "-m", "tidegate", "log", "export", "--log", str(log)]
    subprocess.run(
        [*command, "--format", "parquet", "--to", str(tmp_path / "out")],
        check=True,
        env={**os.environ, "HOME": str(home)},
        capture_output=True,
    )
    assert names(home) == set()


@pytest.mark.parametrize(
    ("words", "what"),
    [
        (["--format", "csv", "--to", "-"], "--to - is for --format jsonl"),
        (["--format", "jsonl", "--to", "-", "--json"], "stand among the rows"),
        (["guide", "--format", "db", "--to", "x.db"], "a copy is of the whole log"),
        (["--format", "db", "--to", "x.db", "--since", "1d"], "of the whole log"),
        (["guise", "--format", "csv", "--to", "x"], "did you mean guide?"),
        (["--format", "csv", "--to", "x", "--since", "soon"], "'soon' is no time"),
        (
            ["--format", "csv", "--to", "x", "--since", "2027-01-02", "--until", "9d"],
            "does not come before",
        ),
        (["--format", "xls", "--to", "x"], "'xls'"),
        (["--format", "csv"], "--to"),
    ],
)
def test_usage(
    log: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    words: list[str],
    what: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(["log", "export", "--log", str(log), *words]) == 64
    assert what.lower() in capsys.readouterr().err.lower()
    assert names(tmp_path) == set()


def test_a_log_that_is_none(tmp_path: Path) -> None:
    assert export(tmp_path / "absent.db", "csv", tmp_path / "out") == 66
    (tmp_path / "text.db").write_text("no database at all, but long enough " * 40)
    assert export(tmp_path / "text.db", "csv", tmp_path / "out") == 65
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("form", FORMATS)
def test_a_log_without_a_row(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], form: str
) -> None:
    async def begun() -> None:
        await Writer.open(path, clock=a_clock(), threaded=False).close()

    path = tmp_path / "cycles.db"
    asyncio.run(begun())
    assert export(path, form, tmp_path / "out", "--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert found["head"] is None
    if form == "db":
        assert (found["ok"], found["rows"]) == (True, 0)
    else:
        assert set(found["rows"].values()) == {0}
        assert found["span"] == dict.fromkeys(("first_row", "last_row", "begin", "end"))
        assert export(path, form, tmp_path / "out", "--force") == 0
        assert "Wrote 0 rows" in capsys.readouterr().out


def test_of_one_station_and_one_day(
    log: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TZ", "UTC")
    to = tmp_path / "out.jsonl"
    day = ("--since", "2027-01-01", "--until", "2027-01-01")
    words = ["log", "export", "guide", "--log", str(log), "--format", "jsonl"]
    assert run([*words, "--to", str(to), *day]) == 0
    rows = [json.loads(line) for line in to.read_text("utf-8").splitlines()]
    assert rows
    lasts_s = [row.get("lasts_s", 0.0) for row in rows]
    ends = [
        datetime.fromisoformat(row["time"]) + timedelta(seconds=seconds)
        for row, seconds in zip(rows, lasts_s, strict=True)
    ]
    assert {end.date() for end in ends} == {date(2027, 1, 1)}
    schema = json.loads((tmp_path / "out.jsonl.schema.json").read_text("utf-8"))
    said = json.loads(schema["$comment"])
    assert said["station"] == "guide"
    assert said["since"] == "2027-01-01T00:00:00.000Z"
    assert said["until"] == "2027-01-02T00:00:00.000Z"


@pytest.mark.parametrize("clock_set_by_ms", [0, -7_200_000])
async def test_the_replay_gauge_plays_the_readings(
    tmp_path: Path, clock_set_by_ms: int
) -> None:
    """At the time of each row, what the log holds of it in whole numbers.

    Also where the wall clock was set back meanwhile: the boot clock goes on.
    """
    clock = a_clock()
    life = Life(tmp_path / "cycles.db", clock)
    await life.start()
    await life.live(3 * 60)
    clock.step_wall(clock_set_by_ms)
    await life.live(3 * 60)
    await life.stop()
    assert export(life.writer.path, "csv", tmp_path / "out") == 0
    with closing(sqlite3.connect(life.writer.path)) as database:
        rows = database.execute(
            "SELECT boot_ms, soc_hundredths_percent, voltage_mv, current_ma, "
            "temperature_mc, took_ms, external_power_code, battery_status_code "
            "FROM reading ORDER BY id"
        ).fetchall()
    assert len({soc for _, soc, *_ in rows}) > 8
    host = TestHost(now_ms=5_000)
    settings = ReplaySettings(path=tmp_path / "out" / "reading.csv")
    async with ReplayGauge(settings, host) as gauge:
        for boot_ms, *expected in rows:
            host.now_ms = 5_000 + boot_ms - rows[0][0]
            found = await gauge.read()
            assert found.soc_percent is not None
            assert [
                round(found.soc_percent * 100),
                *(
                    None if value is None else round(value * 1000)
                    for value in (
                        found.voltage_v,
                        found.current_a,
                        found.temperature_c,
                        found.took_s,
                    )
                ),
                ["yes", "no", "unknown"].index(found.external_power),
                ["charging", "discharging"].index(found.battery_status),
            ] == expected


def test_hostile_text_does_not_reach_the_terminal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = asyncio.run(hostile_log.write(tmp_path / "cycles.db"))
    assert export(log, "csv", tmp_path / "out\x1b[31m") == 0
    assert "\x1b" not in capsys.readouterr().err


def test_the_umask_says_who_may_read_it(log: Path, tmp_path: Path) -> None:
    before = os.umask(0o027)
    try:
        assert export(log, "csv", tmp_path / "folder") == 0
        assert export(log, "jsonl", tmp_path / "file") == 0
    finally:
        os.umask(before)
    assert (tmp_path / "folder").stat().st_mode & 0o777 == 0o750
    assert (tmp_path / "folder" / "run.csv").stat().st_mode & 0o777 == 0o640
    assert (tmp_path / "file").stat().st_mode & 0o777 == 0o640
