"""Faults 1 to 18: a battery whose figures go, lie, stick or stall.

Source of the list: field reports of kernel drivers and gauge chips. Where a sentence
differs from the table of rules, the table is right: ``stale_after`` counts besides
three misses (1), a level that is only a word is rejected rather than refused at start
(11), and the poll takes the place of a rescan (1).
"""

from __future__ import annotations

import asyncio
import os
import stat
import threading
from pathlib import Path

from faults.rigs import MINUTE_S, Site, lives, served, write_battery
from support.host import TestHost
from tidegate.clock import SystemClock
from tidegate.cyclelog.rows import (
    BatteryRow,
    EventRow,
    FailureRow,
    IntentRow,
    ReadingRow,
    RunRow,
)
from tidegate.errors import Unavailable
from tidegate.host import Machine
from tidegate.testing import FaultyGauge
from tidegate.testing.faulty_gauge import SOUND, Block
from tidegate.virtual import VirtualClock
from tidegate_backends.gauges.sysfs import SysfsGauge, SysfsSettings

FAIR = {"capacity": 61, "status": "Charging", "voltage_now": 3_900_000}


def a_vanished_battery(folder: Path) -> None:
    async def life(site: Site) -> None:
        async with site.living():
            await site.switched_off()
            site.pull_battery()
            await site.reads(2)
            assert site.board.driven(), "two misses switched the supply"
            await site.until(
                lambda: not site.board.driven(), 240, "supply on without a battery"
            )
            on_s = site.now_s
            assert site.alarmed("gauge_lost"), "a lost battery was not told"
            said = [line["error"] for line in site.said("gauge") if "error" in line]
            assert any(str(site.supplies) in error for error in said), said
            site.fit_battery()
            await site.until(lambda: not site.alarmed("gauge_lost"), 150, "it is back")
            await site.until(site.board.driven, 300, "off again")
            assert site.now_s - on_s >= 180, "the dwell did not start afresh"
        site.sound()
        assert site.told("gauge_lost") == [True, False]

    lives(Site(folder), life)


def an_attribute_without_device(folder: Path) -> None:
    async def life(site: Site) -> None:
        site.set(voltage_now=None)
        # A socket in the place of an attribute: opening it is ENXIO, a real one.
        os.mknod(site.battery / "voltage_now", stat.S_IFSOCK | 0o600)
        async with site.living():
            await site.switched_off()
            assert site.state.quiet.seen is not None
            assert site.state.quiet.seen.voltage_v is None
            said = [line for line in site.said() if "cannot read" in str(line)]
            assert said == [], "somebody was bothered"
            (site.battery / "voltage_now").unlink()
            site.set(voltage_now=3_800_000)
            await site.reads(1)
            assert site.state.quiet.seen.voltage_v == 3.8, "it did not come back"
        site.sound()

    lives(Site(folder), life)


def a_busy_driver(folder: Path) -> None:
    asyncio.run(_empty_uevents(folder / "recorded"))

    async def life(site: Site) -> None:
        async with site.living():
            await site.reads(2)
            told = site.moves
            (site.battery / "uevent").write_bytes(b"")
            await site.reads(2)
            said = [line["error"] for line in site.said("gauge") if "error" in line]
            assert any("says nothing about its charge" in each for each in said), said
            site.show()
            await site.reads(1)
            assert site.said("gauge is back"), "the next sample was not read as ever"
            assert site.moves == told, "a missed sample switched"
        assert {row.kind for row in site.rows(FailureRow)} == {"unavailable"}
        site.sound()

    lives(Site(folder), life)


async def _empty_uevents(root: Path) -> None:
    battery = root / "class" / "power_supply" / "BAT0"
    write_battery(battery, FAIR)
    text = (battery / "uevent").read_bytes()
    pauses_s: list[float] = []
    gauge = SysfsGauge(SysfsSettings(root=root), TestHost(), wait=pauses_s.append)
    await gauge.open()
    with served(battery / "uevent", b"", b"", text):
        try:
            sample = await gauge.read()
        except Unavailable as error:
            raise AssertionError("an empty uevent was not asked again") from error
    assert sample.soc_percent == 61.0
    assert pauses_s == [0.2, 0.2]
    await gauge.close()


