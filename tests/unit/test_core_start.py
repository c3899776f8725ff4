"""Start and stop: the first command, what outlives a run, lockouts, dead-lock."""

from dataclasses import replace

import pytest

from support.core_rig import (
    CHARGING,
    DAY_S,
    DISCHARGING,
    HOLD,
    HOUR_S,
    NO,
    NOT_CHARGING,
    OFF,
    ON,
    POLICY,
    REMOTE,
    STATUS_UNKNOWN,
    UNKNOWN,
    YES,
    Rig,
    running,
    switched_off,
)
from tidegate.core.effects import Alarm, Kind, Reason
from tidegate.core.events import (
    Proved,
    RelayReported,
    RelaySaid,
    SwitchingSucceeded,
)
from tidegate.core.state import Watch, evidence

START = ((ON, Reason.START),)
SEPARATE = replace(POLICY, host_is_device=False)


# --- the first command ----------------------------------------------------------------


def test_nothing_is_commanded_before_the_first_reading():
    # One reading before the first command; the core asks to be woken after 5 s.
    rig = Rig().start()
    assert rig.switched == ()
    assert rig.wake_in_s == 5
    assert rig.read(70, after_s=4.9).switched == START
    assert rig.last.kind is Kind.CHANGE
    assert rig.last.urgent


@pytest.mark.parametrize(("after_s", "switched"), [(4.999, ()), (5, START)])
def test_the_first_command_waits_at_most_five_seconds(after_s, switched):
    # At most 5 s, to the millisecond.
    assert Rig().start().wait(after_s).switched == switched


def test_a_failed_or_rejected_first_read_gives_the_on_at_once():
    # As DEVELOPERS.md reads it: there is nothing more to wait for.
    assert Rig().start().fail(after_s=1).switched == START
    assert Rig().start().reject(after_s=1).switched == START


@pytest.mark.parametrize("soc", [10, 60, 100])
def test_the_start_is_on_at_every_level(soc):
    # Supply on; an off needs dwell and a reading of its own.
    assert Rig().start().read(soc, after_s=1).switched == START


def test_dwell_starts_afresh():
    # Full at the start: off not before the dwell of on is over.
    rig = Rig().start().read(70, after_s=1).done()
    assert rig.read(after_s=179.999).switched == ()
    assert rig.read(after_s=0.001).switched == ((OFF, Reason.AT_HIGH_MARK),)


def _again(*, age_s=179.0, relay=OFF, same_boot=True, first="read", **fields) -> Rig:
    """A second run, so long after the last trusted reading of the first."""
    rig = (
        switched_off(65, **fields)
        .taught()
        .start(same_boot=same_boot, relay=relay, after_s=age_s)
    )
    return rig.read(60, after_s=1) if first == "read" else rig.fail(after_s=1)


@pytest.mark.parametrize(
    ("says", "kept"),
    [
        ({}, True),
        ({"age_s": 179.999}, True),
        ({"age_s": 180}, False),
        ({"relay": ON}, False),
        ({"relay": None}, False),
        ({"same_boot": False}, False),
        ({"first": "fail"}, False),
        ({"fails_on": False}, False),
    ],
)
def test_when_an_off_is_kept_over_a_restart(says, kept):
    # This boot's log holds a trusted reading younger than stale_after, and the relay
    # reports off with readback; never where an off is refused.
    fails_on = says.pop("fails_on", True)
    rig = _again(**says) if fails_on else _again_refused()
    assert rig.switched == (() if kept else START)
    assert rig.supply is (OFF if kept else ON)


def _again_refused() -> Rig:
    rig = switched_off(65).settings(fails_on=False)
    return rig.start(same_boot=True, relay=OFF).read(60, after_s=1)


def test_a_kept_off_has_its_dwell_afresh():
    # Dwell starts afresh with the kept state too.
    rig = _again().read(55, after_s=179.999)
    assert rig.switched == ()
    assert rig.wait(0.001).switched == ((ON, Reason.AT_LOW_MARK),)


def test_a_kept_off_still_coasts_by_its_own_rule():
    # The box for rule 13 counts down to the low mark after a restart as well.
    rig = _again(policy=REMOTE).fail()
    # (60 - 55) / 5 %/h = 1 h
    assert rig.state.latches.coast_box_ms == HOUR_S * 1_000


