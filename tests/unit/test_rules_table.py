"""The table of rules against its text: codes, supply, dwell, order.

The expected columns are re-typed from the project's design, one line a row.
"""

from dataclasses import replace
from itertools import combinations

import pytest

from support.core_rig import DAY_S, HOUR_S, OFF, ON, POLICY, Rig, running
from tidegate.core import rules
from tidegate.core.effects import Reason
from tidegate.core.state import Override, State, fresh

NOW_MS = 1_000_000_000


def _latched(**fields):
    def put(state: State) -> State:
        return replace(state, latches=replace(state.latches, **fields))

    return put


def _soc(percent):
    def put(state: State) -> State:
        seen = replace(state.quiet.seen, soc_percent=percent)
        return replace(state, quiet=replace(state.quiet, seen=seen))

    return put


def _ordered(supply):
    def put(state: State) -> State:
        order = Override(supply=supply, until_ms=NOW_MS * 2, because="", by="")
        return replace(state, override=order)

    return put


def _spent_out(state: State) -> State:
    spent = (state.quiet.lived_ms,) * state.policy.per_hour
    return replace(state, drive=replace(state.drive, spent_lived_ms=spent))


def _undeclared(state: State) -> State:
    return replace(state, policy=replace(state.policy, fitted=False))


def _box_used_up(state: State) -> State:
    since_ms = state.quiet.now_ms - 100
    return _latched(coast_since_ms=since_ms, coast_box_ms=100)(state)


def _both(*puts):
    def put(state: State) -> State:
        for one in puts:
            state = one(state)
        return state

    return put


def _quiet_on() -> State:
    return running(60).state


# row, what makes it apply, supply, reason code, obeys dwell
TABLE = [
    (1, _undeclared, ON, "no_battery", False),
    (1, _latched(no_battery=True), ON, "no_battery", False),
    (2, _latched(critical=True), OFF, "battery_critical_heat", False),
    (3, _box_used_up, ON, "coast_over", False),
    (3, _latched(coast_over_until_ms=NOW_MS * 2), ON, "coast_over", False),
    (4, _latched(gauge=Reason.GAUGE_LOST), ON, "gauge_lost", False),
    (4, _latched(gauge=Reason.GAUGE_FROZEN), ON, "gauge_frozen", False),
    (4, _latched(gauge=Reason.GAUGE_IMPLAUSIBLE), ON, "gauge_implausible", False),
    (5, _latched(floor=True), ON, "below_floor", False),
    (6, _latched(lockout=Reason.ONLY_SOURCE), ON, "only_source", False),
    (6, _latched(lockout=Reason.RELAY_FED_BY_SUPPLY), ON, "relay_fed_by_supply", False),
    (7, _latched(relay=Reason.RELAY_NO_EFFECT), ON, "relay_no_effect", False),
    (7, _latched(relay=Reason.RELAY_REVERSED), ON, "relay_reversed", False),
    (8, _latched(hot_since_ms=0), OFF, "battery_hot", True),
    (9, _latched(cold_since_ms=0), OFF, "battery_cold", True),
    (10, _both(_spent_out, _ordered(OFF)), None, "relay_budget", False),
    (11, _ordered(ON), ON, "override", False),
    (11, _ordered(OFF), OFF, "override", False),
    (12, _soc(55), ON, "at_low_mark", True),
    (13, _soc(65), OFF, "at_high_mark", True),
    (14, _soc(60), None, "in_window", False),
]
NAMED = {row: apply for row, apply, *_ in TABLE}  # one way into each row


@pytest.mark.parametrize(("row", "apply", "supply", "code", "dwell"), TABLE)
def test_each_row_gives_its_supply_code_and_dwell(row, apply, supply, code, dwell):
    # The columns "supply", "reason code" and "obeys dwell" of the design's table.
    state = apply(_quiet_on())
    verdict = rules.TABLE[row - 1](state)
    assert (verdict.supply, verdict.reason.value, verdict.obeys_dwell) == (
        supply,
        code,
        dwell,
    )
    assert rules.first_match(state) == verdict


@pytest.mark.parametrize("row", range(1, 14))
def test_each_row_is_silent_while_nothing_is_the_matter(row):
    # A row that applies always would hide all rows under it.
    assert rules.TABLE[row - 1](_quiet_on()) is None


@pytest.mark.parametrize(("upper", "lower"), list(combinations(range(1, 14), 2)))
def test_the_upper_of_two_rows_that_both_apply_wins(upper, lower):
    # First match wins, for every pair of rows and so for every neighbouring pair.
    state = _both(NAMED[lower], NAMED[upper])(_quiet_on())
    if (upper, lower) == (12, 13):
        marks = {"plan_low_percent": 60.0, "plan_high_percent": 60.0}
        state = replace(_soc(60)(state), **marks)
    if lower == 10:
        state = _both(_spent_out, _ordered(OFF))(state)
    # By their names, for in the table they may have changed places.
    assert getattr(rules, f"row_{lower}")(state) is not None
    verdict = getattr(rules, f"row_{upper}")(state)
    assert verdict is not None
    assert rules.first_match(state) == verdict


def test_row_14_is_under_every_other_row():
    # The last row always applies, and any other row outranks it.
    for row in range(1, 14):
        state = NAMED[row](_quiet_on())
        assert rules.row_14(state) is not None
        assert rules.first_match(state).reason is not Reason.IN_WINDOW


