"""Reversed wiring: both ways of finding it, what excuses an observation, what follows."""

from dataclasses import replace

import pytest

from support.core_rig import (
    CHARGING,
    DISCHARGING,
    HOLD,
    HOUR_S,
    NO,
    OFF,
    ON,
    REMOTE,
    UNKNOWN,
    YES,
    Rig,
    running,
    switched_off,
)
from tidegate.core.effects import Alarm, Kind, Reason
from tidegate.core.policy import Proof

DARK = {"power": NO, "status": DISCHARGING}
LIT = {"power": YES, "status": CHARGING}
PROBE = (OFF, Reason.SUPPLY_ABSENT)
HIGH = ((OFF, Reason.AT_HIGH_MARK),)


# --- two observations the wrong way round -------------------------------------------------


def _wrong_off(rig: Rig) -> Rig:
    """Dark while on; an ordered off brings the power."""
    rig.override(OFF, for_s=9 * HOUR_S)
    rig.read(after_s=200, **DARK)
    assert rig.last.supply is OFF
    assert rig.last.kind is not Kind.REPEAT
    rig.done()
    return rig


def _wrong_on(rig: Rig) -> Rig:
    """Lit while off; an ordered on takes the power away."""
    rig.read(after_s=200, **LIT)
    rig.override(ON, for_s=9 * HOUR_S)
    assert rig.last.supply is ON
    return rig.done()


def _once() -> Rig:
    rig = _wrong_off(running(60).read(**DARK)).read(after_s=60, **LIT)
    assert rig.state.drive.wrong_ways == 1
    return rig


def test_one_observation_the_wrong_way_round_is_not_enough():
    # Two of them set relay_reversed.
    rig = _once()
    assert rig.verdicts == (False,)
    assert rig.alarms == frozenset()


def test_an_off_that_brings_power_and_an_on_that_takes_it_are_two():
    # The second observation swaps the polarity and says on with it at once.
    rig = _wrong_on(_once())
    assert rig.read(after_s=59.999, **DARK).verdicts == ()
    rig.read(after_s=0.001, **DARK)
    assert rig.verdicts == (False,)
    assert rig.switched == ((ON, Reason.RELAY_REVERSED),)
    assert rig.last.swapped
    assert rig.last.kind is Kind.REPEAT
    assert rig.alarms == {Alarm.RELAY_REVERSED}


def test_two_offs_that_bring_power_are_two_as_well():
    # Found while off is commanded: the table orders on, with the new polarity.
    rig = _once()
    rig.override(ON).read(after_s=200, power=UNKNOWN).done().read(after_s=1, **DARK)
    rig.state = replace(rig.state, drive=replace(rig.state.drive, pending=None))
    _wrong_off(rig).read(after_s=60, **LIT)
    assert rig.switched == ((ON, Reason.RELAY_REVERSED),)
    assert rig.last.swapped
    assert rig.last.kind is Kind.CHANGE


@pytest.mark.parametrize("when_s", [-5, -1, 0, 30])
def test_a_call_of_a_neighbour_makes_an_observation_not_count(when_s):
    # No other call queued or under way from 5 s before the command to the verdict.
    rig = running(60).read(**DARK).override(OFF, for_s=9 * HOUR_S)
    rig.wait(190)
    if when_s < 0:
        rig.neighbour(after_s=10).read(after_s=-when_s, **DARK).done()
        rig.read(after_s=60, **LIT)
    else:
        rig.read(after_s=10, **DARK).done()
        rig.neighbour(after_s=when_s).read(after_s=60 - when_s, **LIT)
    assert rig.state.drive.wrong_ways == 0
    assert rig.verdicts == (None,)


def test_a_call_of_a_neighbour_longer_ago_does_not_matter():
    # From 5 s before: 5.001 s are long enough.
    rig = running(60).read(**DARK).override(OFF, for_s=9 * HOUR_S)
    rig.wait(190).neighbour(after_s=10).read(after_s=5.001, **DARK).done()
    assert rig.read(after_s=60, **LIT).state.drive.wrong_ways == 1


