"""The sysfs gauge on a tree of files: what drivers do wrong, and what is made of it.

Errors that plain files cannot give come from ``FakeDriver``; EIO is a real one. Where
a fault has a handling of its own, a second test switches it off and sees the harm.
"""

from __future__ import annotations

import asyncio
import errno
import os
import resource
from collections.abc import Callable
from pathlib import Path

import pytest
from pydantic import ValidationError

from support.captures_table import write_supply
from support.host import TestHost
from tidegate.core.plausibility import judge
from tidegate.core.reading import BatteryStatus, ExternalPower, Sample, WhyNot
from tidegate.errors import Refused, Unavailable
from tidegate_backends.gauges import sysfs
from tidegate_backends.gauges.sysfs import SysfsGauge, SysfsSettings
from tidegate_backends.linux import power_supplies
from tidegate_backends.linux.power_supplies import read_bytes, survey
from tidegate_backends.wire import power_supply as wire

FAIR = {"capacity": "61", "status": "Charging", "voltage_now": "3900000"}


class FakeDriver:
    """Fails the reads it is told to, in place of a kernel driver that would."""

    def __init__(self) -> None:
        self.failures: dict[str, list[int]] = {}
        self.calls: list[str] = []

    def fail(self, name: str, *codes: int) -> None:
        """Let the next reads of a file ("BAT0/uevent") fail with these codes."""
        self.failures[name] = list(codes)

    def read(self, path: str) -> bytes:
        name = "/".join(Path(path).parts[-2:])
        self.calls.append(name)
        if codes := self.failures.get(name):
            code = codes.pop(0)
            raise OSError(code, os.strerror(code), path)
        return read_bytes(path)


class Bench:
    """A gauge on a tree, with the driver's faults and the pauses in hand."""

    def __init__(self, root: Path, *, name: str | None = None) -> None:
        self.root = root
        self.driver = FakeDriver()
        self.pauses_s: list[float] = []
        self.gauge = SysfsGauge(
            SysfsSettings(root=root, name=name),
            TestHost(),
            read=self.driver.read,
            wait=self.pauses_s.append,
        )

    def battery(self, name: str = "BAT0", **values: str) -> Path:
        return write_supply(self.root, name, type_="Battery", uevent=uevent(**values))

    async def read(self) -> Sample:
        await self.gauge.open()  # of a recorded tree nothing stays open
        return await self.gauge.read()


def uevent(**values: str) -> str:
    return "".join(
        f"POWER_SUPPLY_{key.upper()}={text}\n" for key, text in values.items()
    )


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


async def test_a_recorded_tree_hears_no_events(bench: Bench) -> None:
    bench.battery(**FAIR)
    async with bench.gauge as gauge:
        sample = await gauge.read()
    await gauge.close()
    assert sample.soc_percent == 61.0
    assert sample.external_power is ExternalPower.UNKNOWN
    assert gauge.take_notes() == []
    assert gauge.facts.host_is_device
    assert not gauge.facts.needs_supply


async def test_a_gauge_that_is_not_open_says_so(bench: Bench) -> None:
    bench.battery(**FAIR)
    with pytest.raises(Unavailable, match="not open"):
        await bench.gauge.read()


async def test_one_uevent_a_sample_and_files_for_the_gaps_only(bench: Bench) -> None:
    folder = bench.battery(**FAIR)
    (folder / "temp").write_text("253\n")
    (folder / "capacity").write_text("60\n")  # from another moment
    sample = await bench.read()
    assert (sample.soc_percent, sample.temperature_c) == (61.0, 25.3)
    assert bench.driver.calls.count("BAT0/uevent") == 1
    assert "BAT0/capacity" not in bench.driver.calls


async def test_the_raw_text_is_kept_for_the_log(bench: Bench) -> None:
    bench.battery(capacity="1536")
    assert (await bench.read()).raw == "[BAT0]\ncapacity=1536"


async def test_fault_1_a_folder_that_vanishes_is_named(bench: Bench) -> None:
    folder = bench.battery(**FAIR)
    assert (await bench.read()).soc_percent == 61.0
    aside = folder.rename(bench.root / "aside")
    with pytest.raises(
        Unavailable, match=r"class/power_supply: no system battery found"
    ):
        await bench.read()
    aside.rename(folder)
    assert (await bench.read()).soc_percent == 61.0


async def test_no_such_class_says_what_root_is(bench: Bench) -> None:
    with pytest.raises(Unavailable, match="the folder that holds class/power_supply"):
        await bench.read()


