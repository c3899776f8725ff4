"""The `adb` gauge against a real adb server and devices over loopback TCP.

Every device and every figure is invented. That a cable's power is switched cannot be
had over TCP; to adb it is a device that goes away and comes back, and so it is here.
"""

from __future__ import annotations

import asyncio
import os
import random
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from support.adbd import Adbd, AdbServer, adb_server
from support.dumps import dump
from support.host import TestHost
from support.peers import need
from tidegate.contract import Host
from tidegate.core.reading import ExternalPower, WhyNot
from tidegate.errors import BackendError, Malformed, Refused, Unavailable, Unsupported
from tidegate.host import Machine
from tidegate.virtual import VirtualClock
from tidegate_backends.adb import client
from tidegate_backends.gauges.adb import ASKED, AdbGauge, AdbSettings
from tidegate_backends.programs import Programs

pytestmark = pytest.mark.peer


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[AdbServer]:
    with adb_server(need("adb"), tmp_path_factory.mktemp("adb")) as server:
        yield server


@pytest.fixture(autouse=True)
def _apart(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What keeps a server apart that the product starts."""
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setenv("ADB_MDNS", "0")
    monkeypatch.setenv("ADB_LOCAL_TRANSPORT_MAX_PORT", "5554")


@pytest.fixture
def device(shared: AdbServer) -> Iterator[Adbd]:
    with Adbd(dump(Charge_counter=4_270_000)) as device, shared.attached(device):
        yield device


def made(server: AdbServer, host: Host | None = None, **settings: Any) -> AdbGauge:
    table = {
        "server_port": server.port,
        "home": str(server.home),
        "program": server.program,
        "over": "usb",
        **settings,
    }
    return AdbGauge(AdbSettings.model_validate(table), host or TestHost())


async def fails(gauge: AdbGauge, error: type[BackendError], says: str) -> BackendError:
    with pytest.raises(error, match=says) as caught:
        await gauge.read()
    assert type(caught.value) is error
    assert caught.value.remedy
    return caught.value


def children() -> dict[int, str]:
    """The processes that this one started, with their states."""
    found = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                fields = (entry / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue  # it ended just now
            if int(fields[1]) == os.getpid():
                found[int(entry.name)] = fields[0]
    return found


# --- a healthy device -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("over", "shell_v2", "tty"),
    [
        ("usb-switched", True, False),
        ("usb", False, False),
        ("usb-switched", False, True),
        ("tcp", True, False),
    ],
)
async def test_a_reading(
    shared: AdbServer, over: str, shell_v2: bool, tty: bool
) -> None:
    said = dump(Charge_counter=4_270_000)
    with Adbd(said, shell_v2=shell_v2, tty=tty) as device, shared.attached(device):
        async with made(shared, serial=device.serial, over=over) as gauge:
            sample = await gauge.read()
            assert gauge.facts.needs_supply is (over == "usb-switched")
    assert (sample.soc_percent, sample.external_power) == (61.0, ExternalPower.YES)
    assert (sample.voltage_v, sample.temperature_c) == (3.812, 28.4)
    assert (sample.charge_ah, sample.health) == (4.27, "Good")
    assert sample.uptime_s is not None
    assert 86_400 <= sample.uptime_s < 86_520
    assert sample.claims is None
    assert device.heard == [ASKED]


def test_facts(tmp_path: Path) -> None:
    facts = AdbGauge(AdbSettings(), TestHost()).facts
    assert facts.needs_supply
    assert not facts.host_is_device
    assert 10 < facts.answers_within_s <= 13
    # A key is forgotten after 7 days (ADB_ALLOWED_CONNECTION_TIME of AOSP).
    assert facts.silence_alarm_s == 3 * 24 * 3600


async def test_an_uptime_that_may_not_be_read(shared: AdbServer, device: Adbd) -> None:
    device.uptime_s = None
    async with made(shared, serial=device.serial) as gauge:
        sample = await gauge.read()
    assert (sample.soc_percent, sample.uptime_s) == (61.0, None)


async def test_a_reboot_shows_in_the_uptime(shared: AdbServer, device: Adbd) -> None:
    async with made(shared, serial=device.serial) as gauge:
        before = (await gauge.read()).uptime_s
        device.reboot()
        shared.until(device.serial, "device")
        after = (await gauge.read()).uptime_s
    assert before is not None
    assert after is not None
    assert after < 60 < before


async def test_a_long_tail_is_cut_off(shared: AdbServer, device: Adbd) -> None:
    device.dump = dump(tail="VendorSection\n" + "  mVendor: 1\n" * 80_000)
    async with made(shared, serial=device.serial) as gauge:
        sample = await gauge.read()
    assert sample.soc_percent == 61.0
    assert len(sample.raw) == 4_096


async def test_the_only_device_needs_no_serial(tmp_path: Path) -> None:
    with (
        adb_server(need("adb"), tmp_path / "home") as server,
        Adbd(dump()) as first,
        Adbd(dump(level=40)) as second,
    ):
        server.connect(first)
        async with made(server) as gauge:
            assert (await gauge.read()).soc_percent == 61.0
            server.connect(second)
            error = await fails(gauge, Refused, "more than one device")
            assert first.serial in str(error)
            assert second.serial in str(error)
            assert "serial" in error.remedy
        async with made(server, serial=second.serial) as gauge:
            assert (await gauge.read()).soc_percent == 40.0
        # No other device answers for one whose name only begins alike.
        async with made(server, serial=first.serial[:-1]) as gauge:
            await fails(gauge, Unavailable, "not attached")


async def test_the_environment_does_not_choose_another_device(
    shared: AdbServer, device: Adbd, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("ANDROID_SERIAL", "another")
    monkeypatch.setenv("ADB_TRACE", "all")
    monkeypatch.setenv("ANDROID_ADB_SERVER_PORT", "1")
    async with made(shared) as gauge:
        assert (await gauge.read()).soc_percent == 61.0


async def test_a_frozen_service_is_told_once_each_time(
    shared: AdbServer, device: Adbd
) -> None:
    async with made(shared, serial=device.serial) as gauge:
        gauge.take_notes()
        for stopped, notes in ((True, 1), (True, 0), (False, 0), (True, 1)):
            device.dump = dump(stopped=stopped)
            sample = await gauge.read()
            assert (sample.claims is WhyNot.UPDATES_STOPPED) is stopped
            said = gauge.take_notes()
            assert len(said) == notes
            assert all("somebody froze" in note for note in said)


async def test_nothing_is_ever_set_on_the_device(
    shared: AdbServer, device: Adbd
) -> None:
    device.dump = dump(stopped=True)
    async with made(shared, serial=device.serial, restart_server=True) as gauge:
        await gauge.read()
    assert set(device.heard) == {ASKED}
    assert not {"set", "reset", "unplug", "suspend_input"} & set(ASKED.split())


# --- a device that does not answer ----------------------------------------------------


@pytest.mark.parametrize("shell_v2", [True, False])
@pytest.mark.parametrize(
    ("manner", "error", "says"),
    [
        ("refuses", Unavailable, "ended the connection"),
        ("drops-before", Unavailable, "without a word"),
        ("drops-during", Malformed, "the battery dump"),
    ],
)
async def test_manners(
    shared: AdbServer,
    manner: str,
    error: type[BackendError],
    says: str,
    shell_v2: bool,
) -> None:
    with Adbd(dump(), shell_v2=shell_v2) as device, shared.attached(device):
        async with made(shared, serial=device.serial) as gauge:
            device.behave(manner)
            await fails(gauge, error, says)
            device.behave("fair")
            shared.until(device.serial, "device")
            assert (await gauge.read()).soc_percent == 61.0


@pytest.mark.parametrize("complains", [True, False])
@pytest.mark.parametrize(
    ("said", "error"),
    [
        ("Can't find service: battery\n", Unavailable),
        (
            "Permission Denial: can't dump BatteryService from pid=1, uid=2000\n",
            Refused,
        ),
        ("*** SERVICE 'battery' DUMP TIMEOUT (10000ms) EXPIRED ***\n", Unavailable),
    ],
)
async def test_what_the_devices_shell_says(
    shared: AdbServer,
    device: Adbd,
    said: str,
    error: type[BackendError],
    complains: bool,
) -> None:
    device.dump, device.complains = said, complains
    async with made(shared, serial=device.serial) as gauge:
        await fails(gauge, error, "the device")


async def test_it_goes_and_comes_back(shared: AdbServer, device: Adbd) -> None:
    async with made(shared, serial=device.serial, over="usb-switched") as gauge:
        device.unplug()
        shared.until(device.serial, "offline")
        await fails(gauge, Unavailable, "offline.*as expected while its supply is off")
        shared.adb("disconnect", device.serial)
        await fails(gauge, Unavailable, "not attached.*as expected")
        device.plug_in()
        shared.connect(device)
        assert (await gauge.read()).soc_percent == 61.0


async def test_it_has_not_authorised_us(shared: AdbServer, device: Adbd) -> None:
    async with made(shared, serial=device.serial) as gauge:
        device.authorised = False
        device.drop()
        shared.until(device.serial, "unauthorized")
        error = await fails(gauge, Refused, "not authorised")
        assert "dialog" in error.remedy
        device.authorised = True
        device.drop()
        shared.until(device.serial, "device")
        assert (await gauge.read()).soc_percent == 61.0


@pytest.mark.parametrize(
    "manner", ["hangs", pytest.param("deaf", marks=pytest.mark.slow)]
)
async def test_a_call_that_hangs_is_killed_and_the_others_go_on(
    shared: AdbServer, device: Adbd, manner: str
) -> None:
    with Adbd(dump(level=40)) as other, shared.attached(other):
        device.behave(manner)
        host = TestHost(now_ms=1_000_000)
        before = children()
        async with (
            made(shared, host, serial=device.serial, limit="1.5s") as hanging,
            made(shared, host, serial=device.serial, limit="0.5s") as second,
            made(shared, host, serial=other.serial) as good,
        ):
            read = asyncio.ensure_future(fails(hanging, Unavailable, "was killed"))
            await asyncio.to_thread(
                device.wait_until, lambda device: bool(device.heard)
            )
            await fails(second, Unavailable, "no turn")
            for _ in range(3):
                assert (await good.read()).soc_percent == 40.0
            assert not read.done(), "it did not hang"
            await read
            await fails(hanging, Unavailable, "left alone")
            assert len(device.heard) == 1
            device.behave("fair")
            assert host.now_ms is not None
            host.now_ms += 30_000
            assert (await hanging.read()).soc_percent == 61.0
        assert children().keys() <= before.keys(), "a process was left behind"


async def test_cancelled_reads_leave_no_process(
    shared: AdbServer, device: Adbd
) -> None:
    device.behave("hangs")
    before = children()
    async with made(shared, serial=device.serial) as gauge:
        for count in range(1, 4):
            read = asyncio.ensure_future(gauge.read())
            await asyncio.to_thread(
                device.wait_until, lambda device, n=count: len(device.heard) == n
            )
            read.cancel()
            await asyncio.wait([read])
            assert read.cancelled()
        device.behave("fair")
        assert (await gauge.read()).soc_percent == 61.0
    assert children().keys() <= before.keys()


@pytest.mark.slow
@pytest.mark.timeout(300)
async def test_reads_given_up_anywhere_leave_nothing_behind(shared: AdbServer) -> None:
    chance = random.Random(23)
    clock = VirtualClock()
    machine = Machine(clock)
    with Adbd(dump()) as first, Adbd(dump(level=40)) as second:
        devices = (first, second)
        gauges = [
            made(
                shared,
                machine.host(device.serial, hint=lambda: None),
                serial=device.serial,
                over="tcp",
                limit="1s",
            )
            for device in devices
        ]

        async def use(gauge: AdbGauge) -> None:
            await gauge.open()
            await gauge.read()
            if chance.random() < 0.3:
                await gauge.close()

        await asyncio.gather(*(use(gauge) for gauge in gauges))
        before, open_before = children().keys(), pipes()
        for _ in range(200):
            clock.advance(130_000)
            for device in devices:
                manners = ["fair"] * 5 + ["hangs", "deaf", "drops-during", "refuses"]
                device.behave(chance.choice(manners))
            calls = {asyncio.ensure_future(use(gauge)) for gauge in gauges}
            await asyncio.wait(calls, timeout=chance.random() * 0.1)
            for call in calls:
                if chance.random() < 0.7:
                    call.cancel()
            _, hanging = await asyncio.wait(calls, timeout=20)
            assert not hanging
            for call in calls:
                if not call.cancelled() and (error := call.exception()):
                    assert isinstance(error, BackendError), repr(error)
        for gauge in gauges:
            await gauge.close()
        assert len(asyncio.all_tasks()) == 1
        assert children().keys() <= before, "a process was left behind"
        assert pipes() <= open_before
        for device in devices:
            device.behave("fair")
            shared.adb("disconnect", device.serial)
        for gauge, soc_percent in zip(gauges, (61.0, 40.0), strict=True):
            clock.advance(130_000)
            async with gauge:
                assert (await gauge.read()).soc_percent == soc_percent
        for device in devices:
            shared.adb("disconnect", device.serial)


# --- over the network -----------------------------------------------------------------


async def test_adb_is_told_to_connect(shared: AdbServer) -> None:
    with Adbd(dump()) as device:
        async with made(shared, serial=device.serial, over="tcp") as gauge:
            assert (await gauge.read()).soc_percent == 61.0
            shared.adb("disconnect", device.serial)
            await fails(gauge, Unavailable, "not attached")
            assert (await gauge.read()).soc_percent == 61.0
            device.unplug()
            shared.until(device.serial, "offline")
            await fails(gauge, Unavailable, "offline")
            await fails(gauge, Unavailable, "takes no connection")
            device.plug_in()
            assert (await gauge.read()).soc_percent == 61.0
        shared.adb("disconnect", device.serial)


async def test_a_failed_connect_is_told_although_it_ends_well(
    shared: AdbServer,
) -> None:
    with Adbd(dump(), authorised=False) as device:
        async with made(shared, serial=device.serial, over="tcp") as gauge:
            await fails(gauge, Refused, "not authorised")
        shared.adb("disconnect", device.serial)
    async with made(shared, serial=device.serial, over="tcp") as gauge:
        error = await fails(gauge, Unavailable, "takes no connection")
        assert "adb tcpip 5555" in error.remedy


# --- the server -----------------------------------------------------------------------


async def test_a_server_that_went_is_started_again_once(tmp_path: Path) -> None:
    with (
        adb_server(need("adb"), tmp_path / "home", start=False) as server,
        Adbd(dump()) as first,
        Adbd(dump(level=40)) as second,
    ):
        host = TestHost()
        gauges = [
            made(server, host, serial=device.serial, over="tcp")
            for device in (first, second)
        ]
        for gauge in gauges:
            await gauge.open()
        assert not server.listens(), "opening started a server"
        for _ in range(2):
            samples = await asyncio.gather(*(gauge.read() for gauge in gauges))
            assert [sample.soc_percent for sample in samples] == [61.0, 40.0]
            assert (server.home / ".android" / "adbkey").exists()
            assert len(server.processes()) == 1
            server.adb("kill-server")
            for gauge in gauges:
                # The client starts it, and knows no device yet.
                await fails(gauge, Unavailable, "not attached")
        for gauge in gauges:
            await gauge.close()
        assert len(server.processes()) == 1


@pytest.mark.slow
async def test_five_hangs_reconnect_and_ten_restart_if_allowed(tmp_path: Path) -> None:
    told = tmp_path / "told"
    recording = tmp_path / "recording-adb"
    recording.write_text(f'#!/bin/sh\necho "$*" >> {told}\nexec {need("adb")} "$@"\n')
    recording.chmod(0o755)

    def steps() -> list[str]:
        words = [line.split(" ", 2)[2] for line in told.read_text().splitlines()]
        return [
            each for each in words if not each.startswith(("-s", "version", "start"))
        ]

    with (
        adb_server(need("adb"), tmp_path / "home", start=False) as server,
        Adbd(dump(), manner="hangs") as device,
    ):
        server.connect(device)
        (first,) = server.processes()
        before = children()
        host = TestHost(now_ms=1_000_000)

        async def hang(gauge: AdbGauge, times: int) -> None:
            for _ in range(times):
                assert host.now_ms is not None
                host.now_ms += 130_000
                with pytest.raises(Unavailable, match="was killed"):
                    await gauge.read()

        table = {"serial": device.serial, "limit": "0.5s", "program": str(recording)}
        async with made(server, host, **table) as gauge:
            await hang(gauge, 5)
            assert steps() == []
            await hang(gauge, 6)
            assert steps() == ["reconnect offline"] * 2, "restart_server is off"
        told.unlink()
        async with made(server, host, **table, restart_server=True) as gauge:
            await hang(gauge, 10)
            assert steps() == ["reconnect offline"]
            assert host.now_ms is not None
            host.now_ms += 130_000
            with pytest.raises(Unavailable):
                await gauge.read()
            assert steps()[:2] == ["reconnect offline", "kill-server"]
            assert any("server is ended" in note for note in gauge.take_notes())
            assert first not in server.processes(), "the server was not ended"
        assert children().keys() <= before.keys(), "a process was left behind"


async def test_one_program_alone_may_use_a_server(
    shared: AdbServer, device: Adbd, tmp_path: Path
) -> None:
    other = tmp_path / "adb"
    other.symlink_to(shared.program)
    host = TestHost()
    async with made(shared, host, serial=device.serial):
        gauge = made(shared, host, serial=device.serial, program=str(other))
        with pytest.raises(Refused, match="another program or other keys"):
            await gauge.open()
        with pytest.raises(Unavailable, match="not open"):
            await gauge.read()
        async with made(shared, host, serial=device.serial) as second:
            await second.read()


async def test_without_a_serial_it_says_what_that_means(
    shared: AdbServer, device: Adbd
) -> None:
    async with made(shared) as gauge:
        await gauge.read()
        assert sum("no serial" in note for note in gauge.take_notes()) == 1
        await gauge.read()
        assert gauge.take_notes() == []
    async with made(shared, serial=device.serial) as gauge:
        assert not any("no serial" in note for note in gauge.take_notes())


async def test_a_read_that_waits_for_its_turn_asks_nothing_once_closed(
    shared: AdbServer, device: Adbd
) -> None:
    device.behave("hangs")
    host = TestHost(now_ms=0)
    async with made(shared, host, serial=device.serial) as hanging:
        async with made(shared, host, serial=device.serial) as waits:
            read = asyncio.ensure_future(hanging.read())
            await asyncio.to_thread(
                device.wait_until, lambda device: bool(device.heard)
            )
            waiting = asyncio.ensure_future(fails(waits, Unavailable, "was closed"))
            await asyncio.sleep(0)  # now it waits
            await waits.close()
            read.cancel()
            await waiting
        assert len(device.heard) == 1


async def test_a_call_given_up_twice_leaves_no_pipe_open(tmp_path: Path) -> None:
    """Even where a server that it started keeps the other ends."""
    keeper = tmp_path / "keeper"
    keeps = f"echo $$ > {keeper}.new; mv {keeper}.new {keeper}; exec sleep 60"
    script = f"setsid sh -c '{keeps}' & wait"
    before = pipes()
    programs = Programs()
    call = asyncio.ensure_future(
        client.execute(
            ["/bin/sh", "-c", script],
            dict(os.environ),
            programs=programs,
            limit_s=60,
        )
    )
    await asyncio.to_thread(_wait_for, keeper)
    try:
        call.cancel()
        await asyncio.sleep(0)
        call.cancel()
        await asyncio.wait([call])
        assert call.cancelled()
        async with asyncio.timeout(20):
            await programs.end()
        assert pipes() <= before
    finally:
        os.kill(int(keeper.read_text()), signal.SIGKILL)


def pipes() -> set[str]:
    """The pipes that this process has open, each by its own name: proc(5)."""
    found = set()
    for each in Path("/proc/self/fd").iterdir():
        with suppress(FileNotFoundError):  # the descriptor of this very walk
            found.add(str(each.readlink()))
    return {name for name in found if name.startswith("pipe:")}


def _wait_for(file: Path) -> None:
    deadline_s = time.monotonic() + 20
    while not file.exists():
        assert time.monotonic() < deadline_s, f"there is no {file.name}"
        threading.Event().wait(0.01)


async def test_the_version_is_a_note_once(shared: AdbServer, device: Adbd) -> None:
    gauge = made(shared, serial=device.serial)
    notes = []
    for _ in range(2):
        async with gauge:
            await gauge.read()
            notes += gauge.take_notes()
    assert len(notes) == 1
    assert shared.program in notes[0]
    assert "1.0." in notes[0]


async def test_programs_that_cannot_be_run(shared: AdbServer, tmp_path: Path) -> None:
    with pytest.raises(Unsupported, match="no program") as missing:
        await made(shared, program=str(tmp_path / "none")).open()
    assert "adb" in missing.value.remedy
    with pytest.raises(Unsupported):
        await made(shared, program="no-such-adb").open()
    locked = tmp_path / "locked"
    locked.mkdir()
    with pytest.raises(Refused, match="not permitted") as refused:
        await made(shared, program=str(locked)).open()
    assert isinstance(refused.value.__cause__, PermissionError)


# --- settings -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ({"over": "tcp"}, "host:port"),
        ({"over": "tcp", "serial": "GUIDE7"}, "GUIDE7"),
        ({"over": "wifi"}, "usb-switched"),
        ({"serial": "-e"}, "serial"),
        ({"serial": "GUIDE 7"}, "serial"),
        ({"serial": ""}, "serial"),
        ({"serial": "GUIDE\x1b7"}, "serial"),
        # What `adb help` calls a qualifier: any device of the sort answers to it.
        ({"serial": "model:Guide_7"}, "fits every device of its sort"),
        ({"over": "tcp", "serial": "10.0.0.7:0"}, "host:port"),
        ({"over": "tcp", "serial": "10.0.0.7:65536"}, "host:port"),
        ({"program": ""}, "program"),
        ({"program": "adb\x00"}, "program"),
        ({"vendor_keys": ""}, "vendor_keys"),
        ({"vendor_keys": "/keys\x00"}, "vendor_keys"),
        ({"home": "/var\x00"}, "home"),
        ({"server_port": 0}, "server_port"),
        ({"server_port": 65_536}, "server_port"),
        ({"limit": "11s"}, "limit"),
        ({"limit": "0s"}, "limit"),
        ({"home": "keys"}, "home"),
        ({"design_ah": 0}, "design_ah"),
    ],
)
def test_settings_that_cannot_be(table: dict[str, Any], says: str) -> None:
    with pytest.raises(ValidationError, match=says):
        AdbSettings.model_validate(table)


def test_settings_that_can_be() -> None:
    plain = AdbSettings()
    assert (plain.server_port, plain.over) == (5037, "usb-switched")
    assert not plain.restart_server
    assert AdbSettings(serial="10.0.0.7:5555", over="tcp").serial == "10.0.0.7:5555"
    assert AdbSettings(serial="usb:1-1.4").over == "usb-switched"
