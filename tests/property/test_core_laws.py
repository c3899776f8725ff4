"""Laws of the core over random lives of a station.

A life is a list of small deeds: reads that say anything, reads that fail, answers of
the relay in any order that one relay can give, people, settings, restarts, suspends.
Between two deeds the clock moves by at most a poll, and the wake-ups that the core
asked for are sent, as the shell will. The laws are read from outside by
``core_promises``; nothing here repeats the controller.
"""

from __future__ import annotations

import copy
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from support.core_promises import Limits, Notebook
from tidegate.core.controller import step
from tidegate.core.effects import Effect, ReadSoon, SwitchSupply, WakeAt
from tidegate.core.events import (
    Event,
    GaugeFailed,
    LogBack,
    LogLost,
    NeighbourSwitched,
    OverridePlaced,
    OverrideReleased,
    PlanChanged,
    Proved,
    ReadingArrived,
    RelayReported,
    RelaySaid,
    Resumed,
    SettingsChanged,
    Started,
    Stopping,
    SwitchingFailed,
    SwitchingSucceeded,
    TimePassed,
)
from tidegate.core.plausibility import judge
from tidegate.core.policy import HOUR_MS, MINUTE_MS, Marks, PlanReason, Policy, Proof
from tidegate.core.reading import BatteryStatus, ExternalPower, Sample, Supply, WhyNot
from tidegate.core.state import State, fresh

POLL_MS = 30_000
MAX_OFF_MS = 20 * MINUTE_MS
FLOOR = 25.0

few = settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)


@dataclass
class Step:
    at_ms: int
    run: int
    event: Event
    effects: tuple[Effect, ...]
    before: State
    after: State


class Life:
    """A station to which deeds are done."""

    def __init__(self, policy: Policy) -> None:
        self.state = fresh(policy)
        self.first = self.state
        self.now_ms = 10_000_000
        self.run = 1
        self.steps: list[Step] = []
        self.wake_ms: int | None = None
        self.soc_percent = 60.0
        self.contact = Supply.ON
        self.calls: deque[SwitchSupply] = deque()
        self.send(Started())

    def send(self, event: Event) -> None:
        before = self.state
        self.state, effects = step(before, event, self.now_ms)
        self.steps.append(
            Step(self.now_ms, self.run, event, effects, before, self.state)
        )
        self.wake_ms = None
        for effect in effects:
            if isinstance(effect, SwitchSupply):
                self.calls.append(effect)
            elif isinstance(effect, WakeAt):
                self.wake_ms = effect.at_ms

    def wait(self, ms: int) -> None:
        end_ms = self.now_ms + ms
        while self.wake_ms is not None and self.wake_ms <= end_ms:
            self.now_ms = self.wake_ms
            self.send(TimePassed())
        self.now_ms = end_ms

    def answer(self, *, works: bool) -> None:
        """The relay answers its oldest call."""
        if not self.calls:
            return
        call = self.calls.popleft()
        supply = call.supply
        if works:
            self.contact = supply.other if call.swapped else supply
            self.send(SwitchingSucceeded(supply=supply))
        else:
            self.send(SwitchingFailed(supply=supply, kind="unavailable"))

    def read(self, sample: Sample) -> None:
        reading = judge(sample, at_ms=self.now_ms, wall_ms=self.now_ms)
        self.send(ReadingArrived(reading=reading))


Deed = Callable[[Life], None]

levels = st.one_of(
    st.sampled_from([24.0, 25.0, 26.0, 30.0, 35.0, 54.0, 55.0, 60.0, 64.0, 65.0, 66.0]),
    st.floats(0.0, 100.0),
)
temperatures = st.sampled_from(
    [None, -5.0, 0.0, 3.0, 25.0, 42.0, 45.0, 48.0, 60.0, 63.0]
)
samples = st.builds(
    Sample,
    soc_percent=levels,
    battery_status=st.sampled_from(BatteryStatus),
    external_power=st.sampled_from(ExternalPower),
    present=st.sampled_from([True] * 12 + [False]),
    voltage_v=st.sampled_from([None, 3.7, 3.8]),
    temperature_c=temperatures,
    claims=st.sampled_from([None] * 12 + [WhyNot.UPDATES_STOPPED]),
    uptime_s=st.sampled_from([None, 5, 100_000]),
    pack=st.sampled_from([None] * 6 + ["a", "b"]),
)
waits = st.sampled_from([0, 1, 5_000, POLL_MS, POLL_MS, POLL_MS])