def test_a_neighbour_matters_only_to_what_is_under_way():
    # With nothing to be judged only its time is kept.
    before = running(60).state.drive
    assert before.pending is None
    rig = running(60).neighbour()
    assert rig.state.drive == replace(before, neighbour_at_ms=rig.now_ms)


def test_a_neighbour_excuses_the_wrong_on_too():
    # The on's effect was missing, but nothing is said of its polarity.
    rig = _wrong_on(_once()).neighbour(after_s=5).read(after_s=55, **DARK)
    assert rig.verdicts == (False,)
    assert rig.state.drive.wrong_ways == 1


@pytest.mark.parametrize("proof", ["off", "on"])
def test_a_switching_the_right_way_round_clears_the_suspicion(proof):
    # A proven off, or power that returns with an on, in between.
    rig = running(60)
    rig.state = replace(rig.state, drive=replace(rig.state.drive, wrong_ways=1))
    rig.override(OFF).read().done()
    if proof == "off":
        rig.read()
    else:
        rig.state = replace(rig.state, drive=replace(rig.state.drive, pending=None))
        rig.read(after_s=200).override(ON)
        rig.state = replace(rig.state, drive=replace(rig.state.drive, wrong_ways=1))
        rig.done().read()
    assert rig.verdicts == (True,)
    assert rig.state.drive.wrong_ways == 0


# --- never proven, and dark from the start ------------------------------------------------


def _dark_start(ons: int = 3, **fields) -> Rig:
    """On since the start and never any power; so many ons were sent again."""
    rig = Rig(obeys=True, **fields).start().read(60, after_s=1, **DARK)
    rig.read(after_s=1, **DARK).wait(60)
    for wait_s in (10, 20, 40)[: ons - 1]:
        rig.wait(wait_s)
    assert rig.state.drive.absent_ons == ons
    return rig


@pytest.mark.parametrize(("ons", "probes"), [(2, ()), (3, (PROBE,))])
def test_a_trial_off_after_the_third_on(ons, probes):
    # While supply_absent and never a proven effect: one trial off after the third on.
    rig = _dark_start(ons).read(after_s=1, **DARK)
    assert rig.switched == probes
    if probes:
        assert rig.last.kind is Kind.TRIAL
        assert rig.supply is ON


def test_power_during_the_trial_is_reversed_wiring():
    # One sight is enough here; the polarity is swapped and on said with it.
    rig = _dark_start().read(after_s=1, **DARK).read(after_s=30, **LIT)
    assert rig.verdicts == (False,)
    assert rig.switched == ((ON, Reason.RELAY_REVERSED),)
    assert rig.last.swapped
    assert rig.alarms == {Alarm.RELAY_REVERSED}


def test_the_trial_lasts_settle_and_on_follows_by_a_timer():
    # One trial off of settle; half way the core asks for a reading.
    rig = _dark_start().read(after_s=1, **DARK)
    assert rig.soon_in_s == 30
    rig.read(after_s=30, **DARK).wait(10)
    assert rig.wake_in_s == 20
    assert rig.wait(19.999).switched == ()
    assert rig.wait(0.001).switched == ((ON, Reason.SUPPLY_ABSENT),)
    assert rig.alarms == {Alarm.SUPPLY_ABSENT}
    assert not rig.last.swapped


def test_the_trials_come_again_after_half_an_hour_two_eight_and_daily():
    # Then after 30 min, 2 h, 8 h, 24 h, 24 h of time lived.
    rig = _dark_start().read(after_s=1, **DARK)
    for hours in (0.5, 2, 8, 24, 24):
        rig.wait(60)
        rig.read(after_s=hours * HOUR_S - 60.001, **DARK)
        assert PROBE not in rig.switched
        rig.read(after_s=0.001, **DARK)
        assert rig.switched == (PROBE,)


NO_TRIAL = [
    {"off_is_refused": True},
    {"proof": Proof.CHARGING},
    {"power": UNKNOWN},
    {"ever_proven": True},
    {"relay": Reason.RELAY_REVERSED},
]


