"""Whatever drivers, devices and programs say of a battery, a reading stays one.

The corpus is what real supplies and devices said; where TIDEGATE_CAPTURES names their
dumps these are used too.
"""

from __future__ import annotations

import errno
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import strategies as st

from support.captures_table import CAPTURED, SYNTHETIC
from support.dumps import dump
from support.fuzz import captured, depths, hold, is_told, spoiled, spoiled_text
from support.host import TestHost
from tidegate.core.plausibility import judge
from tidegate.core.reading import Reading, Sample
from tidegate.cyclelog.record import battery_row
from tidegate.cyclelog.runs import ReadingRuns
from tidegate.cyclelog.schema import LARGEST, SMALLEST, cells
from tidegate.errors import BackendError, Unavailable
from tidegate_backends.gauges.sysfs import SysfsGauge, SysfsSettings
from tidegate_backends.linux.charge_control import Battery
from tidegate_backends.wire import adb_devices, adb_text, charge_control, dumpsys
from tidegate_backends.wire import power_supply as wire
from tidegate_backends.wire.packs import NotWeighable, sample_of

UEVENTS = [
    "".join(f"POWER_SUPPLY_{key}={value}\n" for key, value in supply.uevent.items())
    for case in (*CAPTURED, *SYNTHETIC)
    for supply in case.supplies
]
ATTRIBUTES = sorted(
    {
        f"{value}\n"
        for case in (*CAPTURED, *SYNTHETIC)
        for supply in case.supplies
        for value in (*supply.files.values(), *supply.uevent.values())
    }
)
DUMPS = [
    dump(),
    dump(stopped=True, Charge_counter=4_431_000, Charging_state=1),
    dump(tail="\n  charge counter: 220\n  level: 7\n") + "86400.07 250560.20\n",
    "adb shell dumpsys battery\r\n" + dump(level=7, scale=10).replace("\n", "\r\n"),
]
DEVICES = [
    "List of devices attached\n"
    "0123456789ABCDEF       device usb:1-1.4 product:guide model:Guide_7 "
    "device:guide transport_id:3\n"
    "192.0.2.7:5555         offline transport_id:4\n"
    "(no serial number)     no permissions (user in plugdev group; are your udev rules "
    "wrong?); see [http://developer.android.com/tools/device.html] usb:1-1.3 "
    "transport_id:5\n\n",
]


def is_plausible(sample: Sample) -> None:
    """Law: whatever a gauge makes of nonsense can be judged, logged and told."""
    reading = judge(sample, at_ms=1_000, wall_ms=1_772_431_200_000)
    for name in _NUMBERS:
        value = getattr(reading.sample, name)
        assert value is None or math.isfinite(value), (name, value)
    if reading.trusted:
        assert 0.0 <= reading.soc_percent <= 100.0
    for cell in _cells(reading):
        assert cell is None or isinstance(cell, int | str), cell
        if isinstance(cell, int):
            assert SMALLEST <= cell <= LARGEST
        elif isinstance(cell, str):
            cell.encode()  # no halves of characters
            assert "\0" not in cell


_NUMBERS = (
    "soc_percent",
    "voltage_v",
    "current_a",
    "temperature_c",
    "charge_ah",
    "full_charge_ah",
    "design_charge_ah",
    "took_s",
)


def _cells(reading: Reading) -> Iterator[Any]:
    runs = ReadingRuns("hall")
    rows = [*runs.offer(reading, apart=True, same_reads=1, same_since_ms=1_000)]
    for row in (*rows, *runs.flush(), battery_row(reading, station="hall")):
        yield from cells(row)


# --- the kernel's supplies


def uevent_law(text: str) -> None:
    pack = wire.read_pack("BAT0", wire.parse_uevent(text))
    for source in (*pack.sources, None):
        sources = {} if source is None else {"BAT0": source}
        power = wire.external_power([text[-2:], None])
        is_plausible(sample_of([pack], power=power, sources=sources, raw=text[:4096]))


@depths(25)
def test_any_uevent_is_a_sample(examples: int) -> None:
    texts = spoiled_text([*UEVENTS, *_real_uevents()])
    hold(uevent_law, texts, examples=examples, known=["", "POWER_SUPPLY_=\n"])


def _real_uevents() -> list[str]:
    found = captured("power_supply") + captured("uevent_stream")
    return [data.decode("utf-8", errors="replace") for data in found]


@depths(15)
def test_any_packs_are_weighed_or_refused(examples: int) -> None:
    def law(texts: list[str]) -> None:
        read = [
            wire.read_pack(f"BAT{place}", wire.parse_uevent(text))
            for place, text in enumerate(texts)
        ]
        try:
            sample = sample_of(read, power=wire.external_power([]), sources={})
        except NotWeighable as refused:
            is_told(refused, names="BAT")
        else:
            is_plausible(sample)

    texts = st.lists(spoiled_text(UEVENTS), min_size=2, max_size=3)
    hold(law, texts, examples=examples)


class Nonsense:
    """A folder of supplies in which every file says the next thing of a list."""

    def __init__(self, said: list[bytes | int]) -> None:
        self._said = said
        self._at = 0

    def read(self, path: str) -> bytes:
        if path.endswith("/type"):
            return b"Battery\n" if "BAT" in path else b"Mains\n"
        said = self._said[self._at % len(self._said)]
        self._at += 1
        if isinstance(said, int):
            raise OSError(said, "the driver failed", path)
        return said


ERRORS = st.sampled_from(
    [errno.EIO, errno.ENODATA, errno.EAGAIN, errno.ENODEV, errno.EINVAL, 524]
)