def a_property_with_an_error(folder: Path) -> None:
    async def life(site: Site) -> None:
        site.files = True
        site.set(voltage_now=None)
        # Reading address 0 of one's own memory is EIO, a real one.
        (site.battery / "voltage_now").symlink_to("/proc/self/mem")
        async with site.living():
            await site.switched_off(within_s=100)
            notes = [line["note"] for line in site.said("gauge") if "note" in line]
            assert len(notes) == 1, notes
            assert "cannot read voltage_now (Input/output error)" in notes[0], notes
            assert "reading single files" in notes[0], notes
            (site.battery / "voltage_now").unlink()
            site.set(voltage_now=3_800_000)
            await site.reads(1)
            assert site.state.quiet.seen is not None
            assert site.state.quiet.seen.voltage_v == 3.8, "it did not come back"
        site.sound()

    dwell = {"on": "5s", "off": "5s"}
    lives(Site(folder, dwell=dwell), life)


def a_blocking_read(folder: Path) -> None:
    _cut_in_virtual_time(folder)
    asyncio.run(_one_thread(folder / "threads"))


def _cut_in_virtual_time(folder: Path) -> None:
    made: list[FaultyGauge] = []

    def wrap(gauge: object) -> FaultyGauge:
        made.append(FaultyGauge(gauge))  # type: ignore[arg-type]
        return made[-1]

    async def life(site: Site) -> None:
        async with site.living():
            await site.switched_off()
            (gauge,) = made
            reads = gauge.reads
            gauge.order(Block())
            await site.live(2 * MINUTE_S)
            assert gauge.reads >= reads + 3, "the read was not cut"
            await site.until(lambda: not site.board.driven(), 120, "supply on, blind")
            assert site.alarmed("gauge_lost")
            gauge.order(SOUND)
            await site.until(lambda: not site.alarmed("gauge_lost"), 150, "it is back")
        assert {row.kind for row in site.rows(FailureRow)} == {"slow"}
        site.sound()

    lives(Site(folder, wrap_gauge=wrap), life)


async def _one_thread(root: Path) -> None:
    battery = root / "class" / "power_supply" / "BAT0"
    write_battery(battery, FAIR)
    machine = Machine(SystemClock())
    host = machine.host("lobby", hint=lambda: None)
    gauge = SysfsGauge(SysfsSettings(root=root), host)
    await gauge.open()
    (battery / "uevent").unlink()
    os.mkfifo(battery / "blocked")
    os.link(battery / "blocked", battery / "uevent")
    for _ in range(3):
        try:
            async with asyncio.timeout(0.05):
                await gauge.read()
        except TimeoutError:
            continue
        raise AssertionError("this read should hang")
    named = f"tidegate sysfs:{root}"
    readers = [t for t in threading.enumerate() if t.name.startswith(named)]
    assert len(readers) == 1, "more than one thread waits for the gauge"
    write_battery(battery, FAIR)
    # Who waits for a writer gets one, and nothing from it.
    os.close(os.open(battery / "blocked", os.O_WRONLY))
    async with asyncio.timeout(5):
        assert (await gauge.read()).soc_percent == 61.0
    await gauge.close()
    await host.close()


def nonsense_levels(folder: Path) -> None:
    nonsense = ("1536", "448", "-1", "lots")

    async def life(site: Site) -> None:
        async with site.living():
            await site.live(200)  # dwell is over: a believed level would switch
            for text in nonsense:
                site.set(capacity=text)
                await site.reads(2)
                assert site.state.watch.rejected_reads, f"{text} was not rejected"
                site.set(capacity=60)
                await site.reads(2)
                assert not site.board.driven(), f"{text} switched the supply"
                assert site.state.reason.value == "in_window", f"{text} stayed"
            site.set(capacity=106, charge_now=7_900_000, charge_full=4_000_000)
            await site.reads(2)
            assert not site.board.driven(), "106 was believed against the charge"
            site.set(charge_now=4_080_000)
            await site.until(site.board.driven, 120, "106 % is a full battery")
        rejected = [row for row in site.rows(ReadingRow) if row.why_not is not None]
        kinds = {row.why_not for row in rejected} - {"jump"}
        assert kinds == {"out_of_range"}, kinds
        raw = "\n".join(row.raw or "" for row in rejected)
        assert "capacity=1536" in raw, "the raw text is not in the log"
        site.sound()

    lives(Site(folder), life)