@pytest.mark.parametrize("case", NO_TRIAL)
def test_when_no_trial_off_is_made(case):
    # A proven relay, a hold, a refused off, blind power, reversed already: no trial.
    rig = _dark_start()
    says = DARK
    if "off_is_refused" in case:
        rig.settings(fails_on=False)
    if "proof" in case:
        rig.settings(proof=Proof.CHARGING)
    if "ever_proven" in case:
        rig.state = replace(rig.state, drive=replace(rig.state.drive, ever_proven=True))
    if "relay" in case:
        latches = replace(rig.state.latches, relay=case["relay"])
        rig.state = replace(rig.state, latches=latches)
    if "power" in case:
        says = {"power": UNKNOWN, "status": DISCHARGING}
    rig.reads(40, every_s=60, **says)
    assert all(c.supply is ON for c in rig.commands)


@pytest.mark.parametrize("relay", [None, Reason.RELAY_NO_EFFECT])
def test_a_trial_off_after_a_sight_the_wrong_way_round(relay):
    # A relay that worked, or is under rule 7, gets one only with such a sight.
    rig = _dark_start()
    drive = replace(rig.state.drive, ever_proven=True, wrong_ways=1)
    latches = replace(rig.state.latches, relay=relay)
    rig.state = replace(rig.state, drive=drive, latches=latches)
    assert rig.read(after_s=1, **DARK).switched == (PROBE,)


def test_a_trial_that_fails_is_over():
    # The relay refused the off: on goes on being sent as before.
    rig = _dark_start()
    rig.obeys = False
    rig.read(after_s=1, **DARK).refuse()
    assert rig.state.drive.probe_until_ms is None
    assert rig.supply is ON
    assert rig.wait(40).switched == ((ON, Reason.SUPPLY_ABSENT),)


def test_during_the_trial_no_rule_may_switch_off():
    # The table's off waits for the end of the trial.
    rig = _dark_start().override(OFF, for_s=HOUR_S)
    rig.state = replace(rig.state, override=None)
    rig.read(after_s=1, **DARK)
    assert rig.state.drive.probe_until_ms is not None
    rig.override(OFF).read(after_s=30, **DARK)
    assert rig.switched == ()


def test_a_blind_gauge_proves_nothing_during_the_trial():
    # A gauge fed by the supply that goes away in a trial is no proof of an off.
    rig = _dark_start(policy=REMOTE).read(after_s=1, **DARK).fail(after_s=30)
    assert rig.verdicts == ()
    assert not rig.state.drive.ever_proven


def test_power_that_returns_by_itself_ends_the_row_of_trials():
    # The mains were out: the next absence starts with three ons again.
    rig = _dark_start().read(after_s=1, **DARK).wait(60).read(**LIT)
    assert rig.alarms == frozenset()
    assert rig.state.drive.absent_ons == 0
    assert rig.state.drive.absent_trials == 0
    assert rig.state.drive.absent_trial_at_lived_ms is None


# --- after it was found -------------------------------------------------------------------


def _reversed() -> Rig:
    return _dark_start().read(after_s=1, **DARK).read(after_s=30, **LIT).read(**LIT)


def test_only_ons_are_sent_and_they_are_swapped():
    # The polarity of every later command is swapped and only ons are sent.
    rig = _reversed().read(70, after_s=121, **LIT).steady(1_800, **LIT)
    assert rig.reason is Reason.RELAY_REVERSED
    assert rig.supply is ON
    assert rig.stop().last.swapped


def test_the_timer_of_a_swapped_on_is_refreshed():
    # What the relay takes for an off is the supply on; run out, it would be dark.
    rig = _reversed().read(70, after_s=121, **LIT)
    assert (rig.supply, rig.last.swapped, rig.refreshed) == (ON, True, True)
    assert not running().read(50).refreshed


def test_the_polarity_found_outlives_a_restart():
    # Stop and restore included, from the log.
    rig = _reversed().reboot(was_closed=False).read(60, after_s=1, **LIT)
    assert rig.last.swapped
    assert rig.read(**LIT).reason is Reason.RELAY_REVERSED


