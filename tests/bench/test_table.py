"""The table of the benches: what it says, and that a run of benches ends in it."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from table import (
    Figures,
    Part,
    Row,
    at_most,
    document,
    faster,
    lines,
    number,
    row_of,
    times,
)

HERE = Path(__file__).parent


def row(value, goal, *, beside=None, part=Part.MEMORY, **more):
    return Row(
        part=part,
        what="a daemon",
        value=value,
        unit="MB",
        beside="bare" if beside else "",
        beside_value=beside,
        goal=goal,
        **more,
    )


@pytest.mark.parametrize(
    ("value", "beside", "goal", "ratio", "met"),
    [
        (40.0, None, at_most(40), None, True),
        (40.1, None, at_most(40), None, False),
        (23.0, 20.0, times(1.15), 1.15, True),
        (24.0, 20.0, times(1.15), 1.2, False),
        (1.0, 20.0, faster(20), 20.0, True),
        (1.0, 19.0, faster(20), 19.0, False),
        (3.0, 2.0, None, 1.5, None),
    ],
)
def test_a_row_judges_itself(value, beside, goal, ratio, met):
    one = row(value, goal, beside=beside)

    assert one.ratio == pytest.approx(ratio)
    assert one.met is met


def test_a_goal_of_a_ratio_needs_a_reference():
    with pytest.raises(AssertionError, match="to what"):
        _ = row(1.0, times(2)).met


def test_parts_come_in_the_order_of_the_goals_and_reasons_at_the_end():
    table = lines(
        [
            row(1.0, faster(20), beside=14.5, part=Part.WEAR, best=15.0, why="A why"),
            row(44.0, at_most(40), why="Python is big"),
            row(45.0, at_most(40), why="Python is big"),
            row(1.0, at_most(2), why="never said"),
        ]
    )

    assert [line.split("  ")[0] for line in table[1:3]] == [Part.MEMORY.value, ""]
    assert table.index(Part.WEAR.value) == 5
    assert table[2].split() == [
        "a",
        "daemon",
        "44",
        "MB",
        "<=",
        "40",
        "MB",
        "no",
        "(1)",
    ]
    assert table[3].endswith("no (1)")
    assert table[6].endswith("14.5x faster  >= 20x faster  no (2)")
    assert table[7:] == ["(1) Python is big", "(2) best of this run 15x: A why"]


def test_a_small_ratio_is_a_part_of_one():
    (told,) = lines([row(1.0, None, beside=8.0)])[2:]

    assert told.endswith("1/8x")


def test_columns_are_aligned():
    table = lines([row(1.0, at_most(2)), row(123.4, at_most(2), beside=7.0)])

    assert len({line.index("<= 2 MB") for line in table[2:]}) == 1


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0, "0"),
        (0.01234, "0.0123"),
        (0.00001, "0.00001"),
        (1.0, "1"),
        (1.149, "1.15"),
        (-2.5, "-2.5"),
        (44.51, "44.5"),
        (999.6, "1000"),
        (12_345.6, "12346"),
    ],
)
def test_numbers_have_three_digits_that_count(value, text):
    assert number(value) == text


def test_a_row_comes_back_from_a_report():
    properties: list[tuple[str, object]] = []
    figures = Figures(properties)

    figures.row(Part.WEAR, "x", 2.0, "ms", beside=("y", 1.0), goal=faster(3), why="w")

    (told,) = document(_rows(properties))
    assert (told["ratio"], told["met"], told["why"]) == (0.5, False, "w")


def _rows(properties):
    return [row_of(text) for _, text in properties]


BENCHES = """
from table import Part, at_most

def test_that_passes(figures):
    figures.row(Part.AUDIT, "an audit", 2.0, "s", goal=at_most(3))

def test_that_fails(figures):
    figures.row(Part.MEMORY, "a daemon", 44.0, "MB", goal=at_most(40), why="It grew")
    assert False
"""


@pytest.mark.slow
@pytest.mark.parametrize("processes", ["0", "2"])
def test_a_run_ends_in_the_table(tmp_path, processes):
    for name in ("conftest.py", "table.py"):
        shutil.copy(HERE / name, tmp_path)
    (tmp_path / "test_two.py").write_text(BENCHES, encoding="utf-8")
    command = [sys.executable, "-m", "pytest", "-c", "/dev/null", "-n", processes]
    more = ["-p", "no:cacheprovider", "--figures-json", "figures.json", "."]

    ran = subprocess.run(
        [*command, *more], cwd=tmp_path, capture_output=True, text=True
    )

    assert "1 failed, 1 passed" in ran.stdout
    table = ran.stdout.partition(" figures ")[2]
    assert table.index("a daemon") < table.index("an audit") < table.index("It grew")
    told = json.loads((tmp_path / "figures.json").read_text(encoding="utf-8"))
    assert [each["met"] for each in told] == [False, True]