def test_a_process_out_of_descriptors_is_not_sent_to_look_at_root(
    bench: Bench,
) -> None:
    """EMFILE of open(2); getrlimit(2), RLIMIT_NOFILE."""
    bench.battery(**FAIR)
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (0, before[1]))
    try:
        with pytest.raises(Unavailable, match="cannot be listed") as caught:
            survey(bench.root)
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, before)
    assert os.strerror(errno.EMFILE) in str(caught.value)
    assert "root" not in str(caught.value).replace(str(bench.root), "")


@pytest.mark.parametrize("code", [errno.ENODEV, errno.ENODATA, errno.EOPNOTSUPP])
async def test_fault_2_an_absent_attribute_leaves_the_rest(
    bench: Bench, code: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.battery(**FAIR)
    bench.driver.fail("BAT0/current_now", code, code)
    sample = await bench.read()
    assert (sample.current_a, sample.soc_percent) == (None, 61.0)
    assert bench.gauge.take_notes() == []
    only_missing_files = frozenset({errno.ENOENT})
    monkeypatch.setattr(power_supplies, "_ABSENT", only_missing_files)  # switched off
    await bench.read()
    assert "current_now" in bench.gauge.take_notes()[0]


@pytest.mark.parametrize("codes", [[errno.EAGAIN], [errno.EBUSY, errno.EAGAIN]])
async def test_fault_3_a_busy_driver_is_asked_again(
    bench: Bench, codes: list[int]
) -> None:
    bench.battery(**FAIR)
    bench.driver.fail("BAT0/uevent", *codes)
    assert (await bench.read()).soc_percent == 61.0
    assert bench.pauses_s == [0.2] * len(codes)


@pytest.mark.parametrize("first", ["", "\0"])
async def test_fault_3_an_empty_uevent_is_asked_again(
    tmp_path: Path, first: str
) -> None:
    folder = write_supply(tmp_path, "BAT0", type_="Battery", uevent=first or "\n")

    def fill(_pause_s: float) -> None:
        (folder / "uevent").write_text(uevent(**FAIR))

    gauge = SysfsGauge(SysfsSettings(root=tmp_path), TestHost(), wait=fill)
    async with gauge:
        assert (await gauge.read()).soc_percent == 61.0


async def test_fault_3_a_driver_that_stays_busy_is_a_missed_sample(
    bench: Bench,
) -> None:
    bench.battery(**FAIR)
    bench.driver.fail("BAT0/uevent", *[errno.EAGAIN] * 3)
    with pytest.raises(Unavailable, match="BAT0: says nothing about its charge"):
        await bench.read()
    assert bench.pauses_s == [0.2, 0.2]
    assert (await bench.read()).soc_percent == 61.0


async def test_fault_3_switched_off_a_busy_driver_costs_a_sample(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.battery(**FAIR)
    bench.driver.fail("BAT0/uevent", errno.EAGAIN)
    monkeypatch.setattr(power_supplies, "RETRY_WAITS_S", ())
    with pytest.raises(Unavailable):
        await bench.read()


def _spoil(bench: Bench) -> Path:
    """Lay out a battery whose health attribute fails with a real EIO.

    Reading the first page of one's own memory gives one; so the uevent is empty.
    """
    folder = write_supply(bench.root, "BAT0", type_="Battery", files=FAIR)
    (folder / "uevent").touch()
    (folder / "health").symlink_to("/proc/self/mem")
    return folder


async def test_fault_4_one_bad_property_leaves_the_single_files(bench: Bench) -> None:
    folder = _spoil(bench)
    for _ in range(3):
        sample = await bench.read()
        assert (sample.soc_percent, sample.health) == (61.0, None)
    assert bench.pauses_s == [0.2, 0.2]  # once; a spoilt uevent does not come back
    (note,) = bench.gauge.take_notes()
    assert "health (Input/output error)" in note
    (folder / "health").unlink()
    (folder / "uevent").write_text(uevent(**FAIR, health="Good"))
    assert (await bench.read()).health == "Good"
    bench.driver.fail("BAT0/uevent", errno.EAGAIN)
    assert (await bench.read()).health == "Good"
    assert bench.pauses_s == [0.2, 0.2, 0.2]  # a repaired one is asked again


async def test_fault_4_switched_off_one_bad_property_blinds_the_gauge(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    _spoil(bench)
    monkeypatch.setattr(wire, "WANTED", ())
    with pytest.raises(Unavailable):
        await bench.read()


async def test_fault_5_a_read_that_blocks_leaves_the_loop_free(tmp_path: Path) -> None:
    folder = write_supply(tmp_path, "BAT0", type_="Battery")
    os.mkfifo(folder / "uevent")  # a reader waits until somebody writes
    gauge = SysfsGauge(SysfsSettings(root=tmp_path), TestHost(threaded=True))
    async with gauge, asyncio.timeout(5):
        reading = asyncio.ensure_future(gauge.read())
        await asyncio.to_thread((folder / "uevent").write_text, uevent(**FAIR))
        assert (await reading).soc_percent == 61.0


async def test_fault_5_a_slow_read_says_how_long_it_took(tmp_path: Path) -> None:
    host = TestHost(now_ms=1_000)

    def slow(path: str) -> bytes:
        if path.endswith("/uevent"):
            host.now_ms = 16_761
        return read_bytes(path)

    write_supply(tmp_path, "BAT0", type_="Battery", uevent=uevent(**FAIR))
    gauge = SysfsGauge(SysfsSettings(root=tmp_path), host, read=slow)
    async with gauge:
        sample = await gauge.read()
    assert sample.took_s == pytest.approx(15.761)
    assert judge(sample, at_ms=0, wall_ms=0).why_not is WhyNot.SLOW


@pytest.mark.parametrize(
    ("capacity", "why_not"),
    [
        ("-1", WhyNot.OUT_OF_RANGE),
        ("98.5", WhyNot.OUT_OF_RANGE),
        ("448", WhyNot.OUT_OF_RANGE),
        ("n/a", WhyNot.OUT_OF_RANGE),
        ("61", None),
    ],
)
async def test_fault_6_a_capacity_that_cannot_be(
    bench: Bench, capacity: str, why_not: WhyNot | None
) -> None:
    bench.battery(capacity=capacity, charge_now="1", charge_full="2")
    assert judge(await bench.read(), at_ms=0, wall_ms=0).why_not is why_not


async def test_fault_10_a_pack_that_is_not_there_has_no_charge(bench: Bench) -> None:
    bench.battery(present="0", capacity="100", status="Not charging")
    sample = await bench.read()
    assert (sample.present, sample.soc_percent) == (False, None)


async def test_fault_11_a_level_without_a_percentage_is_said(bench: Bench) -> None:
    bench.battery(capacity_level="Normal", status="Discharging")
    assert (await bench.read()).claims is WhyNot.LEVEL_ONLY


PAIR: dict[str, dict[str, str]] = {
    "BAT0": {"capacity": "80", "energy_now": "14270000", "energy_full": "17940000"},
    "BAT1": {"capacity": "7", "energy_now": "4570000", "energy_full": "66220000"},
}


def _pair(bench: Bench) -> dict[str, Path]:
    return {name: bench.battery(name, **values) for name, values in PAIR.items()}


async def test_fault_12_two_batteries_one_disappears(bench: Bench) -> None:
    folders = _pair(bench)
    assert (await bench.read()).soc_percent == pytest.approx(22.386, abs=1e-3)
    folders["BAT1"].rename(bench.root / "aside")
    for _ in range(2):
        with pytest.raises(Unavailable, match="BAT1: is gone"):
            await bench.read()
    assert (await bench.read()).soc_percent == 80.0
    assert bench.gauge.take_notes() == ["BAT1 stayed away; going on with BAT0"]
    (bench.root / "aside").rename(folders["BAT1"])
    assert (await bench.read()).soc_percent == pytest.approx(22.386, abs=1e-3)


async def test_fault_12_a_battery_that_is_back_in_time_changes_nothing(
    bench: Bench,
) -> None:
    folders = _pair(bench)
    await bench.read()
    for _ in range(2):
        aside = folders["BAT0"].rename(bench.root / "aside")
        for _ in range(2):
            with pytest.raises(Unavailable, match="BAT0: is gone"):
                await bench.read()
        aside.rename(folders["BAT0"])
        assert (await bench.read()).soc_percent == pytest.approx(22.386, abs=1e-3)
    assert bench.gauge.take_notes() == []


async def test_fault_12_a_battery_that_is_not_present_is_gone_too(bench: Bench) -> None:
    folders = _pair(bench)
    await bench.read()
    (folders["BAT1"] / "uevent").write_text(uevent(**PAIR["BAT1"], present="0"))
    with pytest.raises(Unavailable, match="BAT1: is gone"):
        await bench.read()


async def test_fault_12_switched_off_the_level_leaps(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    folders = _pair(bench)
    await bench.read()
    folders["BAT1"].rename(bench.root / "aside")
    monkeypatch.setattr(sysfs, "PATIENCE", 1)
    assert (await bench.read()).soc_percent == 80.0


async def test_one_of_two_can_be_chosen(tmp_path: Path) -> None:
    bench = Bench(tmp_path, name="BAT1")
    _pair(bench)
    assert (await bench.read()).soc_percent == 7.0


async def test_a_name_that_is_not_there_lists_what_is(tmp_path: Path) -> None:
    bench = Bench(tmp_path, name="BAT7")
    _pair(bench)
    with pytest.raises(Unavailable, match=r"BAT7 found; skipped BAT0: .*BAT1: "):
        await bench.read()


async def test_two_that_cannot_be_weighed_ask_for_a_choice(bench: Bench) -> None:
    bench.battery("BAT0", capacity="80")
    bench.battery("BAT1", capacity="7")
    with pytest.raises(Unavailable, match="Choose one with name"):
        await bench.read()


async def test_fault_13_peripherals_are_left_in_peace_and_listed(bench: Bench) -> None:
    bench.battery("hidpp_battery_0", capacity="35", scope="Device")
    mouse = write_supply(
        bench.root, "mouse", type_="Battery", uevent=uevent(capacity="9"),
        files={"scope": "Device\n"},
    )  # fmt: skip
    write_supply(bench.root, "AC", type_="Mains", files={"online": "1\n"})
    write_supply(bench.root, "ups", type_="UPS", uevent=uevent(capacity="99"))
    write_supply(bench.root, "odd", type_=None)
    write_supply(
        bench.root, "pad", type_="Wireless", uevent=uevent(online="1", scope="Device")
    )
    with pytest.raises(Unavailable) as refusal:
        await bench.read()
    for part in (
        "AC: a supply (type Mains)",
        "hidpp_battery_0: a peripheral's battery (scope Device)",
        "mouse: a peripheral's battery (scope Device)",
        "odd: it does not say its type",
        "pad: a peripheral's supply (scope Device)",
        "ups: its type is UPS",
    ):
        assert part in str(refusal.value)
    assert f"{mouse.name}/uevent" not in bench.driver.calls
    bench.battery("BAT0", **FAIR)
    assert (await bench.read()).soc_percent == 61.0


async def test_fault_14_a_status_nobody_knows_is_unknown_and_noted_once(
    bench: Bench,
) -> None:
    bench.battery(capacity="61", status="Cmd discharging")
    for _ in range(3):
        assert (await bench.read()).battery_status is BatteryStatus.UNKNOWN
    (note,) = bench.gauge.take_notes()
    assert "'Cmd discharging'" in note


IDENTITY = {"manufacturer": "LGC", "model_name": "01AV425", "serial_number": "30831"}


async def test_fault_15_another_pack_is_another_identity(bench: Bench) -> None:
    folder = bench.battery(**FAIR, **IDENTITY, charge_full_design="4912000")
    assert (await bench.read()).pack == "LGC/01AV425/30831/4.912Ah"
    (folder / "uevent").write_text(uevent(**FAIR, model_name="01AV493"))
    assert (await bench.read()).pack == "01AV493"


async def test_fault_15_a_text_left_out_once_is_not_another_pack(bench: Bench) -> None:
    folder = bench.battery(**FAIR, **IDENTITY)
    await bench.read()
    (folder / "uevent").write_text(uevent(**FAIR))
    assert (await bench.read()).pack == "LGC/01AV425/30831"


async def test_one_run_keeps_to_one_source_of_charge(bench: Bench) -> None:
    charges = {"charge_now": "1010000", "charge_full": "3205000"}
    folder = bench.battery(capacity="33", **charges)
    assert (await bench.read()).soc_percent == 33.0
    (folder / "uevent").write_text(uevent(**charges))
    for _ in range(2):
        with pytest.raises(Unavailable, match="does not give capacity this time"):
            await bench.read()
    assert (await bench.read()).soc_percent == pytest.approx(31.513, abs=1e-3)
    (folder / "uevent").write_text(uevent(capacity="33", **charges))
    assert (await bench.read()).soc_percent == pytest.approx(31.513, abs=1e-3)


async def test_a_pack_that_comes_back_may_bring_another_source(bench: Bench) -> None:
    folder = bench.battery(capacity="33")
    await bench.read()
    aside = folder.rename(bench.root / "aside")
    with pytest.raises(Unavailable):
        await bench.read()
    aside.rename(folder)
    (folder / "uevent").write_text(uevent(charge_now="1000000", charge_full="4000000"))
    assert (await bench.read()).soc_percent == 25.0


async def test_a_percentage_lost_for_once_is_not_a_level_only(bench: Bench) -> None:
    folder = bench.battery(capacity="33", capacity_level="Normal")
    await bench.read()
    (folder / "uevent").write_text(uevent(capacity_level="Normal"))
    for _ in range(2):
        with pytest.raises(Unavailable):
            await bench.read()
    assert (await bench.read()).claims is WhyNot.LEVEL_ONLY


async def test_fault_49_firmware_padding_does_not_stop_a_read(bench: Bench) -> None:
    folder = bench.battery(**FAIR)
    (folder / "uevent").write_bytes(
        uevent(**FAIR).encode() + b"POWER_SUPPLY_MODEL_NAME=LNV-45N1\xff\xfe\n"
    )
    sample = await bench.read()
    assert (sample.soc_percent, sample.pack) == (61.0, "LNV-45N1")


async def test_an_attribute_that_is_a_folder_is_noted(bench: Bench) -> None:
    folder = bench.battery(**FAIR)
    (folder / "temp").mkdir()
    assert (await bench.read()).temperature_c is None
    assert "temp (Is a directory)" in bench.gauge.take_notes()[0]


async def test_a_scope_that_fails_does_not_cost_the_battery(bench: Bench) -> None:
    bench.battery(**FAIR)
    bench.driver.fail("BAT0/scope", errno.EIO)
    assert (await bench.read()).soc_percent == 61.0
    assert bench.gauge.take_notes() == ["BAT0: cannot read scope (Input/output error)"]


async def test_a_supply_that_fails_leaves_external_power_unknown(bench: Bench) -> None:
    bench.battery(**FAIR)
    write_supply(bench.root, "AC", type_="Mains", files={"online": "0"})
    bench.driver.fail("AC/online", errno.EIO)
    assert (await bench.read()).external_power is ExternalPower.UNKNOWN
    assert (await bench.read()).external_power is ExternalPower.NO


async def test_a_type_that_cannot_be_read_is_a_reason_to_skip(bench: Bench) -> None:
    bench.battery(**FAIR)
    bench.driver.fail("BAT0/type", errno.EACCES)
    with pytest.raises(
        Unavailable, match=r"BAT0: it cannot be read \(Permission denied"
    ):
        await bench.read()


def test_a_class_that_may_not_be_listed_is_a_refusal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fake_forbidden(_path: Path) -> None:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr(Path, "iterdir", fake_forbidden)
    with pytest.raises(Refused, match="not permitted to list"):
        survey(tmp_path)


@pytest.mark.parametrize(
    ("supplies", "power"),
    [
        ({"AC": ("Mains", "0"), "usb": ("USB_C", "1")}, ExternalPower.YES),
        ({"AC": ("Mains", "0"), "usb": ("USB", "0")}, ExternalPower.NO),
        ({"AC": ("Mains", "0"), "usb": ("USB", "")}, ExternalPower.UNKNOWN),
        ({"ups": ("UPS", "1")}, ExternalPower.UNKNOWN),
    ],
)
async def test_external_power_is_what_the_supplies_say(
    bench: Bench, supplies: dict[str, tuple[str, str]], power: ExternalPower
) -> None:
    bench.battery(**FAIR, online="1")  # a battery's online means the pack
    for name, (kind, online) in supplies.items():
        write_supply(bench.root, name, type_=kind, files={"online": online})
    assert (await bench.read()).external_power is power


def test_survey_says_what_each_folder_is(tmp_path: Path) -> None:
    write_supply(tmp_path, "BAT0", type_="Battery", uevent=uevent(**FAIR))
    write_supply(tmp_path, "AC", type_="Mains", files={"online": "1\n"})
    found = {entry.name: entry for entry in survey(tmp_path)}
    assert {name: entry.role for name, entry in found.items()} == {
        "AC": "supply",
        "BAT0": "battery",
    }
    assert (found["AC"].online, found["BAT0"].values["capacity"]) == ("1", "61")


@pytest.mark.parametrize("name", ["", ".", "..", "../BAT0", "a/b"])
def test_a_name_is_one_folder(name: str) -> None:
    with pytest.raises(ValidationError):
        SysfsSettings(name=name)


@pytest.mark.parametrize("name", ["BAT0", "hid-70:cd:60:f7:a0:5c-battery"])
def test_a_name_is_free(name: str) -> None:
    assert SysfsSettings(name=name).name == name


async def test_without_udev_the_polls_go_on(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def fake_missing(name: str, *rest: object) -> object:
        if name == "pyudev":
            raise ImportError("No library named udev")
        return real(name, *rest)  # type: ignore[arg-type]

    real: Callable[..., object] = __import__
    host = TestHost()
    gauge = SysfsGauge(SysfsSettings(), host)
    monkeypatch.setattr("builtins.__import__", fake_missing)
    await gauge.open()
    await gauge.close()
    assert host.attached == {}
    assert gauge.take_notes() == ["no udev events, polling only: No library named udev"]
