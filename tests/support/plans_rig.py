"""The real daemon with its plans on a twin, in virtual time. All numbers are invented.

Settings, service, cycle log, plans, gauge and relay are the real ones; device, charger
and clock are the twin's. The museum's hall guide idles at night and works by day.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Any, Final

from support import evidence
from tidegate.core.events import PlanChanged
from tidegate.core.reading import Sample
from tidegate.core.state import State
from tidegate.cyclelog.record import event_of
from tidegate.cyclelog.rows import EventRow
from tidegate.host import Machine, Workers
from tidegate.host.locks import Locks
from tidegate.host.workers import InlineWorker
from tidegate.plans.outlook import Outlook
from tidegate.service import Service
from tidegate.service.plans_part import PlansPart, outlook
from tidegate.settings import from_tables
from tidegate.twin import bench
from tidegate.twin.device import Device
from tidegate.twin.gauge import TwinGauge
from tidegate.twin.tables import TwinGaugeSettings
from tidegate.twin.truth import Diary
from tidegate.virtual import VirtualClock, run

HALL: Final = "hall"
HOUR_MS: Final = 3_600_000
BEGIN: Final = datetime(2026, 12, 7, 6, tzinfo=UTC)  # a Monday
BOOT_MS: Final = 600_000


@dataclass
class PlansRig:
    """One station. ``twin`` goes into its gauge's table, ``table`` into its own."""

    folder: Path
    twin: dict[str, Any] = field(default_factory=dict)
    table: dict[str, Any] = field(default_factory=dict)
    zone: tzinfo = UTC
    begin: datetime = BEGIN

    def __post_init__(self) -> None:
        self.log = self.folder / "cycles.db"
        wall_ms = round(self.begin.timestamp() * 1000)
        self.clock = VirtualClock(boot_ms=BOOT_MS, wall_ms=wall_ms)
        self.diary = Diary()
        self.service: Service | None = None
        self._bench = bench.Bench()
        gauge = TwinGaugeSettings.model_validate(self.gauge())
        device = self._bench.place(gauge.build(), gauge.world(BOOT_MS))
        device.observe(self.diary)

    def gauge(self) -> dict[str, Any]:
        """Return the gauge's table: a tablet of 6 Ah that takes 10 % an hour."""
        return {
            "kind": "twin",
            "device": HALL,
            "soc_percent": 60.0,
            "load_a": 0.6,
            "starts_at": self.begin.isoformat(),
            "cell": {"capacity_ah": 6.0, "r0_ohm": 0.05, "r1_ohm": 0.03, "c1_f": 1000},
            "charger": {"charge_a": 1.5, "supply_a": 2.1},
            **self.twin,
        }

    def station(self) -> dict[str, Any]:
        """Return the table of the station."""
        return {
            "poll": "2min",
            "gauge": self.gauge(),
            "relay": {"kind": "twin", "device": HALL},
            "window": {"low": 55, "high": 65},
            **self.table,
        }

    def made(self) -> Service:
        """Return a daemon that is not yet running."""
        return Service(
            from_tables(
                {"log": {"path": str(self.log)}, "station": {HALL: self.station()}}
            ),
            clock=self.clock,
            machine=Machine(
                self.clock,
                workers=Workers(InlineWorker),
                locks=Locks(self.folder / "locks"),
            ),
            threaded=False,
            parts=(PlansPart(zone=self.zone),),
        )

    @asynccontextmanager
    async def living(self) -> AsyncIterator[None]:
        """Run a daemon and stop it in good order."""
        service = self.service = self.made()
        lease = await service.machine.links.take(
            bench.key(HALL), bench.opener(self._bench)
        )
        task = asyncio.get_running_loop().create_task(service.run())
        await asyncio.sleep(1)
        try:
            yield
        finally:
            service.end()
            await asyncio.wait({task})
            task.result()
            await service.machine.links.give_back(lease)
            assert not service.broken

    def lives(self, life: Callable[[], Coroutine[Any, Any, None]]) -> None:
        """Run a life in virtual time."""
        run(life(), clock=self.clock)

    async def live(self, hours: float) -> None:
        """Let time pass."""
        await asyncio.sleep(hours * 3600)

    async def live_to(self, at: datetime) -> None:
        """Let time pass until the wall clock shows this."""
        now_ms = self.clock.wall_ms()
        await asyncio.sleep((round(at.timestamp() * 1000) - now_ms) / 1000)

    # --- looking ----------------------------------------------------------------------

    @property
    def device(self) -> Device:
        assert self._bench.device is not None
        self._bench.device.advance_to(self.clock.boot_ms())
        return self._bench.device

    @property
    def state(self) -> State:
        assert self.service is not None
        state = self.service.stations[HALL].state
        assert state is not None
        return state

    @property
    def marks(self) -> tuple[float, float]:
        """The marks in force."""
        return self.state.low_percent, self.state.high_percent

    def outlook(self) -> Outlook | None:
        assert self.service is not None
        return outlook(self.service, HALL)

    def plans(self) -> list[tuple[EventRow, PlanChanged]]:
        """Return each row about a plan, of a log that is sound and replays."""
        found = []
        for entry in evidence.sound(self.log, HALL):
            row = entry.row
            if isinstance(row, EventRow) and row.kind == "plan_changed":
                event = event_of(row)
                assert isinstance(event, PlanChanged)
                found.append((row, event))
        return found

    def why(self) -> list[str]:
        """Return why the marks changed, one after another."""
        return [event.why.value for _, event in self.plans() if event.why is not None]


class FakeStaleFullCharge(TwinGauge):
    """A twin's gauge with a charge counter that still tells the full charge of the new
    pack: the real twin's gauge tells its true one, so that measuring finds nothing new.
    """

    TOLD_AH: Final = 7.0

    async def read(self) -> Sample:
        sample = await super().read()
        return replace(sample, full_charge_ah=self.TOLD_AH)
