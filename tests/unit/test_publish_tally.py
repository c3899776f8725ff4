"""The tally: what counts, what does not, and what is forgotten."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from typing import Any, cast

from tidegate.core.effects import (
    Alarm,
    Effect,
    Kind,
    RaiseAlarm,
    Reason,
    SwitchSupply,
)
from tidegate.core.events import (
    Event,
    GaugeFailed,
    ReadingArrived,
    Started,
    SwitchingFailed,
    SwitchingSucceeded,
    TimePassed,
)
from tidegate.core.policy import Marks, Policy
from tidegate.core.reading import Reading, Sample, Supply, WhyNot
from tidegate.core.state import Quiet, State
from tidegate.publish.figures import Figures, View
from tidegate.publish.tally import Tally
from tidegate.station.plan import Plan
from tidegate.station.shell import Station
from tidegate.virtual import VirtualClock

GIVEN = {"gauge": {"kind": "sysfs"}, "relay": {"kind": "hid"}}


@dataclass
class FakeStation:
    """What an onlooker sees of a station; the state moves only as the test says."""

    name: str = "lobby"
    clock: VirtualClock = field(default_factory=lambda: VirtualClock(boot_ms=600_000))
    plan: Plan = field(
        default_factory=lambda: Plan(
            name="lobby",
            gauge=lambda _: cast(Any, None),
            relay=None,
            policy=lambda *_: Policy(),
            given=json.dumps(GIVEN),
        )
    )
    state: State = field(
        default_factory=lambda: State(
            policy=Policy(marks=Marks(low_percent=55.0, high_percent=65.0))
        )
    )

    def tells(self, tally: Tally, event: Event, *effects: Effect, at_ms: int) -> None:
        self.state = replace(self.state, quiet=Quiet(now_ms=at_ms))
        tally.happened(cast(Station, self), event, effects)


def order(supply: Supply, reason: Reason, kind: Kind = Kind.CHANGE) -> SwitchSupply:
    return SwitchSupply(
        supply=supply, reason=reason, kind=kind, swapped=False, urgent=False
    )


def figures(tally: Tally) -> Figures:
    view = tally.view("lobby")
    assert isinstance(view, View)
    return view.figures


def test_a_switching_counts_once_the_relay_carried_it_out() -> None:
    tally, station = Tally(), FakeStation()
    off = order(Supply.OFF, Reason.AT_HIGH_MARK)
    station.tells(tally, Started(), at_ms=1_000)
    station.tells(tally, TimePassed(), off, at_ms=2_000)
    assert figures(tally).switchings == {}
    done = SwitchingSucceeded(supply=Supply.OFF, told_at_ms=2_000)
    station.tells(tally, done, at_ms=2_300)
    assert figures(tally).switchings == {("off", "at_high_mark"): 1}
    assert figures(tally).switches["hid"].sum_s == 0.3


def test_a_command_said_again_is_timed_and_no_switching() -> None:
    tally, station = Tally(), FakeStation()
    station.tells(tally, Started(), at_ms=1_000)
    for at_ms in (2_000, 12_000):
        again = order(Supply.ON, Reason.SUPPLY_ABSENT, Kind.REPEAT)
        station.tells(tally, TimePassed(), again, at_ms=at_ms)
        done = SwitchingSucceeded(supply=Supply.ON, told_at_ms=at_ms)
        station.tells(tally, done, at_ms=at_ms + 10)
    assert figures(tally).switchings == {}
    assert sum(figures(tally).switches["hid"].counts) == 2


def test_errors_by_their_kind() -> None:
    tally, station = Tally(), FakeStation()
    sample = Sample(soc_percent=60.0)
    jump = Reading(sample=sample, at_ms=1, wall_ms=1, why_not=WhyNot.JUMP)
    station.tells(tally, GaugeFailed(kind="unavailable"), at_ms=1_000)
    station.tells(tally, ReadingArrived(reading=jump), at_ms=2_000)
    failed = SwitchingFailed(supply=Supply.ON, kind="refused", told_at_ms=5)
    station.tells(tally, failed, at_ms=3_000)
    errors = {("sysfs", "unavailable"): 1, ("sysfs", "jump"): 1}
    assert figures(tally).gauge_errors == errors
    assert figures(tally).relay_errors == {("hid", "refused"): 1}


def test_a_view_does_not_change_with_what_comes_after() -> None:
    tally, station = Tally(), FakeStation()
    station.tells(tally, GaugeFailed(kind="slow"), at_ms=1_000)
    before = figures(tally)
    station.tells(tally, GaugeFailed(kind="slow"), at_ms=2_000)
    assert before.gauge_errors == {("sysfs", "slow"): 1}
    assert figures(tally).gauge_errors == {("sysfs", "slow"): 2}


def test_what_one_backend_did_is_not_said_of_the_next() -> None:
    """A reload may bring another gauge and relay to a station; nothing goes backwards."""
    tally, station = Tally(), FakeStation()

    def fails() -> None:
        station.tells(tally, GaugeFailed(kind="slow"), at_ms=1_000)
        failed = SwitchingFailed(supply=Supply.ON, kind="refused", told_at_ms=5)
        station.tells(tally, failed, at_ms=2_000)
        again = order(Supply.ON, Reason.SUPPLY_ABSENT, Kind.REPEAT)
        station.tells(tally, TimePassed(), again, at_ms=3_000)
        done = SwitchingSucceeded(supply=Supply.ON, told_at_ms=3_000)
        station.tells(tally, done, at_ms=3_010)

    fails()
    before = station.plan
    other = {"gauge": {"kind": "adb"}, "relay": {"kind": "http"}}
    station.plan = replace(before, given=json.dumps(other))
    fails()
    station.plan = before
    fails()
    found = figures(tally)
    assert found.gauge_errors == {("sysfs", "slow"): 2, ("adb", "slow"): 1}
    assert found.relay_errors == {("hid", "refused"): 2, ("http", "refused"): 1}
    took = {relay: sum(each.counts) for relay, each in found.switches.items()}
    assert took == {"hid": 2, "http": 1}


def test_a_station_that_was_out_keeps_since_when_its_alarms_stand() -> None:
    tally, station = Tally(), FakeStation()
    raised = RaiseAlarm(alarm=Alarm.NOT_FAIL_ON)
    station.state = replace(station.state, alarms=frozenset({Alarm.NOT_FAIL_ON}))
    station.tells(tally, Started(), at_ms=1_000)
    view = tally.view("lobby")
    assert view is not None
    assert view.alarms_since == {"not_fail_on": None}, "it stood before"
    station.tells(tally, TimePassed(), raised, at_ms=2_000)
    station.tells(tally, Started(), at_ms=3_000)
    view = tally.view("lobby")
    assert view is not None
    assert view.alarms_since == {"not_fail_on": station.clock.wall_ms()}


def test_stations_that_are_gone_are_forgotten() -> None:
    tally = Tally()
    for name in ("lobby", "tower"):
        FakeStation(name=name).tells(tally, TimePassed(), at_ms=1_000)
    assert [view.station for view in tally.views(["tower", "cellar"])] == ["tower"]
    assert tally.view("lobby") is None


def test_what_is_under_way_does_not_pile_up() -> None:
    tally, station = Tally(), FakeStation()
    for at_ms in range(1_000, 1_100):
        off = order(Supply.OFF, Reason.AT_HIGH_MARK)
        station.tells(tally, TimePassed(), off, at_ms=at_ms)
    assert len(tally._books["lobby"].orders) == 8
