"""The kernel relay against a driver that is played: levers, order, read-back, errors.

The driver's limits are synthetic; where a machine is named, the fact comes from a
public report and is named with it.
"""

from __future__ import annotations

import asyncio
import errno
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from support.charge_driver import BEHAVIOUR, END, START, TYPES, FakeChargeDriver
from support.host import TestHost
from tidegate.contract import Readback
from tidegate.core.policy import Proof
from tidegate.core.reading import Supply
from tidegate.errors import (
    BackendError,
    Malformed,
    Refused,
    SettingsError,
    Unavailable,
    Unsupported,
)
from tidegate.settings import from_tables
from tidegate_backends.linux import attributes
from tidegate_backends.relays.kernel import KernelRelay, Settings

ON, OFF = Supply.ON, Supply.OFF
THREE = ("auto", "inhibit-charge", "force-discharge")


class Bench:
    """A battery with a played driver, and a relay on it."""

    def __init__(self, root: Path, *, table: dict[str, Any], **offers: Any) -> None:
        self.folder = root / "class" / "power_supply" / "BAT0"
        self.driver = FakeChargeDriver(self.folder, **offers)
        self.relay = KernelRelay(
            Settings.model_validate({"root": root, **table}),
            TestHost(),
            show=self.driver.show,
            store=self.driver.store,
        )


@pytest.fixture
def bench(tmp_path: Path) -> Callable[..., Bench]:
    def made(table: dict[str, Any] | None = None, **offers: Any) -> Bench:
        return Bench(tmp_path, table=table or {}, **offers)

    return made


# --- charge_behaviour -----------------------------------------------------------------


async def test_it_prefers_an_inhibit_to_thresholds(bench) -> None:
    here = bench(behaviours=THREE, end=100, start=0)
    async with here.relay as relay:
        await relay.set(OFF)
        assert await relay.get() is OFF
        await relay.set(ON)
        assert await relay.get() is ON
    assert here.driver.stored == [(BEHAVIOUR, "inhibit-charge"), (BEHAVIOUR, "auto")]


async def test_what_it_declares(bench) -> None:
    here = bench(behaviours=THREE)
    async with here.relay as relay:
        facts = relay.facts
    assert facts.proof is Proof.CHARGING
    assert facts.readback is Readback.LATCH
    assert not facts.reopen_disturbs
    assert facts.fails_on, "external power never leaves, so nothing can go dark"


async def test_awake_only_is_for_who_asks_for_it(bench) -> None:
    four = ("auto", "inhibit-charge", "inhibit-charge-awake", "force-discharge")
    here = bench({"awake_only": True}, behaviours=four)
    async with here.relay as relay:
        await relay.set(OFF)
        assert await relay.get() is OFF
    assert here.driver.stored == [(BEHAVIOUR, "inhibit-charge-awake")]


async def test_awake_only_that_is_not_offered_is_unsupported(bench) -> None:
    here = bench({"awake_only": True}, behaviours=THREE, end=100)
    with pytest.raises(Unsupported, match="offered: auto, inhibit-charge, force-d"):
        await here.relay.open()


async def test_a_plain_auto_offers_nothing_else(bench) -> None:
    """As a fuel gauge prints it whose driver has no list (mm8013)."""
    here = bench(behaviours=("auto",), end=100)
    here.driver.spoilt[BEHAVIOUR] = "auto"
    async with here.relay as relay:
        await relay.set(OFF)
    assert here.driver.stored == [(END, "60")], "the thresholds are taken instead"


async def test_nothing_to_control_is_unsupported_and_says_what_to_do(bench) -> None:
    here = bench()
    with pytest.raises(Unsupported, match="neither charge_behaviour nor") as caught:
        await here.relay.open()
    assert "contact in the supply" in caught.value.remedy


async def test_a_forced_discharge_of_others_is_told_and_ends_with_the_next_on(
    bench,
) -> None:
    here = bench(behaviours=THREE)
    async with here.relay as relay:
        here.driver.behaviour = "force-discharge"
        here.driver.write()
        assert await relay.get() is OFF
        assert "drained although there is power" in relay.take_notes()[0]
        assert relay.take_notes() == []
        await relay.set(ON)
        assert await relay.get() is ON
    assert here.driver.behaviour == "auto"


async def test_a_property_that_fails_since_a_firmware_update(bench) -> None:
    """Reading gives EIO (AsahiLinux/linux issue 413)."""
    here = bench(behaviours=THREE, end=100)
    here.driver.failures["show", BEHAVIOUR] = [errno.EIO] * 9
    with pytest.raises(Unavailable, match="reading charge_behaviour") as caught:
        await here.relay.open()
    assert "firmware" in caught.value.remedy


