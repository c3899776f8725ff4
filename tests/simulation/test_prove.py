"""Commissioning runs over every kind of twin: what is found, and never dark.

The twin, its faults and all numbers are invented.
"""

from __future__ import annotations

import asyncio
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any
from unittest import mock

import pytest

from support.prove_rig import (
    NO,
    UNKNOWN,
    FakeBetweenGauge,
    FakeBetweenRelay,
    FakeDroppingGauge,
    FakeFedRelay,
    FakeLaggingGauge,
    FakeLyingRelay,
    ProveRig,
    held,
    holding,
)
from tidegate.cli.prove_table import lines
from tidegate.core.reading import BatteryStatus, ExternalPower, Supply
from tidegate.cyclelog.rows import EffectRow, IntentRow, OutcomeRow, Row
from tidegate.cyclelog.writer import Writer
from tidegate.errors import LogError
from tidegate.prove import Finding, Verdict, commission
from tidegate.prove.findings import WORDS, words
from tidegate.prove.result import Timer

PROVEN, NOT_PROVEN = Verdict.PROVEN, Verdict.NOT_PROVEN
ABORTED, REFUSED = Verdict.ABORTED, Verdict.REFUSED
NC, NO_CONTACT = "normally-closed", "normally-open"


def event(what: str, after_s: float = 0.0, for_s: float = 3600.0) -> dict[str, Any]:
    return {
        "what": what,
        "after_h": round(after_s / 3600, 9),
        "for_h": round(for_s / 3600, 9),
    }


def lagging(lag_s: float) -> Any:
    return lambda gauge, rig: FakeLaggingGauge(gauge, rig, lag_s)


def telling(**fields: Any) -> Any:
    return lambda gauge, _: FakeBetweenGauge(gauge, lambda s: replace(s, **fields))


def declaring(**facts: Any) -> Any:
    return lambda relay, rig: FakeBetweenRelay(relay, rig, **facts)


