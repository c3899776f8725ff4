"""The twin's gauge and relay as backends: what they declare, report and refuse."""

import os
import subprocess
import sys

import pytest
from pydantic import ValidationError

from tidegate.contract import Readback, SharedLink
from tidegate.core.reading import BatteryStatus, ExternalPower, Supply
from tidegate.errors import Unavailable
from tidegate.twin.bench import Bench, key, opener
from tidegate.twin.gauge import BACKEND as GAUGE
from tidegate.twin.relay import BACKEND as RELAY

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS


class FakeHost:
    """Lends a clock that the test sets and shared links with a count of users."""

    station = "lobby"

    def __init__(self):
        self.now_ms = 5_000_000
        self.links: dict[str, SharedLink] = {}
        self.users: dict[str, int] = {}

    def boot_ms(self):
        return self.now_ms

    async def share(self, key, opener):
        if key not in self.links:
            self.links[key] = await opener()
        self.users[key] = self.users.get(key, 0) + 1
        return self.links[key].value

    async def release(self, key):
        self.users[key] -= 1
        if not self.users[key]:
            await self.links.pop(key).close()


def gauge(host, **table):
    settings = GAUGE.settings.model_validate({"kind": "twin", "load_a": 0.7} | table)
    return GAUGE.make(settings, host)


def relay(host, **table):
    return RELAY.make(RELAY.settings.model_validate({"kind": "twin"} | table), host)


@pytest.fixture
def host():
    return FakeHost()


async def test_relay_and_gauge_meet_at_one_device(host):
    async with gauge(host) as twin, relay(host) as switch:
        before = await twin.read()
        assert before.soc_percent == 60.0
        assert before.external_power is ExternalPower.YES
        assert before.battery_status is BatteryStatus.CHARGING
        assert before.current_a == pytest.approx(1.3)
        await switch.set(Supply.OFF)
        host.now_ms += HOUR_MS
        after = await twin.read()
        # 0.7 A out of 7 Ah for an hour.
        assert after.soc_percent == 50.0
        assert after.external_power is ExternalPower.NO
        assert after.battery_status is BatteryStatus.DISCHARGING
        assert after.uptime_s == 3600
        assert after.charge_ah == pytest.approx(3.5)
        assert after.present
    assert host.links == {}


@pytest.mark.parametrize("gauge_first", [True, False])
async def test_either_may_be_opened_first(host, gauge_first):
    twin, switch = gauge(host), relay(host)
    for part in (twin, switch) if gauge_first else (switch, twin):
        await part.open()
        if part is switch and not gauge_first:
            await switch.set(Supply.OFF)
    if gauge_first:
        await switch.set(Supply.OFF)
    assert (await twin.read()).external_power is ExternalPower.NO


async def test_the_device_outlives_a_gauge_that_is_closed_and_opened_again(host):
    async with relay(host) as switch:
        async with gauge(host):
            await switch.set(Supply.OFF)
        host.now_ms += HOUR_MS
        async with gauge(host) as again:
            assert (await again.read()).soc_percent == 50.0
            await again.close()
            await again.close()


async def test_a_bench_that_was_shared_before_is_the_one_that_is_used(host):
    bench = Bench()
    await host.share(key("lobby"), opener(bench))
    async with gauge(host), relay(host) as switch:
        await switch.set(Supply.OFF)
        assert bench.device is not None
        assert not bench.device.external_power


async def test_two_devices_are_two(host):
    async with (
        gauge(host, device="a") as one,
        gauge(host, device="b") as two,
        relay(host, device="b") as switch,
    ):
        await switch.set(Supply.OFF)
        assert (await one.read()).external_power is ExternalPower.YES
        assert (await two.read()).external_power is ExternalPower.NO


@pytest.mark.parametrize(
    ("readback", "told_at_first", "told_after"),
    [
        (0, None, None),
        (1, None, Supply.OFF),
        (2, Supply.ON, Supply.OFF),
        (3, Supply.ON, Supply.ON),
    ],
)
async def test_a_stuck_contact_shows_only_where_it_is_sensed(
    host, readback, told_at_first, told_after
):
    stuck = {"what": "relay_stuck", "after_h": 0, "for_h": 1}
    async with (
        gauge(host, events=[stuck]) as twin,
        relay(host, readback=readback) as switch,
    ):
        assert switch.facts.readback is Readback(readback)
        assert await switch.get() is told_at_first
        await switch.set(Supply.OFF)
        assert await switch.get() is told_after
        assert (await twin.read()).external_power is ExternalPower.YES
        host.now_ms += HOUR_MS
        assert (await twin.read()).external_power is ExternalPower.NO


@pytest.mark.parametrize("contact", ["normally-closed", "normally-open", "latching"])
async def test_every_wiring_switches_both_ways(host, contact):
    async with gauge(host) as twin, relay(host, contact=contact) as switch:
        for supply, power in [
            (Supply.ON, ExternalPower.YES),
            (Supply.OFF, ExternalPower.NO),
            (Supply.ON, ExternalPower.YES),
        ]:
            await switch.set(supply)
            assert await switch.get() is supply
            assert (await twin.read()).external_power is power


