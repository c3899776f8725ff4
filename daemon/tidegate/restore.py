"""Supply on without a daemon: what a stop action or a person in a hurry needs."""

from __future__ import annotations

import asyncio
import os
import re
import tomllib
from collections.abc import Awaitable, Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from tidegate import notice
from tidegate.assembly import make_relay, relay_is_another
from tidegate.clock import SystemClock
from tidegate.contract import Relay
from tidegate.core.reading import Supply
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.record import parsed
from tidegate.errors import (
    BackendError,
    LogError,
    SettingsError,
    TidegateError,
    Unavailable,
)
from tidegate.host import Machine, StationHost
from tidegate.registry import RELAYS
from tidegate.settings import StationSettings, from_tables
from tidegate.settings.files import (
    Document,
    Tree,
    inherit,
    read,
    read_all,
    read_beside,
    refuse_extremes,
)
from tidegate.settings.load import main_file
from tidegate.settings.models import LogSettings
from tidegate.settings.problems import HIDDEN
from tidegate.station.bounded import GRACE_S, bounded

LIMIT_S: Final = 5.0
# Of those five seconds: the log is asked for the polarity, the relay is closed.
LOG_LIMIT_S: Final = 1.0
CLOSE_LIMIT_S: Final = 0.5
# Where many share a link some are told one by one afterwards, all of it within the time
# that the service unit gives a stop action. Engineering choices, no source.
ALL_LIMIT_S: Final = 35.0
IN_A_ROW: Final = 3
# Of a file that is no TOML, tables are looked for in so much; settings are far shorter.
MOST_OF_A_FILE: Final = 1 << 20
_TABLE: Final = re.compile(r"^(?=\[)", re.M)


@dataclass(frozen=True, slots=True, kw_only=True)
class Restored:
    """What became of one station; ``error`` is ``None`` where the relay took it."""

    station: str
    says: str = ""
    error: BackendError | None = None
    # Whether its time was over before anything came of it.
    is_late: bool = False


async def all_on(log: Path, stations: Mapping[str, StationSettings]) -> list[Restored]:
    """Set the supply on for these stations at the same time, each within 5 s.

    Stations that share a link queue for it. Those of them whose turn did not come, for
    others kept silent, have it afterwards, one by one; 35 s in all.
    """
    began_s = asyncio.get_running_loop().time()
    machine = Machine(SystemClock())
    try:
        swapped = await _polarity_in_time(machine, log, stations)

        async def on(name: str, until_s: float) -> Restored:
            return await _on(
                machine, name, stations[name], swapped=swapped[name], until_s=until_s
            )

        first = await asyncio.gather(
            *(on(name, began_s + LIMIT_S) for name in stations)
        )
        done = {each.station: each for each in first}
        links = _sharing(stations)
        late = [[it for it in names if done[it].is_late] for names in links]
        if waiting := [name for names in late for name in names]:
            notice.logger().warning("told again, one by one", stations=waiting)
        again = (_one_by_one(on, names, began_s + ALL_LIMIT_S) for names in late)
        for told in await asyncio.gather(*again):
            done |= told
        return list(done.values())
    finally:
        machine.workers.close()


def _sharing(stations: Mapping[str, StationSettings]) -> list[list[str]]:
    """Return the stations that stand in line with others, those of each line."""
    lines: dict[str, list[str]] = {}
    for name, settings in stations.items():
        if settings.relay is not None:
            lines.setdefault(settings.relay.queue, []).append(name)
    return [names for names in lines.values() if len(names) > 1]


async def _one_by_one(
    on: Callable[[str, float], Awaitable[Restored]], names: list[str], until_s: float
) -> dict[str, Restored]:
    """Tell stations of one link by themselves; where several hang, it is the link."""
    loop, told, in_a_row = asyncio.get_running_loop(), {}, 0
    for name in names:
        end_s = loop.time() + LIMIT_S
        if end_s > until_s or in_a_row == IN_A_ROW:
            break
        told[name] = await on(name, end_s)
        in_a_row = in_a_row + 1 if told[name].is_late else 0
    return told


