"""Faults 38 to 50: signals, kills, disks, locks, settings, events, locales, bugs.

Where the list lets a second daemon for one relay exit (42), it does so when the log is
the same; with a log of its own it says who holds the relay, goes on reading and takes
over once the relay is free.
"""

from __future__ import annotations

import asyncio
import contextlib
import io
import json
import os
import shutil
import signal
import threading
from functools import partial
from pathlib import Path
from typing import Any, NoReturn

from faults.program import ran, started
from faults.rigs import (
    MINUTE_S,
    ON_FRAME,
    STATION,
    Site,
    lives,
    write_battery,
    write_mains,
)
from support import cyclelog_faults
from support.peers import need
from support.relay_board import RelayBoard
from tidegate import settings
from tidegate.cli import exits
from tidegate.cli import main as cli
from tidegate.cli.daemon import run as run_daemon
from tidegate.clock import SystemClock
from tidegate.contract import Gauge, Relay
from tidegate.core.reading import Sample, Supply
from tidegate.cyclelog.check import check
from tidegate.cyclelog.disk import aside_files
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.replay import replay
from tidegate.cyclelog.rows import (
    FailureRow,
    GapRow,
    IntentRow,
    OperatorRow,
    OutcomeRow,
    ReadingRow,
    RunEndRow,
)
from tidegate.errors import Busy, SettingsError
from tidegate.service import Service
from tidegate.testing import FaultyGauge

# --- 38 -------------------------------------------------------------------------------


def a_stop_and_a_kill(folder: Path) -> None:
    for name in ("stop", "kill", "signal"):
        (folder / name).mkdir()
    lives(Site(folder / "stop"), _stopped_while_off)
    lives(Site(folder / "kill", wrap_gauge=Unhurried), _killed_while_off)
    _signalled(folder / "signal")


class Unhurried(FaultyGauge):
    """Takes a moment for each read, as a real one does, in virtual time too."""

    async def read(self) -> Sample:
        await asyncio.sleep(0.005)
        return await super().read()


async def _stopped_while_off(site: Site) -> None:
    async with site.living():
        await site.switched_off()
    assert not site.board.driven(), "the supply was left off by a stop"
    with Reader(site.log) as reader:
        *_, end = [e.row for e in reader.rows() if isinstance(e.row, RunEndRow)]
        assert end.why == "stopped"
        assert reader.last_run_was_closed(), "the log was not closed"
    site.sound()


async def _killed_while_off(site: Site) -> None:
    left = site.folder / "left"
    left.mkdir()
    async with site.living():
        await site.switched_off()
        # What a kill leaves on the disk, taken while the daemon runs.
        for file in site.folder.glob("cycles.db*"):
            shutil.copyfile(file, left / file.name)
    site.board.hand(1, driven=True)  # a relay does not move because a daemon dies
    site.log = left / "cycles.db"
    told = len(site.moves)
    async with site.living():
        assert site.moves[told:] == [], "moved before the first reading"
        await site.reads(3)
        assert site.moves[told:] == [], "the off of the run before was not kept"
        assert site.state.drive.commanded is Supply.OFF
        assert site.state.drive.off_proven, "the effect was not verified"
        site.set(capacity=54)
        await site.until(lambda: not site.board.driven(), 300, "control goes on")
    site.sound()


def _signalled(folder: Path) -> None:
    site = Site(folder)
    # Should the daemon not take the signal, the tests must survive it.
    before = signal.signal(signal.SIGTERM, signal.SIG_IGN)
    try:
        with site:
            service = Service(site.made().settings, clock=SystemClock())
            threading.Thread(target=_terminated, args=(site.board,)).start()
            asyncio.run(asyncio.wait_for(run_daemon(service), 20))
            assert not service.broken
            assert site.ons == 2, "on at start, on at the end"
    finally:
        signal.signal(signal.SIGTERM, before)
    with Reader(site.log) as reader:
        assert reader.last_run_was_closed(), "the log was not closed"


def _terminated(board: RelayBoard) -> None:
    board.wait_until(lambda b: ON_FRAME in b.heard(), 10)
    os.kill(os.getpid(), signal.SIGTERM)


# --- 40, 41: the cycle log --------------------------------------------------------------


def a_full_disk(folder: Path) -> None:
    with cyclelog_faults.small_disk(folder / "card", size_kib=512) as card:
        lives(Site(folder, log=card / "cycles.db"), _full)


