"""The demo: its week shows what it should, and its figures agree with other sums.

Each figure is computed a second time from another source than the demo's own: the
rows of the log as SQLite has them, or the device's diary sampled on a fixed grid.
"""

import fcntl
import json
import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import pytest

from support.evidence import sound
from tidegate.cli import main
from tidegate.cli.exits import Code
from tidegate.demo import Demo, Outcome, clear
from tidegate.errors import Busy
from tidegate.host.locks import lock_target
from tidegate.twin.museum import STATION, Museum
from tidegate.twin.relay import TwinRelaySettings
from tidegate.twin.truth import Truth

HOUR_MS = 3_600_000
GRID_MS = 10_000
CAPACITY_MAH = 6_700  # of the museum's cell


@dataclass(frozen=True)
class Week:
    """A demo that was run, with all that it left behind."""

    outcome: Outcome
    records: list[Truth]
    progress: list[float]

    @property
    def document(self):
        return self.outcome.as_document(Path("museum.html"))

    def asked(self, question):
        with closing(sqlite3.connect(self.outcome.log)) as connection:
            return connection.execute(question).fetchall()


def live_through(folder, *, seed=1, days=7):
    progress = []
    demo = Demo(
        Museum(days=days, seed=seed), folder / "museum.db", progress=progress.append
    )
    return Week(demo.run(), demo.diary.records, progress)


@pytest.fixture(scope="module")
def week(tmp_path_factory):
    return live_through(tmp_path_factory.mktemp("week"))


@pytest.fixture(
    scope="module",
    params=[
        pytest.param((2, 7), marks=pytest.mark.slow, id="seed 2"),
        pytest.param((3, 7), marks=pytest.mark.slow, id="seed 3"),
    ],
)
def other(request, tmp_path_factory):
    seed, days = request.param
    return live_through(tmp_path_factory.mktemp("other"), seed=seed, days=days)


# --- what it must show ----------------------------------------------------------------


def shows_what_it_must(week):
    document = week.document
    assert document["in_window_percent"] >= 95
    assert document["excluded_hours"] <= 12
    assert document["lowest_soc_percent"] > 25  # never at the floor
    codes = [alarm["code"] for alarm in document["alarms"]]
    assert sorted(codes) == [
        "battery_hot",
        "overcharge_risk",
        "relay_no_effect",
        "supply_absent",
    ]
    ended = {each["code"]: each["until_wall_ms"] for each in document["alarms"]}
    assert None not in ended.values()
    words = {each["code"]: each["text"] for each in document["alarms"]}
    assert "the contact sticks" in words["relay_no_effect"]
    assert "the mains" in words["supply_absent"]


def test_the_week_shows_what_it_must(week):
    shows_what_it_must(week)


def test_other_weeks_do_too(other):
    shows_what_it_must(other)


def test_each_alarm_belongs_to_an_event_of_the_scenario(week):
    events = {each["what"]: each for each in Museum(seed=1).gauge()["events"]}
    begin = Museum(seed=1).start_wall_ms
    for code, what, late_h in (
        ("relay_no_effect", "relay_welded", 2.0),  # from the next off on
        ("supply_absent", "mains_out", 1.0),  # from the next on, or at once
        ("battery_hot", "hot", 2.0),  # once the sun has warmed it
    ):
        (alarm,) = [each for each in week.document["alarms"] if each["code"] == code]
        after_h = (alarm["from_wall_ms"] - begin) / HOUR_MS
        assert 0 <= after_h - events[what]["after_h"] <= late_h, code
        over_h = (alarm["until_wall_ms"] - begin) / HOUR_MS
        assert 0 <= over_h - events[what]["after_h"] <= late_h + 2.5, code


# --- the figures, computed again ------------------------------------------------------


def excused(week):
    """The spans of the rules that excuse, as their alarms in the log have them."""
    rows = week.asked("SELECT boot_ms, code, raised FROM alarm ORDER BY id")
    rows = [row for row in rows if row[1] == "battery_hot"]
    return [(a[0], b[0]) for a, b in pairwise(rows) if a[2] == 1 and b[2] == 0]


def on_a_grid(records):
    """Yield the charge and whether the mains were there, every ten seconds."""
    index = 0
    for now_ms in range(records[0].at_ms, records[-1].at_ms, GRID_MS):
        while records[index + 1].at_ms <= now_ms:
            index += 1
        before, after = records[index], records[index + 1]
        share = (now_ms - before.at_ms) / (after.at_ms - before.at_ms)
        rise = after.soc_percent - before.soc_percent
        yield now_ms, before.soc_percent + share * rise, before.mains