KEPT = [
    # what the first reading says, under a contact or a hold; whether the off holds
    (POLICY, {"power": NO, "status": DISCHARGING}, True),
    (POLICY, {"power": YES, "status": CHARGING}, False),
    (POLICY, {"power": UNKNOWN, "status": DISCHARGING}, True),
    (POLICY, {"power": UNKNOWN, "status": CHARGING}, False),
    (HOLD, {"power": YES, "status": NOT_CHARGING}, True),
    (HOLD, {"power": YES, "status": CHARGING}, False),
]


@pytest.mark.parametrize(("policy", "says", "holds"), KEPT)
def test_a_kept_off_is_judged_all_the_same(policy, says, holds):
    # Where the first reading shows that it holds, it is proven; else after settle.
    rig = running(59, policy).override(OFF, for_s=9 * HOUR_S).read().done().read()
    rig.start(same_boot=True, relay=OFF, after_s=1).read(59, after_s=1, **says)
    assert rig.supply is OFF
    assert rig.state.drive.off_proven is holds
    rig.read(after_s=59.999, **says)
    assert rig.verdicts == ()
    rig.read(after_s=0.001, **says)
    assert rig.verdicts == (() if holds else (False,))
    assert rig.switched == (() if holds else ((OFF, Reason.OVERRIDE),))


# --- what outlives a run, what does not ---------------------------------------------------


def test_timers_and_latches_of_heat_and_gauge_start_fresh():
    # Boot-clock times never cross a reboot; a latch comes again by its evidence.
    rig = running(60).reads(2, temp=61).done().fails(6).reboot()
    assert rig.alarms == frozenset()
    assert rig.state.watch == Watch(
        stale_from_ms=rig.now_ms, no_jump_before_ms=rig.now_ms
    )
    assert rig.state.latches.gauge is None
    assert rig.state.quiet.seen is None


def test_a_leap_over_a_restart_is_no_jump():
    # The level of before the run is no reference.
    rig = running(60).start(same_boot=True, after_s=1).read(90, after_s=1)
    assert rig.state.soc_percent == 90


def test_in_the_same_boot_the_last_level_is_known():
    # Rebuilt from the log of this boot.
    assert running(60).start(same_boot=True).state.soc_percent == 60
    assert running(60).reboot().state.soc_percent is None


# --- stop -------------------------------------------------------------------------------


def test_stop_says_on_even_if_it_was_on():
    # Supply on; said again where it was on, so that the contact is sure.
    rig = running(60).stop()
    assert rig.switched == ((ON, Reason.STOP),)
    assert rig.last.kind is Kind.REPEAT
    rig = switched_off(65).stop()
    assert rig.last.kind is Kind.CHANGE
    assert rig.last.urgent


@pytest.mark.parametrize("temp", [46.0, 61.0])
def test_stop_says_on_in_heat_too(temp):
    # No one would be there to end the off.
    rig = running(60).reads(2, temp=temp).done()
    assert rig.supply is OFF
    assert rig.stop().switched == ((ON, Reason.STOP),)


def test_after_the_stop_nothing_is_commanded():
    # The run is over, whatever still comes in.
    rig = running(60).stop().done()
    rig.read(70, after_s=300).read(power=NO).wait(600).reads(2, temp=61)
    assert rig.last.reason is Reason.STOP
    assert Alarm.SUPPLY_ABSENT not in rig.alarms


def test_a_stop_before_the_first_command_says_on():
    # Also a run of two seconds leaves the supply on.
    assert Rig().start().stop().switched == ((ON, Reason.STOP),)


# --- only source, seen by the device itself -------------------------------------------------


def _died(rig: Rig) -> Rig:
    """The device lost its power with off commanded, and boots again."""
    assert rig.supply is OFF
    rig.reboot(was_closed=False)
    return rig.read(50, after_s=1, power=YES).done()


def _off_again(rig: Rig) -> Rig:
    rig.steady(210).read(65, after_s=121).done()
    assert rig.supply is OFF
    return rig


