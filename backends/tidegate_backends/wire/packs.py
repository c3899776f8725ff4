"""The packs of one device as one sample: a single one as it is, several weighed.

Pure functions on the packs that ``power_supply`` reads.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from tidegate.core.plausibility import is_over_full
from tidegate.core.reading import BatteryStatus, ExternalPower, Flag, Sample, WhyNot
from tidegate_backends.wire.power_supply import ALL_ONES, Pack, Source

# Two packs of one device are not this far apart in size; two units are.
_SIZE_FACTOR: Final = 200.0

# The kernel's words for health from bad to good; the worst of two packs is shown.
_BAD_HEALTH: Final = (
    "Dead",
    "Unspecified failure",
    "Over voltage",
    "Overheat",
    "Hot",
    "Over current",
)


class NotWeighable(ValueError):
    """A pack says neither charge nor energy, so it cannot be weighed into a sum."""

    def __init__(self, name: str) -> None:
        super().__init__(name)
        self.name = name


def sample_of(
    packs: Sequence[Pack],
    *,
    power: ExternalPower,
    sources: Mapping[str, Source],
    raw: str = "",
) -> Sample:
    """Return one sample of all packs of a device; several are weighed by energy.

    ``sources`` names, for each pack, where its state of charge is to come from.
    Raises ``NotWeighable`` if a sum is wanted and a pack has nothing to weigh.
    """
    if len(packs) == 1:
        return _single(
            packs[0], power=power, source=sources.get(packs[0].name), raw=raw
        )
    return _weighed(packs, power=power, raw=raw)


def _single(
    pack: Pack, *, power: ExternalPower, source: Source | None, raw: str
) -> Sample:
    percent, flags, claims = _charge_of(pack, source)
    return Sample(
        soc_percent=percent,
        battery_status=pack.status,
        external_power=power,
        present=pack.present,
        voltage_v=pack.voltage_v,
        current_a=pack.current_a,
        temperature_c=pack.temperature_c,
        temperature_sensor=None if pack.temperature_c is None else "battery",
        charge_ah=pack.charge_ah,
        full_charge_ah=pack.full_charge_ah,
        design_charge_ah=pack.design_charge_ah,
        cycle_count=pack.cycle_count,
        health=pack.health,
        pack=pack.identity,
        flags=flags | ({Flag.COARSE} if pack.is_coarse else frozenset()),
        claims=claims,
        raw=raw,
    )


def _charge_of(
    pack: Pack, source: Source | None
) -> tuple[float | None, frozenset[Flag], WhyNot | None]:
    """Return state of charge, flags and the verdict that the attributes themselves
    impose, if any.
    """
    none: frozenset[Flag] = frozenset()
    if source is Source.CAPACITY:
        percent = pack.capacity_percent
        if percent is None:
            return None, none, WhyNot.OUT_OF_RANGE  # the attribute is not a number
        if is_over_full(percent, pack.ratio):
            return 100.0, frozenset({Flag.OVER_FULL, Flag.CLAMPED}), None
        silent = pack.is_silent and percent in ALL_ONES
        return percent, none, WhyNot.ALL_ZERO if silent else None
    if source is None:
        return None, none, WhyNot.ALL_ZERO if pack.is_silent else WhyNot.LEVEL_ONLY
    now, full = (
        (pack.charge_ah, pack.full_charge_ah)
        if source is Source.CHARGE
        else (pack.energy_wh, pack.full_energy_wh)
    )
    if now is None or not full or full < 0:
        return None, none, WhyNot.ALL_ZERO  # a full pack that holds nothing
    # The core clamps this one: a computed charge is its own ratio.
    return 100.0 * now / full, frozenset({Flag.COMPUTED}), None


def _weighed(packs: Sequence[Pack], *, power: ExternalPower, raw: str) -> Sample:
    weights = [_energy(pack) for pack in packs]
    fulls = [full for _, full in weights]
    percent, claims = None, None
    if any(full <= 0 for full in fulls):
        claims = WhyNot.ALL_ZERO
    elif max(fulls) > _SIZE_FACTOR * min(fulls):
        claims = WhyNot.UNIT_MISMATCH
    else:
        percent = 100.0 * sum(now for now, _ in weights) / sum(fulls)
    warmest = [p.temperature_c for p in packs if p.temperature_c is not None]
    coarse = any(pack.is_coarse for pack in packs)
    return Sample(
        soc_percent=percent,
        battery_status=_common_status([pack.status for pack in packs]),
        external_power=power,
        temperature_c=max(warmest, default=None),
        temperature_sensor="warmest battery" if warmest else None,
        health=_common_health([pack.health for pack in packs]),
        pack=" + ".join(p.identity for p in packs if p.identity) or None,
        flags=frozenset({Flag.COMPUTED} | ({Flag.COARSE} if coarse else set())),
        claims=claims,
        raw=raw,
    )


def _energy(pack: Pack) -> tuple[float, float]:
    """Return energy now and full, as weights of one device's packs."""
    now, full = pack.energy_wh, pack.full_energy_wh
    if full is None:
        volts = pack.design_voltage_v or pack.voltage_v
        if volts is None or pack.full_charge_ah is None:
            raise NotWeighable(pack.name)
        full = pack.full_charge_ah * volts
        now = None if pack.charge_ah is None else pack.charge_ah * volts
    if now is None:
        if pack.capacity_percent is None:
            raise NotWeighable(pack.name)
        now = full * pack.capacity_percent / 100.0
    return now, full


def _common_status(statuses: Sequence[BatteryStatus]) -> BatteryStatus:
    """Return what a device with several packs does: packs work one at a time, and
    the idle ones say unknown or not charging.
    """
    found = set(statuses)
    working = found & {BatteryStatus.CHARGING, BatteryStatus.DISCHARGING}
    if len(working) == 1:
        return working.pop()
    if working:
        return BatteryStatus.UNKNOWN
    if found == {BatteryStatus.FULL}:
        return BatteryStatus.FULL
    if BatteryStatus.NOT_CHARGING in found:
        return BatteryStatus.NOT_CHARGING
    return BatteryStatus.UNKNOWN


def _common_health(words: Sequence[str | None]) -> str | None:
    """Return the worst word; no word at all only if no pack has one."""
    given = [word for word in words if word]
    for bad in _BAD_HEALTH:
        if bad in given:
            return bad
    return next((word for word in given if word != "Good"), given[0] if given else None)