def time_in_window_agrees(week):
    spans = excused(week)
    counted = inside = left_out = 0
    has_entered = False
    for now_ms, soc, mains in on_a_grid(week.records):
        has_entered = has_entered or 54 <= soc <= 66
        if not has_entered:
            continue
        if not mains or any(begin <= now_ms < end for begin, end in spans):
            left_out += 1
            continue
        counted += 1
        inside += 54 <= soc <= 66
    document = week.document
    assert document["in_window_percent"] == pytest.approx(
        100 * inside / counted, abs=0.1
    )
    assert document["excluded_hours"] == pytest.approx(
        left_out * GRID_MS / HOUR_MS, abs=0.1
    )


def test_time_in_the_window_agrees_with_a_grid(week):
    time_in_window_agrees(week)


def test_time_in_the_window_agrees_for_other_weeks(other):
    time_in_window_agrees(other)


def test_full_cycles_agree_with_the_charge_counted_in_the_log(week):
    """By definition: half of the charge moved, over the capacity."""
    rows = week.asked(
        "SELECT charge_mah, last_charge_mah, soc_hundredths_percent FROM reading "
        "WHERE why_not IS NULL ORDER BY id"
    )
    entered = next(i for i, row in enumerate(rows) if row[2] <= 6_600)
    charges = [
        charge for row in rows[entered:] for charge in row[:2] if charge is not None
    ]
    moved = sum(abs(b - a) for a, b in pairwise(charges))
    assert week.document["efc"] == pytest.approx(moved / 2 / CAPACITY_MAH, rel=0.02)


def test_switchings_agree_with_the_log_and_with_the_contact(week):
    told = week.asked(
        "SELECT supply FROM intent JOIN outcome ON outcome.intent = intent.id "
        "WHERE outcome.succeeded ORDER BY intent.id"
    )
    supplies = ["on", *(supply for (supply,) in told)]
    changes = sum(1 for before, after in pairwise(supplies) if before != after)
    assert week.document["switchings"] == changes
    moves = sum(
        1 for before, after in pairwise(week.records) if before.closed != after.closed
    )
    # While it is welded the contact neither opens nor, being shut, closes.
    assert moves == changes - 2


def test_lowest_and_highest_agree_with_what_the_gauge_said(week):
    rows = week.asked("SELECT soc_hundredths_percent FROM reading ORDER BY id")
    socs = [soc / 100 for (soc,) in rows]
    entered = next(i for i, soc in enumerate(socs) if soc <= 66)
    # The gauge speaks in whole percent and is half a minute late.
    document = week.document
    assert document["lowest_soc_percent"] == pytest.approx(min(socs[entered:]), abs=1)
    assert document["highest_soc_percent"] == pytest.approx(max(socs[entered:]), abs=1)


def test_the_log_is_whole_and_every_decision_follows(week):
    entries = sound(week.outcome.log, STATION)
    assert entries


def test_the_same_seed_is_the_same_week(week, tmp_path):
    short = live_through(tmp_path, days=1)
    assert short.records[:1000] == week.records[:1000]


# --- as a command ---------------------------------------------------------------------

KEYS = {
    "days",
    "switchings",
    "in_window_percent",
    "excluded_hours",
    "lowest_soc_percent",
    "highest_soc_percent",
    "efc",
    "alarms",
    "log",
    "report",
}


def demo(*arguments):
    return main.run(["demo", *map(str, arguments)])