def test_twice_dead_while_off_locks_out():
    # Rule 6: boot id changed, run not closed, off commanded; twice in a row.
    rig = _died(switched_off(65))
    assert rig.alarms == frozenset()
    _died(_off_again(rig))
    assert rig.alarms == {Alarm.ONLY_SOURCE}
    assert rig.read(70, after_s=300).reason is Reason.ONLY_SOURCE
    assert rig.supply is ON


@pytest.mark.parametrize(
    "excuse", ["closed", "same boot", "on commanded", "separate host"]
)
def test_what_is_no_evidence_of_an_only_source(excuse):
    # A crash of the daemon alone, a run that was closed, a supply that was on.
    rig = switched_off(65, SEPARATE if excuse == "separate host" else POLICY)
    if excuse == "on commanded":
        rig.read(55, after_s=121)
    if excuse == "same boot":
        rig.start(same_boot=True, was_closed=False)
    else:
        rig.reboot(was_closed=excuse == "closed")
    assert rig.state.drive.only_source_losses == 0


def test_a_completed_off_between_forgives():
    # Effect seen, and the next on ordered in the same run by a rule other than 4.
    rig = _off_again(_died(switched_off(65))).read()
    assert rig.state.drive.off_proven
    rig.read(55, after_s=181).done()
    assert rig.state.drive.only_source_losses == 0


@pytest.mark.parametrize("how", ["not proven", "by rule 4"])
def test_what_does_not_complete_an_off(how):
    # No effect seen, or the gauge was lost and rule 4 gave the on.
    rig = _off_again(_died(switched_off(65)))
    if how == "by rule 4":
        rig.read().fails(6)
        assert rig.last.reason is Reason.GAUGE_LOST
    else:
        rig.read(25, after_s=1, power=YES, status=CHARGING)
        assert rig.last.reason is Reason.BELOW_FLOOR
    assert rig.state.drive.only_source_losses == 1


def _locked() -> Rig:
    return _died(_off_again(_died(switched_off(65)))).read()


@pytest.mark.parametrize(("days", "leaves"), [(30, True), (29.9999, False)])
def test_a_lockout_leaves_after_lockout_for(days, leaves):
    # 30 days of time lived by the daemon.
    rig = _locked()
    lived_s = (rig.state.quiet.lived_ms - rig.state.latches.lockout_lived_ms) / 1_000
    rig.wait(days * DAY_S - lived_s)
    assert (rig.state.latches.lockout is None) is leaves


def test_a_lockout_counts_time_lived_only():
    # A year on the shelf is not time lived; restarts keep the lockout.
    rig = _locked().wait(29 * DAY_S).reboot(was_closed=True)
    assert rig.state.latches.lockout is Reason.ONLY_SOURCE
    rig.read(60, after_s=1).done()
    assert rig.read(60, after_s=300).reason is Reason.ONLY_SOURCE
    assert rig.wait(DAY_S).state.latches.lockout is None


def test_a_proof_run_ends_lockouts_and_relay_faults():
    # `prove` passed.
    rig = _locked()
    rig.state = replace(
        rig.state, latches=replace(rig.state.latches, relay=Reason.RELAY_NO_EFFECT)
    )
    rig.send(Proved())
    assert rig.state.latches.lockout is None
    assert rig.state.latches.relay is None
    assert rig.state.drive.ever_proven
    assert rig.alarms == frozenset()


def test_a_proof_run_ends_the_alarm_that_no_proof_is_possible():
    # `prove` saw the effect of an off.
    blind = {"power": UNKNOWN, "status": STATUS_UNKNOWN}
    rig = Rig(obeys=True).start().read(60, after_s=1, **blind).steady(180, **blind)
    rig.read(65, after_s=121, **blind).reads(2, **blind)
    assert rig.alarms == {Alarm.EFFECT_UNPROVABLE}
    assert rig.send(Proved()).alarms == frozenset()


def test_a_new_pack_ends_the_lockout():
    # Rule 6 leaves with a new pack: old losses were about the old one.
    rig = _locked().read(pack="A-1")
    assert rig.state.latches.lockout is Reason.ONLY_SOURCE
    assert rig.read(pack="A-1").state.latches.lockout is Reason.ONLY_SOURCE
    assert rig.read(pack=None).state.latches.lockout is Reason.ONLY_SOURCE
    assert rig.read(pack="A-2").state.latches.lockout is None