@depths(10)
def test_a_gauge_of_nonsense_reads_or_fails_in_our_words(
    examples: int, tmp_path: Path
) -> None:
    for name in ("BAT0", "BAT1", "AC"):
        (tmp_path / "class" / "power_supply" / name).mkdir(parents=True)

    def law(said: list[bytes | int]) -> None:
        gauge = SysfsGauge(
            SysfsSettings(root=tmp_path),
            TestHost(now_ms=0),
            read=Nonsense(said).read,
            wait=lambda pause_s: None,
        )
        for _ in range(4):  # more often than its patience lasts
            try:
                is_plausible(gauge._take())
            except BackendError as error:
                is_told(error, most=20_000)
        assert all(len(note) < 20_000 for note in gauge.take_notes())

    files = spoiled([*(text.encode() for text in (*UEVENTS, *ATTRIBUTES)), b""])
    hold(law, st.lists(files | ERRORS, min_size=1, max_size=30), examples=examples)


@depths(20)
def test_any_text_of_an_attribute_is_known_or_odd(examples: int) -> None:
    def law(text: str) -> None:
        try:
            choices = charge_control.parse_choices(text)
        except charge_control.OddText as odd:
            is_told(odd)
        else:
            assert choices.active in choices.offered
            assert text.split()
        try:
            percent = charge_control.parse_percent(text)
        except charge_control.OddText as odd:
            is_told(odd)
        else:
            assert 0 <= percent <= 100
            assert percent == int(text.strip())

    known = ["[auto] inhibit-charge", "[]", "[ ]", "[a] [b]", "100", "101", "٤٢", "+5"]
    hold(law, spoiled_text(known), examples=examples, known=known)


@depths(15)
def test_a_battery_of_nonsense_tells_its_level_or_fails_in_our_words(
    examples: int, tmp_path: Path
) -> None:
    def law(said: dict[str, str]) -> None:
        def show(path: Path) -> str:
            if path.name not in said:
                raise FileNotFoundError(errno.ENOENT, "not there", str(path))
            return said[path.name].strip()[:4_096]  # a page is all that is read

        battery = Battery(tmp_path, show=show, store=_nowhere, note=_unheard)
        try:
            assert 0 <= battery.level_percent() <= 100
        except BackendError as error:
            is_told(error, most=20_000)

    keys = ["capacity", "charge_now", "charge_full", "energy_now", "energy_full"]
    texts = spoiled_text([*ATTRIBUTES, "0", "٤٢", "9" * 4_000])
    hold(law, st.dictionaries(st.sampled_from(keys), texts), examples=examples)


def _nowhere(path: Path, line: str) -> None:
    raise AssertionError(f"{line!r} was written to {path}")


def _unheard(text: str) -> None:
    assert text


# --- what adb brings


def dump_law(text: str) -> None:
    """Law: a dump gives a sample of its own words, or says that it is none.

    Worked out again without our reader: the level is the first of a line of its own
    behind the heading, and what makes a dump a whole one is there.
    """
    answer = adb_text.answer_in(text, "")
    if not isinstance(answer, Sample):
        assert answer.what
        assert answer.remedy
        assert len(answer.what) < 3_000
        return
    is_plausible(answer)
    lines = [line.strip() for line in text.replace("\r", "").split("\n")]
    lines = lines[lines.index("Current Battery Service state:") :]
    level, scale = (
        next(int(line.split(":")[1]) for line in lines if line.startswith(key))
        for key in ("level:", "scale:")
    )
    if answer.soc_percent is not None:
        assert answer.soc_percent == level * 100 / scale
    trailing = ("technology:", "Charging state:", "Charging policy:", "Capacity level:")
    assert answer.uptime_s is not None or any(
        line.startswith(trailing) for line in lines
    ), "half a dump was believed"


@depths(25)
def test_any_dump_is_a_whole_sample_or_none(examples: int) -> None:
    real = [each.decode("utf-8", errors="replace") for each in _real_dumps()]
    hold(dump_law, spoiled_text([*DUMPS, *real]), examples=examples)


def _real_dumps() -> list[bytes]:
    return captured("dumpsys_battery") + captured("adb_errors")


def test_a_reader_that_believes_half_a_dump_is_caught(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    half = dump()[: dump().index("  voltage")]
    dump_law(half)
    monkeypatch.setattr(dumpsys, "_check_whole", lambda values, *, is_followed: None)
    with pytest.raises(AssertionError, match="half a dump"):
        dump_law(half)


@depths(15)
def test_any_list_of_devices_is_told_apart(examples: int) -> None:
    def law(text: str) -> None:
        for each in adb_devices.devices_in(text):
            assert each.serial
            assert each.state
            assert each.is_ready or each.trouble is not None
            adb_text.is_address(each.name)
        adb_text.version_in(text)
        adb_text.is_connected(text)
        trouble = adb_text.trouble_in(text)
        assert trouble is None or issubclass(trouble.error, BackendError)

    real = [each.decode("utf-8", errors="replace") for each in captured("adb_errors")]
    hold(law, spoiled_text([*DEVICES, *real]), examples=examples)


def test_a_row_without_end_is_no_device() -> None:
    """Where such a row stops being one was searched for at each of its blanks: this one
    took hours.
    """
    endless = "x no permissions " + "usb:1 " * 40_000 + "!"
    assert adb_devices.devices_in(f"List of devices attached\n{endless}\n") == []
    sound = adb_devices.devices_in(f"List of devices attached\n{endless}\nA1 device\n")
    assert [each.name for each in sound] == ["A1"]


def test_the_folder_that_is_no_folder_is_said_so(tmp_path: Path) -> None:
    (tmp_path / "class").write_text("no folder")
    gauge = SysfsGauge(SysfsSettings(root=tmp_path), TestHost(now_ms=0))
    with pytest.raises(Unavailable):
        gauge._take()
