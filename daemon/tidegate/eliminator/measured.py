"""The load as a log tells it: what the battery gave while it fed the device alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from tidegate.eliminator.regulator import Load
from tidegate.history.series import Series

LONG_SHARE: Final = 0.95
# A design rests on more than a moment (a choice).
LEAST_HOURS: Final = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """``load`` is not passed for 95 % of the time on battery, ``peak`` is the most
    that was read. ``hours`` is that time, ``step_s`` from one read to the next.
    ``supply_is_told``: the supply was off at each of them, and not merely not known.
    """

    load: Load
    peak: Load
    hours: float
    step_s: float
    supply_is_told: bool

    def sentence(self) -> str:
        """Return what it rests on, and what it cannot show."""
        said = (
            f"Load and peak are from {self.hours:.1f} h on battery alone in the log: "
            "what was not passed for 95 % of that time, and the most that was read. A "
            f"log with {self.step_s:g} s from read to read does not show peaks of ms, "
            "so the true peak is higher: measure it, and say --peak."
        )
        if not self.supply_is_told:
            said += (
                " Whether the supply was off is not in it everywhere: where a weak "
                "supply helped, the device draws more than that."
            )
        if self.hours < LEAST_HOURS:
            said += " That is too short a time to rest a design on."
        return said


def measured(series: Series) -> Measured | None:
    """Return the load, as power where voltages were read, else as current.

    ``None`` where no current of a trusted sign flowed out of the battery while the
    supply was not on.
    """
    if not series.sign_is_trusted:
        return None
    supply_is_told = True
    taken: list[tuple[float, float, float | None]] = []
    for stretch in series.stretches():
        ends_ms = [after.at_ms for after in stretch[1:]]
        ends_ms.append(stretch[-1].at_ms + round(1000 * series.step_s))
        for point, end_ms in zip(stretch, ends_ms, strict=True):
            current_a = point.current_a
            if current_a is None or current_a >= 0 or point.is_fed is True:
                continue
            supply_is_told &= point.is_fed is False
            lasts_s = max((end_ms - point.at_ms) / 1000, 0.0)
            taken.append((lasts_s, -current_a, point.voltage_v))
    if not taken:
        return None
    is_power = all(volt is not None for _, _, volt in taken)
    values = sorted(
        (ampere * volt if is_power and volt is not None else ampere, lasts_s)
        for lasts_s, ampere, volt in taken
    )
    all_s = sum(lasts_s for _, lasts_s in values)
    return Measured(
        load=_load(_not_passed(values, all_s), is_power=is_power),
        peak=_load(values[-1][0], is_power=is_power),
        hours=all_s / 3600,
        step_s=series.step_s,
        supply_is_told=supply_is_told,
    )


def _load(value: float, *, is_power: bool) -> Load:
    return Load(power_w=value) if is_power else Load(current_a=value)


def _not_passed(values: list[tuple[float, float]], all_s: float) -> float:
    """Return the least value that is not passed for 95 % of the time."""
    passed_s = 0.0
    for value, lasts_s in values:
        passed_s += lasts_s
        if passed_s >= LONG_SHARE * all_s:
            return value
    return values[-1][0]
