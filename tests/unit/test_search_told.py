"""What people are told of a search, letter by letter where that matters."""

from __future__ import annotations

import io
import json
from collections import Counter
from itertools import count

import pytest

from support.search.lanes import Lived
from support.search.plan import Incident, Outcome, Plan, Tally
from support.search.runner import Failing, Found, Goal
from support.search.shrink import Shrunk
from support.search.told import (
    Progress,
    document,
    progress,
    seconds_left,
    spell,
    summary,
)


class FakeTty(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


def plan(kind: str, seed: int) -> Plan:
    incidents = (
        Incident(number=1, at_s=1800, what="mains out", station="cellar", lasts_s=60),
        Incident(number=2, at_s=5400, what="crash"),
    )
    return Plan(kind=kind, seed=seed, hours=6.0, incidents=incidents, of=2)


def lived(kind: str, seed: int, *broken: str) -> Lived:
    tally = Tally(
        worlds=1,
        device_days=10,
        crashes=2,
        switchings=1500,
        incidents=Counter({"mains out": 3}),
        checks=Counter({1: 40, 7: 2}),
        rules=Counter(["below_floor", "start"]),
        faults=Counter([38]),
    )
    outcome = Outcome(
        plan=plan(kind, seed), tally=tally, broken=list(broken), last_events=["off"]
    )
    return Lived(outcome=outcome, cpu_s=3.0, took_s=4.0)


def found() -> Found:
    """Return a search of two kinds; one world of the core broke a promise."""
    goals = {"whole": Goal(worlds=4), "core": Goal(days=100)}
    made = Found(goals=goals, tallies={"whole": Tally(), "core": Tally()})
    made.add(lived("whole", 0))
    made.add(lived("core", 0))
    made.add(lived("core", 1, "90 s: cellar: off below the floor"))
    made.took_s = 75.0
    return made


def test_progress_says_what_is_done_of_what() -> None:
    assert progress(found()) == (
        "whole 1 of 4 worlds, core 20 of 100 device-days, 3 worlds in all, 1 broken, "
        "0.4 device-days/s, 22 s left"
    )


def test_time_left_goes_by_what_each_kind_took() -> None:
    # Three more whole worlds of 4 s, and 80 more days of 0.4 s, in two lanes.
    assert seconds_left(found()) == pytest.approx((3 * 4 + 80 * 0.4) / 2)
    unlived = Found(goals={"core": Goal(days=1)}, tallies={"core": Tally()})
    assert seconds_left(unlived) is None
    assert progress(unlived) == ("core 0 of 1 device-days, 0 worlds in all, 0 broken")


def test_progress_says_what_is_made_small() -> None:
    shrinking = found()
    shrinking.shrinking = "core seed 1 with 4 incidents"
    assert progress(shrinking) == (
        "making failing worlds small: core seed 1 with 4 incidents, 1 broken"
    )


def test_a_terminal_has_one_line_redrawn_and_left_empty(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("COLUMNS", "30")
    terminal, now_s = FakeTty(), [0.0]
    show = Progress(terminal, clock=lambda: now_s[0])
    for now_s[0] in (0.0, 0.1, 0.25):
        show(found())
    line = progress(found())[:29]
    assert terminal.getvalue() == f"\r\x1b[K{line}" * 2
    show.clear()
    assert terminal.getvalue().endswith("\r\x1b[K")


def test_elsewhere_there_is_a_whole_line_now_and_then() -> None:
    stream, seconds = io.StringIO(), count()
    show = Progress(stream, clock=lambda: float(next(seconds)))
    for _ in range(65):
        show(found())
    show.clear()
    assert stream.getvalue() == f"{progress(found())}\n" * 2


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(0.4, "0 s"), (59.6, "1 min 0 s"), (3599, "59 min 59 s"), (7290, "2 h 1 min")],
)
def test_a_duration_is_told_in_two_units(seconds: float, said: str) -> None:
    assert spell(seconds) == said


def figures(text: str, label: str) -> list[str]:
    [line] = [line for line in text.splitlines() if line.strip().startswith(label)]
    return line.removeprefix("  ").removeprefix(label).split()