# What there is; the verdict; what is found; the wiring that is seen.
CASES: dict[str, tuple[dict[str, Any], Verdict, set[str], str | None]] = {
    "normally-closed": ({}, PROVEN, set(), NC),
    "no readback": ({"relay": {"readback": 0}}, PROVEN, set(), NC),
    "contact sensed": ({"relay": {"readback": 3}}, PROVEN, set(), NC),
    "normally-open, no timer": (
        {"relay": {"contact": NO_CONTACT}},
        PROVEN,
        {"normally_open_without_timer"},
        NO_CONTACT,
    ),
    "latching": (
        {"relay": {"contact": "latching"}},
        PROVEN,
        {"normally_open_without_timer"},
        "latching",
    ),
    "normally-open, with a timer": (
        {"relay": {"contact": NO_CONTACT, "dead_man_s": 90}},
        PROVEN,
        set(),
        NO_CONTACT,
    ),
    "normally-open, timer not tested": (
        {
            "relay": {"contact": NO_CONTACT, "dead_man_s": 90},
            "answer": lambda _: False,
        },
        PROVEN,
        {"timer_not_tested", "normally_open_without_timer"},
        NO_CONTACT,
    ),
    "normally-closed, nobody to ask": (
        {"relay": {"dead_man_s": 90}, "answer": lambda _: None},
        PROVEN,
        {"timer_not_tested"},
        NC,
    ),
    "a timer shorter than two polls": (
        {"relay": {"dead_man_s": 50}},
        PROVEN,
        {"timer_too_short"},
        NC,
    ),
    "a timer that is not there": (
        {"between_relay": declaring(dead_man_s=90.0)},
        NOT_PROVEN,
        {"timer_failed"},
        NC,
    ),
    "a timer that is not there, power always told of": (
        {
            "relay": {"contact": NO_CONTACT},
            "between_gauge": telling(external_power=ExternalPower.YES),
            "between_relay": declaring(dead_man_s=90.0, fails_on=True),
        },
        NOT_PROVEN,
        {"timer_failed", "normally_open_without_timer"},
        NO_CONTACT,
    ),
    "its own device, dead-lock accepted": (
        {
            "gauge": {"host_is_device": True},
            "relay": {"contact": NO_CONTACT, "accept_dead_lock": True},
        },
        PROVEN,
        {"dead_lock"},
        NO_CONTACT,
    ),
    "wired normally-open": (
        {"relay": {"wired": NO_CONTACT}},
        NOT_PROVEN,
        {"relay_reversed", "normally_open_without_timer"},
        NO_CONTACT,
    ),
    "wired normally-closed": (
        {"relay": {"contact": NO_CONTACT, "wired": NC}},
        NOT_PROVEN,
        {"relay_reversed"},
        NC,
    ),
    "a latch wired the other way round": (
        {"relay": {"contact": "latching", "wired": NC}},
        NOT_PROVEN,
        {"relay_reversed", "normally_open_without_timer"},
        None,
    ),
    "wired normally-open, slow gauge": (
        {"relay": {"wired": NO_CONTACT}, "between_gauge": lagging(6)},
        NOT_PROVEN,
        {"relay_reversed", "normally_open_without_timer"},
        NO_CONTACT,
    ),
    "stuck": (
        {"gauge": {"events": [event("relay_stuck")]}},
        NOT_PROVEN,
        {"relay_no_effect"},
        None,
    ),
    "slow": ({"between_gauge": lagging(6)}, PROVEN, set(), NC),
    "slower than settle": (
        {"between_gauge": lagging(14)},
        NOT_PROVEN,
        {"gauge_slower_than_settle"},
        None,
    ),
    "blind gauge": (
        {"gauge": {"needs_supply": True, "reconnect_s": 20}},
        PROVEN,
        {"gauge_blind_while_off"},
        NC,
    ),
    "blind gauge, stuck": (
        {"gauge": {"needs_supply": True, "events": [event("relay_stuck")]}},
        NOT_PROVEN,
        {"relay_no_effect", "gauge_blind_while_off"},
        None,
    ),
    "blind gauge, with a timer": (
        {
            "gauge": {"needs_supply": True, "reconnect_s": 20},
            "relay": {"dead_man_s": 90},
        },
        PROVEN,
        {"gauge_blind_while_off"},
        NC,
    ),
    "blind gauge behind a hub that may drop data only": (
        {
            "gauge": {"needs_supply": True, "reconnect_s": 20},
            "between_relay": lambda relay, rig: FakeBetweenRelay(
                relay, rig, cuts_data=True
            ),
        },
        NOT_PROVEN,
        {"gauge_lost_while_off", "gauge_blind_while_off"},
        None,
    ),
    "gauge lost, not declared": (
        {"between_gauge": lambda gauge, _: FakeDroppingGauge(gauge)},
        NOT_PROVEN,
        {"gauge_lost_while_off"},
        None,
    ),
    "relay fed by the supply": (
        {"between_relay": FakeFedRelay},
        NOT_PROVEN,
        {"relay_fed_by_supply"},
        NC,
    ),
    "external power unknown": (
        {"between_gauge": telling(external_power=UNKNOWN)},
        PROVEN,
        set(),
        NC,
    ),
    "nothing known": (
        {
            "between_gauge": telling(
                external_power=UNKNOWN, battery_status=BatteryStatus.UNKNOWN
            )
        },
        NOT_PROVEN,
        {"effect_unprovable"},
        None,
    ),
    "no mains": (
        {"gauge": {"events": [event("mains_out")]}},
        NOT_PROVEN,
        {"supply_absent", "supply_not_restored"},
        None,
    ),
    "mains fail before the second off": (
        {"gauge": {"events": [event("mains_out", 33)]}},
        NOT_PROVEN,
        {"supply_absent", "supply_not_restored"},
        NC,
    ),
    "an undeclared timer": (
        {"relay": {"dead_man_s": 4}, "between_relay": declaring(dead_man_s=None)},
        NOT_PROVEN,
        {"power_came_back"},
        NC,
    ),
    "a readback that lies": (
        {"between_relay": FakeLyingRelay},
        PROVEN,
        {"readback_disagrees"},
        NC,
    ),
    "no temperature": (
        {"between_gauge": telling(temperature_c=None)},
        PROVEN,
        {"heat_unguarded"},
        NC,
    ),
    "a hold": ({"between_gauge": held, "between_relay": holding}, PROVEN, set(), NC),
    "a hold at a full battery": (
        {
            "between_gauge": telling(battery_status=BatteryStatus.FULL),
            "between_relay": holding,
        },
        NOT_PROVEN,
        {"effect_unprovable"},
        None,
    ),
    "relay not there": (
        {"gauge": {"events": [event("relay_unreachable")]}},
        NOT_PROVEN,
        {"relay_failed"},
        None,
    ),
}


def rig_of(tmp_path: Path, name: str) -> ProveRig:
    return ProveRig(tmp_path, **CASES[name][0])


