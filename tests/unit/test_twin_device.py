"""The twin as a device: supply, load, death and what the world does to it.

Synthetic throughout: expected figures follow from the constants by hand.
"""

from itertools import pairwise

import pytest

from tidegate.core.reading import BatteryStatus
from tidegate.twin.cell import Cell
from tidegate.twin.charger import Charger
from tidegate.twin.contact import Contact
from tidegate.twin.device import Build, Device
from tidegate.twin.heat import Heat
from tidegate.twin.profile import HOUR_MS, Profile
from tidegate.twin.truth import Diary
from tidegate.twin.world import Event, What, World

MINUTE_MS = 60_000
MONDAY_MS = 1_748_822_400_000  # 2 June 2025, 0:00 UTC, a Monday


def build(**changes):
    parts = {
        "cell": Cell(capacity_ah=10.0),
        "charger": Charger(charge_a=2.0, supply_a=3.0),
        "load_a": Profile((1.0,)),
        "soc_percent": 50.0,
    }
    return Build(**(parts | changes))


def world(*events):
    return World(
        start_wall_ms=MONDAY_MS,
        start_boot_ms=1_000_000,
        events=tuple(
            Event(
                what=what,
                from_wall_ms=MONDAY_MS + round(after_h * HOUR_MS),
                for_ms=round(for_h * HOUR_MS),
                amount=amount,
            )
            for what, after_h, for_h, amount in events
        ),
    )


def wired(device):
    device.contact.wire("normally-closed")
    return device


def hours(device, count):
    device.advance_to(1_000_000 + round(count * HOUR_MS))
    return device


def test_off_it_lives_on_its_battery_and_on_it_charges_beside_its_load():
    device = Device(build(), world())
    device.supply_contact(on=False)
    assert device.battery_status is BatteryStatus.DISCHARGING
    hours(device, 1)
    assert device.true_soc_percent == pytest.approx(40.0)
    assert device.current_a == -1.0
    device.supply_contact(on=True)
    assert device.battery_status is BatteryStatus.CHARGING
    hours(device, 2)
    assert device.true_soc_percent == pytest.approx(60.0)
    assert device.current_a == 2.0


@pytest.mark.parametrize(
    ("supply_a", "current_a", "status"),
    [
        (3.5, 2.0, BatteryStatus.CHARGING),
        (1.5, 0.5, BatteryStatus.CHARGING),
        (1.0, 0.0, BatteryStatus.NOT_CHARGING),
        (0.4, -0.6, BatteryStatus.DISCHARGING),
    ],
)
def test_load_and_charge_share_the_supply(supply_a, current_a, status):
    charger = Charger(charge_a=2.0, supply_a=supply_a)
    device = Device(build(charger=charger), world())
    assert device.current_a == pytest.approx(current_a)
    assert device.battery_status is status
    hours(device, 1)
    assert device.true_soc_percent == pytest.approx(50 + 10 * current_a)


def test_a_full_battery_stops_and_charges_again_once_the_supply_was_away():
    device = Device(build(soc_percent=95.0), world())
    hours(device, 6)
    assert device.battery_status is BatteryStatus.FULL
    assert device.current_a == 0.0
    full = device.true_soc_percent
    hours(device, 30)
    assert device.true_soc_percent == full
    device.supply_contact(on=False)
    hours(device, 30.1)
    device.supply_contact(on=True)
    assert device.battery_status is BatteryStatus.CHARGING


def test_it_dies_empty_stays_dark_and_boots_only_with_supply():
    device = Device(build(soc_percent=5.0, boot_s=45.0), world())
    hours(device, 0.1)
    assert (device.alive, device.boots, device.uptime_s) == (True, 1, 360)
    device.supply_contact(on=False)
    start = device.true_soc_percent
    hours(device, 0.1 + start / 10 - 0.01)
    assert device.alive
    hours(device, 0.1 + start / 10 + 0.02)
    assert not device.alive
    assert device.true_soc_percent == 0.0
    hours(device, 9)
    assert (device.alive, device.true_soc_percent) == (False, 0.0)
    device.supply_contact(on=True)
    back_ms = device.at_ms
    device.advance_to(back_ms + 44_999)
    assert not device.alive
    device.advance_to(back_ms + 50_000)
    assert (device.alive, device.boots, device.uptime_s) == (True, 2, 5)