async def test_a_driver_that_takes_it_and_does_not_do_it_has_refused(bench) -> None:
    here = bench(behaviours=THREE)
    async with here.relay as relay:
        here.driver.spoilt[BEHAVIOUR] = "[auto] inhibit-charge"
        with pytest.raises(Refused, match="was told inhibit-charge and is auto"):
            await relay.set(OFF)


@pytest.mark.parametrize(
    ("spoilt", "error"),
    [("auto inhibit-charge", Malformed), ("[force-discharge] auto", Refused)],
)
async def test_an_off_that_cannot_be_seen_is_taken_back(
    bench, spoilt: str, error: type[BackendError]
) -> None:
    here = bench(behaviours=THREE)
    async with here.relay as relay:
        here.driver.spoilt[BEHAVIOUR] = spoilt
        with pytest.raises(error):
            await relay.set(OFF)
    assert here.driver.behaviour == "auto"
    assert here.driver.stored == [
        (BEHAVIOUR, "inhibit-charge"),
        (BEHAVIOUR, "auto"),
    ]


async def test_on_below_a_threshold_of_others_is_told(bench) -> None:
    here = bench(behaviours=THREE, end=80, start=40)
    async with here.relay as relay:
        assert relay.take_notes() == [
            f"{END} stands at 80 %: on charges no further than that",
            f"{START} stands at 40 %: on charges only under that",
        ]


# --- thresholds -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("offers", "off", "on"),
    [
        ({"end": 100}, [(END, "60")], [(END, "100")]),
        (
            # Lower the start first, raise the end first: it never stands above it.
            {"end": 100, "start": 95},
            [(START, "55"), (END, "60")],
            [(END, "100"), (START, "95")],
        ),
        (
            {"end": 100, "start": 0},
            [(START, "55"), (END, "60")],
            [(END, "100"), (START, "0")],
        ),
        (
            {"end": 100, "start": 95, "types": ("Standard", "Fast", "Custom")},
            [(TYPES, "Custom"), (START, "55"), (END, "60")],
            [(END, "100"), (START, "95"), (TYPES, "Standard")],
        ),
        (
            {"end": 100, "types": ("Custom", "Fast")},
            [(TYPES, "Custom"), (END, "60")],
            [(END, "100")],
        ),
        ({"end": 100, "types": ("Standard", "Fast")}, [(END, "60")], [(END, "100")]),
    ],
)
async def test_thresholds_are_written_in_an_order_that_drivers_take(
    bench, offers: dict[str, Any], off: list[Any], on: list[Any]
) -> None:
    here = bench(**offers)
    async with here.relay as relay:
        await relay.set(OFF)
        assert not here.driver.allows
        assert await relay.get() is OFF
        assert here.driver.stored == off
        here.driver.stored.clear()
        await relay.set(ON)
        assert here.driver.allows
        assert await relay.get() is ON
        assert here.driver.stored == on


async def test_an_off_that_is_said_again_follows_the_level(bench) -> None:
    here = bench(end=100, start=0)
    async with here.relay as relay:
        for level in (60, 58, 63):
            here.driver.set_level(level)
            await relay.set(OFF)
            assert (here.driver.start, here.driver.end) == (level - 5, level)


async def test_a_full_battery_is_not_floated(bench) -> None:
    here = bench(end=100, level=100)
    async with here.relay as relay:
        await relay.set(OFF)
        assert here.driver.end == 99, "100 would be on"
        assert await relay.get() is OFF
        here.driver.reset()
        assert await relay.get() is ON


async def test_a_coarse_driver_gets_the_next_step_that_it_takes(bench) -> None:
    here = bench(
        end=100, level=58, takes=lambda end: end if end % 10 == 0 else -errno.EINVAL
    )
    async with here.relay as relay:
        await relay.set(OFF)
        assert here.driver.end == 60
        assert await relay.get() is OFF


async def test_a_rounding_is_told_once_with_both_numbers(bench) -> None:
    here = bench(end=100, level=61, takes=lambda end: end - end % 5)
    async with here.relay as relay:
        await relay.set(OFF)
        await relay.set(OFF)
        assert relay.take_notes() == [f"{END}: 61 % asked, 60 % effective"]
        assert await relay.get() is OFF