def test_the_summary_has_each_figure_by_kind() -> None:
    text = summary(found(), None)
    assert text.splitlines()[0].split() == ["whole", "core"]
    assert figures(text, "worlds") == ["1", "2"]
    assert figures(text, "device-days") == ["10", "20"]
    assert figures(text, "crashes survived") == ["2", "4"]
    assert figures(text, "switchings") == ["1,500", "3,000"]
    assert figures(text, "CPU, s") == ["3", "6"]
    assert figures(text, "mains out") == ["3", "6"]
    assert figures(text, "1 on at the floor, and charge rises") == ["40", "80"]
    assert figures(text, "2 never off for long without a reading") == ["0", "0"]
    assert figures(text, "below_floor") == ["1", "2"]
    assert figures(text, "no_battery") == ["0", "0"]
    assert figures(text, "start") == ["1", "2"]
    assert figures(text, "38 a stop, a kill, a power cut") == ["1", "2"]
    assert (
        "\n"
        "Took 1 min 15 s, 9 s of CPU.\n"
        "The longest world took 4 s: whole seed 0.\n"
        "Worlds with a broken promise: 1\n"
    ) in text
    assert "emanded" not in text


def test_the_summary_says_what_was_demanded() -> None:
    assert "\nAll that is demanded was reached.\n" in summary(found(), [])
    text = summary(found(), ["rule never reached: only_source"])
    assert "\nDemanded and not reached: 1\n  rule never reached: only_source\n" in text


def test_the_summary_says_that_it_was_cut_short() -> None:
    cut = found()
    cut.cut_short = "interrupted"
    assert "\nCut short: interrupted. Took 1 min 15 s" in summary(cut, None)


def test_a_failing_world_is_told_with_the_line_that_reruns_it() -> None:
    made = found()
    for seed in (5, 8):
        made.add(lived("core", seed, "7 s: cellar: off below the floor"))
    [failing] = made.failing.values()
    whole = failing.first
    small = Outcome(
        plan=whole.plan.only({2}, hours=1.6),
        tally=Tally(),
        broken=["80 s: cellar: off below the floor"],
        last_events=["the supply is off", "the charge is 24 %"],
    )
    failing.shrunk = Shrunk(least=small, lives=12, repeats=True)
    assert summary(made, None).endswith(
        "Worlds with a broken promise: 3\n"
        "\n"
        "make search KIND=core SEED=1 HOURS=1.6 ONLY=2\n"
        "  broken: 80 s: cellar: off below the floor\n"
        "  incidents (1 of 2), 1.6 h:\n"
        "    #2 1.500 h: crash\n"
        "  last events:\n"
        "    the supply is off\n"
        "    the charge is 24 %\n"
        "  the same in seeds 5 8\n"
        "  made smaller in 12 lives: 2 incidents to 1, 6 h to 1.6 h\n"
    )


def test_a_world_that_broke_only_once_is_told_as_such() -> None:
    made = found()
    [failing] = made.failing.values()
    failing.shrunk = Shrunk(least=failing.first, lives=1, repeats=False)
    assert summary(made, None).endswith(
        "    #1 0.500 h cellar: mains out for 60 s\n"
        "    #2 1.500 h: crash\n"
        "  last events:\n"
        "    off\n"
        "  IT DID NOT BREAK AGAIN: this world is not its seed's alone\n"
    )


def test_many_failing_worlds_do_not_flood() -> None:
    made = found()
    for n in range(2, 40):
        made.add(lived("core", n, "7 s: cellar: off below the floor"))
    made.failing["core", "other"] = Failing(first=lived("core", 3, "x").outcome)
    text = summary(made, None)
    assert "  the same in seeds 2 3 4 5 6 7 8 9 10 11 and 28 more\n" in text
    assert text.endswith("  not made smaller\n")


def test_the_document_says_the_same() -> None:
    plain = json.loads(json.dumps(document(found(), ["rule never reached: override"])))
    assert list(plain["kinds"]) == ["whole", "core"]
    assert plain["kinds"]["core"] == {
        "worlds": 2,
        "device_days": 20,
        "crashes": 4,
        "switchings": 3000,
        "incidents": {"mains out": 6},
        "checks": {"1": 80, "7": 4},
        "rules": {"below_floor": 2, "start": 2},
        "faults": {"38": 2},
        "cpu_s": 6.0,
    }
    assert plain["not_reached"] == ["rule never reached: override"]
    assert plain["cut_short"] is None
    assert plain["broken_worlds"] == 1
    [broken] = plain["broken"]
    assert broken["rerun"] == "make search KIND=core SEED=1"
    assert broken["broken"] == ["90 s: cellar: off below the floor"]
    assert broken["incidents"][1] == "#2 1.500 h: crash"
    assert broken["seeds"] == [1]
    assert broken["breaks_again"] is None