@pytest.mark.parametrize("name", CASES)
def test_what_is_found(name: str, tmp_path: Path) -> None:
    _, verdict, findings, wiring = CASES[name]
    rig = rig_of(tmp_path, name)
    result = rig.prove()
    told = (result.why, rig.said)
    assert result.verdict is verdict, told
    assert {finding.value for finding in result.seen.findings} == findings, told
    assert result.wiring == wiring, told
    assert result.recorded
    assert rig.device.contact.closed, "it ends with the supply on, whatever it found"
    if verdict is PROVEN:
        assert not result.why
        assert [step.supply for step in result.seen.steps] == [
            Supply.OFF,
            Supply.ON,
        ] * 3
    sound_ends(rig)


def sound_ends(rig: ProveRig) -> None:
    """The log is whole, replays, and every command has outcome and intent."""
    entries = rig.sound()
    asked = {e.id: e.row for e in entries if isinstance(e.row, IntentRow)}
    answered = [e.row for e in entries if isinstance(e.row, OutcomeRow)]
    assert set(asked) == {row.intent for row in answered}
    assert {row.reason for row in asked.values()} <= {"prove"}
    begin, result = rig.operator_rows()
    assert (begin.by, begin.action) == ("A. Fitter", "prove")
    assert '"step":"begin"' in begin.args
    assert '"step":"result"' in result.args


def test_every_finding_can_be_found() -> None:
    found = set().union(*(findings for _, _, findings, _ in CASES.values()))
    # Below, and among the faults.
    elsewhere = {"gauge_not_back", "relay_swapped", "power_did_not_stay"}
    assert found | elsewhere == {finding.value for finding in Finding}
    assert set(WORDS) == set(Finding)


@pytest.mark.parametrize(
    ("name", "tells"),
    [
        ("stuck", "on, as the gauge shows, which has not shown an off"),
        ("wired normally-open", "on, as the gauge shows\n"),
    ],
)
def test_a_gauge_is_believed_no_more_than_it_has_shown(
    name: str, tells: str, tmp_path: Path
) -> None:
    """One that always tells of external power would tell so in the dark, too."""
    document = rig_of(tmp_path, name).prove().as_document()
    assert tells in "\n".join(lines(document)) + "\n"


@pytest.mark.parametrize("finding", Finding)
@pytest.mark.parametrize("contact", [NC, NO_CONTACT, "latching"])
def test_every_finding_is_whole_sentences(finding: Finding, contact: str) -> None:
    said = words(finding, contact=contact)
    for text in (said.text, said.remedy):
        assert text[0].isupper()
        assert text.endswith(".")
        assert "{" not in text


def test_a_gauge_that_does_not_come_back(tmp_path: Path) -> None:
    slow = {"needs_supply": True, "reconnect_s": 1_000, "soc_percent": 45}
    rig = ProveRig(tmp_path, gauge=slow)
    # Under the daemon its cable has carried power for long enough before the run.
    rig.live(1_020)
    result = rig.prove()
    assert result.verdict is NOT_PROVEN
    assert Finding.GAUGE_NOT_BACK in result.seen.findings
    assert rig.device.external_power


@pytest.mark.parametrize(
    ("contact", "remedy"),
    [
        (NC, 'Set contact = "normally-open"'),
        (NO_CONTACT, 'Set contact = "normally-closed"'),
        ("latching", "Exchange the wires"),
    ],
)
def test_a_reversed_relay_is_told_which_setting_fits(contact: str, remedy: str) -> None:
    assert words(Finding.RELAY_REVERSED, contact=contact).remedy.startswith(remedy)


def test_a_contact_that_sticks_open_is_said_loudly(tmp_path: Path) -> None:
    """From the first off on it does not move: nothing that we could do brings it back."""
    rig = ProveRig(tmp_path, gauge={"events": [event("relay_stuck", 15)]})
    result = rig.prove()
    assert result.verdict is NOT_PROVEN
    assert not rig.device.contact.closed
    assert result.seen.is_on is False
    assert Finding.STILL_DARK in result.seen.findings
    assert rig.told[-1][1] is Supply.ON
    sound_ends(rig)


# --- latencies, readback, timer -----------------------------------------------------------


def test_latencies_are_from_the_outcome_to_the_first_proof(tmp_path: Path) -> None:
    result = rig_of(tmp_path, "slow").prove()
    for supply in (Supply.OFF, Supply.ON):
        latencies = result.seen.latencies_ms(supply)
        assert len(latencies) == 3
        # The gauge shows it after 6 s and is asked every second.
        assert all(6_000 <= each <= 7_100 for each in latencies), latencies


