"""Benches of the replay gauge: recordings that vanish, and others that are spoiled."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from pathlib import Path

from contract.entry import Entry, Pipe, fault
from support.cyclelog_life import Life
from tidegate.clock import SystemClock
from tidegate.cyclelog.gauge import ReplayGauge, ReplaySettings
from tidegate.errors import Malformed, Refused, Unavailable
from tidegate.host import Machine
from tidegate.testing import GaugeBench
from tidegate.virtual import VirtualClock

# Two readings of a synthetic pack.
CSV = """\
time,soc_percent,battery_status,external_power,present,voltage_v,current_a,\
current_sign_trusted,temperature_c,temperature_sensor,charge_ah,full_charge_ah,\
design_charge_ah,cycle_count,health,pack,uptime_s,flags
2026-03-02T06:00:00Z,61.5,discharging,no,true,3.812,-0.412,\
true,28.4,pack,4.27,7.0,7.2,118,good,synthetic 0001,86400,coarse
2026-03-02T06:00:30Z,61.5,discharging,no,true,3.811,-0.411,\
true,28.4,pack,4.27,7.0,7.2,118,good,synthetic 0001,86430,coarse
"""
# What the station of ``Life`` does not have.
LIFE_LACKS = frozenset(
    {"charge_ah", "cycle_count", "pack", "temperature_sensor", "uptime_s"}
)
AS_ROOT = {
    Refused: "who runs tests as root is refused nothing; test_replay_gauge has it"
}


@asynccontextmanager
async def _csv(tmp_path: Path) -> AsyncIterator[GaugeBench]:
    path = tmp_path / "hall.csv"
    path.write_text(CSV)
    async with _bench(path, CSV.encode()) as bench:
        yield bench


@asynccontextmanager
async def _log(tmp_path: Path) -> AsyncIterator[GaugeBench]:
    path = tmp_path / "cycles.db"
    life = Life(path, VirtualClock())
    await life.start()
    await life.live(30)
    await life.stop()
    async with _bench(path, path.read_bytes(), lacks=LIFE_LACKS) as bench:
        yield bench


@asynccontextmanager
async def _bench(
    path: Path, whole: bytes, *, lacks: frozenset[str] = frozenset()
) -> AsyncIterator[GaugeBench]:
    machine = Machine(SystemClock())
    host = machine.host("rehearsal", hint=lambda: None)
    settings, away = ReplaySettings(path=path), path.with_name("away")
    yield GaugeBench(
        make=lambda: ReplayGauge(settings, host),
        lacks=lacks,
        stall=Pipe(path).stall(),
        cannot_happen_here=AS_ROOT,
        faults=(
            fault(
                "the recording vanishes",
                "read",
                Unavailable,
                lambda: path.rename(away),
                lambda: away.rename(path),
            ),
            fault(
                "its second half is lost, and then comes something else",
                "read",
                Malformed,
                lambda: path.write_bytes(whole[: len(whole) // 2] + b"\n,\n" * 5000),
                lambda: path.write_bytes(whole),
            ),
        ),
    )
    await host.close()
    machine.workers.close()


ENTRIES: Mapping[str, Entry] = {
    "tidegate.cyclelog.gauge": Entry(
        table={"kind": "replay", "path": "/srv/tidegate/hall.db", "station": "hall"},
        benches={"csv": _csv, "log": _log},
    ),
}
