"""Audits of logs that the daemon's own parts wrote; the batteries are synthetic.

What is told is held against what another part of the house says of the same log, and,
for the demo, against what its twin truly went through.
"""

from __future__ import annotations

import itertools

import pytest

from support import cyclelog_rows as make
from support.cyclelog_life import Life
from support.placed_rows import place
from tidegate.audit.auditor import audit, placed
from tidegate.cyclelog.reader import Reader
from tidegate.demo import Demo
from tidegate.report.finding import measured_in_window_percent, read_ms
from tidegate.report.story import story
from tidegate.twin.museum import STATION, Museum
from tidegate.virtual import run


@pytest.fixture(scope="module")
def life(tmp_path_factory):
    """A log with failed reads, a gap and a step of the wall clock in it."""
    path = tmp_path_factory.mktemp("log") / "cycles.db"
    clock = make.clock()
    run(lived(Life(path, clock)), clock=clock)
    return path


async def lived(life):
    await life.start()
    await life.live(600)
    await life.fail(30)
    life.clock.step_wall(45 * 60_000)
    await life.live(300)
    life.clock.advance(3 * 3_600_000)
    await life.live(300, soc_percent=58.0)
    await life.stop()


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    log = tmp_path_factory.mktemp("demo") / "museum.db"
    return Demo(Museum(days=2, seed=1), log, progress=lambda _: None).run()


def test_times_are_those_that_a_walk_over_the_rows_gives(life, demo):
    for path, station in ((life, "lobby"), (demo.log, STATION)):
        with Reader(path) as reader:
            assert placed(path, station) == place(reader.history(station))


def test_the_report_of_the_same_log_says_the_same(life, demo):
    for path, station in ((life, "lobby"), (demo.log, STATION)):
        told, made = story(path, station), audit(path, station)
        assert made.switchings.count == told.switchings > 5
        assert made.readings.count == told.readings
        assert made.readings.rejected == told.rejected
        assert made.readings.failed == told.failed
        assert made.readings.covered_s == pytest.approx(read_ms(told) / 1000)
        assert len(made.readings.gaps) == len(told.soc) - 1
        entered = audit(path, station, since_ms=entered_ms(told))
        assert entered.soc.in_window_percent == pytest.approx(
            measured_in_window_percent(told)
        )
        assert made.soc.window_s == pytest.approx(made.readings.covered_s)
        assert [(each.code, each.from_ms) for each in made.alarms] == [
            (each.label, each.from_ms) for each in told.alarms
        ]
        assert made.stepped_ms == told.stepped_ms


def entered_ms(told):
    """Return when the charge came into the window; the report counts from there."""
    high = told.policy.marks.high_percent + 1
    return next(at for line in told.soc for at, soc in line if soc <= high)


def test_charge_moves_as_the_report_draws_it(life):
    told = story(life, "lobby")
    levels = [soc for line in told.soc for _, soc in line]
    moved = sum(abs(after - before) for before, after in itertools.pairwise(levels))
    assert audit(life, "lobby").cycles.efc == pytest.approx(moved / 200)


def test_the_demo_is_told_as_it_truly_was_within_a_whole_percent(demo):
    # The truth counts from the first time in the window on.
    made = audit(demo.log, STATION, since_ms=entered_ms(demo.told))
    halves = 2 * sum(each.count for each in made.cycles.half_cycles)
    assert halves > 5
    # Each range between two whole percents is less than a point off.
    assert made.cycles.efc == pytest.approx(
        demo.kept.equivalent_full_cycles, abs=(halves + 1) / 200
    )
    assert made.soc.lowest_percent == pytest.approx(demo.kept.lowest_soc_percent, abs=1)
    assert made.temperature.sensor == "twin"
    assert made.wear is not None
    assert made.wear.of == 4