def test_the_readback_is_counted(tmp_path: Path) -> None:
    fair = rig_of(tmp_path / "a", "contact sensed").prove().seen
    assert (fair.readback, fair.disagreed) == (3, 0)
    assert fair.agreed > 6
    lying = rig_of(tmp_path / "b", "a readback that lies").prove().seen
    assert (lying.agreed, lying.disagreed) == (0, fair.agreed)
    silent = rig_of(tmp_path / "c", "no readback").prove().seen
    assert (silent.agreed, silent.disagreed) == (0, 0)


def test_the_timer_is_timed_and_nobody_helps_it(tmp_path: Path) -> None:
    rig = rig_of(tmp_path, "normally-open, with a timer")
    result = rig.prove()
    assert result.seen.timer is Timer.RETURNED
    assert result.seen.timer_returned_ms is not None
    assert 90_000 <= result.seen.timer_returned_ms <= 91_500
    assert len(rig.asked) == 1
    (last_off, _), (last_on, _) = (rig.told[-2], rig.told[-1])
    assert [supply for _, supply in rig.told[-2:]] == [Supply.OFF, Supply.ON]
    assert last_on - last_off >= 90_000


def test_waiting_for_the_effect_does_not_refresh_the_timer(tmp_path: Path) -> None:
    rig = ProveRig(tmp_path, relay={"dead_man_s": 90}, between_gauge=lagging(6))
    result = rig.prove()
    assert result.seen.timer_returned_ms is not None
    assert 96_000 <= result.seen.timer_returned_ms <= 97_500


@pytest.mark.parametrize("answer", [False, None])
def test_without_a_yes_the_timer_is_left_alone(
    tmp_path: Path, answer: bool | None
) -> None:
    rig = ProveRig(tmp_path, relay={"dead_man_s": 90}, answer=lambda _: answer)
    result = rig.prove()
    assert (result.verdict, result.seen.timer) == (PROVEN, Timer.NOT_TESTED)
    assert sum(supply is Supply.OFF for _, supply in rig.told) == 3


def test_a_timer_that_takes_too_long_for_this_battery_is_not_tested(
    tmp_path: Path,
) -> None:
    """At 36 % half of what is over the floor of 25 % lasts 66 min at 5 %/h."""
    rig = ProveRig(tmp_path, gauge={"soc_percent": 36}, relay={"dead_man_s": 4_000})
    result = rig.prove()
    assert result.verdict is PROVEN
    assert result.seen.timer is Timer.NOT_TESTED
    assert rig.asked == []


def test_the_timer_is_not_tested_when_the_rounds_failed(tmp_path: Path) -> None:
    rig = ProveRig(
        tmp_path,
        gauge={"events": [event("relay_stuck")]},
        relay={"dead_man_s": 90},
    )
    rig.prove()
    assert rig.asked == []


# --- refusals -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("there", "why"),
    [
        ({"gauge": {"soc_percent": 34.0}}, "35 %"),
        ({"gauge": {"soc_percent": 35.0}}, None),
        ({"gauge": {"around_c": 45.0}}, "45 °C"),
        ({"gauge": {"around_c": 44.9}}, None),
        ({"gauge": {"events": [event("gauge_absent")]}}, "not_present"),
        ({"between_gauge": telling(soc_percent=1536.0)}, "out_of_range"),
    ],
)
def test_a_battery_that_is_not_fit_is_refused(
    tmp_path: Path, there: dict[str, Any], why: str | None
) -> None:
    rig = ProveRig(tmp_path, rounds=1, **there)
    result = rig.prove()
    if why is None:
        assert result.verdict is PROVEN, result.why
        return
    assert result.verdict is REFUSED
    assert why in result.why
    assert Supply.OFF not in [supply for _, supply in rig.told]
    assert rig.device.external_power
    sound_ends(rig)


@pytest.mark.parametrize(
    ("there", "why"),
    [
        ({"station": {"relay": None, "window": None}}, "no relay"),
        ({"station": {"battery": {"fitted": False}}}, "no battery"),
        (
            {
                "gauge": {"host_is_device": True},
                "relay": {"contact": NO_CONTACT},
            },
            "accept_dead_lock",
        ),
    ],
)
def test_a_station_that_cannot_be_proven_is_left_alone(
    tmp_path: Path, there: dict[str, Any], why: str
) -> None:
    rig = ProveRig(tmp_path, **there)
    result = rig.prove()
    assert result.verdict is REFUSED
    assert why in result.why
    assert rig.told == []
    assert rig.entries() == []
    assert not result.recorded