def test_a_new_lockout_needs_two_new_losses():
    # The count starts anew once it has locked out.
    assert _locked().state.drive.only_source_losses == 0


# --- only source, seen from a separate host -----------------------------------------------


def _remote_died(rig: Rig, *, by="boot") -> Rig:
    """A remote gauge is lost while off; it comes back with this uptime."""
    rig.fails(6)
    assert rig.last.reason is Reason.GAUGE_LOST
    rig.done()
    age_s = {"boot": 60, "alive": 9 * DAY_S, "silent": None}[by]
    rig.read(50, after_s=121, uptime_s=age_s).reads(4)
    return rig


def test_a_remote_device_that_boots_after_its_loss_counts():
    # Lost while off, and the first reading afterwards carries a younger uptime.
    rig = _remote_died(switched_off(65, SEPARATE))
    assert rig.state.drive.only_source_losses == 1
    _remote_died(_off_again(rig))
    assert rig.alarms == {Alarm.ONLY_SOURCE}


@pytest.mark.parametrize("by", ["alive", "silent"])
def test_a_remote_device_that_did_not_boot_does_not_count(by):
    # Only a lost line, or no uptime to tell by.
    rig = _remote_died(switched_off(65, SEPARATE), by=by)
    assert rig.state.drive.only_source_losses == 0


@pytest.mark.parametrize(("uptime_s", "losses"), [(100, 1), (101, 0)])
def test_the_boot_must_have_begun_after_the_loss(uptime_s, losses):
    # An uptime as old as the loss is no boot after it: strictly younger.
    rig = switched_off(65, SEPARATE).fail().read(after_s=101, uptime_s=uptime_s)
    assert rig.state.drive.only_source_losses == losses


def test_one_return_counts_once():
    # Its first reading is set aside as a jump, the second confirms it: one loss.
    rig = switched_off(65, SEPARATE).fail(after_s=1)
    rig.read(58, after_s=60, uptime_s=10).read(58, after_s=10, uptime_s=20)
    assert rig.state.soc_percent == 58
    assert rig.state.drive.only_source_losses == 1


def test_a_gauge_on_the_device_itself_does_not_count_uptimes():
    # There the boot id tells.
    rig = switched_off(65).fail().read(uptime_s=1)
    assert rig.state.drive.only_source_losses == 0


def _coasted(rig: Rig, *, uptime_s: int | None) -> Rig:
    """Off, blind at once, on by the box of the coast, and back with this uptime."""
    rig.fail().wait(2 * HOUR_S).done()
    assert rig.last.reason is Reason.COAST_OVER
    return rig.read(50, after_s=50, uptime_s=uptime_s)


def test_a_device_that_dies_in_every_coast_is_locked_out():
    # The lost gauge proves the off, yet only the uptime tells whether it lived.
    rig = _coasted(running(60, REMOTE).read(65, after_s=121).done(), uptime_s=30)
    assert rig.state.drive.only_source_losses == 1
    _coasted(_off_again(rig), uptime_s=30)
    assert rig.alarms == {Alarm.ONLY_SOURCE}


def test_a_device_that_lived_through_a_coast_is_forgiven():
    # An uptime of before the loss completes the off.
    rig = _coasted(running(60, REMOTE).read(65, after_s=121).done(), uptime_s=30)
    _coasted(_off_again(rig), uptime_s=9 * HOUR_S)
    assert rig.state.drive.only_source_losses == 0


def test_a_device_that_boots_anew_while_an_off_fails_was_not_lost_while_off():
    # The relay never took the off, so the supply was there all the time.
    rig = running(60, REMOTE).read(65, after_s=121).fail(after_s=5).refuse()
    rig.read(after_s=120, uptime_s=30)
    assert rig.state.drive.only_source_losses == 0


def test_a_return_while_still_off_completes_nothing():
    # The next on has not been ordered yet.
    rig = _off_again(
        _coasted(running(60, REMOTE).read(65, after_s=121).done(), uptime_s=30)
    )
    rig.fail().read(uptime_s=9 * HOUR_S)
    assert rig.state.drive.only_source_losses == 1


