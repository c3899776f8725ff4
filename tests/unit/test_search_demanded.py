"""What the standard search demands is complete, and each thing missing is named."""

from __future__ import annotations

from collections import Counter

from support.search.demanded import (
    DEMANDED_FAULTS,
    FAULTS,
    PROMISES,
    RULES,
    not_reached,
)
from support.search.plan import Tally
from tidegate.core.effects import Reason

TABLES = {"core": {"mains out", "crash"}, "whole": {"crash"}}


def all_reached() -> dict[str, Tally]:
    """Return worlds of which only those of the core reached what either may."""
    core = Tally(
        checks=Counter(range(1, 8)),
        rules=Counter(RULES),
        faults=Counter(DEMANDED_FAULTS),
        incidents=Counter(TABLES["core"]),
    )
    return {"core": core, "whole": Tally(incidents=Counter(TABLES["whole"]))}


def test_nothing_is_missing_where_all_was_reached() -> None:
    assert not_reached(all_reached(), TABLES) == []


def test_each_missing_thing_is_named_alone() -> None:
    core, whole = all_reached().values()
    del core.checks[3]
    del core.rules["relay_reversed"]
    core.faults[31] = 0
    del whole.incidents["crash"]
    assert not_reached({"core": core, "whole": whole}, TABLES) == [
        "promise 3 was never checked: dwell and budget are kept",
        "rule never reached: relay_reversed",
        "fault 31 never reached: a contact welded shut, or stuck open",
        "incident never happened in whole worlds: crash",
    ]


def test_what_one_kind_did_not_reach_the_other_may() -> None:
    core, whole = all_reached().values()
    core.rules, whole.rules = whole.rules, core.rules
    core.faults, whole.faults = whole.faults, core.faults
    assert not_reached({"core": core, "whole": whole}, TABLES) == []


def test_a_search_of_nothing_reached_nothing() -> None:
    nothing = {"core": Tally(), "whole": Tally()}
    assert len(not_reached(nothing, TABLES)) == 7 + 18 + len(DEMANDED_FAULTS) + 3


def test_the_rules_are_those_of_the_table_in_its_order() -> None:
    """The reasons after the last row of the table are commands that no row gives."""
    codes = [reason.value for reason in Reason]
    assert codes[: codes.index("start")] == list(RULES)


def test_promises_and_faults_are_numbered_without_a_gap() -> None:
    assert list(PROMISES) == list(range(1, 8))
    assert list(FAULTS) == list(range(1, 51))
    assert len(set(FAULTS.values())) == 50
    assert len(DEMANDED_FAULTS) == 30