def test_a_gauge_that_is_not_there_is_no_verdict(tmp_path: Path) -> None:
    rig = ProveRig(tmp_path, gauge={"events": [event("gauge_unreachable")]})
    result = rig.prove()
    assert result.verdict is ABORTED
    assert result.error is not None
    assert Supply.OFF not in [supply for _, supply in rig.told]
    assert rig.device.external_power
    sound_ends(rig)


def test_a_refusal_at_a_low_charge_still_brings_the_supply(tmp_path: Path) -> None:
    """A dead daemon left it off: whoever refuses must not leave it so."""
    rig = ProveRig(tmp_path, gauge={"soc_percent": 30})
    rig.bench.contact.wire(NC, None)
    rig.bench.drive(driven=True, boot_ms=rig.clock.boot_ms())
    result = rig.prove()
    assert result.verdict is REFUSED
    assert rig.device.external_power
    assert result.seen.is_on


# --- what ends it early -------------------------------------------------------------------


@pytest.mark.parametrize("step_ms", [9_700, pytest.param(500, marks=pytest.mark.slow)])
def test_it_ends_with_the_supply_on_wherever_it_is_ended(
    tmp_path: Path, step_ms: int
) -> None:
    """Over a whole run, timer included."""
    there = {"relay": {"dead_man_s": 60}, "rounds": 1}
    whole = ProveRig(tmp_path / "whole", **there)
    whole.prove()
    lasted_ms = whole.clock.boot_ms() - 600_000
    assert lasted_ms >= 80_000
    for count, after_ms in enumerate(range(0, lasted_ms, step_ms)):
        rig = ProveRig(tmp_path / str(count), **there)
        result = rig.prove(end_after_s=after_ms / 1_000)
        assert result.verdict is ABORTED, (after_ms, rig.said)
        assert result.why == "it was ended by a test"
        assert rig.device.external_power, (after_ms, rig.said)
        assert result.seen.is_on, (after_ms, rig.said)
        sound_ends(rig)


@pytest.mark.parametrize("name", ["wired normally-open", "blind gauge", "stuck"])
def test_no_end_leaves_the_odd_ones_dark(name: str, tmp_path: Path) -> None:
    for count, after_ms in enumerate(range(0, 40_000, 5_300)):
        rig = ProveRig(tmp_path / str(count), rounds=1, **CASES[name][0])
        rig.prove(end_after_s=after_ms / 1_000)
        fed = rig.device.external_power
        # A reversed relay that was ended before any power showed stays as the settings
        # say: nothing was seen that would speak against them.
        assert fed or not rig_has_seen_power(rig), (after_ms, rig.said)
        sound_ends(rig)


def rig_has_seen_power(rig: ProveRig) -> bool:
    return any("external power on" in line for line in rig.said)


@pytest.mark.parametrize("after_s", [0.0, 5.0, 15.0, 25.0, 35.0, 60.0])
def test_a_cancelled_run_ends_with_the_supply_on_too(
    tmp_path: Path, after_s: float
) -> None:
    """What no handler caught, such as an exception around the run."""
    rig = ProveRig(tmp_path, relay={"dead_man_s": 60}, rounds=1)

    async def life() -> None:
        work = asyncio.get_running_loop().create_task(rig.made(machine).run())
        asyncio.get_running_loop().call_later(after_s, work.cancel)
        with pytest.raises(asyncio.CancelledError):
            await work

    machine = rig.machine()
    rig.living(machine, life)
    assert rig.device.external_power
    sound_ends(rig)


@pytest.mark.parametrize("supply", [Supply.ON, Supply.OFF])
def test_a_fault_of_the_relays_backend_is_survived(
    tmp_path: Path, supply: Supply
) -> None:
    class FakeBrokenRelay(FakeBetweenRelay):
        async def set(self, told: Supply) -> None:
            if told is supply and len(rig.told) == 2:
                raise RuntimeError("a fault of its own")
            await super().set(told)

    rig = ProveRig(tmp_path, between_relay=FakeBrokenRelay)
    result = rig.prove()
    assert rig.device.external_power
    if supply is Supply.OFF:
        assert result.verdict is NOT_PROVEN
        assert result.seen.findings == [Finding.RELAY_FAILED]
        assert "a fault of its own" in str(result.error)
    sound_ends(rig)