# --- a relay fed by the supply it switches --------------------------------------------------


def _fed(rig: Rig, *, lost_s=5.0, power=YES) -> Rig:
    """Off is carried out, then the relay is gone, then it is back with the power."""
    rig.read(65, after_s=300).done()
    assert rig.last.supply is OFF
    rig.said("unknown", after_s=lost_s).said("on", after_s=1)
    rig.contact = ON
    says = {"power": power, "status": CHARGING if power is YES else DISCHARGING}
    return rig.read(after_s=1, **says).done()


@pytest.mark.parametrize(
    ("lost_s", "power", "counts"),
    [(10, YES, 1), (10.001, YES, 0), (5, NO, 0), (0, YES, 1)],
)
def test_a_relay_lost_within_ten_seconds_of_an_off(lost_s, power, counts):
    # Lost within 10 s of an off and not back until external power was yes.
    rig = _fed(running(60), lost_s=lost_s, power=power)
    assert rig.state.drive.fed_losses == counts


def test_a_relay_that_is_slow_not_to_answer_was_lost_when_it_was_asked():
    # A radio is given up after some 16 s; it was asked 8 s after the off.
    rig = running(60).read(65, after_s=300).done()
    asked_ms = rig.now_ms + 8_000
    gone = RelayReported(said=RelaySaid.UNKNOWN, asked_at_ms=asked_ms)
    assert rig.send(gone, after_s=16).state.drive.relay_lost_after_off


def test_twice_in_a_row_locks_out():
    # Rule 6, its second cause: the off that is said again kills the relay again.
    rig = _fed(running(60))
    assert rig.last.supply is OFF
    rig.said("unknown", after_s=5).said("on", after_s=1)
    rig.contact = ON
    rig.read(after_s=1)
    assert rig.switched == ((ON, Reason.RELAY_FED_BY_SUPPLY),)
    assert Alarm.RELAY_FED_BY_SUPPLY in rig.alarms


def test_an_off_that_held_breaks_the_row():
    # Twice in a row: an off that the relay outlived by 10 s starts the count anew,
    # which its on tells; the proof comes too early to know.
    rig = _fed(running(60)).read()
    assert rig.verdicts == (True,)
    assert rig.state.drive.fed_losses == 1
    rig.slide(55, over_s=3600)
    assert rig.last.supply is ON
    assert rig.state.drive.fed_losses == 0


def test_a_relay_that_dies_after_the_proof_counts_too():
    # Lost 5 s after the off, its effect seen at 1 s: still fed by the supply.
    rig = running(60).read(65, after_s=300).done().read(after_s=1, power=NO)
    assert rig.verdicts == (True,)
    rig.said("unknown", after_s=4).said("on", after_s=1)
    rig.contact = ON
    assert rig.read(after_s=1, power=YES).state.drive.fed_losses == 1


def test_an_off_proven_while_its_relay_is_gone_does_not():
    # The proof comes with the loss: power no, relay not there.
    rig = _fed(running(60)).said("unknown", after_s=5).read(after_s=1)
    assert rig.verdicts == (True,)
    assert rig.state.drive.fed_losses == 1


def test_a_relay_that_answers_a_command_is_back_too():
    # The link was reopened for an on: its answer counts as the return.
    rig = running(60).read(65, after_s=300).done().said("unknown", after_s=5)
    rig.read(55, after_s=200).done()
    assert rig.state.drive.fed_check
    assert rig.read().state.drive.fed_losses == 1


def test_a_relay_lost_while_on_is_told_on_again_when_it_is_back():
    # Whatever it was told before, the contact may stand anywhere now.
    rig = running(60).said("unknown").said("unknown", after_s=9)
    assert rig.switched == ()
    assert rig.said("on").switched == ((ON, Reason.RELAY_EXTERNAL_CHANGE),)
    assert rig.state.drive.fed_check is False


# --- dead-lock --------------------------------------------------------------------------


OFFS = [
    lambda rig: rig.read(65, after_s=121),
    lambda rig: rig.override(OFF).read(),
    lambda rig: rig.reads(2, temp=46),
    lambda rig: rig.reads(2, temp=61),
    lambda rig: rig.read(temp=0),
]