def test_if_power_stays_away_the_other_state_is_tried_in_turn():
    # External power no for settle: alternating every 5 min until power shows.
    rig = _reversed().read(**DARK).wait(60)
    sides = []
    for _ in range(4):
        assert rig.switched == ((ON, Reason.SUPPLY_ABSENT),)
        sides.append(rig.last.swapped)
        rig.wait(299.999)
        assert rig.switched == ()
        rig.wait(0.001)
    assert sides == [False, True, False, True]
    rig.read(**LIT)
    kept = rig.state.drive.swapped
    assert rig.wait(HOUR_S).switched == ()
    assert rig.state.drive.swapped is kept


def test_a_trial_off_after_an_hour_may_prove_the_new_polarity():
    # As DEVELOPERS.md reads it: rule 7's trial is allowed; its proof ends rule 7 and the
    # polarity stays swapped.
    rig = _reversed().read(65, after_s=121, **LIT)
    assert rig.read(after_s=HOUR_S, **LIT).switched == ((OFF, Reason.RELAY_REVERSED),)
    assert rig.last.kind is Kind.TRIAL
    assert rig.last.swapped
    rig.read(after_s=1, **DARK)
    assert rig.verdicts == (True,)
    assert rig.reason is Reason.AT_HIGH_MARK
    assert rig.alarms == frozenset()
    assert rig.read(55, after_s=200, **DARK).last.swapped


def test_two_more_wrong_sights_swap_back():
    # Trials that show the new polarity wrong turn it round again.
    rig = _reversed()
    rig.state = replace(rig.state, drive=replace(rig.state.drive, wrong_ways=1))
    rig.read(65, after_s=121, **DARK).wait(59)
    rig.read(after_s=HOUR_S, **DARK)
    drive = replace(rig.state.drive, trial_at_lived_ms=0, wrong_ways=1)
    rig.state = replace(rig.state, drive=drive)
    rig.read(after_s=1, **DARK)
    assert rig.last.kind is Kind.TRIAL
    before = rig.last.swapped
    rig.read(after_s=600, **LIT)
    assert rig.last.swapped is not before
    assert rig.reason is Reason.RELAY_REVERSED


# --- a stranger's hand --------------------------------------------------------------------


def test_a_relay_found_off_is_switched_on_again():
    # relay_external_change: on is re-asserted at once, and the alarm ends with power.
    rig = running(60).said("off")
    assert rig.switched == ((ON, Reason.RELAY_EXTERNAL_CHANGE),)
    assert rig.last.kind is Kind.REPEAT
    assert rig.alarms == {Alarm.RELAY_EXTERNAL_CHANGE}
    assert rig.done().read().alarms == frozenset()


def test_on_is_reasserted_with_back_off_and_no_limit():
    # As in supply_absent: 10 s doubling to 5 min, as often as it takes.
    rig = running(60, obeys=True)
    ons = 0
    for _ in range(400):
        rig.said("off", after_s=5)
        ons += bool(rig.switched)
    # 0, 10, 30, 70, 150, 310, 610, 910, 1210, 1510, 1810 s of 2000 s
    assert ons == 11


def test_each_opening_is_answered_at_once_when_power_was_seen_between():
    # Six times an hour: the wait starts anew once a reading showed that on held.
    rig = running(60, obeys=True)
    for _ in range(6):
        assert rig.said("off").switched == ((ON, Reason.RELAY_EXTERNAL_CHANGE),)
        rig.steady(600)
    assert rig.alarms == frozenset()
    assert rig.state.drive.spent_lived_ms == ()


def test_a_relay_that_says_what_was_commanded_is_no_news():
    # Agreement is no fault, before any command and during one neither.
    rig = Rig().start().said("off")
    assert rig.commands == []
    rig.read(60, after_s=1).said("off")
    assert len(rig.commands) == 1
    rig.done().read().said("on")
    assert rig.alarms == frozenset()


def test_a_relay_that_closes_again_by_itself_ends_it():
    # It says off, then on before anything was due again.
    rig = running(60, obeys=True).said("off").said("off", after_s=1).said("on")
    assert rig.wait(HOUR_S).switched == ()
    assert rig.read().alarms == frozenset()


