"""The real service between fake backends, in virtual time, with a journal of it all.

Service, stations, cycle log and reader are the real ones. Gauge and relay are fakes,
because no real one can be made to hang, lie or land late on order; the device behind
them rises and falls along straight lines. All numbers are invented.
"""

from __future__ import annotations

import asyncio
import io
import json
from collections import Counter, deque
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import ExitStack, asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final
from unittest import mock

from support import evidence
from tidegate import assembly, notice
from tidegate.contract import Gauge, GaugeFacts, Host, Readback, Relay, RelayFacts
from tidegate.core.policy import HOUR_MS
from tidegate.core.reading import BatteryStatus, ExternalPower, Sample, Supply
from tidegate.core.state import State
from tidegate.cyclelog.rows import AlarmRow, Entry, Row
from tidegate.cyclelog.writer import Writer
from tidegate.errors import Unavailable
from tidegate.host import Machine, Workers
from tidegate.host.locks import Locks
from tidegate.host.workers import InlineWorker
from tidegate.service import Service, root
from tidegate.settings import from_tables
from tidegate.virtual import VirtualClock, run

ON, OFF = Supply.ON, Supply.OFF
START_MS: Final = 600_000
NEVER_S: Final = 1e6


@dataclass
class Device:
    """A battery, its load and charger, and the contact in its supply."""

    soc_percent: float = 60.0
    load_percent_h: float = 12.0
    charge_percent_h: float = 20.0
    temperature_c: float = 25.0
    contact: Supply = ON
    mains: bool = True
    shows_power: bool = True
    at_ms: int = START_MS

    @property
    def is_fed(self) -> bool:
        return self.mains and self.contact is ON

    def advance(self, now_ms: int) -> None:
        rate = self.charge_percent_h if self.is_fed else -self.load_percent_h
        hours = (now_ms - self.at_ms) / HOUR_MS
        self.soc_percent = min(100.0, max(0.0, self.soc_percent + rate * hours))
        self.at_ms = now_ms

    def sample(self) -> Sample:
        power = ExternalPower.YES if self.is_fed else ExternalPower.NO
        status = BatteryStatus.CHARGING if self.is_fed else BatteryStatus.DISCHARGING
        return Sample(
            soc_percent=float(int(self.soc_percent)),
            battery_status=status if self.shows_power else BatteryStatus.UNKNOWN,
            external_power=power if self.shows_power else ExternalPower.UNKNOWN,
            voltage_v=3.5 + round(self.soc_percent / 100, 3),
            temperature_c=self.temperature_c,
        )


@dataclass(frozen=True)
class Note:
    """One line of the journal: when, which station, what."""

    at_ms: int
    station: str
    what: str
    more: Any = None


@dataclass
class Mood:
    """How a call goes: it takes so long, then raises, or answers with ``answer``.

    ``is_deaf``: the call does not let itself be cancelled. ``outlives``: what was
    asked for happens after all when its time has come, even if the caller gave up;
    ``survives_close``: even if the link was closed meanwhile.
    """

    takes_s: float = 0.0
    error: BaseException | None = None
    answer: Any = ...
    is_deaf: bool = False
    outlives: bool = False
    survives_close: bool = False


RESIDUE_S: Final = 1e-4
FINE: Final = Mood()
HANGS: Final = Mood(takes_s=NEVER_S)


async def _taking(mood: Mood) -> None:
    loop = asyncio.get_running_loop()
    end_s = loop.time() + mood.takes_s
    while end_s - loop.time() > RESIDUE_S:  # seconds are floats here
        try:
            await asyncio.sleep(end_s - loop.time())
        except asyncio.CancelledError:
            if not mood.is_deaf:
                raise


class _Fake:
    """What both fakes have: moods by call, the next ones first, then the standing."""

    def __init__(self, rig: Rig, name: str, host: Host) -> None:
        self.rig, self.name, self.host = rig, name, host
        self.standing: dict[str, Mood] = {}
        self.next: dict[str, deque[Mood]] = {}
        self.calls: Counter[str] = Counter()
        self.is_open = False

    def order(self, call: str, mood: Mood, times: int | None = None) -> None:
        """Put the next ``times`` calls, or every later one, into this mood."""
        if times is None:
            self.standing[call] = mood
        else:
            self.next.setdefault(call, deque()).extend([mood] * times)

    def mood(self, call: str) -> Mood:
        self.calls[call] += 1
        if self.next.get(call):
            return self.next[call].popleft()
        return self.standing.get(call, FINE)

    async def _call(self, call: str) -> Mood:
        mood = self.mood(call)
        await _taking(mood)
        if mood.error is not None:
            raise mood.error
        return mood

    async def open(self) -> None:
        self.rig.note(self.name, f"{self.part} open")
        await self._call("open")
        self.is_open = True

    async def close(self) -> None:
        self.is_open = False
        self.rig.note(self.name, f"{self.part} close")
        await self._call("close")

    part = ""