def test_json_is_one_document_and_talk_goes_elsewhere(tmp_path):
    folder = tmp_path / "new" / "folder"
    ended = subprocess.run(
        [
            *(sys.executable, "-m", "tidegate", "demo", "--json"),
            *("--days", "1", "--folder", str(folder)),
        ],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert (ended.returncode, ended.stdout[:1]) == (Code.DONE, "{"), ended.stderr
    document = json.loads(ended.stdout)
    assert set(document) >= KEYS
    assert document["days"] == 1
    assert Path(document["log"]) == folder / "museum.db"
    report = Path(document["report"]).read_text(encoding="utf-8")
    assert "made up" in report
    assert "made up" in ended.stderr
    assert "day 1 of 1" in ended.stderr
    assert "Traceback" not in ended.stderr


@pytest.mark.parametrize("seed", [-7, 2**70])
def test_any_seed_will_do(tmp_path, capsys, seed):
    assert demo("--days", 1, "--seed", seed, "--folder", tmp_path) == Code.DONE
    said = capsys.readouterr().out
    assert "Over one day the battery was in its window of 55 to 65 %" in said
    assert "All data are invented." in " ".join(said.split())


@pytest.mark.slow
def test_a_month_will_do(tmp_path, capsys):
    assert demo("--days", 30, "--folder", tmp_path, "--json") == Code.DONE
    document = json.loads(capsys.readouterr().out)
    assert document["days"] == 30
    assert document["in_window_percent"] >= 95


def test_the_summary_says_the_alarms_in_words(tmp_path, capsys, week, monkeypatch):
    monkeypatch.setattr("tidegate.demo.Demo.run", lambda _: week.outcome)
    monkeypatch.setattr("tidegate.report.write_report", lambda *_, **__: None)
    monkeypatch.setenv("COLUMNS", "72")
    assert demo("--folder", tmp_path) == Code.DONE
    said = capsys.readouterr().out
    flat = " ".join(said.split())
    assert said.splitlines()[0].startswith("Over 7 days the battery was in its window")
    assert "Switching off has no effect: the contact sticks" in flat
    assert "(relay_no_effect)" in flat
    assert "over after 1 h" in flat
    assert "On is commanded and no power comes: the mains" in flat
    paths = ("Cycle log:", "Report:")
    assert all(len(x) <= 72 for x in said.splitlines() if not x.startswith(paths))


def test_a_second_demo_takes_the_place_of_the_first_and_of_nothing_else(
    tmp_path, capsys
):
    for name in ("cycles.db", "cycles-2024.db", "museum.db.txt", "report.html"):
        (tmp_path / name).write_text("not ours")
    for _ in range(2):
        assert demo("--days", 1, "--folder", tmp_path, "--json") == Code.DONE
    texts = {
        each.name for each in tmp_path.iterdir() if each.read_bytes() == b"not ours"
    }
    assert texts == {"cycles.db", "cycles-2024.db", "museum.db.txt", "report.html"}
    documents = capsys.readouterr().out.split("}\n{")
    assert len(documents) == 2
    with closing(sqlite3.connect(tmp_path / "museum.db")) as connection:
        assert connection.execute("SELECT count(*) FROM run").fetchone() == (1,)


def test_two_demos_on_one_machine_do_not_meet(tmp_path, monkeypatch):
    """Another one holds a relay of the same name, as machine-wide locks see it."""
    monkeypatch.setenv("TIDEGATE_LOCKS", str(tmp_path / "locks"))
    table = Museum(days=1).station()["relay"]
    target = TwinRelaySettings.model_validate(table).target()
    with lock_target(target):
        short = live_through(tmp_path, days=1)
    assert short.document["alarms"] == []


def test_two_demos_in_one_folder_are_told_apart(tmp_path):
    path = tmp_path / "museum.db"
    with (tmp_path / "museum.db.lock").open("a") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        with pytest.raises(Busy, match="another demo"):
            clear(path)


# --- what is wrong --------------------------------------------------------------------


def plainly(capsys):
    """Return what was said on stderr: sentences, no traceback, nothing on stdout."""
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "Traceback" not in captured.err
    assert captured.err.startswith("tidegate: ")
    return captured.err


def test_a_folder_that_is_a_file(tmp_path, capsys):
    file = tmp_path / "a file"
    file.write_text("")
    assert demo("--folder", file) == Code.USAGE
    assert "is a file" in plainly(capsys)


def test_a_folder_inside_a_file(tmp_path, capsys):
    file = tmp_path / "a file"
    file.write_text("")
    assert demo("--folder", file / "demo") == Code.IO
    assert "not a directory" in plainly(capsys)


@pytest.mark.parametrize("name", [".", "new"])
def test_a_folder_that_may_not_be_written(tmp_path, capsys, name):
    # All modules first: without the rights of root they may not be readable.
    import tidegate.cli.demo
    import tidegate.demo
    import tidegate.report  # noqa: F401

    tmp_path.chmod(0o555)
    as_somebody = os.geteuid() == 0
    if as_somebody:
        os.seteuid(65534)
    try:
        code = demo("--folder", tmp_path / name)
    finally:
        if as_somebody:
            os.seteuid(0)
        tmp_path.chmod(0o755)
    assert code == Code.NOT_PERMITTED
    assert "permission denied" in plainly(capsys)


@pytest.mark.parametrize("days", ["0", "-1", "367", "one"])
def test_days_that_cannot_be(tmp_path, capsys, days):
    assert demo("--days", days, "--folder", tmp_path) == Code.USAGE
    assert "--days" in plainly(capsys)


def test_a_report_that_is_a_folder_is_known_before_the_week(tmp_path, capsys):
    (tmp_path / "museum.html").mkdir()
    assert demo("--folder", tmp_path) == Code.IO
    assert "museum.html: is a directory" in plainly(capsys)
    assert not (tmp_path / "museum.db").exists()