async def _full(site: Site) -> None:
    async with site.living():
        await site.live(120)
        with cyclelog_faults.filled(site.log.parent):
            for turn in range(40):  # whatever room the file itself still had
                site.set(capacity=66 if turn else 60, temp=251 + 20 * (turn % 2))
                await site.live(MINUTE_S)
                if site.alarmed("log_lost") and site.board.driven():
                    break
            assert site.board.driven(), "control stopped with the log"
            assert site.alarmed("log_lost"), "a lost log was not told"
            site.set(capacity=54, temp=251)
            await site.until(lambda: not site.board.driven(), 300, "on, without a log")
        raised = [m for m in site.said("alarm") if m["alarm"] == "log_lost"]
        assert len(raised) == 1, "one alarm is enough"
        await site.until(lambda: not site.alarmed("log_lost"), 1_000, "it is back")
    gaps = site.rows(GapRow)
    assert any(gap.switchings for gap in gaps), "no gap row tells of the switchings"
    outcomes = site.rows(OutcomeRow)
    assert len(outcomes) == len(site.rows(IntentRow)), "rows of that time are missing"
    site.sound()


def a_malformed_log(folder: Path) -> None:
    async def life(site: Site) -> None:
        async with site.living():
            await site.reads(3)
        with Reader(site.log) as reader:
            *_, last = [e for e in reader.rows() if isinstance(e.row, RunEndRow)]
        cyclelog_faults.garble_tables(site.log)
        async with site.living():
            await site.switched_off()
        aside = aside_files(site.log)
        assert len(aside) == 1, f"the damaged log was not set aside: {aside}"
        with Reader(site.log) as reader:
            assert check(reader) is None
            rows = [entry.row for entry in reader.rows()]
            first = next(iter(reader.rows())).id
        assert first > last.id, "an id is used twice"
        gaps = [row for row in rows if isinstance(row, GapRow)]
        assert [gap.why for gap in gaps] == ["damaged"], gaps
        assert replay(site.entries, STATION).ok

    lives(Site(folder), life)


# --- 42 -------------------------------------------------------------------------------


def two_masters(folder: Path) -> None:
    async def life(site: Site) -> None:
        async with site.living():
            await site.switched_off()
            told = site.moves
            said = await _refused(site.made(), "two daemons wrote one log")
            assert str(site.log) in said, f"two daemons wrote one log: {said}"
            other = site.made(log=folder / "other.db")
            said = await _refused(other, "the second was not told who holds the relay")
            assert str(site.board.link) in said, said
            assert site.moves == told, "the second moved the contact"
        # Both are free again.
        async with site.living():
            await site.reads(1)
        site.sound()

    lives(Site(folder), life)


async def _refused(second: Service, else_: str) -> str:
    """See a second daemon end at once, and return what it says of the first."""
    task = asyncio.get_running_loop().create_task(second.run())
    try:
        await asyncio.wait({task}, timeout=5)
        assert task.done(), else_
        error = task.exception()
        assert isinstance(error, Busy), f"{else_}: {error!r}"
        assert f"process {os.getpid()}" in str(error), f"{else_}: {error}"
        assert exits.exit_code(error) is exits.Code.BUSY
        return str(error)
    finally:
        second.end()
        await asyncio.wait({task})


# --- 44 -------------------------------------------------------------------------------

WRONG = (
    ("window = { low = 65, high = 55 }", 4, ("low = 65", "high = 55", "from low + 2")),
    ("window = { low = 60, high = 61 }", 4, ("low = 60", "high = 61")),
    ("window = { low = 60 }", 4, ("high = nothing", "both of them")),
    ('dwell = { on = "0s", off = "5s" }', 4, ('"0s"', '"5s" to "24h"', "dwell.on")),
    ('dwell = { on = "5s", off = "4s" }', 4, ('"4s"', '"5s" to "24h"', "dwell.off")),
)


def wrong_settings(folder: Path) -> None:
    path = folder / "tidegate.toml"
    for line, number, words in WRONG:
        window = "" if "window" in line else "window = { low = 55, high = 65 }\n"
        path.write_text(
            '[station.lobby]\ngauge = { kind = "sysfs" }\n'
            'relay = { kind = "serial-frame", port = "/dev/ttyUSB0" }\n'
            f"{line}\n{window}"
        )
        try:
            settings.load(path)
        except SettingsError as error:
            said = str(error)
        else:
            raise AssertionError(f"{line!r} was taken")
        for word in (f"{path}:{number}", *words):
            assert word in said, f"{word!r} is not in {said!r}"
        with contextlib.redirect_stderr(io.StringIO()) as stderr:
            code = cli.run(["run", "--config", str(path)])
        assert code == exits.Code.SETTINGS, code
        assert "Traceback" not in stderr.getvalue()
    path.write_text(path.read_text().replace('"4s"', '"5s"'))
    assert settings.load(path).stations["lobby"].dwell.off_ms == 5_000


# --- 46 -------------------------------------------------------------------------------


# --- 43: settings at a reload -------------------------------------------------------------