def test_a_fault_of_the_gauges_backend_is_survived(tmp_path: Path) -> None:
    class FakeBrokenGauge(FakeBetweenGauge):
        async def read(self) -> Any:
            sample = await super().read()
            if sample.external_power is NO:
                return "62 %"
            return sample

    rig = ProveRig(tmp_path, between_gauge=lambda gauge, _: FakeBrokenGauge(gauge))
    result = rig.prove()
    assert result.verdict is NOT_PROVEN
    assert rig.device.external_power
    assert "a sample is due" in rig.messages.getvalue()
    sound_ends(rig)


def test_an_end_while_the_intent_is_made_durable_keeps_the_off_back(
    tmp_path: Path,
) -> None:
    rig = ProveRig(tmp_path)

    class FakeSlowWriter(Writer):
        """A disk during whose work on the first off somebody presses Ctrl-C."""

        async def commit(self, limit_s: float | None = None) -> None:
            await super().commit(limit_s)
            if offs:
                assert rig.commissioning is not None
                rig.commissioning.end("it was ended by a test")

        def append(self, row: Row) -> int:
            if isinstance(row, IntentRow) and row.supply == "off":
                offs.append(row)
            return super().append(row)

    offs: list[Row] = []
    with mock.patch.object(commission, "Writer", FakeSlowWriter):
        result = rig.prove()
    assert result.why == "it was ended by a test"
    assert len(offs) == 1
    assert Supply.OFF not in [supply for _, supply in rig.told]
    dropped = [e.row for e in rig.entries() if isinstance(e.row, OutcomeRow)]
    assert [row.error for row in dropped].count("dropped") == 1
    sound_ends(rig)


def test_the_time_limit_ends_it(tmp_path: Path) -> None:
    rig = ProveRig(tmp_path)
    result = rig.prove(limit_s=17.0)
    assert result.verdict is ABORTED
    assert result.why == "the time limit"
    assert rig.device.external_power


def test_heat_and_charge_are_minded_on_the_way(tmp_path: Path) -> None:
    """What the gauge says while the supply is off ends the run."""
    for name, fields in (
        ("heat", {"temperature_c": 60.0}),
        ("charge", {"soc_percent": 29.0}),
    ):

        def changed(gauge: Any, _: Any, fields: dict[str, Any] = fields) -> Any:
            return FakeBetweenGauge(
                gauge, lambda s: replace(s, **fields) if s.external_power is NO else s
            )

        rig = ProveRig(tmp_path / name, between_gauge=changed)
        result = rig.prove()
        assert result.verdict is ABORTED, result.why
        assert rig.device.external_power
        assert sum(supply is Supply.OFF for _, supply in rig.told) == 1


def test_a_log_that_cannot_be_written_keeps_the_off_back(tmp_path: Path) -> None:
    """The folder of the log goes away between the base and the first off."""
    rig = ProveRig(tmp_path)
    moved = []

    def say(line: str) -> None:
        if line.startswith("Round 1") and not moved:
            moved.append(line)
            for each in tmp_path.glob("cycles.db*"):
                each.rename(tmp_path / f"away-{each.name}")
            rig.log.mkdir()

    rig.say = say
    result = rig.prove()
    assert moved
    assert result.verdict is ABORTED
    assert "cycle log" in result.why
    assert not result.recorded
    assert Supply.OFF not in [supply for _, supply in rig.told]
    assert rig.device.external_power


def test_without_a_log_nothing_begins(tmp_path: Path) -> None:
    rig = ProveRig(tmp_path)
    rig.log.mkdir()
    with pytest.raises(LogError):
        rig.prove()
    assert rig.told == []


def test_effects_are_rows_of_their_own(tmp_path: Path) -> None:
    rig = ProveRig(tmp_path)
    rig.prove()
    effects = [e.row for e in rig.entries() if isinstance(e.row, EffectRow)]
    # The base, and three times off and on.
    assert [(row.supply, row.seen) for row in effects] == [
        ("on", True),
        *[("off", True), ("on", True)] * 3,
    ]


def test_the_shown_power_is_external(tmp_path: Path) -> None:
    """The fact that counts is what the gauge tells, not the contact."""
    rig = ProveRig(tmp_path, between_gauge=partial(_always, power=ExternalPower.YES))
    result = rig.prove()
    assert result.verdict is NOT_PROVEN
    assert result.seen.findings[0] is Finding.RELAY_NO_EFFECT


def _always(gauge: Any, _: Any, *, power: ExternalPower) -> Any:
    return FakeBetweenGauge(
        gauge,
        lambda s: replace(
            s, external_power=power, battery_status=BatteryStatus.CHARGING
        ),
    )