def last_known(config: Path | None) -> tuple[Path, dict[str, StationSettings]]:
    """Return the cycle log, and the relays that can still be told with wrong settings.

    A daemon that was killed while a file is wrong leaves a supply off that nobody
    would ever switch on again. A relay counts as its table stands in the files, where
    that by itself is right; else as the last run of the daemon had it, which comes
    first where a file cannot be read: it may have named another relay.
    """
    main, named_by = main_file(config, os.environ)
    try:
        documents, is_whole = read_all(main, named_by=named_by), True
    except TidegateError:  # whoever calls has said what is wrong
        documents, is_whole = tuple(_readable(main)), False
    tree = Tree()
    for document in documents:
        tree.lay(document)
    inherit(tree)
    log = tree.tables.get("log")
    path = log.get("path") if isinstance(log, dict) else None
    place = Path(path) if isinstance(path, str) else LogSettings().path
    in_files = dict(_relays_of(tree))
    found = _right_ones(in_files)
    if not is_whole:
        found |= _right_ones(dict(_relays_in(place)))
    elif not in_files or in_files.keys() - found.keys():
        # Only now, for a disk that hangs must not keep the others off.
        found = {**_right_ones(dict(_relays_in(place))), **found}
    return place, found


def _readable(main: Path) -> Iterator[Document]:
    """Yield what can be read of the settings files, each by itself."""
    folder = main.parent / "conf.d"
    try:
        beside = sorted(each for each in folder.iterdir() if each.name[:1] != ".")
    except OSError:
        beside = []
    for file in (main, *(each for each in beside if each.suffix == ".toml")):
        try:
            yield read(file) if file is main else read_beside(file)
        except TidegateError:
            yield from _by_tables(file)


def _by_tables(file: Path) -> Iterator[Document]:
    """Yield the tables of a file one by one: a slip is in one of them alone."""
    try:
        if not file.is_file():
            return
        with file.open("rb") as stream:
            text = stream.read(MOST_OF_A_FILE).decode("utf-8", "replace")
    except OSError:
        return
    for table in _TABLE.split(text):
        try:
            tables = tomllib.loads(table)
            refuse_extremes(file, tables)
        except (ValueError, RecursionError, SettingsError):
            continue
        yield Document(file, tables, {})


def _right_ones(relays: Mapping[str, Any]) -> dict[str, StationSettings]:
    known = {name: _of_relay(name, relay) for name, relay in relays.items()}
    return {name: it for name, it in known.items() if it is not None}


def _relays_of(tree: Tree) -> Iterator[tuple[str, Any]]:
    stations = tree.tables.get("station")
    for name, values in stations.items() if isinstance(stations, dict) else ():
        if isinstance(values, dict) and "relay" in values:
            yield name, values["relay"]


def _relays_in(log: Path) -> Iterator[tuple[str, Any]]:
    """Yield the relays of stations whose daemon did not end in good order.

    One with a secret is left out: a log has none.
    """
    try:
        with Reader(log) as reader:
            for name in reader.stations():
                run, row = reader.last_run_of(name), reader.last_settings(name)
                if run is None or run.closed or row is None:
                    continue
                given = parsed(row.given)
                relay = given.get("relay") if isinstance(given, dict) else None
                if HIDDEN not in str(relay):
                    yield name, relay
    except LogError as error:
        notice.logger().info("no cycle log to ask for the relays", why=str(error))


def _of_relay(name: str, relay: Any) -> StationSettings | None:
    """Return a station of this relay alone, ``None`` where that is none."""
    if not isinstance(relay, dict):
        return None
    for table in (relay, _without_defaults(relay)):
        station = {
            "gauge": {"kind": "sysfs"},
            "relay": table,
            "window": {"low": 55, "high": 65},  # asked for, and not used here
        }
        try:
            return from_tables({"station": {name: station}}).stations.get(name)
        except TidegateError:
            continue
    return None


def _without_defaults(relay: Mapping[str, Any]) -> dict[str, Any]:
    """Return what was set: a log also has what was left to its default."""
    try:
        fields = RELAYS.find(str(relay.get("kind"))).settings.model_fields
    except TidegateError:
        return {}
    return {
        key: value
        for key, value in relay.items()
        if key == "kind" or key not in fields or value != fields[key].default
    }


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
        with machine.locks.take(settings.relay.target()) as lock:
            if lock.lacking:
                # It goes on all the same, for the supply must.
                notice.logger(station=name).warning("relay", note=lock.lacking)
            return await _command(machine, name, settings, supply, until_s=until_s)
    except BackendError as error:
        return Restored(station=name, error=error)
    except TimeoutError:
        late = Unavailable(
            f"the relay did not take the command within {LIMIT_S:g} s",
            target=target,
            remedy="Bypass the relay by hand if the device must not go flat",
        )
        return Restored(station=name, error=late, is_late=True)
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