async def test_a_contact_wired_the_other_way_round_does_the_opposite(host):
    async with gauge(host) as twin, relay(host, wired="normally-open") as switch:
        await switch.set(Supply.OFF)
        assert (await twin.read()).external_power is ExternalPower.YES
        await switch.set(Supply.ON)
        assert (await twin.read()).external_power is ExternalPower.NO


@pytest.mark.parametrize(
    ("table", "fails_on"),
    [
        ({}, True),
        ({"contact": "normally-open"}, False),
        ({"contact": "normally-open", "dead_man_s": 120}, True),
    ],
)
async def test_the_relay_declares_whether_it_fails_to_on(host, table, fails_on):
    facts = relay(host, **table).facts
    assert facts.fails_on is fails_on
    assert facts.dead_man_s == table.get("dead_man_s")


async def test_the_dead_man_timer_runs_unless_it_is_refreshed(host):
    async with gauge(host) as twin, relay(host, dead_man_s=120) as switch:
        await switch.set(Supply.OFF)
        host.now_ms += 100_000
        await switch.refresh()
        host.now_ms += 100_000
        assert await switch.get() is Supply.OFF
        host.now_ms += 20_000
        assert await switch.get() is Supply.ON
        assert (await twin.read()).external_power is ExternalPower.YES


@pytest.mark.parametrize(
    ("event", "works"),
    [("relay_unreachable", "gauge"), ("gauge_unreachable", "relay")],
)
async def test_what_is_unreachable_says_so_and_comes_back(host, event, works):
    events = [{"what": event, "after_h": 1, "for_h": 1}]
    async with gauge(host, events=events) as twin, relay(host) as switch:

        async def off():
            await switch.set(Supply.OFF)

        calls = {"gauge": twin.read, "relay": off}
        well = calls.pop(works)
        (broken,) = calls.values()
        await broken()
        host.now_ms += HOUR_MS
        await well()
        with pytest.raises(Unavailable, match=r"twin:lobby: .* does not answer"):
            await broken()
        host.now_ms += HOUR_MS
        await broken()


async def test_a_gauge_over_the_switched_cable_is_blind_while_off(host):
    table = {"needs_supply": True, "reconnect_s": 20}
    async with gauge(host, **table) as twin, relay(host) as switch:
        assert twin.facts.needs_supply
        host.now_ms += MINUTE_MS
        await twin.read()
        await switch.set(Supply.OFF)
        with pytest.raises(Unavailable):
            await twin.read()
        await switch.set(Supply.ON)
        host.now_ms += 19_999
        with pytest.raises(Unavailable):
            await twin.read()
        host.now_ms += 1
        await twin.read()


async def test_a_dead_device_cannot_be_read_until_it_has_booted(host):
    async with gauge(host, soc_percent=5, boot_s=30) as twin, relay(host) as switch:
        await switch.set(Supply.OFF)
        host.now_ms += HOUR_MS
        with pytest.raises(Unavailable, match="dark"):
            await twin.read()
        await switch.set(Supply.ON)
        host.now_ms += 40_000
        sample = await twin.read()
        assert (sample.soc_percent, sample.uptime_s) == (0.0, 10)


async def test_no_battery_is_reported_as_not_present(host):
    events = [{"what": "gauge_absent", "after_h": 0, "for_h": 1}]
    async with gauge(host, events=events) as twin:
        sample = await twin.read()
        assert not sample.present
        assert sample.soc_percent is None
        assert sample.external_power is ExternalPower.YES


async def test_frozen_figures_beside_a_live_supply(host):
    events = [{"what": "gauge_frozen", "after_h": 1, "for_h": 1}]
    async with gauge(host, events=events) as twin, relay(host) as switch:
        await switch.set(Supply.OFF)
        host.now_ms += HOUR_MS - 1
        last = await twin.read()
        host.now_ms += HOUR_MS // 2
        frozen = await twin.read()
        assert (frozen.soc_percent, frozen.voltage_v) == (50.0, last.voltage_v)
        await switch.set(Supply.ON)
        assert (await twin.read()).external_power is ExternalPower.YES
        host.now_ms += HOUR_MS
        assert (await twin.read()).soc_percent > 50.0


async def test_a_coil_at_rest_opens_a_normally_open_contact(host):
    moments = []
    async with gauge(host) as twin:
        bench = host.links[key("lobby")].value
        bench.device.observe(moments.append)
        host.now_ms += 1000
        async with relay(host, contact="normally-open"):
            assert not moments[-1].external_power
            assert moments[-1].at_ms == host.now_ms
            assert bench.device.fed_s == 0.0
            assert (await twin.read()).external_power is ExternalPower.NO


async def test_a_jump_stays_between_empty_and_full(host):
    events = [{"what": "gauge_jump", "after_h": 0, "for_h": 1, "amount": -70}]
    async with gauge(host, events=events) as twin:
        assert (await twin.read()).soc_percent == 0.0