class FakeGauge(_Fake, Gauge):
    """Reads the device."""

    part = "gauge"

    def __init__(self, rig: Rig, name: str, host: Host, facts: GaugeFacts) -> None:
        _Fake.__init__(self, rig, name, host)
        self._facts = facts

    @property
    def facts(self) -> GaugeFacts:
        return self._facts

    async def read(self) -> Sample:
        self.rig.note(self.name, "read")
        mood = await self._call("read")
        if not self.is_open:
            raise Unavailable("not open", target=self.name, remedy="Open it.")
        if mood.answer is not ...:
            return mood.answer
        return self.rig.now(self.name).sample()


class FakeRelay(_Fake, Relay):
    """Moves the contact of the device."""

    part = "relay"

    def __init__(self, rig: Rig, name: str, host: Host, facts: RelayFacts) -> None:
        _Fake.__init__(self, rig, name, host)
        self.facts_now = facts
        self.at_once = self.most_at_once = 0
        self.cancelled = 0
        self.opened = 0
        self._hands: set[asyncio.Task[None]] = set()

    @property
    def facts(self) -> RelayFacts:
        return self.facts_now

    async def open(self) -> None:
        await super().open()
        self.opened += 1

    async def set(self, supply: Supply) -> None:
        self.rig.note(self.name, "told", supply)
        self.at_once += 1
        self.most_at_once = max(self.most_at_once, self.at_once)
        mood = self.mood("set")
        if not self.is_open:
            mood = Mood(
                error=Unavailable("not open", target=self.name, remedy="Open it.")
            )
        hand = asyncio.get_running_loop().create_task(
            self._hand(supply, mood, self.opened)
        )
        self._hands.add(hand)
        hand.add_done_callback(self._hands.discard)
        try:
            await (asyncio.shield(hand) if mood.outlives else hand)
        except asyncio.CancelledError:
            self.cancelled += 1
            raise
        finally:
            self.at_once -= 1

    async def _hand(self, supply: Supply, mood: Mood, opened: int) -> None:
        await _taking(mood)
        if mood.error is not None:
            raise mood.error
        if opened != self.opened and not mood.survives_close:
            raise Unavailable("was closed meanwhile", target=self.name, remedy="None.")
        self.rig.note(self.name, "moved", supply)
        if mood.answer is not False:
            self.rig.now(self.name).contact = supply

    async def get(self) -> Supply | None:
        self.rig.note(self.name, "asked")
        mood = await self._call("get")
        if not self.is_open:
            raise Unavailable("not open", target=self.name, remedy="Open it.")
        if mood.answer is not ...:
            return mood.answer
        if self.facts_now.readback < Readback.LATCH:
            return None
        return self.rig.now(self.name).contact

    async def refresh(self) -> None:
        self.rig.note(self.name, "refreshed")
        await self._call("refresh")


class JournalWriter(Writer):
    """The real writer, which notes in the rig's journal what became durable when.

    ``takes_s`` stands for a slow disk: a commit is written so much later, whether or
    not somebody still waits for it, as the writer's thread would.
    """

    rig: Rig

    def append(self, row: Row) -> int:
        row_id = super().append(row)
        self.rig.appended[row_id] = row
        return row_id

    async def commit(self, limit_s: float | None = None) -> None:
        takes_s = self.rig.disk_takes_s
        if not takes_s:
            await self._made()
            return
        work = asyncio.get_running_loop().create_task(self._later(takes_s))
        self.rig.writing.add(work)
        work.add_done_callback(self.rig.writing.discard)
        # Whoever gave up does not hear of its end.
        work.add_done_callback(lambda ended: ended.cancelled() or ended.exception())
        async with asyncio.timeout(limit_s):
            await asyncio.shield(work)

    async def _later(self, takes_s: float) -> None:
        await asyncio.sleep(takes_s)
        await self._made()

    async def _made(self) -> None:
        await super().commit()
        rig = self.rig
        for row_id in sorted(rig.appended):
            row = rig.appended.pop(row_id)
            rig.note(getattr(row, "station", ""), f"durable {type(row).__name__}", row)

    async def close(self) -> None:
        try:
            if self.rig.disk_takes_s:
                await asyncio.sleep(self.rig.disk_takes_s)
        finally:
            await super().close()