def test_empty_is_exactly_zero_whatever_the_rounding():
    for load_a in (0.1, 0.3, 0.7, 1 / 3, 0.9, 1.1, 1.7):
        device = Device(build(soc_percent=3.0, load_a=Profile((load_a,))), world())
        device.supply_contact(on=False)
        hours(device, 5)
        assert (device.alive, device.true_soc_percent) == (False, 0.0)


def test_a_supply_too_weak_for_the_load_ends_in_a_boot_loop():
    charger = Charger(supply_a=0.2)
    device = hours(Device(build(charger=charger, soc_percent=1.0), world()), 2)
    assert device.external_power
    assert device.boots > 3


def test_the_load_follows_the_hour_of_the_week():
    # 2 A on Monday from 1:00 to 2:00, else nothing; clock hours two ahead of UTC.
    hours_a = [0.0] * 168
    hours_a[3] = 2.0
    device = Device(build(load_a=Profile(tuple(hours_a), 2.0)), world())
    device.supply_contact(on=False)
    assert hours(device, 1).true_soc_percent == pytest.approx(50.0)
    assert hours(device, 2).true_soc_percent == pytest.approx(30.0)
    assert hours(device, 24).true_soc_percent == pytest.approx(30.0)


def test_a_mains_outage_begins_and_ends_at_its_minute():
    device = Device(build(), world((What.MAINS_OUT, 1.0, 1.5, 0.0)))
    assert hours(device, 0.999).external_power
    assert not hours(device, 1.0).external_power
    assert device.contact.closed
    start = device.true_soc_percent
    assert not hours(device, 2.499).external_power
    assert hours(device, 2.5).external_power
    assert device.true_soc_percent == pytest.approx(start - 15.0)
    assert device.fed_s == 0.0
    assert hours(device, 2.6).fed_s == pytest.approx(360)


def test_a_weak_supply_is_a_brown_out_with_external_power():
    device = Device(build(), world((What.WEAK_SUPPLY, 1.0, 1.0, 0.5)))
    start = hours(device, 1).true_soc_percent
    assert device.external_power
    assert hours(device, 2).true_soc_percent == pytest.approx(start - 5.0)
    assert device.current_a == 2.0


def test_a_stuck_contact_follows_its_coil_only_afterwards():
    device = wired(Device(build(), world((What.RELAY_STUCK, 1.0, 1.0, 0.0))))
    hours(device, 1.2)
    device.drive(driven=True, boot_ms=device.at_ms)
    assert (device.contact.driven, device.contact.closed) == (True, True)
    assert hours(device, 1.999).external_power
    assert not hours(device, 2.0).external_power


def test_a_welded_contact_frees_itself_after_the_first_try_to_open_it():
    device = wired(Device(build(), world((What.RELAY_WELDED, 1.0, 1.0, 0.0))))
    hours(device, 0.5)
    device.drive(driven=True, boot_ms=device.at_ms)
    assert not device.external_power
    # Open when the weld comes: it may close, but not open any more.
    hours(device, 1.5)
    device.drive(driven=False, boot_ms=device.at_ms)
    hours(device, 4.0)
    device.drive(driven=True, boot_ms=device.at_ms)
    assert device.external_power
    hours(device, 4.5)
    device.drive(driven=False, boot_ms=device.at_ms)
    device.drive(driven=True, boot_ms=device.at_ms)
    assert hours(device, 4.999).external_power
    assert not hours(device, 5.0).external_power
    device.drive(driven=False, boot_ms=device.at_ms)
    device.drive(driven=True, boot_ms=device.at_ms)
    assert not device.external_power