def a_silent_bus(folder: Path) -> None:
    zeros = {"capacity": 0, "voltage_now": 0, "charge_full": 0, "charge_now": 0}
    cold = {"capacity": 0, "temp": -2731}
    ones = {"capacity": 65_535, "voltage_now": 65_535_000, "charge_now": 65_535_000}

    async def life(site: Site) -> None:
        fair = {"voltage_now": 3_900_000, "temp": 251}
        fair |= dict.fromkeys(("charge_full", "charge_now"))  # type: ignore[arg-type]
        async with site.living():
            await site.switched_off()
            told = site.ons
            for silent in (zeros, cold, ones):
                site.set(**silent)
                await site.reads(1)
                site.set(**fair, capacity=66)
                await site.reads(2)
                assert site.ons == told, "a silent bus was believed"
            site.set(**zeros)
            await site.reads(2)
            assert site.ons == told, "a silent bus was believed"
            await site.reads(1)
            await site.until(lambda: site.ons > told, 5, "on after three of them")
            assert site.alarmed("gauge_implausible")
            site.set(**fair, capacity=66)
            await site.until(
                lambda: not site.alarmed("gauge_implausible"), 150, "it is back"
            )
        rejected = {row.why_not for row in site.rows(ReadingRow)} - {None}
        assert rejected == {"all_zero"}, rejected
        site.sound()

    lives(Site(folder), life)


def a_frozen_level(folder: Path) -> None:
    async def life(site: Site) -> None:
        async with site.living():
            await site.switched_off()
            # Half of what is above the floor, at no less than 15 points an hour.
            within_s = (66 - 25) / 2 / 15 * 3_600 + 60
            await site.until(
                lambda: not site.board.driven(),
                within_s,
                "supply on although the figure never moves",
            )
            assert site.alarmed("gauge_frozen"), "a frozen gauge was not told"
            site.set(capacity=67)
            await site.until(
                lambda: not site.alarmed("gauge_frozen"), 150, "it moves again"
            )
            await site.until(site.board.driven, 300, "control goes on")
        assert site.told("gauge_frozen") == [True, False]
        site.sound()

    lives(Site(folder), life)


def a_jump(folder: Path) -> None:
    async def life(site: Site) -> None:
        async with site.living():
            await site.live(200)
            site.set(capacity=75)
            await site.reads(1)
            site.set(capacity=60)
            await site.reads(2)
            assert site.offs == 0, "one jump switched the supply"
            site.set(capacity=75)
            await site.reads(1)
            assert site.offs == 0, "one jump switched the supply"
            first_s = site.now_s
            await site.until(site.board.driven, 60, "a second reading confirms it")
            assert site.now_s - first_s >= 4, "confirmed too early"
        assert "jump" in {row.why_not for row in site.rows(ReadingRow)}
        site.sound()

    lives(Site(folder), life)


def an_absent_battery(folder: Path) -> None:
    async def life(site: Site) -> None:
        async with site.living():
            await site.switched_off()
            site.set(present=0)
            await site.reads(2)
            assert site.board.driven(), "two samples without a battery switched"
            await site.until(lambda: not site.board.driven(), 90, "supply on")
            assert site.alarmed("no_battery"), "an absent battery was not told"
            assert site.state.reason.value == "no_battery"
            site.set(present=1)
            await site.live(9 * MINUTE_S)
            assert site.alarmed("no_battery"), "back before it was there for 10 min"
            await site.until(lambda: not site.alarmed("no_battery"), 120, "it is back")
            await site.until(site.board.driven, 60, "control goes on")
        absent = [row for row in site.rows(ReadingRow) if row.why_not == "not_present"]
        assert absent
        site.sound()

    lives(Site(folder), life)


def a_word_for_a_level(folder: Path) -> None:
    async def life(site: Site) -> None:
        site.set(capacity=None, capacity_level="Full")
        async with site.living():
            await site.live(10 * MINUTE_S)
            assert site.offs == 0, "a word alone switched the supply off"
            (said, *_) = site.said("reading not trusted")
            assert said["why_not"] == "level_only"
            assert site.alarmed("gauge_implausible")
            site.set(capacity=66)
            await site.until(site.board.driven, 300, "a number is used once it comes")
            assert not site.alarmed("gauge_implausible")
        site.sound()

    lives(Site(folder), life)