@dataclass
class Rig:
    """Stations by name: ``names`` share one board, those ``apart`` have one each.

    ``table`` goes into the settings of each, ``facts`` are what its backends declare.
    """

    folder: Path
    names: tuple[str, ...] = ("lobby",)
    apart: tuple[str, ...] = ()
    clock: VirtualClock = field(default_factory=lambda: VirtualClock(boot_ms=START_MS))
    relay_facts: dict[str, Any] = field(default_factory=dict)
    gauge_facts: dict[str, Any] = field(default_factory=dict)
    table: dict[str, Any] = field(default_factory=dict)
    threaded: bool = False

    def __post_init__(self) -> None:
        self.log = self.folder / "cycles.db"
        self.devices = {name: Device(at_ms=self.clock.boot_ms()) for name in self.names}
        self.gauges: dict[str, FakeGauge] = {}
        self.relays: dict[str, FakeRelay] = {}
        self.journal: list[Note] = []
        self.appended: dict[int, Row] = {}
        self.writing: set[asyncio.Task[None]] = set()
        self.disk_takes_s = 0.0
        self.service: Service | None = None
        self.task: asyncio.Task[None] | None = None
        self.prepare: Callable[[], None] = lambda: None
        self.cycles = 0
        self._messages = io.StringIO()
        notice.configure(stream=self._messages)

    # --- the daemon -------------------------------------------------------------------

    def made(self) -> Service:
        places = [("board", n, name) for n, name in enumerate(self.names, start=1)]
        places += [(f"board of {name}", 1, name) for name in self.apart]
        stations = {
            name: {
                "gauge": {"kind": "twin", "device": name, "host_is_device": True},
                "relay": {"kind": "twin", "device": board, "channel": channel},
                "window": {"low": 55, "high": 65},
                **self.table,
            }
            for board, channel, name in places
        }
        return Service(
            from_tables({"log": {"path": str(self.log)}, "station": stations}),
            clock=self.clock,
            machine=Machine(
                self.clock,
                workers=Workers(InlineWorker),
                locks=Locks(self.folder / "locks"),
            ),
            threaded=self.threaded,
            on_cycle=self._cycled,
        )

    @asynccontextmanager
    async def living(self) -> AsyncIterator[None]:
        """Run the daemon and stop it in good order at the end."""
        with self.patched():
            await self.begin()
            await asyncio.sleep(0.001)
            try:
                yield
                self.check_lives()
            finally:
                await self.end()

    def patched(self) -> ExitStack:
        stack = ExitStack()
        writer = type("RigWriter", (JournalWriter,), {"rig": self})
        for place, name, instead in (
            (assembly, "make_gauge", self._gauge),
            (assembly, "make_relay", self._relay),
            (root, "Writer", writer),
        ):
            stack.enter_context(mock.patch.object(place, name, instead))
        return stack

    async def begin(self) -> None:
        """Start the daemon; needs ``patched``."""
        self.service = self.made()
        self.task = asyncio.get_running_loop().create_task(self.service.run())

    async def end(self) -> None:
        """Stop it in good order."""
        assert self.service is not None
        assert self.task is not None
        self.service.end()
        await asyncio.wait({self.task})
        self.task.result()

    async def crash(self) -> None:
        """Drop it as a kill does: nothing more is told, nothing more is written."""
        assert self.service is not None
        assert self.task is not None
        for station in self.service.stations.values():
            if station._wake is not None:
                station._wake.cancel()
        mine = {asyncio.current_task(), self.task}
        doomed = asyncio.all_tasks() - mine
        for task in doomed:
            task.cancel()
        await asyncio.wait(doomed, timeout=1)
        writer = self.service.writer
        with mock.patch.object(Service, "_stop", _nothing):
            self.task.cancel()
            await asyncio.wait({self.task})
        # The kernel closes what the dead process held; what waited is lost with it.
        writer._file.close()
        for station in self.service.stations.values():
            assert station.relay is not None
            station.relay._line.unlock()
        self.appended.clear()

    def _gauge(self, settings: Any, host: Host) -> Gauge:
        del settings
        known = {"needs_supply": False, "host_is_device": True, "latency_s": 0.0}
        facts = GaugeFacts(**(known | self.gauge_facts))
        made = FakeGauge(self, host.station, host, facts)
        self.gauges[host.station] = made
        self.prepare()
        return made

    def _relay(self, settings: Any, host: Host) -> Relay:
        del settings
        known = {
            "readback": Readback.NONE,
            "reopen_disturbs": False,
            "latency_s": 0.0,
            "fails_on": True,
        }
        facts = RelayFacts(**(known | self.relay_facts))
        made = FakeRelay(self, host.station, host, facts)
        self.relays[host.station] = made
        self.prepare()
        return made

    def _cycled(self) -> None:
        self.cycles += 1

    async def commit(self, name: str = "lobby") -> None:
        """Make durable what waits for its quarter of an hour."""
        assert self.service is not None
        await self.service.stations[name].cycle_log.commit(1.0)

    # --- time -------------------------------------------------------------------------

    def check_lives(self) -> None:
        assert self.service is not None
        assert self.task is not None
        if self.task.done() and self.task.exception() is not None:
            raise AssertionError(f"the service ended: {self.task.exception()!r}")
        assert not self.task.done(), "the service ended"
        assert not self.service.broken, self.said()

    async def live(self, for_s: float) -> None:
        await asyncio.sleep(for_s)
        self.check_lives()

    async def until(
        self, holds: Callable[[], bool], within_s: float, what: str
    ) -> None:
        """Let virtual time pass in steps of 50 ms until something holds."""
        end_ms = self.clock.boot_ms() + within_s * 1_000
        while not holds():
            self.check_lives()
            assert self.clock.boot_ms() < end_ms, f"not within {within_s} s: {what}"
            await asyncio.sleep(0.05)

    async def until_told(self, supply: Supply, name: str = "lobby") -> None:
        """Let time pass until the relay was told this, from now on."""
        seen = len(self.notes("told", name))

        def told() -> bool:
            return any(n.more is supply for n in self.notes("told", name)[seen:])

        await self.until(told, 7_200, f"{supply} was told")

    async def settled_off(self, name: str = "lobby") -> None:
        """Let the station switch off at its high mark, with its effect proven."""
        self.devices[name].soc_percent = 66.0
        await self.until(
            lambda: self.state(name).drive.off_proven, 600, "an off with its effect"
        )

    # --- looking ----------------------------------------------------------------------

    def now(self, name: str) -> Device:
        device = self.devices[name]
        device.advance(self.clock.boot_ms())
        return device

    def note(self, station: str, what: str, more: Any = None) -> None:
        self.journal.append(Note(self.clock.boot_ms(), station, what, more))

    def notes(self, what: str, name: str = "lobby") -> list[Note]:
        return [n for n in self.journal if n.what == what and n.station == name]

    def state(self, name: str = "lobby") -> State:
        assert self.service is not None
        state = self.service.stations[name].state
        assert state is not None
        return state

    def alarmed(self, code: str, name: str = "lobby") -> bool:
        return code in {alarm.value for alarm in self.state(name).alarms}

    def entries(self, name: str = "lobby") -> list[Entry]:
        return evidence.rows(self.log, name)

    def rows(self, kind: type[Any], name: str = "lobby") -> list[Any]:
        return [e.row for e in self.entries(name) if isinstance(e.row, kind)]

    def alarm_rows(self, code: str, name: str = "lobby") -> list[bool]:
        return [row.raised for row in self.rows(AlarmRow, name) if row.code == code]

    def sound(self, name: str = "lobby") -> list[Entry]:
        return evidence.sound(self.log, name)

    def said(self, message: str | None = None) -> list[dict[str, Any]]:
        lines = [json.loads(line) for line in self._messages.getvalue().splitlines()]
        return [line for line in lines if message in (None, line["message"])]


def lives(rig: Rig, life: Callable[[], Coroutine[Any, Any, None]]) -> None:
    """Run a life in virtual time."""
    run(life(), clock=rig.clock)


async def _nothing(*_: object) -> None:
    """Stand in for a stop that a killed process never makes."""


def broken_log(log: Path) -> Callable[[], None]:
    """Put a folder in the place of the log; returns what takes it away again."""
    away = log.with_name("away")
    log.rename(away)
    log.mkdir()

    def mend() -> None:
        log.rmdir()
        away.rename(log)

    return mend