@pytest.mark.parametrize("act", OFFS)
def test_an_off_that_could_lock_up_the_host_is_refused(act):
    # Host is the device, neither normally-closed nor dead-man timer: rule 2 too.
    rig = running(60, fails_on=False)
    act(rig)
    rig.steady(600)
    assert [c.supply for c in rig.commands] == [ON]
    assert Alarm.DEAD_LOCK in rig.alarms
    assert Alarm.RELAY_NO_EFFECT not in rig.alarms


def test_an_off_ends_where_it_turns_out_that_it_could_lock_up_the_host():
    # A timer that the relay no longer has; the marks have nothing to say in it.
    rig = switched_off(65).read(60, after_s=300)
    rig.settings(fails_on=False)
    assert rig.switched == ((ON, Reason.DEAD_LOCK),)
    assert rig.last.urgent
    assert rig.done().read().reason is Reason.IN_WINDOW
    assert Alarm.DEAD_LOCK in rig.alarms
    rig = switched_off(65, host_is_device=False).settings(fails_on=False)
    assert rig.switched == ()


@pytest.mark.parametrize(
    ("fields", "alarm"),
    [
        ({"fails_on": False}, Alarm.DEAD_LOCK),
        ({"fails_on": False, "accept_dead_lock": True}, None),
        ({"fails_on": False, "host_is_device": False}, Alarm.NOT_FAIL_ON),
        ({"fails_on": True}, None),
        ({"fails_on": True, "host_is_device": False}, None),
    ],
)
def test_which_wiring_is_refused_and_which_is_only_told(fields, alarm):
    # accept_dead_lock lets offs through; on a separate host it is not_fail_on.
    rig = running(60, **fields).read(65, after_s=121)
    assert rig.alarms == ({alarm} if alarm else set())
    assert (rig.last.supply is OFF) is (alarm is not Alarm.DEAD_LOCK)


@pytest.mark.parametrize("is_told", [True, False])
def test_an_off_that_a_run_broke_off_counts_as_the_last_one(is_told):
    # Nobody knows what became of it; the contact may have moved.
    rig = running(60)
    rig.read(65, after_s=121)
    ordered_ms = rig.state.quiet.lived_ms
    if is_told:
        rig.done(after_s=1)
        ordered_ms = rig.state.quiet.lived_ms
    rig.start(was_closed=False)
    assert rig.state.drive.last_off_lived_ms == ordered_ms
    assert len(rig.state.drive.spent_lived_ms) == 1


def test_an_off_that_an_on_overtook_is_counted_when_it_succeeds_after_all():
    # The relay was being told as the on came; its contact moves twice.
    rig = running(60)
    rig.read(65, after_s=121)
    told_at_ms = rig.state.drive.commanded_at_ms
    rig.override(ON, for_s=600, after_s=1)
    assert rig.last.supply is ON
    before = rig.state.drive.operations
    rig.send(SwitchingSucceeded(supply=OFF, told_at_ms=told_at_ms), after_s=1)
    assert rig.state.drive.operations == before + 1
    assert rig.state.drive.last_off_lived_ms == rig.state.quiet.lived_ms
    assert rig.state.drive.overtaken is None
    on_told_ms = rig.state.drive.pending.told_at_ms
    rig.send(SwitchingSucceeded(supply=ON, told_at_ms=on_told_ms), after_s=1)
    assert rig.state.drive.operations == before + 2


def test_an_off_that_was_overtaken_as_the_run_broke_off_counts_too():
    rig = running(60)
    rig.read(65, after_s=121)
    ordered_ms = rig.state.quiet.lived_ms
    rig.override(ON, for_s=600, after_s=1)
    rig.start(was_closed=False)
    assert rig.state.drive.last_off_lived_ms == ordered_ms


# --- evidence ---------------------------------------------------------------------------


def test_the_evidence_leaves_out_the_quiet_half_only():
    # Replay must arrive at everything that decides; equal readings change none of it.
    rig = running(60)
    before = evidence(rig.state)
    assert evidence(rig.read().state) == before
    assert evidence(rig.read(65, after_s=121).state) != before
