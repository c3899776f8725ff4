"""Core and twin: one station lived by ``step`` alone, in an event loop of its own.

The shell's part is played as plainly as it can be: one relay call at a time, an off
that waits yields to what comes after it, reads when they are asked for, a wake-up,
the relay's timer refreshed. The device's clock never stops; that of the daemon's host
begins anew with each boot. What happens by incident is ``core_incidents``; who judges
is ``core_witness``.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable
from typing import Final, NamedTuple

from support.search.core_gauge import CoreGauge
from support.search.core_relay import CoreRelay
from support.search.core_site import CoreSite
from tidegate.core.controller import step
from tidegate.core.effects import (
    Effect,
    ReadSoon,
    RefreshDeadMan,
    SwitchSupply,
    WakeAt,
)
from tidegate.core.events import (
    Event,
    GaugeFailed,
    ReadingArrived,
    RelayReported,
    RelaySaid,
    Resumed,
    Started,
    Stopping,
    SwitchingFailed,
    SwitchingSucceeded,
    TimePassed,
)
from tidegate.core.plausibility import judge
from tidegate.core.policy import Proof
from tidegate.core.reading import Supply
from tidegate.core.state import State, fresh
from tidegate.twin.world import World as Calendar

BOOTED_AT_MS: Final = 1_000_000
WALL_MS: Final = 1_760_000_000_000
READ_AFTER_MS: Final = 1_500
CONTACT_POLLS: Final = 2
NEVER_MS: Final = 1 << 62


class Step(NamedTuple):
    """One call of ``step``, as a notebook wants it."""

    at_ms: int
    run: int
    event: Event
    effects: tuple[Effect, ...]


class CoreWorld:
    """A station and all that belongs to it. ``true_ms`` is the device's clock."""

    def __init__(self, site: CoreSite, calendar: Calendar) -> None:
        self.site = site
        self.relay = CoreRelay(site, calendar)
        self.device = self.relay.device
        self.gauge = CoreGauge(site, self.device)
        self.state = fresh(site.policy)
        self.true_ms = 0
        self.boot_ms = -BOOTED_AT_MS
        self.run = 0
        self.is_up = self.is_forgetful = False
        self.wall_by_ms = 0
        self.switchings = 0
        self.crashes = 0
        self.reasons: Counter[str] = Counter()
        self.last: deque[tuple[int, Step]] = deque(maxlen=200)
        self.onlooker: Callable[[Step, State], None] = lambda one, before: None
        self.on_stop: Callable[[bool], None] = lambda done: None
        self.timeline: deque[tuple[int, Callable[[], None]]] = deque()
        self._asleep: set[int] = set()
        self._starts: tuple[bool, bool] | None = None
        self._boots = 1
        self._calls: deque[tuple[SwitchSupply, int]] = deque()
        self._call_ends_ms: int | None = None
        self._poll_at_ms = self._soon_at_ms = self._wake_at_ms = NEVER_MS
        self._looks = 0
        self._said: RelaySaid | None = None

    # --- the clock ------------------------------------------------------------------

    @property
    def now_ms(self) -> int:
        """The boot clock of the daemon's host."""
        return self.true_ms - self.boot_ms

    def live(self, until_ms: int, watch: Callable[[], None]) -> None:
        """Let time pass; ``watch`` looks at the device at every poll."""
        while True:
            if self._calls and self._call_ends_ms is None:
                self._begin_call()
            due_ms = self._due_ms()
            if due_ms >= until_ms:
                break
            self.true_ms = max(self.true_ms, due_ms)
            self._happen(watch)
        self.true_ms = until_ms
        self.device.advance_to(until_ms)
        watch()

    def _due_ms(self) -> int:
        due_ms = self._poll_at_ms
        if self._soon_at_ms < due_ms:
            due_ms = self._soon_at_ms
        if self._wake_at_ms < due_ms:
            due_ms = self._wake_at_ms
        if self._call_ends_ms is not None and self._call_ends_ms < due_ms:
            due_ms = self._call_ends_ms
        if self.timeline and self.timeline[0][0] < due_ms:
            due_ms = self.timeline[0][0]
        turns_at_ms = self.relay.turns_at_ms
        if turns_at_ms is not None and turns_at_ms < due_ms:
            due_ms = turns_at_ms
        return due_ms

    def _happen(self, watch: Callable[[], None]) -> None:
        now_ms = self.true_ms
        while self.timeline and self.timeline[0][0] <= now_ms:
            self.device.advance_to(now_ms)
            self.timeline.popleft()[1]()
        self._follow_device()
        if self._call_ends_ms is not None and now_ms >= self._call_ends_ms:
            self._end_call()
        if self.site.is_fed:
            self._feed_relay()
        if now_ms >= self._wake_at_ms:
            self._wake_at_ms = NEVER_MS
            self.send(TimePassed())
        polls = now_ms >= self._poll_at_ms
        if polls:
            self._poll_at_ms = now_ms + self.state.policy.poll_ms
        if polls or now_ms >= self._soon_at_ms:
            self._soon_at_ms = NEVER_MS
            self.device.advance_to(now_ms)
            self._follow_device()
            watch()
            self.read()
            if polls:
                self._look_at_relay()

    # --- the daemon -----------------------------------------------------------------

    def start(self, *, same_boot: bool, was_closed: bool) -> None:
        """Begin a run of the daemon."""
        if not self.device.alive and self.state.policy.host_is_device:
            return
        if self._asleep and same_boot:
            self._starts = same_boot, was_closed
            return
        self._asleep.clear()
        self._starts = None
        self.is_up = True
        self.run += 1
        if not same_boot:
            self.boot_ms = self.true_ms - BOOTED_AT_MS
        self._poll_at_ms = self.true_ms + 1_000
        said = self._asked() if self.state.policy.can_read_back else None
        self.send(Started(same_boot=same_boot, was_closed=was_closed, relay=said))

    def sleep(self, number: int, until_ms: int) -> None:
        """Suspend the host: a call that was under way ends then, no read happens."""
        self._asleep.add(number)
        if self._call_ends_ms is not None:
            self._call_ends_ms = max(self._call_ends_ms, until_ms)
        self._poll_at_ms = max(self._poll_at_ms, until_ms)
        if self._soon_at_ms < NEVER_MS:
            self._soon_at_ms = max(self._soon_at_ms, until_ms)
        if self._wake_at_ms < NEVER_MS:
            self._wake_at_ms = max(self._wake_at_ms, until_ms)

    def wake(self, number: int) -> None:
        """Resume the host, where no other suspend lasts."""
        if number not in self._asleep:
            return
        self._asleep.discard(number)
        if not self._asleep and self._starts is None:
            self.send(Resumed())
        elif not self._asleep and self._starts is not None:
            same_boot, was_closed = self._starts
            self.start(same_boot=same_boot, was_closed=was_closed)

    def forget(self) -> None:
        """Lose the log: the next run knows nothing of those before."""
        self.state = fresh(self.state.policy)
        self.is_forgetful = True

    def fall(self) -> None:
        """End the run at once, with whatever was under way."""
        self.is_up = False
        self._calls.clear()
        self._call_ends_ms = None
        self._soon_at_ms = self._wake_at_ms = NEVER_MS
        # The device is looked at all the same.
        self._poll_at_ms = self.true_ms + self.state.policy.poll_ms

    def restore(self) -> bool:
        """Do what is done where no daemon is: supply on, with the polarity found."""
        self.device.advance_to(self.true_ms)
        return self.relay.set(_said(Supply.ON, swapped=self.state.drive.swapped))

    def send(self, event: Event) -> None:
        """Let the core take an event, tell the onlooker, and obey."""
        if not self.is_up or self._asleep:
            return
        before, now_ms = self.state, self.now_ms
        self.state, effects = step(before, event, now_ms)
        one = Step(now_ms, self.run, event, effects)
        self.last.append((self.true_ms, one))
        self.reasons[self.state.reason] += 1
        self._wake_at_ms = NEVER_MS
        for effect in effects:
            if isinstance(effect, WakeAt):
                self._wake_at_ms = effect.at_ms + self.boot_ms
            elif isinstance(effect, RefreshDeadMan):
                if self.site.dead_man_ms is not None:
                    self.relay.refresh()
            elif isinstance(effect, ReadSoon):
                self._read_at(effect.at_ms + self.boot_ms)
            elif isinstance(effect, SwitchSupply):
                self.reasons[effect.reason] += 1
                self._calls.append((effect, now_ms))
        self.onlooker(one, before)
        self.is_forgetful = False

    def _read_at(self, at_ms: int) -> None:
        self._soon_at_ms = max(self.true_ms, min(self._soon_at_ms, at_ms))

    def _follow_device(self) -> None:
        """A host that is the device dies with it, and boots with it."""
        device = self.device
        if not self.state.policy.host_is_device:
            return
        if self.is_up and (not device.alive or device.boots != self._boots):
            self.fall()
            self.crashes += 1
            self.relay.lose_power()
        if not self.is_up and device.alive and device.boots != self._boots:
            self._boots = device.boots
            self.start(same_boot=False, was_closed=False)

    # --- gauge and relay ------------------------------------------------------------

    def read(self) -> None:
        """Read the gauge."""
        if not self.is_up:
            return
        sample = self.gauge.sample()
        if sample is None:
            self.send(GaugeFailed(kind="unavailable"))
            return
        wall_ms = WALL_MS + self.true_ms + self.wall_by_ms
        reading = judge(sample, at_ms=self.now_ms, wall_ms=wall_ms)
        self.send(ReadingArrived(reading=reading))

    def _begin_call(self) -> None:
        call, told_at_ms = self._calls[0]
        self.device.advance_to(self.true_ms)
        if not call.urgent:
            self.read()
        if len(self._calls) > 1 and call.supply is Supply.OFF:
            # Nothing is told yet, so an off yields to what comes after it.
            self._calls.popleft()
            self.send(
                SwitchingFailed(
                    supply=Supply.OFF, kind="dropped", told_at_ms=told_at_ms
                )
            )
        elif self._calls:
            self._call_ends_ms = self.true_ms + self.relay.takes_ms

    def _end_call(self) -> None:
        call, told_at_ms = self._calls.popleft()
        self._call_ends_ms = None
        self.device.advance_to(self.true_ms)
        done = self.relay.set(_said(call.supply, swapped=call.swapped))
        if done:
            self.switchings += 1
            self._said = RelaySaid(call.supply.value)
            self._read_at(self.true_ms + READ_AFTER_MS)
            self.send(SwitchingSucceeded(supply=call.supply, told_at_ms=told_at_ms))
        else:
            self.send(
                SwitchingFailed(
                    supply=call.supply, kind="unavailable", told_at_ms=told_at_ms
                )
            )

    def _asked(self) -> Supply | None:
        said = self.relay.get() if self.relay.answers else None
        return None if said is None else _said(said, swapped=self.state.drive.swapped)

    def _look_at_relay(self) -> None:
        """Tell what is news of the relay, as often as the shell looks at it."""
        state, self._looks = self.state, self._looks + 1
        holds = state.policy.proof is Proof.CHARGING
        if not self.is_up or self._calls or state.drive.commanded is None:
            return
        if not holds and self._looks % CONTACT_POLLS:
            return
        if not self.relay.answers:
            if self._said is not RelaySaid.UNKNOWN:
                self._said = RelaySaid.UNKNOWN
                self.send(RelayReported(said=RelaySaid.UNKNOWN))
            return
        if not state.policy.can_read_back:
            if self._said is RelaySaid.UNKNOWN:
                # One that cannot tell is back: it shows only that it is there.
                self._say(state.drive.commanded)
            return
        supply = self._asked()
        assert supply is not None
        if RelaySaid(supply.value) is not self._said or supply is not (
            state.drive.commanded
        ):
            self._say(supply)

    def _say(self, supply: Supply) -> None:
        self._said = RelaySaid(supply.value)
        self.send(RelayReported(said=self._said))

    def _feed_relay(self) -> None:
        self.device.advance_to(self.true_ms)
        if self.relay.feed() and not self.relay.is_awake:
            self._said = RelaySaid.UNKNOWN
            self.send(RelayReported(said=RelaySaid.UNKNOWN))

    def stop(self) -> None:
        """End the run in good order; the last command is carried out yet."""
        self.device.advance_to(self.true_ms)
        self.send(Stopping())
        done = True
        if self._calls:
            call, _ = self._calls[-1]
            done = self.relay.set(_said(call.supply, swapped=call.swapped))
        self.fall()
        self.on_stop(done)


def _said(supply: Supply, *, swapped: bool) -> Supply:
    return supply.other if swapped else supply
