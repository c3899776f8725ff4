"""Commissioning runs among slow gauges, late relays and faults that come at once.

Never dark, never proven without a proof. The twin, its faults and all numbers are
invented.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest import mock

import pytest

from support.prove_rig import (
    NO,
    YES,
    FakeBetweenGauge,
    FakeBetweenRelay,
    FakeBouncingGauge,
    FakeFickleGauge,
    FakeIdleRelay,
    FakeJogRelay,
    FakeLaggingGauge,
    FakeSilentGauge,
    ProveRig,
    held,
    holding,
)
from tidegate.contract import energised
from tidegate.core.reading import BatteryStatus, Sample, Supply
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.replay import rebuild
from tidegate.cyclelog.rows import IntentRow, OutcomeRow
from tidegate.errors import Unavailable
from tidegate.prove import Finding, Verdict, commission
from tidegate.prove.commission import Commissioning
from tidegate.prove.homing import SURE_LIMIT_S
from tidegate.prove.ledger import Ledger
from tidegate.prove.result import Timer

NO_CONTACT = "normally-open"


def outage(after_s: float, for_s: float) -> dict[str, Any]:
    hours = {"after_h": after_s / 3_600, "for_h": for_s / 3_600}
    return {"events": [{"what": "mains_out", **hours}]}


def lagging(lag_s: float) -> Any:
    return lambda gauge, rig: FakeLaggingGauge(gauge, rig, lag_s)


def gone() -> Unavailable:
    return Unavailable("does not answer", target="fake", remedy="None.")


class FakeFaultyRelay(FakeBetweenRelay):
    """Does with its n-th command what it is told."""

    def __init__(
        self, inner: Any, rig: ProveRig, fault: Callable[..., Any], **facts: Any
    ) -> None:
        super().__init__(inner, rig, **facts)
        self._fault, self._count = fault, 0

    async def set(self, supply: Supply) -> None:
        self._count += 1
        await self._fault(self._count, supply, super().set)


def faulty(fault: Callable[..., Any], **facts: Any) -> Any:
    return lambda relay, rig: FakeFaultyRelay(relay, rig, fault, **facts)


# --- gauges that show what was ------------------------------------------------------------


@pytest.mark.parametrize("after_s", [62.0, 70.0, 85.0, 95.0])
def test_a_slow_gauge_is_no_reversed_relay(tmp_path: Path, after_s: float) -> None:
    """It shows an on 20 s late, as its settings allow; the run is ended while off."""
    rig = ProveRig(tmp_path, station={"settle": "60s"}, between_gauge=lagging(20))
    result = rig.prove(end_after_s=after_s)
    assert result.verdict is Verdict.ABORTED
    assert rig.device.external_power
    assert result.seen.is_on
    assert not result.seen.is_reversed
    rig.sound()


def test_a_gauge_slower_than_its_settings_is_no_reversed_relay(tmp_path: Path) -> None:
    rig = ProveRig(tmp_path, between_gauge=lagging(14))
    result = rig.prove()
    assert not result.seen.is_reversed
    assert rig.device.external_power


@pytest.mark.parametrize("rounds", [1, 3])
def test_a_slow_gauge_hides_no_reversed_relay(tmp_path: Path, rounds: int) -> None:
    """What it shows of each command is the command before."""
    rig = ProveRig(
        tmp_path,
        relay={"wired": NO_CONTACT},
        station={"settle": "60s"},
        between_gauge=lagging(20),
        rounds=rounds,
    )
    result = rig.prove()
    assert result.verdict is Verdict.NOT_PROVEN
    assert result.seen.is_reversed
    assert rig.device.external_power
    assert result.why.startswith("the relay is wired the other way round")


class FakeClosedAtFirst(FakeBetweenRelay):
    """Was on before the run, however it is wired. A command takes a time, and acts so
    much later.
    """

    def __init__(
        self, inner: Any, rig: ProveRig, takes_s: float = 0.0, after_s: float = 0.0
    ) -> None:
        super().__init__(inner, rig)
        self._takes_s, self._after_s, self._is_closed = takes_s, after_s, False

    async def open(self) -> None:
        await super().open()
        if not self._is_closed:
            self._is_closed = True
            self._drive(self.rig.device.contact.wiring != "normally-closed")

    async def set(self, supply: Supply) -> None:
        await asyncio.sleep(self._takes_s)
        loop = asyncio.get_running_loop()
        driven = energised(supply, self.rig.relay.get("contact", "normally-closed"))
        loop.call_later(self._after_s, self._drive, driven)

    def _drive(self, driven: bool) -> None:
        device = self.rig.device
        device.contact.drive(driven, self.rig.clock.boot_ms())
        device.contact_moved()


@pytest.mark.parametrize(
    ("settle_s", "lag_s"),
    [(60, 66), (60, 90), (60, 120), (10, 11), (10, 15), (10, 20), (10, 33), (10, 55)],
)
def test_a_reversed_relay_does_not_pass_in_the_shadow_of_its_commands(
    tmp_path: Path, settle_s: int, lag_s: float
) -> None:
    """Behind so slow a gauge each off is seen as the on after it, and so on."""
    rig = ProveRig(
        tmp_path,
        relay={"wired": NO_CONTACT},
        station={"settle": f"{settle_s}s"},
        between_gauge=lagging(lag_s),
        between_relay=FakeClosedAtFirst,
    )
    result = rig.prove()
    assert result.verdict is Verdict.NOT_PROVEN
    assert result.seen.is_reversed
    assert rig.device.external_power
    assert result.seen.is_on
    rig.sound()


@pytest.mark.parametrize("number", [3, 4, 5])
def test_a_reversed_relay_that_misses_a_command_is_not_left_dark(
    tmp_path: Path, number: int
) -> None:
    """On, on, the trial of the other way, on to see it leave, and on for good."""

    async def fault(count: int, supply: Supply, act: Any) -> None:
        if count == number:
            raise gone()
        await act(supply)

    rig = ProveRig(tmp_path, relay={"wired": NO_CONTACT}, between_relay=faulty(fault))
    result = rig.prove()
    assert rig.device.external_power
    assert result.seen.is_reversed
    assert result.seen.is_on
    rig.sound()


@pytest.mark.parametrize(("from_s", "to_s"), [(41, 200), (20, 2_000)])
def test_a_gauge_that_falls_silent_in_doubt_leaves_a_warning(
    tmp_path: Path, from_s: int, to_s: int
) -> None:
    """Reversed wiring that nobody could see through: the device may stay dark."""
    rig = ProveRig(
        tmp_path,
        relay={"wired": NO_CONTACT},
        station={"settle": "10s"},
        between_gauge=lambda gauge, rig: FakeSilentGauge(
            gauge, rig, from_s=from_s, to_s=to_s
        ),
    )
    result = rig.prove()
    assert result.verdict is Verdict.NOT_PROVEN
    assert result.seen.is_on is None
    assert Finding.STILL_DARK in result.seen.findings
    rig.sound()


def test_a_relay_that_misses_the_on_is_told_again_at_once(tmp_path: Path) -> None:
    """The gauge is so slow that nothing follows; it is looked at for 5 min more."""

    async def fault(count: int, supply: Supply, act: Any) -> None:
        if count == 3:
            raise gone()
        await act(supply)

    rig = ProveRig(
        tmp_path,
        station={"settle": "60s"},
        between_gauge=lagging(90),
        between_relay=faulty(fault),
    )
    result = rig.prove()
    assert Finding.GAUGE_SLOW in result.seen.findings
    off_ms = next(at_ms for at_ms, supply in rig.told if supply is Supply.OFF)
    missed, again = [at_ms for at_ms, _ in rig.told if at_ms > off_ms][:2]
    assert again - missed <= 2_000
    assert rig.device.external_power
    rig.sound()


@pytest.mark.parametrize("takes_s", [0.2, 0.8])
def test_a_supply_that_comes_with_the_last_look_in_time_is_seen(
    tmp_path: Path, takes_s: float
) -> None:
    """A read takes so long that the last one ends behind the 10 s of `settle`."""

    class FakeLateOn(FakeBetweenGauge):
        async def read(self) -> Sample:
            await asyncio.sleep(takes_s)
            sample = await super().read()
            at_ms, supply = rig.told[-1] if rig.told else (0, Supply.ON)
            is_early = rig.clock.boot_ms() - at_ms < 9_900
            if len(rig.told) > 1 and supply is Supply.ON and is_early:
                return replace(
                    sample,
                    external_power=NO,
                    battery_status=BatteryStatus.DISCHARGING,
                )
            return sample

    rig = ProveRig(tmp_path, between_gauge=lambda gauge, _: FakeLateOn(gauge))
    result = rig.prove()
    assert result.verdict is Verdict.PROVEN, result.why
    assert all(
        s.latency_ms > 10_000 for s in result.seen.steps if s.supply is Supply.ON
    )
    rig.sound()


@pytest.mark.parametrize("for_s", [12.0, 15.0, 18.0])
def test_mains_that_come_back_in_the_trial_are_no_reversed_relay(
    tmp_path: Path, for_s: float
) -> None:
    """The contact sticks; what brought the power was not the other command."""
    rig = ProveRig(tmp_path, gauge=outage(0, for_s), between_relay=FakeIdleRelay)
    result = rig.prove()
    assert result.verdict is Verdict.NOT_PROVEN
    assert any("the other way round" in line for line in rig.said)
    assert not result.seen.is_reversed
    assert rig.told[-1][1] is Supply.ON
    rig.sound()


@pytest.mark.parametrize("contact", ["normally-closed", NO_CONTACT])
@pytest.mark.parametrize("settle_s", [10, 60])
def test_a_gauge_that_goes_with_the_on_shows_a_reversed_relay(
    tmp_path: Path, settle_s: int, contact: str
) -> None:
    """It lives on the supply: there before the run, away since on is commanded."""
    wired = {"normally-closed": NO_CONTACT, NO_CONTACT: "normally-closed"}[contact]
    rig = ProveRig(
        tmp_path,
        gauge={"needs_supply": True},
        relay={"contact": contact, "wired": wired},
        station={"settle": f"{settle_s}s"},
        between_relay=FakeClosedAtFirst,
    )
    result = rig.prove()
    assert result.verdict is Verdict.NOT_PROVEN
    assert result.seen.is_reversed
    assert Finding.GAUGE_NOT_BACK not in result.seen.findings
    assert rig.device.external_power
    assert result.seen.is_on
    rig.sound()


def test_a_gauge_that_just_goes_shows_no_reversed_relay(tmp_path: Path) -> None:
    class FakeShortLivedGauge(FakeBetweenGauge):
        async def read(self) -> Sample:
            if any("as the base" in line for line in rig.said):
                raise gone()
            return await super().read()

    rig = ProveRig(
        tmp_path,
        gauge={"needs_supply": True},
        between_gauge=lambda gauge, _: FakeShortLivedGauge(gauge),
    )
    result = rig.prove()
    assert result.verdict is Verdict.NOT_PROVEN
    assert not result.seen.is_reversed
    assert result.seen.is_on is None
    assert rig.told[-1][1] is Supply.ON
    assert rig.device.external_power


@pytest.mark.parametrize("lag_s", [130, 180, 240, 300])
def test_a_reversed_relay_that_nobody_sees_in_time_is_said_loudly(
    tmp_path: Path, lag_s: float
) -> None:
    rig = ProveRig(
        tmp_path,
        relay={"wired": NO_CONTACT},
        station={"settle": "60s"},
        between_gauge=lagging(lag_s),
        between_relay=FakeClosedAtFirst,
    )
    result = rig.prove()
    assert result.verdict is Verdict.NOT_PROVEN
    assert {Finding.GAUGE_SLOW, Finding.STILL_DARK} <= set(result.seen.findings)
    assert result.seen.is_on is False


@pytest.mark.parametrize("lag_s", [14.0, 17.5, 18.0, 18.5, 30.0, 45.0])
def test_a_slow_relay_behind_a_slow_gauge_is_not_reversed(
    tmp_path: Path, lag_s: float
) -> None:
    """However late it all shows: what would be recorded would leave it dark."""
    rig = ProveRig(
        tmp_path,
        between_gauge=lagging(lag_s),
        between_relay=lambda relay, rig: FakeClosedAtFirst(relay, rig, 1.5, 3.0),
    )
    result = rig.prove()
    assert result.verdict is Verdict.NOT_PROVEN
    assert not result.seen.is_reversed
    assert rig.told[-1][1] is Supply.ON
    assert result.seen.is_on


def test_how_slow_a_gauge_is_is_said(tmp_path: Path) -> None:
    rig = ProveRig(tmp_path, between_gauge=lagging(33))
    result = rig.prove()
    assert result.why.startswith("the gauge showed the off only 33 s after it")


@pytest.mark.parametrize("after_s", [0.5, 3.0, 8.0, 15.0, 25.0])
def test_a_reversed_relay_is_not_left_dark_by_an_early_end(
    tmp_path: Path, after_s: float
) -> None:
    rig = ProveRig(tmp_path, relay={"wired": NO_CONTACT}, between_gauge=lagging(6))
    result = rig.prove(end_after_s=after_s)
    assert rig.device.external_power
    assert result.seen.is_on
    rig.sound()


@pytest.mark.parametrize(
    ("after_s", "for_s"),
    [
        *((after_s, 5.2) for after_s in (1.0, 4.0, 11.0, 16.0, 21.0)),
        # They come back just before the other way round is tried.
        (1.0, 16.5),
        (1.0, 18.0),
    ],
)
def test_mains_that_fail_for_a_moment_are_no_reversed_relay(
    tmp_path: Path, after_s: float, for_s: float
) -> None:
    rig = ProveRig(tmp_path, gauge=outage(after_s, for_s), between_gauge=lagging(6))
    result = rig.prove()
    assert not result.seen.is_reversed
    assert rig.device.external_power
    assert result.seen.is_on is not False


def test_a_base_that_nobody_can_see_is_none(tmp_path: Path) -> None:
    """The gauge goes in the middle of it: no off then, and the on is said again."""

    class FakeShortLivedGauge(FakeBetweenGauge):
        async def read(self) -> Sample:
            if rig.clock.boot_ms() > 605_000:
                raise gone()
            return await super().read()

    rig = ProveRig(tmp_path, between_gauge=lambda gauge, _: FakeShortLivedGauge(gauge))
    result = rig.prove()
    assert result.verdict is Verdict.ABORTED
    assert [supply for _, supply in rig.told] == [Supply.ON, Supply.ON]
    assert result.seen.is_on is None


def test_an_on_of_old_is_no_sight_of_it(tmp_path: Path) -> None:
    """The gauge goes after a round that was proven: the on is said once more."""

    class FakeShortLivedGauge(FakeBetweenGauge):
        async def read(self) -> Sample:
            if any("supply on:" in line for line in rig.said):
                raise gone()
            return await super().read()

    rig = ProveRig(tmp_path, between_gauge=lambda gauge, _: FakeShortLivedGauge(gauge))
    result = rig.prove()
    assert result.verdict is Verdict.ABORTED
    assert [supply for _, supply in rig.told[-2:]] == [Supply.ON, Supply.ON]
    assert result.seen.is_on is None


def test_what_nobody_would_see_in_time_is_not_tried(tmp_path: Path) -> None:
    """With so long a ``settle`` nothing follows from what the gauge shows soon."""
    settle_s = SURE_LIMIT_S + 1
    rig = ProveRig(
        tmp_path, gauge=outage(0, 3_600), station={"settle": f"{settle_s:g}s"}
    )
    rig.prove()
    assert Supply.OFF not in [supply for _, supply in rig.told]


def test_power_that_is_always_told_of_proves_nothing(tmp_path: Path) -> None:
    """The status follows the supply, the power does not: it shows the return too."""

    def change(sample: Sample) -> Sample:
        return replace(sample, external_power=YES)

    rig = ProveRig(tmp_path, between_gauge=lambda g, _: FakeBetweenGauge(g, change))
    result = rig.prove()
    assert result.verdict is Verdict.PROVEN, result.why
    assert not result.seen.findings

    def sticky(sample: Sample) -> Sample:
        """Once it drains, it says so for ever."""
        drained.append(sample.external_power is NO)
        status = BatteryStatus.DISCHARGING if any(drained) else sample.battery_status
        return replace(sample, external_power=YES, battery_status=status)

    drained: list[bool] = []
    rig = ProveRig(
        tmp_path / "sticky",
        rounds=1,
        between_gauge=lambda g, _: FakeBetweenGauge(g, sticky),
    )
    assert rig.prove().verdict is Verdict.NOT_PROVEN


@pytest.mark.parametrize(("period_s", "off_s"), [(20, 12), (55, 15)])
def test_a_status_that_changes_by_itself_proves_no_off(
    tmp_path: Path, period_s: int, off_s: int
) -> None:
    """A full battery, power that is always told of, and a relay that does nothing."""
    rig = fickle(tmp_path, period_s, off_s, tells=False)
    rig.between_relay = FakeIdleRelay
    result = rig.prove()
    assert result.verdict is Verdict.NOT_PROVEN
    assert not result.seen.steps
    assert Finding.EFFECT_UNPROVABLE in result.seen.findings


def test_where_power_is_told_of_its_status_does_not_matter(tmp_path: Path) -> None:
    result = fickle(tmp_path, 20, 12, tells=True).prove()
    assert result.verdict is Verdict.PROVEN, result.why


def fickle(folder: Path, period_s: int, off_s: int, *, tells: bool) -> ProveRig:
    return ProveRig(
        folder,
        station={"settle": "60s"},
        between_gauge=lambda gauge, rig: FakeFickleGauge(
            gauge, rig, period_s=period_s, off_s=off_s, tells=tells
        ),
    )


def test_a_refused_run_does_not_go_by_what_a_slow_gauge_shows(tmp_path: Path) -> None:
    """A run was killed while off; the gauge still shows the supply of before."""
    rig = ProveRig(tmp_path)
    assert rig.prove_killed(at_line=3)
    assert not rig.device.external_power

    def change(sample: Sample) -> Sample:
        return replace(
            sample,
            external_power=YES,
            battery_status=BatteryStatus.CHARGING,
            temperature_c=50.0,
        )

    rig.between_gauge = lambda gauge, _: FakeBetweenGauge(gauge, change)
    result = rig.prove()
    assert result.verdict is Verdict.REFUSED
    assert rig.told[-1][1] is Supply.ON
    assert rig.device.external_power
    rig.sound()


# --- a relay that holds -------------------------------------------------------------------


def test_mains_that_fail_prove_no_hold(tmp_path: Path) -> None:
    """A relay that does nothing, and the mains go out as it is commanded off."""

    def change(sample: Sample) -> Sample:
        fed = sample.external_power is YES
        status = BatteryStatus.CHARGING if fed else BatteryStatus.DISCHARGING
        return replace(sample, battery_status=status)

    rig = ProveRig(
        tmp_path,
        gauge=outage(10.5, 3_600),
        between_gauge=lambda gauge, _: FakeBetweenGauge(gauge, change),
        between_relay=lambda relay, rig: FakeIdleRelay(holding(relay, rig), rig),
    )
    result = rig.prove()
    assert result.verdict is Verdict.NOT_PROVEN
    assert not result.seen.steps


def test_charging_that_begins_again_is_no_hold(tmp_path: Path) -> None:
    rig = ProveRig(
        tmp_path,
        relay={"dead_man_s": 4},
        between_gauge=held,
        between_relay=lambda relay, rig: FakeBetweenRelay(
            holding(relay, rig), rig, dead_man_s=None
        ),
    )
    result = rig.prove()
    assert result.verdict is Verdict.NOT_PROVEN
    assert Finding.POWER_CAME_BACK in result.seen.findings


# --- an on that does not stay -------------------------------------------------------------


@pytest.mark.parametrize("rounds", [1, 3])
@pytest.mark.parametrize("after_s", [0.3, 3.0, 8.0])
def test_an_on_that_does_not_stay_is_none(
    tmp_path: Path, after_s: float, rounds: int
) -> None:
    """Nor is it what the run ends with: a person is told to bypass the relay."""
    rig = ProveRig(
        tmp_path,
        relay={"contact": NO_CONTACT},
        between_relay=lambda relay, rig: FakeJogRelay(relay, rig, after_s),
        rounds=rounds,
    )
    result = rig.prove()
    assert result.verdict is Verdict.NOT_PROVEN
    assert {Finding.POWER_WENT, Finding.STILL_DARK} <= set(result.seen.findings)
    assert result.seen.is_on is False
    rig.sound()


def test_an_on_that_bounces_once_is_one(tmp_path: Path) -> None:
    """Charger and supply agree anew on a voltage whenever it comes back."""
    result = ProveRig(tmp_path, between_gauge=FakeBouncingGauge).prove()
    assert result.verdict is Verdict.PROVEN, result.why
    # What counts is since when it is there to stay.
    assert result.seen.latencies_ms(Supply.ON) == [3_000] * 3


class FakeLateLossGauge(FakeBetweenGauge):
    """Lives on the supply, and its link stays for a moment longer: lost, back, lost."""

    def __init__(self, inner: Any, rig: ProveRig) -> None:
        super().__init__(inner, needs_supply=True)
        self._rig, self._off_ms = rig, -1

    async def read(self) -> Sample:
        sample = await super().read()
        now_ms = self._rig.clock.boot_ms()
        if sample.external_power is YES:
            self._off_ms = -1
            return sample
        if self._off_ms < 0:
            self._off_ms = now_ms
        if any("nobody refreshes" in line for line in self._rig.said) and (
            500 < now_ms - self._off_ms < 3_000
        ):
            status = BatteryStatus.CHARGING
            return replace(sample, external_power=YES, battery_status=status)
        raise gone()


def test_a_gauge_that_is_lost_late_shows_no_timer(tmp_path: Path) -> None:
    def declaring(relay: Any, rig: ProveRig) -> FakeBetweenRelay:
        return FakeBetweenRelay(relay, rig, dead_man_s=90.0, fails_on=True)

    rig = ProveRig(
        tmp_path,
        relay={"contact": NO_CONTACT},
        between_gauge=FakeLateLossGauge,
        between_relay=declaring,
    )
    result = rig.prove()
    assert result.verdict is Verdict.NOT_PROVEN
    assert result.seen.timer is Timer.FAILED
    assert rig.device.external_power


# --- relays that fail, wait or act late ---------------------------------------------------


def test_an_on_that_is_taken_at_the_second_try_is_proven(tmp_path: Path) -> None:
    async def fault(count: int, supply: Supply, act: Any) -> None:
        if count == 3:
            raise gone()
        await act(supply)

    rig = ProveRig(tmp_path, between_relay=faulty(fault))
    result = rig.prove()
    assert result.verdict is Verdict.PROVEN
    assert [supply for _, supply in rig.told][1:4] == [
        Supply.OFF,
        Supply.ON,
        Supply.ON,
    ]
    rig.sound()


def test_a_relay_that_is_lost_while_its_timer_is_tried(tmp_path: Path) -> None:
    """The timer brought the supply back, and nothing takes the on: no proof of it."""

    async def fault(count: int, supply: Supply, act: Any) -> None:
        if count > 4:
            raise gone()
        await act(supply)

    rig = ProveRig(
        tmp_path, relay={"dead_man_s": 60}, rounds=1, between_relay=faulty(fault)
    )
    result = rig.prove()
    assert result.seen.timer is Timer.RETURNED
    assert result.verdict is Verdict.NOT_PROVEN
    assert Finding.STILL_DARK in result.seen.findings
    rig.sound()


def test_how_long_the_relay_takes_to_report_is_no_latency(tmp_path: Path) -> None:
    class FakeSlowReport(FakeBetweenRelay):
        async def get(self) -> Supply | None:
            await asyncio.sleep(9.0)
            return await super().get()

    rig = ProveRig(
        tmp_path,
        between_relay=lambda relay, rig: FakeSlowReport(
            relay, rig, answers_within_s=17.0
        ),
    )
    result = rig.prove()
    assert result.verdict is Verdict.PROVEN
    latencies = result.seen.latencies_ms(Supply.OFF)
    assert latencies + result.seen.latencies_ms(Supply.ON) == [0] * 6


@pytest.mark.parametrize("cancels_s", [[12.0], [12.0, 13.0], [12.0, 14.5, 15.5]])
def test_a_run_that_is_cancelled_within_an_off(
    tmp_path: Path, cancels_s: list[float]
) -> None:
    """The off has acted, its answer is due; then it is cancelled, once or more."""

    async def fault(count: int, supply: Supply, act: Any) -> None:
        await act(supply)
        if count == 2:
            await asyncio.sleep(4.0)

    rig = ProveRig(tmp_path, between_relay=faulty(fault))

    async def life() -> None:
        work = asyncio.get_running_loop().create_task(rig.made(machine).run())
        for after_s in cancels_s:
            asyncio.get_running_loop().call_later(after_s, work.cancel)
        with pytest.raises(asyncio.CancelledError):
            await work

    machine = rig.machine()
    rig.living(machine, life)
    assert rig.device.external_power
    entries = rig.sound()
    asked = {e.id for e in entries if isinstance(e.row, IntentRow)}
    outcomes = [e.row for e in entries if isinstance(e.row, OutcomeRow)]
    assert {row.intent for row in outcomes} == asked
    assert len(rig.operator_rows()) == 2, "its result is written all the same"
    assert "unanswered" in {row.error for row in outcomes}


@pytest.mark.parametrize("late_s", [7.0, 12.5, 18.0, 24.0, 30.0])
def test_an_off_that_acts_late_is_followed_by_an_on(
    tmp_path: Path, late_s: float
) -> None:
    """A peer that works on although the call was given up, before or after an on."""

    offs_ms: list[int] = []

    async def fault(count: int, supply: Supply, act: Any) -> None:
        if supply is Supply.OFF:
            await asyncio.sleep(late_s)
            offs_ms.append(rig.clock.boot_ms())
        await act(supply)

    rig = ProveRig(tmp_path, between_relay=faulty(fault, answers_within_s=5.0))
    result = rig.prove()
    assert result.verdict is Verdict.NOT_PROVEN
    assert rig.device.external_power
    asked = [e.row for e in rig.sound() if isinstance(e.row, IntentRow)]
    assert asked[-1].supply == "on"
    assert all(at_ms <= asked[-1].boot_ms for at_ms in offs_ms)


def test_an_off_that_acts_after_the_result_is_followed_by_an_on(
    tmp_path: Path,
) -> None:
    """It lands while the result is written, and no row may come behind that."""
    acts = asyncio.Event()

    async def fault(count: int, supply: Supply, act: Any) -> None:
        if supply is Supply.OFF:
            await acts.wait()
        await act(supply)

    rig = ProveRig(tmp_path, between_relay=faulty(fault, answers_within_s=2.0))

    class FakeSlowLedger(Ledger):
        async def commit(self, limit_s: float = 10.0) -> bool:
            if self.is_over:
                acts.set()
                await asyncio.sleep(1.0)
            return await super().commit(limit_s)

    with mock.patch.object(commission, "Ledger", FakeSlowLedger):
        result = rig.prove()
    assert acts.is_set()
    assert result.verdict is Verdict.NOT_PROVEN
    assert rig.device.external_power
    rig.sound()


def test_opening_alone_may_move_the_contact(tmp_path: Path) -> None:
    """It moves as the link is opened, and then the link fails: the on is said."""

    class FakeJumpyRelay(FakeBetweenRelay):
        opened = 0

        async def open(self) -> None:
            await self.inner.open()
            self.opened += 1
            if self.opened == 1:
                await self.inner.set(Supply.OFF)
                raise gone()

    rig = ProveRig(
        tmp_path,
        between_relay=lambda relay, rig: FakeJumpyRelay(
            relay, rig, reopen_disturbs=True
        ),
    )
    result = rig.prove()
    assert result.verdict is Verdict.ABORTED
    assert rig.device.external_power
    assert result.seen.is_on


def test_a_log_that_fails_keeps_no_supply_away(tmp_path: Path) -> None:
    """A reversed relay: the way to on leads over a command off."""
    rig = ProveRig(tmp_path, relay={"wired": NO_CONTACT})

    def say(line: str) -> None:
        if line.startswith("Supply on, as the base"):
            for each in tmp_path.glob("cycles.db*"):
                each.rename(tmp_path / f"away-{each.name}")
            rig.log.mkdir()

    rig.say = say
    result = rig.prove()
    assert not result.recorded
    assert result.seen.is_reversed
    assert rig.device.external_power


def test_a_read_that_was_given_up_is_followed_by_a_close(tmp_path: Path) -> None:
    """Only a gauge that was closed is well defined after a cancelled call."""
    steps: list[str] = []

    class FakeHangingGauge(FakeBetweenGauge):
        async def open(self) -> None:
            steps.append("open")
            await super().open()

        async def close(self) -> None:
            steps.append("close")
            await super().close()

        async def read(self) -> Sample:
            steps.append("read")
            if len(steps) == 5:
                await asyncio.sleep(4.0)
            return await super().read()

    rig = ProveRig(tmp_path, between_gauge=lambda gauge, _: FakeHangingGauge(gauge))
    rig.prove(end_after_s=4.0)
    assert steps[:2] == ["open", "read"]
    given_up = 4
    assert steps[given_up : given_up + 4] == ["read", "close", "open", "read"]


# --- what a killed run knew ---------------------------------------------------------------


def test_a_polarity_that_nobody_was_told_of_is_found_again(tmp_path: Path) -> None:
    """Killed with the wiring found, before its result; the next run tells the core."""
    rig = ProveRig(tmp_path, relay={"wired": NO_CONTACT})

    class Killed(Exception):
        pass

    with (
        mock.patch.object(Commissioning, "_result", side_effect=Killed),
        pytest.raises(Killed),
    ):
        rig.prove()
    intents = [e.row for e in rig.entries() if isinstance(e.row, IntentRow)]
    assert intents[-1].swapped
    result = rig.prove()
    assert result.seen.is_reversed
    assert rig.device.external_power
    with Reader(rig.log) as reader:
        state = rebuild(reader, "guide")
    assert state is not None
    assert state.drive.swapped
