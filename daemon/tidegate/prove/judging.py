"""What one reading shows of the supply, and whether the run may go on with it.

The facts that count are the same as the daemon's (``core/verdict``), judged by other
code, so that one mistake is not made twice.
"""

from __future__ import annotations

from typing import Final

from tidegate.core.policy import Policy, Proof
from tidegate.core.reading import BatteryStatus, ExternalPower, Reading, Sample

# Room for the run itself, over the floor: to begin, and to go on.
BEGINS_OVER_FLOOR_PERCENT: Final = 10.0
GOES_ON_OVER_FLOOR_PERCENT: Final = 5.0
FELL_PERCENT: Final = 2.0
_FED: Final = (BatteryStatus.CHARGING, BatteryStatus.NOT_CHARGING, BatteryStatus.FULL)


def could_show_off(sample: Sample, policy: Policy) -> bool:
    """Return whether the fact that proves an off could change from here on."""
    if policy.proof is Proof.CHARGING:
        return sample.battery_status is BatteryStatus.CHARGING
    if sample.external_power is ExternalPower.UNKNOWN:
        by_its_loss = policy.gauge_needs_supply and policy.loss_is_proof
        return by_its_loss or sample.battery_status in _FED
    return sample.external_power is ExternalPower.YES


def shows_off(
    before: Sample, now: Sample, policy: Policy, *, is_fickle: bool = False
) -> bool:
    """Return whether the supply has left since ``before``.

    ``is_fickle``: status and charge change by themselves; external power alone tells.
    """
    if policy.proof is Proof.CHARGING:
        was_charging = before.battery_status is BatteryStatus.CHARGING
        stopped = now.battery_status not in (
            BatteryStatus.CHARGING,
            BatteryStatus.UNKNOWN,
        )
        # Where external power went, it was not the relay that ended the charging.
        return was_charging and stopped and now.external_power is not ExternalPower.NO
    if before.external_power is ExternalPower.NO:
        return False  # a supply that was not there cannot leave
    lost = (before.external_power, now.external_power) == (
        ExternalPower.YES,
        ExternalPower.NO,
    )
    if lost or (is_fickle and before.external_power is ExternalPower.YES):
        return lost
    drains = (
        before.battery_status in _FED
        and now.battery_status is BatteryStatus.DISCHARGING
    )
    return drains or _fell(before, now)


def _fell(before: Sample, now: Sample) -> bool:
    if before.soc_percent is None or now.soc_percent is None:
        return False
    return round(before.soc_percent - now.soc_percent, 2) >= FELL_PERCENT


def shows_on(now: Sample, policy: Policy, *, was_lost: bool = False) -> bool | None:
    """Return whether the supply is there, ``None`` where the gauge does not tell.

    ``was_lost``: the gauge lives on the supply and went with it, so its being back is
    an answer too.
    """
    if policy.proof is Proof.CHARGING:
        return now.battery_status is BatteryStatus.CHARGING
    if now.external_power is not ExternalPower.UNKNOWN:
        return now.external_power is ExternalPower.YES
    if was_lost or now.battery_status in _FED:
        return True
    return False if now.battery_status is BatteryStatus.DISCHARGING else None


def shows_back(
    now: Sample, off: Sample | None, policy: Policy, *, was_lost: bool = False
) -> bool | None:
    """Return whether the supply is there again; ``off`` is the sample that showed its
    leaving, ``None`` where there is none.

    A gauge may go on telling of external power while the battery drains. It must then
    tell of the return by what told of the leaving.
    """
    if off is None or shows_on(off, policy) is not True:
        return shows_on(now, policy, was_lost=was_lost)
    if off.battery_status is not BatteryStatus.DISCHARGING:
        return None
    return now.battery_status in _FED


def why_not_begin(reading: Reading, policy: Policy) -> str | None:
    """Return why this battery is not fit for a run, in words."""
    least_percent = policy.floor_percent + BEGINS_OVER_FLOOR_PERCENT
    if reading.soc_percent < least_percent:
        return (
            f"the charge is {reading.soc_percent:g} %, and a run begins at "
            f"{least_percent:g} % (the floor and {BEGINS_OVER_FLOOR_PERCENT:g}); "
            "let it charge first"
        )
    celsius = reading.sample.temperature_c
    if celsius is not None and celsius >= policy.hot_c:
        return (
            f"the battery has {celsius:.1f} °C, and the hot limit is "
            f"{policy.hot_c:g} °C; let it cool first"
        )
    return None


def why_not_go_on(reading: Reading, policy: Policy) -> str | None:
    """Return why a run that is under way must end now, in words."""
    least_percent = policy.floor_percent + GOES_ON_OVER_FLOOR_PERCENT
    if reading.soc_percent < least_percent:
        return f"the charge fell to {reading.soc_percent:g} %"
    celsius = reading.sample.temperature_c
    if celsius is not None and celsius >= policy.critical_c:
        return f"the battery reached {celsius:.1f} °C, which is critical"
    return None