async def test_two_values_only_is_no_off_and_charging_is_allowed_again(bench) -> None:
    """Some machines know 80 and 100 (public reports of several makers)."""
    here = bench(end=100, start=95, takes=lambda end: 80 if end < 100 else 100)
    async with here.relay as relay:
        with pytest.raises(Refused, match="was told 62 and is 80") as caught:
            await relay.set(OFF)
        assert "set the window to one of them" in caught.value.remedy
        assert (here.driver.end, here.driver.start) == (100, 95)
        here.driver.set_level(80)
        await relay.set(OFF)
        assert here.driver.end == 80


@pytest.mark.parametrize("code", [errno.EINVAL, errno.EIO])
async def test_an_off_that_fails_half_way_leaves_nothing_behind(
    bench, code: int
) -> None:
    """The start is lowered and Custom is set before the end threshold is refused."""
    here = bench(end=100, start=95, types=("Standard", "Custom"))
    async with here.relay as relay:
        here.driver.failures["store", END] = [code] * (3 if code == errno.EINVAL else 1)
        with pytest.raises(BackendError):
            await relay.set(OFF)
        assert (here.driver.end, here.driver.start) == (100, 95)
        assert here.driver.type == "Standard"
        assert relay.take_notes() == []


async def test_an_off_that_fails_and_cannot_be_undone_says_both(bench) -> None:
    here = bench(end=100)
    async with here.relay as relay:
        here.driver.failures["store", END] = [errno.EIO] * 9
        with pytest.raises(Unavailable, match="charge_control_end_threshold = 60"):
            await relay.set(OFF)
        assert "not allowed again" in relay.take_notes()[0]


async def test_what_stood_before_is_told_and_an_on_is_full(bench) -> None:
    here = bench(end=80, start=75)
    async with here.relay as relay:
        assert relay.take_notes() == [f"{END} stands at 80 %; an on sets it to 100 %"]
        await relay.set(ON)
    assert (here.driver.end, here.driver.start) == (100, 95)


async def test_an_off_of_a_run_before_is_seen_and_its_start_not_kept(bench) -> None:
    here = bench(end=60, start=55)
    async with here.relay as relay:
        assert await relay.get() is OFF
        await relay.set(ON)
        assert await relay.get() is ON
    assert here.driver.start == 95, "under 55 only would a battery at 58 charge"


async def test_an_off_that_died_between_its_two_writes_leaves_no_low_start(
    bench, tmp_path: Path
) -> None:
    """The start is lowered first; whoever says on next knows nothing of that off."""
    here = bench(end=100, start=96, level=60)
    async with here.relay as relay:
        here.driver.failures["store", END] = [errno.ENODEV] * 2
        with pytest.raises(Unavailable):
            await relay.set(OFF)
    assert (here.driver.end, here.driver.start) == (100, 55)
    restoring = bench(end=100, start=55, level=60)
    async with restoring.relay as relay:
        assert relay.take_notes() == [f"{START} stands at 55 %; an on sets it to 95 %"]
        await relay.set(ON)
    assert (restoring.driver.end, restoring.driver.start) == (100, 95)
    assert restoring.driver.allows


async def test_no_start_at_all_stays_so(bench) -> None:
    here = bench(end=100, start=0, level=60)
    async with here.relay as relay:
        await relay.set(OFF)
        await relay.set(ON)
    assert (here.driver.end, here.driver.start) == (100, 0)


async def test_what_was_found_at_one_battery_is_not_told_another(
    bench, tmp_path: Path
) -> None:
    """A pack whose driver has no start threshold comes in the place of one that has."""
    here = bench(end=100, start=97)
    async with here.relay as relay:
        await relay.set(OFF)
    here.folder.rename(tmp_path / "taken-out")
    here.driver.folder = here.folder.with_name("BAT1")
    here.driver.start = None
    here.driver.reset()
    async with here.relay as relay:
        await relay.set(OFF)
        await relay.set(ON)
        assert await relay.get() is ON


async def test_a_threshold_of_a_stranger_counts_by_where_charging_stops(bench) -> None:
    here = bench(end=100)
    async with here.relay as relay:
        await relay.set(OFF)
        here.driver.end = 80
        here.driver.write()
        assert await relay.get() is ON, "it charges on to 80 %"
        here.driver.end = 50
        here.driver.write()
        assert await relay.get() is OFF


async def test_a_charge_type_of_a_stranger_makes_thresholds_void(bench) -> None:
    here = bench(end=100, types=("Standard", "Custom"))
    async with here.relay as relay:
        await relay.set(OFF)
        here.driver.type = "Standard"
        here.driver.write()
        assert await relay.get() is ON


async def test_charge_types_that_do_not_answer_are_no_licence_to_go_without(
    bench,
) -> None:
    here = bench(end=100, types=("Standard", "Custom"))
    async with here.relay as relay:
        here.driver.failures["show", TYPES] = [errno.ENODATA]
        with pytest.raises(BackendError):
            await relay.set(OFF)
        assert here.driver.end == 100
        await relay.set(OFF)
        assert not here.driver.allows