async def test_a_jump_ends_by_itself(host):
    events = [{"what": "gauge_jump", "after_h": 0, "for_h": 1, "amount": -30}]
    async with gauge(host, load_a=2.0, events=events) as twin:
        assert (await twin.read()).soc_percent == 30.0
        host.now_ms += HOUR_MS
        assert (await twin.read()).soc_percent == 60.0


async def test_rounding_refresh_and_lag(host):
    quirks = {"step_percent": 5, "refresh_s": 60}
    async with gauge(host, quirks=quirks) as twin, relay(host) as switch:
        assert twin.facts.latency_s == 60
        await switch.set(Supply.OFF)
        first = await twin.read()
        host.now_ms += 59_000
        held = await twin.read()
        assert held.voltage_v == first.voltage_v
        assert (first.uptime_s, held.uptime_s) == (0, 59)
        host.now_ms += 1_000
        assert (await twin.read()).voltage_v < first.voltage_v
        host.now_ms += 16 * MINUTE_MS
        # 57.2 % after 17 minutes at 10 %/h.
        assert (await twin.read()).soc_percent == 55.0


async def test_lag_follows_with_its_time_constant(host):
    quirks = {"step_percent": 0, "lag_s": 3600}
    async with gauge(host, load_a=7.0, quirks=quirks) as twin, relay(host) as switch:
        await switch.set(Supply.OFF)
        await twin.read()
        host.now_ms += HOUR_MS // 4
        # True 35 %, reported 35 + 25 exp(-1/4).
        assert (await twin.read()).soc_percent == pytest.approx(54.470, abs=1e-3)


async def test_a_wrong_sign_is_told_as_it_is_set(host):
    quirks = {"wrong_sign": True, "sign_trusted": False}
    async with gauge(host, quirks=quirks) as twin:
        sample = await twin.read()
        assert sample.current_a == pytest.approx(-1.3)
        assert not sample.current_sign_trusted


async def test_noise_is_repeated_by_its_seed():
    async def course(seed):
        host = FakeHost()
        quirks = {"noise_percent": 1.0, "step_percent": 0}
        async with gauge(host, seed=seed, quirks=quirks, load_a=2.0) as twin:
            return [(await twin.read()).soc_percent for _ in range(20)]

    assert await course(7) == await course(7)
    assert await course(7) != await course(8)
    assert len(set(await course(7))) == 20


async def test_every_quantity_that_is_given_is_there(host):
    async with gauge(host, design_ah=7.5) as twin:
        sample = await twin.read()
        assert all(getattr(sample, name) is not None for name in twin.facts.gives)
        assert sample.design_charge_ah == 7.5
    assert "design_charge_ah" not in gauge(host).facts.gives


@pytest.mark.parametrize("make", [gauge, relay])
async def test_nothing_works_before_it_is_open(host, make):
    part = make(host)
    with pytest.raises(Unavailable, match="not open"):
        await (part.read() if make is gauge else part.get())


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ({"load_a": [1.0] * 23}, "23 values found; allowed: one number, 24"),
        ({"load_a": -1.0}, "greater than or equal to 0"),
        ({"events": [{"what": "mains_out", "after_h": 1}]}, "mains_out needs for_h"),
        ({"events": [{"what": "flood", "after_h": 1}]}, "relay_welded"),
        ({"soc_percent": 0}, "greater than 0"),
        ({"charger": {"full_v": 4.35}}, "less than or equal to 4.2"),
        ({"starts_at": "2025-06-02T00:00:00"}, "timezone"),
        ({"loads": 1}, "Extra inputs"),
    ],
)
def test_wrong_tables_are_refused(table, says):
    with pytest.raises(ValidationError, match=says):
        GAUGE.settings.model_validate({"kind": "twin"} | table)


def test_a_relay_names_its_target():
    table = {"kind": "twin", "device": "hall", "channel": 2}
    target = RELAY.settings.model_validate(table).target()
    assert str(target) == f"twin:hall@{os.getpid()}#2"
    other = RELAY.settings.model_validate(table | {"channel": 3}).target()
    assert other != target


def test_a_twin_in_another_process_is_another_relay():
    table = {"kind": "twin", "device": "hall"}
    script = (
        "from tidegate.twin.relay import BACKEND;"
        f"print(BACKEND.settings.model_validate({table}).target(), end='')"
    )
    done = subprocess.run(
        [sys.executable, "-c", script],
        env={"PYTHONPATH": os.pathsep.join(sys.path)},
        capture_output=True,
        text=True,
        timeout=30,
        check=True,
    )
    assert done.stdout.startswith("twin:hall@")
    assert done.stdout != str(RELAY.settings.model_validate(table).target())


@pytest.mark.parametrize("readback", [2, 3])
async def test_a_board_knows_of_its_wires_what_its_settings_say(host, readback):
    """With the wires the other way round it takes an off for on, sensed or not."""
    async with (
        gauge(host) as twin,
        relay(
            host, contact="normally-closed", wired="normally-open", readback=readback
        ) as switch,
    ):
        for told, power in [
            (Supply.OFF, ExternalPower.YES),
            (Supply.ON, ExternalPower.NO),
        ]:
            await switch.set(told)
            assert await switch.get() is told
            assert (await twin.read()).external_power is power