def one_of_two_batteries(folder: Path) -> None:
    async def life(site: Site) -> None:
        second = site.supplies / "BAT1"
        full = {"energy_full": 50_000_000}
        site.set(**full, capacity=80, energy_now=40_000_000)
        write_battery(second, {"capacity": 40, "energy_now": 20_000_000, **full})
        async with site.living():
            await site.live(200)
            assert site.state.soc_percent == 60.0, "not weighed by energy"
            for file in second.iterdir():
                file.unlink()
            second.rmdir()
            await site.reads(2)
            # A jump would be confirmed within seconds.
            await site.live(20)
            assert site.offs == 0, "one battery's absence switched the supply"
            assert site.state.soc_percent == 60.0
            await site.until(lambda: site.state.soc_percent == 80.0, 60, "the rest")
            await site.until(site.board.driven, 60, "control goes on with the rest")
            notes = [line["note"] for line in site.said("gauge") if "note" in line]
            assert any("BAT1 stayed away; going on with BAT0" in n for n in notes)
        site.sound()

    lives(Site(folder), life)


def a_peripheral(folder: Path) -> None:
    async def life(site: Site) -> None:
        mouse = {"scope": "Device", "capacity": 5, "status": "Discharging"}
        write_battery(site.supplies / "AAA_mouse", mouse)
        async with site.living():
            await site.switched_off()
            assert site.state.soc_percent == 66.0
            site.pull_battery()
            await site.reads(1)
            said = [line["error"] for line in site.said("gauge") if "error" in line]
            assert "no system battery found" in said[-1], said
            assert "AAA_mouse: a peripheral's battery (scope Device)" in said[-1], said
            await site.until(lambda: not site.board.driven(), 240, "supply on, alone")
            site.fit_battery()
            await site.until(lambda: not site.alarmed("gauge_lost"), 150, "it is back")
        site.sound()

    lives(Site(folder), life)


def an_unknown_status(folder: Path) -> None:
    async def life(site: Site) -> None:
        site.set(status="Frobnicating")
        async with site.living():
            await site.switched_off()
            assert site.state.drive.off_proven, "external power was proof enough"
            notes = [line["note"] for line in site.said("gauge") if "note" in line]
            assert len(notes) == 1, notes
            assert "'Frobnicating'" in notes[0], notes
            site.set(status=None, capacity=54)
            await site.until(
                lambda: not site.board.driven(), 300, "on at the low mark, no status"
            )
            assert site.alarms == set(), site.alarms
        site.sound()

    lives(Site(folder), life)


def a_new_pack(folder: Path) -> None:
    async def life(site: Site) -> None:
        site.set(serial_number="A1", charge_full_design=7_000_000)
        async with site.living():
            await site.switched_off()
            for level in range(65, 55, -1):  # 12 points an hour, for 50 min
                site.set(capacity=level)
                await site.live(5 * MINUTE_S)
            assert site.state.watch.slope_days, "nothing was learned of the first pack"
            told = site.moves
            site.set(serial_number="B2", capacity=60)
            await site.reads(2)
            assert site.state.watch.slope_days == (), "the old pack's lessons were kept"
            assert site.moves == told, "a new pack switched the supply"
        packs = [row.pack for row in site.rows(BatteryRow) if row.pack]
        assert list(dict.fromkeys(packs)) == ["A1/7Ah", "B2/7Ah"], packs
        site.sound()

    lives(Site(folder), life)