async def test_what_was_found_outlives_a_link_that_is_opened_anew(bench) -> None:
    here = bench(end=100, start=97, types=("Fast", "Custom"))
    async with here.relay as relay:
        await relay.set(OFF)
        await relay.close()
        await relay.open()
        assert await relay.get() is OFF
        await relay.set(ON)
    assert (here.driver.start, here.driver.type) == (97, "Fast")


async def test_a_start_that_is_refused_is_told_and_no_obstacle(bench) -> None:
    here = bench(end=100, start=0)
    here.driver.failures["store", START] = [errno.EOPNOTSUPP]
    async with here.relay as relay:
        await relay.set(OFF)
        assert "charge_control_start_threshold stays as it is" in relay.take_notes()[0]
        assert await relay.get() is OFF


async def test_an_on_that_stays_low_is_refused(bench) -> None:
    here = bench(end=80, takes=lambda end: min(end, 80))
    async with here.relay as relay:
        with pytest.raises(Refused, match="was told 100 and is 80"):
            await relay.set(ON)


async def test_the_level_comes_from_charge_where_there_is_no_capacity(bench) -> None:
    here = bench(end=100)
    here.driver.spoilt["capacity"] = "1536"  # as a bq27000 said it
    (here.folder / "charge_now").write_text("4200000\n")
    (here.folder / "charge_full").write_text("7000000\n")
    async with here.relay as relay:
        await relay.set(OFF)
        assert here.driver.end == 60
        assert any("1536" in note for note in relay.take_notes())


async def test_without_any_level_there_is_no_off(bench) -> None:
    here = bench(end=100)
    async with here.relay as relay:
        here.driver.failures["show", "capacity"] = [errno.ENODATA]
        with pytest.raises(Unavailable, match="does not say its level"):
            await relay.set(OFF)
        assert here.driver.stored == []


# --- which battery, and its settings --------------------------------------------------


def another(root: Path, name: str, **files: str) -> None:
    folder = root / "class" / "power_supply" / name
    folder.mkdir()
    for key, text in {"type": "Battery", **files}.items():
        (folder / key).write_text(f"{text}\n")


async def test_a_peripheral_is_passed_over_and_two_need_a_name(
    bench, tmp_path: Path
) -> None:
    here = bench(behaviours=THREE)
    another(tmp_path, "mouse", scope="Device")
    async with here.relay as relay:
        assert await relay.get() is ON
    another(tmp_path, "BAT1")
    with pytest.raises(Unsupported, match="several system batteries: BAT0, BAT1"):
        await here.relay.open()
    named = KernelRelay(Settings(root=tmp_path, name="BAT0"), TestHost())
    async with named as relay:
        assert await relay.get() is ON


async def test_no_battery_is_unavailable_and_says_what_is_there(
    bench, tmp_path: Path
) -> None:
    here = bench({"name": "BAT7"}, behaviours=THREE)
    another(tmp_path, "mouse", scope="Device")
    with pytest.raises(Unavailable, match="no system battery BAT7") as caught:
        await here.relay.open()
    assert "mouse: a peripheral's battery" in str(caught.value)


@pytest.mark.parametrize("contact", ["normally-open", "latching"])
def test_there_is_no_contact_to_wire(contact: str) -> None:
    with pytest.raises(ValidationError, match="normally-closed"):
        Settings.model_validate({"contact": contact})


def test_thresholds_do_not_know_who_is_awake() -> None:
    with pytest.raises(ValidationError, match="allowed is one of the two"):
        Settings.model_validate({"attribute": "thresholds", "awake_only": True})


def test_it_can_hold_and_a_contact_cannot(tmp_path: Path) -> None:
    def tables(relay: dict[str, Any]) -> dict[str, Any]:
        station = {"gauge": {"kind": "sysfs"}, "relay": relay, "window": {"hold": 60}}
        return {"station": {"lobby": station}}

    assert from_tables(tables({"kind": "kernel"})).stations["lobby"].relay_can_hold
    with pytest.raises(SettingsError, match="can only switch"):
        from_tables(tables({"kind": "usb-port", "name": "1-1-port2"}))


# --- what the kernel's errors are -----------------------------------------------------


