"""Supply on without a daemon: what a stop action or a person in a hurry needs."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tidegate import notice
from tidegate.clock import SystemClock
from tidegate.contract import Relay
from tidegate.core.reading import Supply
from tidegate.cyclelog.reader import Reader
from tidegate.errors import BackendError, LogError, Unavailable
from tidegate.host import Machine, StationHost
from tidegate.service import make_relay, relay_is_another
from tidegate.settings import StationSettings
from tidegate.station.bounded import GRACE_S, bounded

LIMIT_S: Final = 5.0
# Of those five seconds: the log is asked for the polarity, the relay is closed.
LOG_LIMIT_S: Final = 1.0
CLOSE_LIMIT_S: Final = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Restored:
    """What became of one station; ``error`` is ``None`` where the relay took it."""

    station: str
    says: str = ""
    error: BackendError | None = None


async def all_on(log: Path, stations: Mapping[str, StationSettings]) -> list[Restored]:
    """Set the supply on for these stations at the same time, each within 5 s.

    Stations that share a link queue for it, so it never waits for more than one.
    """
    until_s = asyncio.get_running_loop().time() + LIMIT_S
    machine = Machine(SystemClock())
    try:
        swapped = await _polarity_in_time(machine, log, stations)
        return await asyncio.gather(
            *(
                _on(machine, name, settings, swapped=swapped[name], until_s=until_s)
                for name, settings in stations.items()
            )
        )
    finally:
        machine.workers.close()


async def _polarity_in_time(
    machine: Machine, log: Path, stations: Mapping[str, StationSettings]
) -> dict[str, bool]:
    """Ask the log in a thread: a disk that hangs must not keep the supply off."""
    worker = machine.workers.take("cycle log", "restore")
    try:
        return await bounded(worker.call(_polarity, log, stations), limit_s=LOG_LIMIT_S)
    except TimeoutError:
        notice.logger().warning(
            "the cycle log does not answer, so the settings' wiring counts"
        )
        return dict.fromkeys(stations, False)


def _polarity(log: Path, stations: Mapping[str, StationSettings]) -> dict[str, bool]:
    """Return for each station whether its polarity was found reversed."""
    try:
        with Reader(log) as reader:
            return {
                name: polarity_is_swapped(reader, name, settings)
                for name, settings in stations.items()
            }
    except LogError as error:
        # Without a log the wiring of the settings is all there is to go by.
        notice.logger().info("no cycle log to ask for the polarity", why=str(error))
        return dict.fromkeys(stations, False)


def polarity_is_swapped(reader: Reader, name: str, settings: StationSettings) -> bool:
    """Return whether the relay of these settings was found reversed. Errors: LogError."""
    last = reader.last_commanded(name)
    if last is None or not last.swapped:
        return False
    before = reader.settings_before(name, last.intent)
    return before is None or not relay_is_another(before, settings)


async def _on(
    machine: Machine,
    name: str,
    settings: StationSettings,
    *,
    swapped: bool,
    until_s: float,
) -> Restored:
    if settings.relay is None:
        return Restored(station=name, says="only measures, nothing to switch")
    supply = Supply.OFF if swapped else Supply.ON
    target = str(settings.relay.target())
    try:
        with machine.locks.take(settings.relay.target()):
            return await _command(machine, name, settings, supply, until_s=until_s)
    except BackendError as error:
        return Restored(station=name, error=error)
    except TimeoutError:
        late = Unavailable(
            f"the relay did not take the command within {LIMIT_S:g} s",
            target=target,
            remedy="Bypass the relay by hand if the device must not go flat",
        )
        return Restored(station=name, error=late)
    except Exception as error:  # noqa: BLE001 - a backend's own bug: the other
        # relays are told all the same.
        notice.logger(station=name).error("the relay's backend failed", exc_info=error)
        broken = Unavailable(
            f"the relay's backend failed ({type(error).__name__}: {error})",
            target=target,
            remedy="Bypass the relay by hand, and report this fault",
        )
        return Restored(station=name, error=broken)


async def _command(
    machine: Machine,
    name: str,
    settings: StationSettings,
    supply: Supply,
    *,
    until_s: float,
) -> Restored:
    assert settings.relay is not None
    host = machine.host(name, hint=lambda: None)
    relay = make_relay(settings, host)
    # What a call and a close that hang take until they are left behind.
    limit_s = until_s - asyncio.get_running_loop().time() - CLOSE_LIMIT_S - 2 * GRACE_S
    try:
        said = await bounded(_tell(relay, supply), limit_s=limit_s)
    finally:
        await _let_go(name, relay, host)
    if said is None:
        return Restored(station=name, says="told on, the relay cannot say")
    if said is not supply:
        raise Unavailable(
            "the relay says that it did not follow",
            target=str(settings.relay.target()),
            remedy="Bypass the relay by hand if the device must not go flat",
        )
    return Restored(station=name, says="on, the relay confirms")


async def _tell(relay: Relay, supply: Supply) -> Supply | None:
    await relay.open()
    await relay.set(supply)
    return await relay.get()


async def _let_go(name: str, relay: Relay, host: StationHost) -> None:
    async def closed() -> None:
        await relay.close()
        await host.close()

    try:
        await bounded(closed(), limit_s=CLOSE_LIMIT_S)
    except TimeoutError:
        notice.logger(station=name).warning("the relay did not close in time")