def calm(to_percent: float, polls: int, temperature_c: float, stuck: bool) -> Deed:
    """A stretch as in a sound world: power follows the contact, the level moves."""

    def deed(life: Life) -> None:
        from_percent = life.soc_percent
        for number in range(1, polls + 1):
            life.wait(POLL_MS)
            level = from_percent + (to_percent - from_percent) * number / polls
            life.soc_percent = round(level)
            fed = life.contact is Supply.ON
            status = BatteryStatus.CHARGING if fed else BatteryStatus.DISCHARGING
            life.read(
                Sample(
                    soc_percent=life.soc_percent,
                    battery_status=status,
                    external_power=ExternalPower.YES if fed else ExternalPower.NO,
                    voltage_v=round(3.5 + level / 150, 3),
                    temperature_c=temperature_c + number % 3 / 10,
                    uptime_s=50_000,
                )
            )
            while life.calls:
                contact = life.contact
                life.answer(works=True)
                life.contact = contact if stuck else life.contact

    return deed


def stretch(sample: Sample, polls: int, works: bool) -> Deed:
    """Polls that say the same; the relay answers at once."""

    def deed(life: Life) -> None:
        for _ in range(polls):
            life.wait(POLL_MS)
            life.read(sample)
            while life.calls:
                life.answer(works=works)

    return deed


def blind(polls: int, kind: str) -> Deed:
    def deed(life: Life) -> None:
        for _ in range(polls):
            life.wait(POLL_MS)
            life.send(GaugeFailed(kind=kind))

    return deed


def told(event: Event) -> Deed:
    return lambda life: life.send(event)


def waited(ms: int) -> Deed:
    return lambda life: life.wait(ms)


def answered(works: bool) -> Deed:
    return lambda life: life.answer(works=works)


def placed(supply: Supply, minutes: int) -> Deed:
    return lambda life: life.send(
        OverridePlaced(
            supply=supply,
            until_ms=life.now_ms + minutes * MINUTE_MS,
            because="visit",
            by="test",
        )
    )


def slept(hours: float) -> Deed:
    """Nothing is sent while the machine sleeps; reads go on a poll later at most."""

    def deed(life: Life) -> None:
        life.now_ms += round(hours * HOUR_MS)
        life.send(Resumed())

    return deed


def restarted(same_boot: bool, was_closed: bool, relay: Supply | None) -> Deed:
    def deed(life: Life) -> None:
        if was_closed:
            life.send(Stopping())
        life.calls.clear()
        life.run += 1
        if not same_boot:
            life.now_ms = 20_000
        life.send(Started(same_boot=same_boot, was_closed=was_closed, relay=relay))

    return deed


def settled(more: dict[str, object], relay_changed: bool) -> Deed:
    def deed(life: Life) -> None:
        policy = replace(life.state.policy, **more)  # type: ignore[arg-type]
        life.send(SettingsChanged(policy=policy, relay_changed=relay_changed))

    return deed


