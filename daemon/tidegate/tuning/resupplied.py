"""The same device at another supply."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from tidegate.errors import LogUnreadable
from tidegate.tuning.device import Device, Rate, delayed_percent

# A converter to a lower voltage puts more current into the cell than it takes from the
# supply; how much more is from memory, common practice, no source.
SWITCHING_CHARGER: Final = (
    "an ampere at the supply was counted as an ampere at the cell, as with a linear "
    "charger; a switching one gives up to about a fifth more"
)


def resupplied(device: Device, supply_a: float) -> Device:
    """Return it with a supply of at most so many amperes.

    Net charge is the smaller of what the charger takes and what the supply leaves
    beside the load. Near full the charger takes what it took before, so that a weaker
    supply is slowed down less and later, or not at all.
    Errors: LogUnreadable without a capacity to count amperes by.
    """
    if device.capacity is None:
        raise LogUnreadable(
            "nothing tells the capacity, so amperes of a supply mean no points an hour",
            remedy="Give battery.design_ah in the settings, in Ah.",
        )
    supply = 100 * supply_a / device.capacity.ah
    rise = tuple(_net(device, hour, supply=supply) for hour in range(len(device.rise)))
    mean = sum(each.percent_per_h for each in rise) / len(rise)
    rise_mean = replace(device.rise_mean, percent_per_h=mean)
    unexplained = device.unexplained_percent
    return replace(
        device,
        rise=rise,
        rise_mean=rise_mean,
        supply_percent_per_h=supply,
        slowing=_slowing(device, rise),
        swing_extra_percent=unexplained
        - device.step_percent
        + delayed_percent(device, rise_mean),
    )


def beyond_of(device: Device, supply_a: float) -> tuple[str, ...]:
    """Return what of another supply the log has not shown."""
    assert device.capacity is not None
    found = [SWITCHING_CHARGER]
    supply = 100 * supply_a / device.capacity.ah
    if device.charger_percent_per_h is None and supply > _shown(device):
        found.append(
            "the log never showed what the charger takes at most, only what the supply "
            "there left it; a stronger one was taken to bring no more than that"
        )
    if device.slowing and _charging(resupplied(device, supply_a).rise) > _charging(
        device.rise
    ):
        found.append(
            f"charging slows down from {min(device.slowing):g} % with the supply there; "
            "with a stronger one it slows down sooner, and from where was not seen"
        )
    return tuple(found)


def _net(device: Device, hour: int, *, supply: float) -> Rate:
    now, load = device.rise[hour], device.load[hour]
    left = supply - load.percent_per_h
    # What it rises now is all that is known where no limit of the charger showed.
    most = device.charger_percent_per_h
    if most is None:
        most = max(each.percent_per_h for each in device.rise)
    if left >= most:
        return replace(now, percent_per_h=most)
    return Rate(percent_per_h=left, sigma=load.sigma, hours=load.hours)


def _slowing(device: Device, rise: Sequence[Rate]) -> dict[float, float]:
    """Return which share of another net charge is left by level.

    The share that was seen is one of the net charge that there was, in the mean of the
    hours that charge; what the charger takes at a level is the product of the two.
    """
    was, now = _charging(device.rise), _charging(rise)
    if not now:
        return dict(device.slowing)
    return {
        level: min(1.0, share * was / now) for level, share in device.slowing.items()
    }


def _charging(rise: Sequence[Rate]) -> float:
    rising = [each.percent_per_h for each in rise if each.percent_per_h > 0]
    return sum(rising) / len(rising) if rising else 0.0


def _shown(device: Device) -> float:
    return max(
        rise.percent_per_h + load.percent_per_h
        for rise, load in zip(device.rise, device.load, strict=True)
    )
