"""Invented devices on the twin under the real daemon: what it does to each in a time.

A device comes from a number. What it lived through is told by the twin itself: the
path of its true charge, and how often its contact moved.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from typing import Any

from tidegate.core.policy import DAY_MS, HOUR_MS, MINUTE_MS
from tidegate.host import Machine, Workers
from tidegate.host.locks import Locks
from tidegate.host.workers import InlineWorker
from tidegate.service import Service
from tidegate.settings import from_tables
from tidegate.twin import bench
from tidegate.twin.device import Device
from tidegate.twin.tables import TwinGaugeSettings
from tidegate.twin.truth import Truth
from tidegate.virtual import VirtualClock, run

STATION = "hall"
BOOT_MS = 10 * MINUTE_MS
STARTS_AT = datetime(2025, 6, 2, tzinfo=UTC)  # a Monday
# The first day, in which the charge comes into its window, does not count.
SETTLED_MS = DAY_MS


@dataclass(frozen=True, kw_only=True)
class Run:
    """A charge window with its dwell, and what the supply gives."""

    low: float
    high: float
    dwell_min: float
    supply_a: float


@dataclass(frozen=True, kw_only=True)
class Lived:
    """What a device lived through in so many days, the first one left out."""

    days: float
    efc: float
    switchings: int

    @property
    def efc_per_year(self) -> float:
        return self.efc * 365 / self.days

    @property
    def switchings_per_year(self) -> float:
        return self.switchings * 365 / self.days


@dataclass(frozen=True, kw_only=True)
class TwinDevice:
    """One device. ``seen`` is how its log was made, ``asked`` what is to be told.

    ``reconnect_s``: the gauge is reached over the switched supply and comes back so
    long after an on; ``None`` where it needs none.
    """

    seed: int
    capacity_ah: float
    load_a: tuple[float, ...]
    charge_a: float
    ohm: float
    around_c: tuple[float, ...]
    poll_s: int
    quirks: dict[str, float]
    floor: float
    seen: Run
    asked: Run
    reconnect_s: int | None = None

    def gauge(self, under: Run) -> dict[str, Any]:
        """Return the table of the gauge, which holds the device."""
        return {
            "kind": "twin",
            "device": STATION,
            "seed": self.seed,
            "starts_at": STARTS_AT.isoformat(),
            "soc_percent": (under.low + under.high) / 2,
            "load_a": list(self.load_a),
            "around_c": list(self.around_c),
            "cell": {
                "capacity_ah": self.capacity_ah,
                "r0_ohm": self.ohm,
                "r1_ohm": 0.6 * self.ohm,
                "c1_f": 1000.0,
            },
            "charger": {"charge_a": self.charge_a, "supply_a": under.supply_a},
            "quirks": {"step_percent": 1.0, "refresh_s": 10.0, **self.quirks},
            "needs_supply": self.reconnect_s is not None,
            "reconnect_s": self.reconnect_s or 0,
        }

    def lives(
        self, under: Run, days: float, log: Path, *, settled_ms: int = SETTLED_MS
    ) -> Lived:
        """Let the real daemon keep it, in virtual time; ``settled_ms`` do not count."""
        return _Life(self, under, days, log, settled_ms).run()

    def lasts_h(self, under: Run, at_hour: int) -> float:
        """Return how long the battery alone brings its gauge from low mark to floor.

        Mains fail when the gauge first shows the low mark, at an hour of the week.
        """
        table = {**self.gauge(under), "soc_percent": under.low + 0.499}
        settings = TwinGaugeSettings.model_validate(table)
        world = replace(
            settings.world(0),
            start_wall_ms=round(1000 * STARTS_AT.timestamp()) + at_hour * HOUR_MS,
        )
        device = Device(settings.build(), world)
        device.supply_contact(on=False)
        while round(device.true_soc_percent) > self.floor:
            device.advance_to(device.at_ms + MINUTE_MS)
        return device.at_ms / HOUR_MS


class _Tally:
    """Follows the truth from the end of the first day on, or of more."""

    def __init__(self, settled_ms: int) -> None:
        self._from_ms = BOOT_MS + settled_ms
        self.path = 0.0
        self.moves = 0
        self.last: Truth | None = None

    def __call__(self, truth: Truth) -> None:
        last, self.last = self.last, truth
        if last is None or truth.at_ms < self._from_ms:
            return
        self.path += abs(truth.soc_percent - last.soc_percent)
        self.moves += truth.closed is not last.closed


class _Life:
    """One run of the daemon."""

    def __init__(
        self, device: TwinDevice, under: Run, days: float, log: Path, settled_ms: int
    ) -> None:
        self._device, self._under = device, under
        self._days, self._log = days, log
        self._settled_ms = settled_ms
        self._clock = VirtualClock(
            boot_ms=BOOT_MS, wall_ms=round(1000 * STARTS_AT.timestamp())
        )
        self._tally = _Tally(settled_ms)

    def run(self) -> Lived:
        with TemporaryDirectory(prefix="tidegate-tuned-") as locks:
            run(self._main(Locks(Path(locks))), clock=self._clock)
        return Lived(
            days=self._days - self._settled_ms / DAY_MS,
            efc=self._tally.path / 200,
            switchings=self._tally.moves,
        )

    async def _main(self, locks: Locks) -> None:
        device, under = self._device, self._under
        gauge = TwinGaugeSettings.model_validate(device.gauge(under))
        shared = bench.Bench()
        twin = shared.place(gauge.build(), gauge.world(BOOT_MS))
        twin.observe(self._tally)
        machine = Machine(self._clock, workers=Workers(InlineWorker), locks=locks)
        lease = await machine.links.take(bench.key(STATION), bench.opener(shared))
        service = Service(
            from_tables(
                {"log": {"path": str(self._log)}, "station": {STATION: self._table()}},
            ),
            clock=self._clock,
            machine=machine,
            threaded=False,
        )
        loop = asyncio.get_running_loop()
        loop.call_later(self._days * DAY_MS / 1000, service.end)
        await service.run()
        twin.advance_to(self._clock.boot_ms())
        await machine.links.give_back(lease)

    def _table(self) -> dict[str, Any]:
        device, under = self._device, self._under
        dwell = f"{under.dwell_min * 60:.0f}s"
        return {
            "poll": f"{device.poll_s}s",
            "gauge": device.gauge(under),
            "relay": {"kind": "twin", "device": STATION},
            "window": {"low": under.low, "high": under.high},
            "dwell": {"on": dwell, "off": dwell},
            "limits": {"floor": device.floor},
            "battery": {"design_ah": device.capacity_ah},
        }


def twin_device(seed: int) -> TwinDevice:
    """Return an invented device: a week of opening hours, a charger, a gauge."""
    random = Random(seed)
    capacity_ah = round(random.uniform(3.0, 9.0), 2)
    load_a = _week(random, capacity_ah)
    most_a = max(load_a)
    charge_a = round(capacity_ah * random.uniform(0.12, 0.45), 3)
    # Some supplies leave the charger all it takes, some do not.
    supply_a = round(most_a + charge_a * random.uniform(0.4, 1.2), 3)
    weaker_a = round(most_a + charge_a * random.uniform(0.3, 0.8), 3)
    room_c = random.uniform(17, 27)
    low = random.choice((40, 45, 50, 55))
    other = random.choice((35, 40, 45, 50))
    width, asked = random.choice((8, 10, 12, 15)), random.choice((6, 8, 15, 20, 25))
    return TwinDevice(
        seed=seed,
        capacity_ah=capacity_ah,
        load_a=load_a,
        charge_a=charge_a,
        ohm=round(random.uniform(0.02, 0.06) * 4 / capacity_ah, 4),
        around_c=tuple(
            round(room_c + random.uniform(1, 4) * (9 < hour < 19), 2)
            for hour in range(24)
        ),
        poll_s=random.choice((30, 60, 90, 120)),
        quirks=_quirks(random),
        floor=float(random.choice((15, 20, 25))),
        seen=Run(low=low, high=low + width, dwell_min=3, supply_a=supply_a),
        asked=Run(
            low=other,
            high=other + asked,
            dwell_min=random.choice((3, 10, 30)),
            supply_a=supply_a if random.random() < 0.6 else weaker_a,
        ),
    )


def _quirks(random: Random) -> dict[str, float]:
    if random.random() < 0.5:
        return {}
    return {
        "lag_s": round(random.uniform(0, 60)),
        "noise_percent": round(random.choice((0.0, 0.1, 0.25)), 2),
    }


def _week(random: Random, capacity_ah: float) -> tuple[float, ...]:
    night, busy = random.uniform(0.008, 0.03), random.uniform(0.04, 0.12)
    opens, closes = random.randint(7, 11), random.randint(16, 22)
    closed = random.sample(range(7), random.randint(0, 2))
    return tuple(
        round(
            capacity_ah
            * (busy if day not in closed and opens <= hour < closes else night)
            * random.uniform(0.8, 1.2),
            4,
        )
        for day in range(7)
        for hour in range(24)
    )