changes = st.fixed_dictionaries(
    {},
    optional={
        "marks": st.sampled_from(
            [
                Marks(low_percent=55.0, high_percent=65.0),
                Marks(low_percent=40.0, high_percent=80.0),
                None,
            ]
        ),
        "floor_percent": st.sampled_from([20.0, 25.0, 30.0]),
        "dwell_on_ms": st.sampled_from([5_000, 180_000, 900_000]),
        "dwell_off_ms": st.sampled_from([5_000, 180_000, 900_000]),
        "per_hour": st.sampled_from([2, 6]),
        "per_day": st.sampled_from([4, 48]),
        "fitted": st.booleans(),
    },
)
plans = st.sampled_from(
    [
        None,
        Marks(low_percent=80.0, high_percent=90.0),
        Marks(low_percent=35, high_percent=45),
    ]
)
polls = st.integers(1, 14)
calms = st.builds(
    calm,
    st.sampled_from([20.0, 30.0, 50.0, 55.0, 60.0, 66.0, 70.0]),
    st.integers(2, 80),
    st.sampled_from([25.0, 25.0, 25.0, 46.0, 62.0, -4.0]),
    st.sampled_from([False, False, False, True]),
)
deeds: st.SearchStrategy[Deed] = st.one_of(
    calms,
    calms,
    calms,
    calms,
    st.builds(stretch, samples, polls, st.sampled_from([True] * 5 + [False])),
    st.builds(stretch, samples, polls, st.sampled_from([True])),
    st.builds(blind, polls, st.sampled_from(["unavailable", "refused"])),
    st.builds(lambda sample: lambda life: life.read(sample), samples),
    st.builds(waited, waits),
    st.builds(answered, st.booleans()),
    st.builds(placed, st.sampled_from(Supply), st.sampled_from([1, 30, 600])),
    st.builds(slept, st.sampled_from([0.001, 0.5, 9.0])),
    st.builds(
        restarted,
        st.booleans(),
        st.booleans(),
        st.sampled_from([None, Supply.ON, Supply.OFF]),
    ),
    st.builds(settled, changes, st.booleans()),
    st.builds(
        told,
        st.one_of(
            st.builds(RelayReported, said=st.sampled_from(RelaySaid)),
            st.builds(PlanChanged, marks=plans, why=st.sampled_from(PlanReason)),
            st.sampled_from(
                [
                    OverrideReleased(by="test"),
                    NeighbourSwitched(),
                    Proved(),
                    LogLost(),
                    LogBack(),
                    TimePassed(),
                ]
            ),
        ),
    ),
)
policies = st.builds(
    Policy,
    marks=st.just(Marks(low_percent=55.0, high_percent=65.0)),
    floor_percent=st.just(FLOOR),
    host_is_device=st.booleans(),
    fails_on=st.sampled_from([True, True, True, False]),
    can_read_back=st.booleans(),
    gauge_needs_supply=st.booleans(),
    max_off_ms=st.just(MAX_OFF_MS),
    proof=st.sampled_from([Proof.EXTERNAL_POWER] * 3 + [Proof.CHARGING]),
    per_hour=st.sampled_from([2, 6]),
    per_day=st.sampled_from([4, 48]),
)
lives = st.builds(
    lambda policy, done: _lived(policy, done),
    policies,
    st.lists(deeds, min_size=5, max_size=16),
)


def _lived(policy: Policy, done: list[Deed]) -> Life:
    life = Life(policy)
    for deed in done:
        deed(life)
        life.wait(1)
    return life


def limits(life: Life) -> Limits:
    policy = life.first.policy
    return Limits(
        max_off_ms=MAX_OFF_MS if policy.gauge_needs_supply else 0,
        per_hour=policy.per_hour,
        per_day=policy.per_day,
    )


def switches(one: Step) -> list[SwitchSupply]:
    return [effect for effect in one.effects if isinstance(effect, SwitchSupply)]


@few
@given(lives)
def test_every_promise_is_kept_and_the_floor_wins_at_once(life: Life) -> None:
    # Floor, dwell, budget, trusted readings before an off, blindness, alarms in turn.
    assert Notebook(limits(life)).follow(life.steps) == []
    for one in life.steps:
        event, after = one.event, one.after
        at_floor = (
            isinstance(event, ReadingArrived)
            and event.reading.why_not is None
            and event.reading.soc_percent <= after.policy.floor_percent
        )
        controlled = after.policy.marks is not None and not after.drive.stopped
        heat = "battery_critical_heat" in {alarm.value for alarm in after.alarms}
        if at_floor and controlled and not heat:
            assert after.drive.commanded is Supply.ON


@few
@given(lives)
def test_replay_gives_the_same_and_a_step_changes_nothing_else(life: Life) -> None:
    state = life.first
    for number, one in enumerate(life.steps):
        kept = copy.deepcopy(state) if number % 16 == 0 else None
        after, effects = step(state, one.event, one.at_ms)
        assert (after, effects) == (one.after, one.effects)
        if kept is not None:
            assert state == kept
        state = after
    assert state == life.state


@few
@given(lives)
def test_what_the_shell_is_asked_for_can_be_done(life: Life) -> None:
    # One command a step, none after a stop, times ahead, no off that locks it up.
    stopped = False
    for one in life.steps:
        stopped = stopped and not isinstance(one.event, Started)
        told = switches(one)
        assert len(told) <= (0 if stopped else 1)
        stopped = stopped or isinstance(one.event, Stopping)
        if one.before.policy.off_is_refused and one.after.policy.off_is_refused:
            assert not [call for call in told if call.supply is Supply.OFF]
        for effect in one.effects:
            if isinstance(effect, ReadSoon):
                assert effect.at_ms >= one.at_ms
            if isinstance(effect, WakeAt):
                assert effect.at_ms > one.at_ms
    # Whatever came before, the last word of a stop is on; who only measures is silent.
    life.send(Stopping())
    assert life.state.drive.commanded is not Supply.OFF
    if life.state.policy.marks is not None:
        last = next(told[-1] for one in reversed(life.steps) if (told := switches(one)))
        assert last.supply is Supply.ON