def test_a_relay_found_on_is_switched_off_again_twice_an_hour():
    # Off at most 2 an hour, each decided at a trusted reading.
    rig = switched_off(65, obeys=True)
    offs = []
    for minute in range(0, 120, 2):
        rig.said("on", after_s=30)
        assert rig.switched == ()
        rig.contact = ON
        if rig.read(after_s=30).switched:
            assert rig.switched == ((OFF, Reason.RELAY_EXTERNAL_CHANGE),)
            offs.append(minute)
        rig.read().read()
    assert offs == [0, 2, 60, 62]
    assert rig.alarms >= {Alarm.RELAY_EXTERNAL_CHANGE}


def test_the_limit_of_two_an_hour_outlives_a_restart():
    # It counts time lived.
    rig = switched_off(65, obeys=True)
    for _ in range(2):
        rig.said("on").read()
    told = rig.state.drive.outside_offs_lived_ms
    assert len(told) == 2
    assert rig.start(same_boot=True).state.drive.outside_offs_lived_ms == told


def test_power_that_comes_though_off_was_proven_is_a_stranger_too():
    # Seen by the gauge alone, where the relay cannot read back.
    rig = switched_off(65).read(**LIT)
    assert rig.switched == ((OFF, Reason.RELAY_EXTERNAL_CHANGE),)
    assert rig.alarms == {Alarm.RELAY_EXTERNAL_CHANGE}
    operations = rig.state.drive.operations
    assert rig.done().read().alarms == frozenset()
    assert rig.verdicts == (True,)
    assert rig.state.drive.operations == operations


def test_power_that_comes_after_an_unconfirmed_off_is_cut_again():
    # The mains were out when off was said; they come back and the contact is closed.
    rig = running(60).read(65, after_s=121, **DARK).done().read(after_s=60, **DARK)
    assert rig.verdicts == (None,)
    rig.read(**LIT)
    assert rig.switched == ((OFF, Reason.RELAY_EXTERNAL_CHANGE),)
    assert rig.alarms == {Alarm.RELAY_EXTERNAL_CHANGE}


def test_power_that_goes_again_by_itself_ends_it_too():
    # The limit is used up; the hand opens the contact again.
    rig = switched_off(65, obeys=True)
    for _ in range(3):
        rig.read(**LIT).read()
    rig.read(**LIT)
    assert rig.switched == ()
    assert rig.alarms == {Alarm.RELAY_EXTERNAL_CHANGE}
    assert rig.read(**DARK).alarms == frozenset()


def test_a_kernel_off_is_reasserted_at_every_reading():
    # Writing a file wears nothing: no limit under a hold.
    rig = running(59, HOLD, obeys=True).read(60).read()
    for _ in range(10):
        rig.said("on")
        rig.contact = ON
        assert rig.read().switched == ((OFF, Reason.RELAY_EXTERNAL_CHANGE),)


def test_a_kernel_off_is_not_reasserted_sooner_than_with_the_next_poll():
    # The reading that follows a switching would else bring the next one at once.
    rig = running(59, HOLD, obeys=True).read(60).read()
    for _ in range(10):
        rig.said("on")
        rig.contact = ON
        assert rig.read(after_s=30).switched == ((OFF, Reason.RELAY_EXTERNAL_CHANGE),)
        rig.said("on")
        rig.contact = ON
        assert rig.read(after_s=2).switched == ()
        assert rig.read(after_s=27.999).switched == ()
        assert rig.read(after_s=0.001).switched == (
            (OFF, Reason.RELAY_EXTERNAL_CHANGE),
        )
    # What it remembers of that does not grow.
    assert len(rig.state.drive.outside_offs_lived_ms) == 1


def test_operations_are_counted_whoever_caused_them():
    # Commands carried out, and what a stranger did.
    rig = switched_off(65)
    assert rig.state.drive.operations == 2
    rig.said("on").said("on")
    assert rig.state.drive.operations == 3
    rig.read(55, after_s=121).done()
    assert rig.state.drive.operations == 4
    rig.said("off")
    assert rig.state.drive.operations == 5
    assert rig.reboot().state.drive.operations == 5


def test_an_answered_off_is_not_repeated_before_its_answer():
    # The relay speaks while an off is under way: nothing is sent on top.
    rig = switched_off(65).said("on").read()
    assert len(rig.switched) == 1
    rig.state = replace(rig.state, drive=replace(rig.state.drive, outside_said=ON))
    assert rig.read().switched == ()