@pytest.mark.parametrize(
    ("wiring", "driven", "closed_before", "closed_after"),
    [
        ("normally-closed", True, False, True),
        ("normally-open", True, True, False),
        ("latching", True, True, True),
        ("latching", False, False, False),
    ],
)
def test_a_brown_out_of_the_relay_lets_the_coil_fall(
    wiring, driven, closed_before, closed_after
):
    contact = Contact()
    contact.wire(wiring)
    device = Device(build(), world((What.RELAY_RESET, 1.0, 0.0, 0.0)), contact)
    device.drive(driven=driven, boot_ms=device.at_ms)
    assert hours(device, 0.99).external_power is closed_before
    assert hours(device, 1.0).external_power is closed_after


@pytest.mark.parametrize("wiring", ["normally-closed", "normally-open", "latching"])
def test_a_dead_man_timer_returns_the_supply_to_on(wiring):
    contact = Contact()
    contact.wire(wiring, dead_man_ms=10 * MINUTE_MS)
    device = Device(build(), world(), contact)
    off = wiring == "normally-closed"
    device.drive(driven=off, boot_ms=device.at_ms)
    assert not hours(device, 9 / 60).external_power
    contact.refresh(device.at_ms)
    assert not hours(device, 18.9 / 60).external_power
    assert hours(device, 19 / 60).external_power
    # Driving it starts the timer too.
    device.drive(driven=off, boot_ms=device.at_ms)
    assert not hours(device, 28.9 / 60).external_power
    assert hours(device, 29 / 60).external_power


def test_a_hot_afternoon_rises_and_falls_like_half_a_sine():
    heat = Heat(resistance_k_per_w=4.0, capacity_j_per_k=1.0, load_share=0.0)
    device = Device(
        build(heat=heat, charger=Charger(supply_a=1.0)),
        world((What.HOT, 1.0, 3.0, 20.0)),
    )
    for hour, expected_c in [(1, 25), (1.5, 35), (2.5, 45), (3.5, 35), (4, 25)]:
        hours(device, hour)
        assert device.temperature_c == pytest.approx(expected_c, abs=0.2)


@pytest.mark.parametrize(
    ("around_c", "gain_percent"), [(-5.0, 0), (5.0, 2), (25.0, 10), (65.0, 0)]
)
def test_the_charge_follows_the_bands_of_heat(around_c, gain_percent):
    # Load 1 A of a 2 A supply: 1 A is spare; in the cool band 20 % of 1 A charge.
    device = Device(
        build(
            around_c=Profile((around_c,)),
            charger=Charger(charge_a=1.0, supply_a=2.0),
            heat=Heat(resistance_k_per_w=1.0, load_share=0.0),
        ),
        world(),
    )
    assert hours(device, 1).true_soc_percent == pytest.approx(50 + gain_percent)


def test_a_warm_battery_is_charged_to_four_volts_only():
    # The curve has 4.0 V at 80.59 %; the end current leaves it 20 mV lower.
    device = Device(build(around_c=Profile((50.0,))), world())
    hours(device, 20)
    assert device.battery_status is BatteryStatus.FULL
    assert 77.5 < device.true_soc_percent < 80.6


def test_the_diary_has_every_change_of_the_supply_at_its_time():
    diary = Diary()
    device = Device(build(), world((What.MAINS_OUT, 1.0, 1.0, 0.0)))
    device.observe(diary)
    hours(device, 3)
    at_ms = [record.at_ms for record in diary.records]
    assert at_ms == sorted(at_ms)
    dark_s = sum(
        after.at_ms - before.at_ms
        for before, after in pairwise(diary.records)
        if not before.external_power
    )
    assert dark_s == HOUR_MS


def test_time_never_goes_back():
    device = hours(Device(build(), world()), 1)
    with pytest.raises(AssertionError):
        device.advance_to(device.at_ms - 1)
