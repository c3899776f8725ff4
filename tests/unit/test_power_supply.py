"""The kernel's texts become values: formats, units, error codes as data, weighing.

Names, units and words: Linux Documentation/ABI/testing/sysfs-class-power. Numbers of
real machines are typed from the dumps named in `support.captures_table`; others are
synthetic.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from tidegate.core.reading import BatteryStatus, ExternalPower, Flag, WhyNot
from tidegate_backends.wire.packs import NotWeighable, sample_of
from tidegate_backends.wire.power_supply import (
    Pack,
    Source,
    external_power,
    identity_of,
    is_supply,
    parse_uevent,
    read_pack,
)

UNKNOWN = ExternalPower.UNKNOWN


def pack(name: str = "BAT0", **values: str | int) -> Pack:
    return read_pack(name, {key: str(value) for key, value in values.items()})


def sample(*packs: Pack, source: Source | None = None):
    sources = {} if source is None else {packs[0].name: source}
    return sample_of(packs, power=UNKNOWN, sources=sources)


def test_a_uevent_is_its_properties_under_the_files_names() -> None:
    text = (
        "DEVTYPE=power_supply\nOF_NAME=battery\n"
        "POWER_SUPPLY_NAME=BAT0\nPOWER_SUPPLY_TYPE=Battery\n"
        "POWER_SUPPLY_MODEL_NAME=a=b \nPOWER_SUPPLY_TYPE=Battery\n"
    )
    assert parse_uevent(text) == {
        "name": "BAT0",
        "type": "Battery",
        "model_name": "a=b",
    }


def test_of_a_name_that_comes_twice_the_first_line_counts() -> None:
    text = "POWER_SUPPLY_CAPACITY=7\nPOWER_SUPPLY_CAPACITY=8\n"
    assert parse_uevent(text) == {"capacity": "7"}


@pytest.mark.parametrize(
    "line",
    [
        "POWER_SUPPLY_STA\x07TUS=Full",
        "POWER_SUPPLY_capacity=5",
        "WER_SUPPLY_X=1",
        "=",
        "",
    ],
)
def test_a_garbled_line_is_left_out(line: str) -> None:
    assert parse_uevent(f"{line}\nPOWER_SUPPLY_CAPACITY=7\n") == {"capacity": "7"}


@pytest.mark.parametrize(
    ("text", "percent"),
    [
        ("0", 0.0),
        ("100", 100.0),
        (" 61 ", 61.0),
        ("1536", 1536.0),
        ("-1", -1.0),
        ("98.5", None),
        ("0x64", None),
        ("full", None),
        ("１００", None),  # full-width digits, which int() accepts
        ("9" * 400, None),
    ],
)
def test_capacity_is_a_whole_number_in_ascii(text: str, percent: float | None) -> None:
    found = pack(capacity=text)
    assert found.capacity_percent == percent
    assert found.sources == (Source.CAPACITY,)


def test_capacity_that_is_no_number_is_refused_not_computed_around() -> None:
    found = pack(capacity="98.5", charge_now=1, charge_full=2)
    refused = sample(found, source=Source.CAPACITY)
    assert (refused.soc_percent, refused.claims) == (None, WhyNot.OUT_OF_RANGE)


def test_units_are_those_of_a_reading() -> None:
    found = pack(
        voltage_now=3780507,
        current_now=-464635,
        temp=311,
        charge_now=1068,
        charge_full=805450,
        energy_now=14270000,
        voltage_min_design=11100000,
    )
    assert (found.voltage_v, found.current_a) == (3.780507, -0.464635)
    assert (found.temperature_c, found.charge_ah) == (31.1, 0.001068)
    assert (found.energy_wh, found.design_voltage_v) == (14.27, 11.1)


@pytest.mark.parametrize("code", [-5, -6, -11, -16, -19, -22, -61, -95, -110])
def test_an_error_code_printed_as_data_is_no_value(code: int) -> None:
    found = pack(voltage_now=code, current_now=code, voltage_avg=3900000, temp=code)
    assert (found.voltage_v, found.current_a) == (3.9, None)
    assert found.temperature_c == code / 10  # a frosty day is a temperature


@pytest.mark.parametrize(
    ("text", "status", "is_odd"),
    [
        ("Charging", BatteryStatus.CHARGING, False),
        ("Discharging", BatteryStatus.DISCHARGING, False),
        ("Not charging", BatteryStatus.NOT_CHARGING, False),
        ("Full", BatteryStatus.FULL, False),
        ("Unknown", BatteryStatus.UNKNOWN, False),
        ("", BatteryStatus.UNKNOWN, False),
        ("Cmd discharging", BatteryStatus.UNKNOWN, True),  # a vendor's word, synthetic
    ],
)
def test_status(text: str, status: BatteryStatus, is_odd: bool) -> None:
    found = pack(status=text)
    assert found.status is status
    assert (found.odd_status is not None) is is_odd


@pytest.mark.parametrize(
    ("values", "present"), [({}, True), ({"present": 1}, True), ({"present": 0}, False)]
)
def test_present_unless_it_says_otherwise(
    values: dict[str, int],
    present: bool,
) -> None:
    assert pack(**values).present is present


def test_cycle_count_zero_is_not_available() -> None:
    assert pack(cycle_count=0).cycle_count is None
    assert pack(cycle_count=849).cycle_count == 849


@pytest.mark.parametrize(("margin", "coarse"), [(20, False), (21, True)])
def test_a_gauge_that_says_how_wrong_it_is_is_coarse(
    margin: int,
    coarse: bool,
) -> None:
    found = sample(
        pack(capacity=50, capacity_error_margin=margin), source=Source.CAPACITY
    )
    assert (Flag.COARSE in found.flags) is coarse


def test_identity_without_padding_and_broken_characters() -> None:
    values = {
        "manufacturer": "LGC ",
        "model_name": "LNV-45N1\ufffd\ufffd",
        "serial_number": " 38109",
        "energy_full_design": "47520000",
    }
    assert identity_of(values) == "LGC/LNV-45N1/38109/47.52Wh"
    assert identity_of({"model_name": "UNKNOWN"}) is None


@pytest.mark.parametrize(
    ("kind", "feeds"),
    [
        ("Mains", True),
        ("USB", True),
        ("USB_PD_DRP", True),
        ("Wireless", True),
        ("UPS", False),
        ("Unknown", False),
        ("BMS", False),
        ("Battery", False),
    ],
)
def test_which_types_feed_the_system(kind: str, feeds: bool) -> None:
    assert is_supply(kind) is feeds


@pytest.mark.parametrize(
    ("online", "power"),
    [
        ([], ExternalPower.UNKNOWN),
        ([None], ExternalPower.UNKNOWN),
        (["0"], ExternalPower.NO),
        (["0", "0"], ExternalPower.NO),
        (["0", None], ExternalPower.UNKNOWN),
        (["0", "1"], ExternalPower.YES),
        ([None, "2"], ExternalPower.YES),
        (["-22"], ExternalPower.UNKNOWN),
        (["yes"], ExternalPower.UNKNOWN),
    ],
)
def test_external_power(online: list[str | None], power: ExternalPower) -> None:
    assert external_power(online) is power


def test_charge_is_computed_only_from_its_own_kind() -> None:
    found = pack(charge_now=3992000, charge_full=4000000, energy_full=15000000)
    assert found.sources == (Source.CHARGE,)
    computed = sample(found, source=Source.CHARGE)
    assert computed.soc_percent == pytest.approx(99.8)
    assert computed.flags == {Flag.COMPUTED}


def test_energy_is_used_where_there_is_no_charge() -> None:
    found = pack(energy_now=93790000, energy_full=93550000)
    assert found.sources == (Source.ENERGY,)
    computed = sample(found, source=Source.ENERGY)
    assert computed.soc_percent == pytest.approx(100.2565, abs=1e-4)
    assert computed.charge_ah is None  # watt-hours say nothing of ampere-hours


def test_a_full_pack_of_nothing_is_a_silent_bus() -> None:
    found = sample(pack(charge_now=0, charge_full=0), source=Source.CHARGE)
    assert (found.soc_percent, found.claims) == (None, WhyNot.ALL_ZERO)


def test_a_level_word_is_never_a_number() -> None:
    found = pack(capacity_level="Normal", charge_full_design=2056320)
    assert (found.sources, found.has_level) == ((), True)
    assert sample(found).claims is WhyNot.LEVEL_ONLY


def test_all_ones_are_a_silent_bus() -> None:
    ones = pack(capacity_level="Normal", voltage_now=65535000, cycle_count=65535)
    assert ones.is_silent
    assert sample(ones).claims is WhyNot.ALL_ZERO
    claimed = sample(pack(capacity=65535, cycle_count=65535), source=Source.CAPACITY)
    assert claimed.claims is WhyNot.ALL_ZERO


def test_one_value_of_all_ones_is_only_itself() -> None:
    found = pack(capacity=55, cycle_count=65535, voltage_now=3900000)
    assert not found.is_silent
    assert sample(found, source=Source.CAPACITY).soc_percent == 55.0


def test_all_ones_beside_a_fair_capacity_are_dropped() -> None:
    found = pack(capacity=55, cycle_count=65535, voltage_now=65535000)
    fair = sample(found, source=Source.CAPACITY)
    assert (fair.soc_percent, fair.claims) == (55.0, None)
    assert (fair.voltage_v, fair.cycle_count) == (None, None)


@pytest.mark.parametrize(
    ("now", "percent"), [(53, 100.0), (55, 100.0), (56, 106.0), (44, 106.0)]
)
def test_capacity_106_is_full_if_the_energies_agree(now: int, percent: float) -> None:
    found = pack(capacity=106, energy_now=now * 10**6, energy_full=50 * 10**6)
    seen = sample(found, source=Source.CAPACITY)
    assert seen.soc_percent == percent
    assert (Flag.OVER_FULL in seen.flags) is (percent == 100.0)


# Two packs of one notebook, 80 % and 7 %: (14.27 + 4.57) / (17.94 + 66.22).
INTERNAL = {"energy_now": 14270000, "energy_full": 17940000, "capacity": 80}
REMOVABLE = {"energy_now": 4570000, "energy_full": 66220000, "capacity": 7}


def test_two_packs_are_weighed_by_energy() -> None:
    both = sample(pack("BAT0", **INTERNAL), pack("BAT1", **REMOVABLE))
    assert both.soc_percent == pytest.approx(22.386, abs=1e-3)
    assert both.flags == {Flag.COMPUTED}


def test_packs_in_ampere_hours_are_weighed_with_their_voltage() -> None:
    one = pack("A", charge_now=1_000_000, charge_full=2_000_000, voltage_now=4_000_000)
    two = pack(
        "B",
        charge_now=0,
        charge_full=1_000_000,
        voltage_min_design=8_000_000,
        voltage_now=9_000_000,
    )
    assert sample(one, two).soc_percent == pytest.approx(100 * 4 / 16)


def test_a_pack_without_energy_now_is_weighed_by_its_capacity() -> None:
    one = pack("A", capacity=50, energy_full=10_000_000)
    two = pack("B", energy_now=0, energy_full=10_000_000)
    assert sample(one, two).soc_percent == pytest.approx(25.0)


@pytest.mark.parametrize(
    "values",
    [{"capacity": 50}, {"charge_full": 10**6, "capacity": 5}, {"energy_full": 10**6}],
)
def test_a_pack_with_nothing_to_weigh_is_named(values: dict[str, int]) -> None:
    with pytest.raises(NotWeighable) as refusal:
        sample(pack("BAT0", **INTERNAL), pack("BAT1", **values))
    assert refusal.value.name == "BAT1"


def test_two_units_are_not_summed_up() -> None:
    milli = pack("BAT1", energy_now=4570, energy_full=66220)
    mixed = sample(pack("BAT0", **INTERNAL), milli)
    assert (mixed.soc_percent, mixed.claims) == (None, WhyNot.UNIT_MISMATCH)


def test_a_pack_of_nothing_spoils_the_sum() -> None:
    nothing = pack("BAT1", energy_now=0, energy_full=0)
    assert sample(pack("BAT0", **INTERNAL), nothing).claims is WhyNot.ALL_ZERO


C, D, N, F, U = (
    BatteryStatus.CHARGING,
    BatteryStatus.DISCHARGING,
    BatteryStatus.NOT_CHARGING,
    BatteryStatus.FULL,
    BatteryStatus.UNKNOWN,
)


@pytest.mark.parametrize(
    ("first", "second", "both"),
    [
        (U, D, D),
        (N, D, D),
        (N, C, C),
        (F, C, C),
        (C, D, U),
        (F, F, F),
        (F, N, N),
        (N, N, N),
        (U, N, N),
        (U, F, U),
        (U, U, U),
    ],
)
def test_status_of_two(
    first: BatteryStatus, second: BatteryStatus, both: BatteryStatus
) -> None:
    one, two = pack("BAT0", **INTERNAL), pack("BAT1", **REMOVABLE)
    packs = replace(one, status=first), replace(two, status=second)
    assert sample(*packs).battery_status is both


def test_of_two_packs_the_warmest_and_the_worst_count() -> None:
    one = pack("BAT0", **INTERNAL, temp=231, health="Good", model_name="a")
    two = pack("BAT1", **REMOVABLE, temp=402, health="Overheat", model_name="b")
    both = sample(one, two)
    assert (both.temperature_c, both.health) == (40.2, "Overheat")
    assert both.pack == "a + b"
    assert (both.voltage_v, both.current_a, both.charge_ah) == (None, None, None)