_WINDOW_LINE = 4


def wrong_settings_at_a_reload(folder: Path) -> None:
    lives(Site(folder), _reloaded)


async def _reloaded(site: Site) -> None:
    async with site.living():
        await site.switched_off()
        assert site.service is not None
        service, before = site.service, site.service.settings
        file = _settings_file(site, high=50)
        service.reload._load = partial(settings.load, file)
        service.reload.hang_up()
        await site.live(1)
        assert service.settings is before, "wrong settings were taken"
        assert site.state.policy.marks is not None
        assert site.state.policy.marks.high_percent == 65, "wrong settings were taken"
        said = service.settings_error or ""
        where = f"{file}:{_WINDOW_LINE}: station.{STATION}.window: "
        what = "found low = 55 and high = 50, allowed is a high mark from low + 2 to 95"
        assert where + what == said, "the error was not shown with line and field"
        (message,) = site.said("reload refused, the settings before stay")
        assert message["error"] == said
        await site.live(5 * MINUTE_S)
        assert site.board.driven(), "the old settings did not stay in force"
        _settings_file(site, high=70)
        service.reload.hang_up()
        await site.live(1)
        assert service.settings_error is None, "the error stayed"
        assert site.state.policy.marks.high_percent == 70, "the right ones were refused"
    site.sound()
    (refused, taken) = site.rows(OperatorRow)
    assert (refused.action, refused.by) == (taken.action, taken.by)
    assert refused.action == "reload"
    assert json.loads(refused.args) == {"error": said}


def _settings_file(site: Site, *, high: int) -> Path:
    file = site.folder / "tidegate.toml"
    file.write_text(
        f"""\
[log]
path = "{site.log}"
[station.{STATION}]
[station.{STATION}.window]
high = {high}
low = 55
[station.{STATION}.gauge]
kind = "sysfs"
root = "{site.root}"
[station.{STATION}.relay]
kind = "serial-frame"
port = "{site.board.link}"
pause = "0s"
"""
    )
    return file


def a_burst_of_events(folder: Path) -> None:
    ran("faults.umockdev_events:a_burst", folder, need("umockdev-wrapper"))
    ran("faults.umockdev_events:an_overflow", folder, need("umockdev-wrapper"))


# --- 48 -------------------------------------------------------------------------------


def a_repeating_fault(folder: Path) -> None:
    async def life(site: Site) -> None:
        async with site.living():
            await site.reads(2)
            site.pull_battery()
            await site.reads(100)
            said = [m for m in site.said("gauge") if "count" in m]
            counts = [message["count"] for message in said]
            assert len(counts) <= 12, f"{len(counts)} messages of one fault"
            assert counts[:3] == [1, 10, 20], counts
            site.fit_battery()
            await site.reads(1)
            (back,) = site.said("gauge is back")
            assert back["missed"] == 100, back
            site.pull_battery()
            await site.reads(1)
            assert [m for m in site.said("gauge") if "count" in m][-1]["count"] == 1
        assert len(site.rows(FailureRow)) <= 10, "the log is flooded"
        site.sound()

    lives(Site(folder), life)


# --- 49 -------------------------------------------------------------------------------

ODD = {
    "LC_ALL": "C",
    "LANG": "C",
    "PYTHONUTF8": "0",
    "PYTHONCOERCECLOCALE": "0",
    "PYTHONIOENCODING": "",
}


def an_odd_locale(folder: Path) -> None:
    root = folder / "sys"
    supplies = root / "class" / "power_supply"
    values = {"capacity": 61, "status": "Charging", "manufacturer": "Müller"}
    write_battery(supplies / "BAT0", {**values, "model_name": b"R\xe9gie\xff"})
    write_mains(supplies / "AC", online=True)
    with RelayBoard(folder / "relay-port") as board:
        (folder / "tidegate.toml").write_text(
            f'[log]\npath = "{folder}/cycles.db"\n[station.lobby]\n'
            f'gauge = {{ kind = "sysfs", root = "{root}" }}\n'
            f'relay = {{ kind = "serial-frame", port = "{board.link}" }}\n'
            "window = { low = 55, high = 65 }\n"
        )
        ran("faults.cases_process:read_oddly", folder, **ODD)
        _run_oddly(folder, board)


def read_oddly(folder: Path) -> None:
    """Run ``tidegate read`` in this process."""
    told = folder / "read.json"
    with told.open("w") as stdout, contextlib.redirect_stdout(stdout):
        code = cli.run(["read", "--json", "--config", str(folder / "tidegate.toml")])
    said = told.read_bytes().decode(errors="replace")
    assert code == 0, f"no reading under the C locale: {said}"
    assert "61" in json.dumps(json.loads(said)), said