def heat_and_its_sensor(folder: Path) -> None:
    async def life(site: Site) -> None:
        async with site.living():
            await site.reads(2)
            site.set(temp=610)
            await site.until(site.board.driven, 60, "off at critical heat")
            assert site.alarmed("battery_critical_heat")
            site.set(temp=540)
            await site.until(
                lambda: not site.alarmed("battery_critical_heat"), 60, "cooler"
            )
            site.set(temp=460, capacity=50)
            await site.until(lambda: site.alarmed("battery_hot"), 120, "hot")
            site.set(temp=None)
            await site.until(
                lambda: site.alarmed("temperature_absent"), 300, "a sensor that is gone"
            )
            await site.until(lambda: not site.board.driven(), 300, "on at the low mark")
            site.set(temp=-2732)
            await site.reads(2)
            assert site.state.quiet.seen is not None
            assert site.state.quiet.seen.temperature_c is None, "absurd, and believed"
            assert site.alarmed("temperature_absent")
            site.set(capacity=60)
            await site.reads(3)
            await site.switched_off()
            site.set(temp=251)
            await site.until(
                lambda: not site.alarmed("temperature_absent"), 60, "it is back"
            )
        site.sound()

    lives(Site(folder), life)


def a_stepping_clock(folder: Path) -> None:
    clock = VirtualClock(boot_ms=600_000, wall_ms=0, synchronised=False)

    async def life(site: Site) -> None:
        site.set(capacity=66)
        async with site.living():
            await site.reads(1)
            await site.until(lambda: site.ons == 1, 10, "on at start")
            on_s = site.now_s
            await site.live(40)
            clock.step_wall(1_800_000_000_000)
            await site.live(100)
            assert site.offs == 0, "a step of the wall clock cut the dwell short"
            await site.until(site.board.driven, 120, "off after the dwell")
            off_s = site.now_s
            assert off_s - on_s >= 179, "a step of the wall clock cut the dwell short"
            site.set(capacity=50)
            clock.step_wall(-300 * 86_400_000)
            await site.until(lambda: not site.board.driven(), 300, "on after a step")
            assert 179 <= site.now_s - off_s <= 240, "a step moved the dwell"
        (run,) = [e.row for e in _all(site) if isinstance(e.row, RunRow)]
        assert not run.synchronised, "the run does not say that the clock was not set"
        intents = site.rows(IntentRow)
        boots = [row.boot_ms for row in intents]
        walls = [row.wall_ms for row in intents]
        assert boots == sorted(boots)
        assert walls != sorted(walls), "the rows hide the step"
        site.sound()

    lives(Site(folder, clock=clock), life)


def _all(site: Site) -> list[object]:
    from tidegate.cyclelog.reader import Reader

    with Reader(site.log) as reader:
        return list(reader.rows())


def a_suspend(folder: Path) -> None:
    async def life(site: Site) -> None:
        async with site.living():
            await site.switched_off()
            site.pull_battery()
            await site.reads(2)
            site.clock.suspend(2 * 3_600_000)
            await site.reads(1)
            assert site.board.driven(), "switched before three reads failed"
            await site.reads(1)
            assert site.board.driven(), "switched before three reads failed"
            await site.until(lambda: not site.board.driven(), 60, "then it is lost")
            site.fit_battery()
            await site.until(lambda: not site.alarmed("gauge_lost"), 150, "it is back")
            await site.until(site.board.driven, 300, "off again")
            await site.live(90)
            site.clock.suspend(3_600_000)
            site.set(capacity=50)
            await site.until(lambda: not site.board.driven(), 60, "on, having read")
        rows = site.rows()
        resumed = [
            place
            for place, row in enumerate(rows)
            if isinstance(row, EventRow) and row.kind == "resumed"
        ]
        assert len(resumed) == 2, [
            row.kind for row in rows if isinstance(row, EventRow)
        ]
        after = [
            row
            for row in rows[resumed[-1] :]
            if isinstance(row, ReadingRow | IntentRow)
        ]
        assert isinstance(after[0], ReadingRow), "switched before it was read again"
        assert after[0].soc_hundredths_percent == 5_000
        site.sound()

    lives(Site(folder), life)


CASES = {
    1: a_vanished_battery,
    2: an_attribute_without_device,
    3: a_busy_driver,
    4: a_property_with_an_error,
    5: a_blocking_read,
    6: nonsense_levels,
    7: a_silent_bus,
    8: a_frozen_level,
    9: a_jump,
    10: an_absent_battery,
    11: a_word_for_a_level,
    12: one_of_two_batteries,
    13: a_peripheral,
    14: an_unknown_status,
    15: a_new_pack,
    16: heat_and_its_sensor,
    17: a_stepping_clock,
    18: a_suspend,
}