@pytest.mark.parametrize(
    ("code", "error", "said"),
    [
        (errno.EINVAL, Refused, "the driver refuses charge_behaviour = inhibit-charge"),
        (errno.EOPNOTSUPP, Refused, "refuses"),
        (524, Refused, "refuses"),  # ENOTSUPP, which some drivers let out
        (errno.ERANGE, Refused, "refuses"),
        (errno.EPERM, Refused, "refuses"),
        (errno.EIO, Unavailable, "the driver fails"),
        (errno.EBUSY, Unavailable, "the driver fails"),
        (errno.ETIMEDOUT, Unavailable, "the driver fails"),
        (errno.ENODEV, Unavailable, "it is gone"),
        (errno.ENXIO, Unavailable, "it is gone"),
        (errno.EACCES, Unavailable, "no permission"),
        (errno.EROFS, Unavailable, "not to be written from here"),
    ],
)
async def test_a_write_that_fails(
    bench, code: int, error: type[BackendError], said: str
) -> None:
    here = bench(behaviours=THREE)
    async with here.relay as relay:
        here.driver.failures["store", BEHAVIOUR] = [code]
        with pytest.raises(error, match=said) as caught:
            await relay.set(OFF)
        assert caught.value.remedy
        if error is Unavailable and said == "no permission":
            assert 'KERNEL=="BAT0"' in caught.value.remedy
            assert "/sys%p/charge_behaviour" in caught.value.remedy
        await relay.set(OFF)
        assert await relay.get() is OFF


async def test_a_file_that_vanishes_is_a_lost_relay(bench, tmp_path: Path) -> None:
    here = bench(behaviours=THREE)
    async with here.relay as relay:
        away = here.folder.rename(tmp_path / "away")
        with pytest.raises(Unavailable, match="it is gone"):
            await relay.set(OFF)
        with pytest.raises(Unavailable, match="it is gone"):
            await relay.get()
        away.rename(here.folder)
        await relay.set(OFF)
        assert await relay.get() is OFF


async def test_text_that_cannot_be_is_malformed(bench) -> None:
    here = bench(behaviours=THREE)
    async with here.relay as relay:
        here.driver.spoilt[BEHAVIOUR] = ""
        with pytest.raises(Malformed, match="one word in"):
            await relay.get()


async def test_a_call_that_comes_back_late_leaves_the_rest_undone(
    tmp_path: Path,
) -> None:
    """The first write of three hangs; the relay is closed meanwhile."""
    folder = tmp_path / "class" / "power_supply" / "BAT0"
    driver = FakeChargeDriver(folder, end=100, start=95)
    host = TestHost(threaded=True)
    settings = Settings(root=tmp_path)
    relay = KernelRelay(settings, host, show=driver.show, store=driver.store)
    await relay.open()
    driver.hold()
    call = asyncio.ensure_future(relay.set(OFF))
    assert await asyncio.to_thread(driver.reached.wait, 20)
    await relay.close()
    driver.let_go()
    with pytest.raises(Unavailable, match="closed meanwhile"):
        await call
    assert driver.end == 100, "the end threshold was not lowered any more"


# --- the two ends on real files -------------------------------------------------------


def test_one_short_line_goes_out_and_comes_in(tmp_path: Path) -> None:
    path = tmp_path / "attribute"
    path.write_text("[auto] inhibit-charge\n")
    attributes.store(path, "inhibit-charge")
    assert path.read_bytes() == b"inhibit-charge\n"
    assert attributes.show(path) == "inhibit-charge"


def test_an_error_of_the_write_itself_comes_through() -> None:
    """The kernel's own device that is always full."""
    with pytest.raises(OSError, match="No space") as caught:
        attributes.store(Path("/dev/full"), "inhibit-charge")
    assert caught.value.errno == errno.ENOSPC


@pytest.mark.parametrize("call", [attributes.show, lambda p: attributes.store(p, "1")])
def test_a_folder_in_its_place_is_an_error(
    tmp_path: Path, call: Callable[[Path], object]
) -> None:
    with pytest.raises(IsADirectoryError):
        call(tmp_path)


def test_nothing_is_made_where_nothing_is(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        attributes.store(tmp_path / "attribute", "1")
    assert list(tmp_path.iterdir()) == []


async def test_on_plain_files_alone(tmp_path: Path) -> None:
    """Without any fake: what it writes is there, and is read back."""
    folder = tmp_path / "class" / "power_supply" / "BAT0"
    FakeChargeDriver(folder, behaviours=THREE)
    async with KernelRelay(Settings(root=tmp_path), TestHost()) as relay:
        await relay.set(OFF)
        assert (folder / BEHAVIOUR).read_text() == "inhibit-charge\n"
        assert await relay.get() is OFF
        await relay.set(ON)
        assert (folder / BEHAVIOUR).read_text() == "auto\n"
        assert await relay.get() is ON