def run_oddly(folder: Path) -> int:
    """Run ``tidegate run`` in this process."""
    return cli.run(["run", "--config", str(folder / "tidegate.toml")])


def _run_oddly(folder: Path, board: RelayBoard) -> None:
    odd = {**ODD, "TIDEGATE_LOCKS": str(folder / "locks")}
    daemon = started("faults.cases_process:run_oddly", folder, **odd)
    try:
        board.wait_until(lambda b: ON_FRAME in b.heard(), 20)
        daemon.send_signal(signal.SIGTERM)
        said = "".join(daemon.communicate(timeout=20))
    finally:
        daemon.kill()
        daemon.wait()
    assert daemon.returncode == 0, f"no run under the C locale: {said}"
    with Reader(folder / "cycles.db") as reader:
        rows = [e.row for e in reader.rows() if isinstance(e.row, ReadingRow)]
    assert [row.soc_hundredths_percent for row in rows][:1] == [6_100], said


# --- 50 -------------------------------------------------------------------------------


class BuggyGauge(Gauge):
    """A third party's gauge that raises what no backend may, while ``broken``."""

    def __init__(self, inner: Gauge) -> None:
        self.inner = inner
        self.broken = False
        self.opened = 0

    @property
    def facts(self) -> Any:
        return self.inner.facts

    async def open(self) -> None:
        self.opened += 1
        await self.inner.open()

    async def close(self) -> None:
        await self.inner.close()

    async def read(self) -> Sample:
        if self.broken:
            _slip()
        return await self.inner.read()


class BuggyRelay(Relay):
    """A third party's relay of the same kind."""

    def __init__(self, inner: Relay) -> None:
        self.inner = inner
        self.broken = False

    @property
    def facts(self) -> Any:
        return self.inner.facts

    async def open(self) -> None:
        await self.inner.open()

    async def close(self) -> None:
        await self.inner.close()

    async def set(self, supply: Supply) -> None:
        if self.broken:
            _slip()
        await self.inner.set(supply)

    async def get(self) -> Supply | None:
        if self.broken:
            _slip()
        return await self.inner.get()


def _slip() -> NoReturn:
    raise ZeroDivisionError("a slip of whoever wrote this backend")


def an_unforeseen_error(folder: Path) -> None:
    for name in ("gauge", "relay"):
        (folder / name).mkdir()
    gauges: list[BuggyGauge] = []
    relays: list[BuggyRelay] = []

    def buggy_gauge(inner: Gauge) -> Gauge:
        gauges.append(BuggyGauge(inner))
        return gauges[-1]

    def buggy_relay(inner: Relay) -> Relay:
        relays.append(BuggyRelay(inner))
        return relays[-1]

    async def of_the_gauge(site: Site) -> None:
        async with site.living():
            await site.switched_off()
            (gauge,) = gauges
            gauge.broken = True
            await site.until(lambda: not site.board.driven(), 300, "supply on, blind")
            assert site.alarmed("gauge_lost")
            await site.live(4 * MINUTE_S)
            assert len(_traces(site)) == 1, f"{len(_traces(site))} tracebacks, not one"
            gauge.broken = False
            await site.until(lambda: not site.alarmed("gauge_lost"), 150, "it is back")
            assert gauge.opened > 1, "it was not opened again"
        assert {row.kind for row in site.rows(FailureRow)} == {"unforeseen"}
        site.sound()

    async def of_the_relay(site: Site) -> None:
        async with site.living():
            await site.live(100)
            (relay,) = relays
            relay.broken = True
            site.set(capacity=66)
            await site.live(4 * MINUTE_S)
            assert not site.board.driven(), "supply on"
            assert site.alarmed("relay_failed"), "a broken relay was not told"
            assert len(_traces(site)) == 1, f"{len(_traces(site))} tracebacks, not one"
            relay.broken = False
            await site.until(site.board.driven, 16 * MINUTE_S, "off once it works")
            await site.live(60)
            assert not site.alarmed("relay_failed"), "the alarm did not end"
        site.sound()

    lives(Site(folder / "gauge", wrap_gauge=buggy_gauge), of_the_gauge)
    lives(Site(folder / "relay", wrap_relay=buggy_relay), of_the_relay)


def _traces(site: Site) -> list[dict[str, Any]]:
    return [m for m in site.said() if "ZeroDivisionError" in str(m.get("exception"))]


CASES = {
    38: a_stop_and_a_kill,
    40: a_full_disk,
    41: a_malformed_log,
    42: two_masters,
    43: wrong_settings_at_a_reload,
    44: wrong_settings,
    46: a_burst_of_events,
    48: a_repeating_fault,
    49: an_odd_locale,
    50: an_unforeseen_error,
}
