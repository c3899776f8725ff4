"""Neighbouring rows of the table, both of which apply: the upper one wins.

Codes are re-typed from the design's table. Nothing here asks the table for its own
order, so two rows that changed places are found by what a station would do.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from support.core_rig import OFF, ON, running
from tidegate.core import rules
from tidegate.core.effects import Reason
from tidegate.core.state import Override, State

Put = Callable[[State], State]


def _latched(**fields: object) -> Put:
    return lambda state: replace(state, latches=replace(state.latches, **fields))


def _undeclared(state: State) -> State:
    return replace(state, policy=replace(state.policy, fitted=False))


def _spent(state: State) -> State:
    spent = (state.quiet.lived_ms,) * state.policy.per_hour
    return replace(state, drive=replace(state.drive, spent_lived_ms=spent))


def _ordered_off(state: State) -> State:
    order = Override(supply=OFF, until_ms=2 * state.quiet.now_ms, because="", by="")
    return replace(state, override=order)


def _at(soc_percent: float, **marks: float) -> Put:
    def put(state: State) -> State:
        seen = replace(state.quiet.seen, soc_percent=soc_percent)
        return replace(state, quiet=replace(state.quiet, seen=seen), **marks)

    return put


_CRITICAL = _latched(critical=True)
_COAST_OVER = _latched(coast_over_until_ms=2**60)
_LOST = _latched(gauge=Reason.GAUGE_LOST)
_FLOOR = _latched(floor=True)
_LOCKED_OUT = _latched(lockout=Reason.ONLY_SOURCE)
_NO_EFFECT = _latched(relay=Reason.RELAY_NO_EFFECT)
_HOT = _latched(hot_since_ms=0)
_COLD = _latched(cold_since_ms=0)

# upper row, what makes it and the row under it apply, supply and code of the upper one
NEIGHBOURS = [
    (1, (_undeclared, _CRITICAL), ON, "no_battery"),
    (2, (_CRITICAL, _COAST_OVER), OFF, "battery_critical_heat"),
    (3, (_COAST_OVER, _LOST), ON, "coast_over"),
    (4, (_LOST, _FLOOR), ON, "gauge_lost"),
    (5, (_FLOOR, _LOCKED_OUT), ON, "below_floor"),
    (6, (_LOCKED_OUT, _NO_EFFECT), ON, "only_source"),
    (7, (_NO_EFFECT, _HOT), ON, "relay_no_effect"),
    (8, (_HOT, _COLD), OFF, "battery_hot"),
    (9, (_COLD, _spent, _ordered_off), OFF, "battery_cold"),
    (10, (_spent, _ordered_off), None, "relay_budget"),
    (11, (_ordered_off, _at(55.0)), OFF, "override"),
    (
        12,
        (_at(60.0, plan_low_percent=60.0, plan_high_percent=60.0),),
        ON,
        "at_low_mark",
    ),
    (13, (_at(65.0),), OFF, "at_high_mark"),
]


@pytest.mark.parametrize(
    ("puts", "supply", "code"),
    [pytest.param(*case, id=f"row_{row}") for row, *case in NEIGHBOURS],
)
def test_the_upper_of_two_neighbours_wins(puts, supply, code):
    state = running(60).state
    for put in puts:
        state = put(state)
    verdict = rules.first_match(state)
    assert (verdict.supply, verdict.reason.value) == (supply, code)