def test_the_table_has_fourteen_rows_in_their_order():
    # The order of the functions is the order of the table.
    assert [row.__name__ for row in rules.TABLE] == [f"row_{n}" for n in range(1, 15)]


def test_a_table_without_its_last_row_is_no_table():
    # No verdict at all is a fault of the program, never "unchanged".
    with pytest.raises(AssertionError, match="always applies"):
        rules.first_match(_quiet_on(), rules.TABLE[:1])


# What makes an off of this rule due now, in a rig that has just been switched on.
OFFS_THAT_WAIT = [
    ({"temp": 45.0}, Reason.BATTERY_HOT, 60),
    ({"temp": 0.0}, Reason.BATTERY_COLD, 60),
    ({}, Reason.AT_HIGH_MARK, 65),
]


def _just_on(soc) -> Rig:
    return Rig().start().read(soc, after_s=1).done()


@pytest.mark.parametrize(("says", "reason", "soc"), OFFS_THAT_WAIT)
def test_an_off_waits_for_the_end_of_dwell_and_no_longer(says, reason, soc):
    # Rows 8, 9 and 13 obey dwell: 3 min to the millisecond.
    rig = _just_on(soc)
    rig.read(after_s=100, **says)
    rig.read(after_s=79.999, **says)
    assert rig.reason is reason
    assert rig.switched == ()
    rig.read(after_s=0.001, **says)
    assert rig.switched == ((OFF, reason),)


def test_an_on_of_the_marks_waits_for_dwell():
    # Row 12 obeys the dwell of off; a timer may end it, for it is an on.
    rig = running(62).override(OFF, for_s=DAY_S).read().done()
    assert rig.supply is OFF
    rig.read(55, after_s=121).release().wait(58.999)
    assert rig.reason is Reason.AT_LOW_MARK
    assert rig.switched == ()
    rig.wait(0.001)
    assert rig.switched == ((ON, Reason.AT_LOW_MARK),)


def test_an_operator_does_not_wait_for_dwell():
    # Row 11: off at the next trusted reading, on at once.
    rig = _just_on(60).override(OFF).read(after_s=1)
    assert rig.switched == ((OFF, Reason.OVERRIDE),)
    rig.done().override(ON, after_s=1)
    assert rig.switched == ((ON, Reason.OVERRIDE),)


def test_critical_heat_does_not_wait_for_dwell():
    # Row 2 switches off seconds after the on.
    rig = _just_on(60)
    rig.read(temp=60.0, after_s=1).read(temp=60.0, after_s=5)
    assert rig.switched == ((OFF, Reason.BATTERY_CRITICAL_HEAT),)


@pytest.mark.parametrize(
    "reason",
    [Reason.NO_BATTERY, Reason.GAUGE_IMPLAUSIBLE, Reason.BELOW_FLOOR],
)
def test_an_on_for_safety_does_not_wait_for_dwell(reason):
    # Rows 1, 4 and 5 switch on within the dwell of off.
    rig = running(60, dwell_off_ms=HOUR_S * 1_000).read(65, after_s=121).done()
    if reason is Reason.NO_BATTERY:
        rig.settings(fitted=False)
    elif reason is Reason.BELOW_FLOOR:
        rig.read(25, after_s=1)
    else:
        rig.reject(after_s=1).reject(after_s=1).reject(after_s=1)
    assert rig.switched == ((ON, reason),)


def test_the_lockout_and_a_relay_without_effect_do_not_wait_for_dwell():
    # Rows 6 and 7 switch on within the dwell of off.
    for latch in ({"lockout": Reason.ONLY_SOURCE}, {"relay": Reason.RELAY_NO_EFFECT}):
        rig = running(60).read(65, after_s=121).done()
        rig.state = _latched(**latch)(rig.state)
        rig.wait(1)
        assert rig.switched == ((ON, next(iter(latch.values()))),)


@pytest.mark.parametrize("rule", ["hot", "cold", "override", "high mark"])
def test_no_timer_ever_causes_an_off(rule):
    # An off of 8, 9, 11 or 13 needs a trusted reading taken after the last on.
    rig = _just_on(65)
    says = {"hot": {"temp": 50.0}, "cold": {"temp": -1.0}}.get(rule, {})
    soc = 65 if rule == "high mark" else 60
    rig.read(soc, after_s=60, **says).read(after_s=60, **says)
    if rule == "override":
        rig.override(OFF)
    rig.wait(100)
    assert rig.switched == ()
    rig.fail(after_s=1)
    assert rig.switched == ()
    rig.reject(after_s=1)
    assert rig.switched == ()
    rig.read(after_s=1, **says)
    assert [supply for supply, _ in rig.switched] == [OFF]


def test_a_reading_as_old_as_the_last_on_gives_no_off():
    # "Taken after the last on" is meant strictly.
    rig = running(64.0)
    rig.override(ON).read(65).release()
    state = replace(
        rig.state, drive=replace(rig.state.drive, on_at_ms=rig.now_ms + 1_000)
    )
    rig.state = state
    assert rig.read(after_s=1).switched == ()
    assert rig.read(after_s=1).switched == ((OFF, Reason.AT_HIGH_MARK),)


def test_a_station_never_seen_before_is_blank():
    # A fresh state holds nothing but the policy.
    assert fresh(POLICY) == State(policy=POLICY)
