"""What a gauge makes of the truth: whole percent, lag, noise, freezes, wrong signs."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp
from random import Random

from tidegate.core.reading import ExternalPower, Sample
from tidegate.twin.device import Device
from tidegate.twin.world import What


@dataclass(frozen=True, slots=True, kw_only=True)
class Quirks:
    """How a twin's gauge differs from the truth.

    ``step_percent``: the charge is rounded to multiples of it, 0 for not at all.
    ``refresh_s``: the battery's figures are renewed at most so often.
    ``lag_s``: time constant with which the reported charge follows the true one.
    ``noise_percent``: standard deviation added to the charge before rounding.
    ``wrong_sign``: positive current is out of the battery.
    """

    step_percent: float = 1.0
    refresh_s: float = 0.0
    lag_s: float = 0.0
    noise_percent: float = 0.0
    wrong_sign: bool = False
    sign_trusted: bool = True
    design_ah: float | None = None


class Chip:
    """The gauge chip of one twin. Noise comes from its own seeded source."""

    def __init__(self, quirks: Quirks, *, seed: int) -> None:
        self._quirks = quirks
        self._random = Random(seed)
        self._followed_percent: float | None = None
        self._followed_at_ms = 0
        self._held: Sample | None = None
        self._held_at_ms = 0

    def sample(self, device: Device) -> Sample:
        """Return what the chip says now; supply and status are always fresh."""
        active = device.active
        if active and What.GAUGE_ABSENT in active:
            return Sample(present=False, external_power=_external_power(device))
        held, age_ms = self._held, device.at_ms - self._held_at_ms
        frozen = bool(active) and What.GAUGE_FROZEN in active
        if held is None or not (frozen or age_ms < self._quirks.refresh_s * 1000):
            self._held, self._held_at_ms = self._renewed(device), device.at_ms
            return self._held
        return replace(
            held,
            external_power=_external_power(device),
            battery_status=device.battery_status,
            uptime_s=device.uptime_s,
        )

    def _renewed(self, device: Device) -> Sample:
        quirks, cell = self._quirks, device.build.cell
        percent = self._claimed_percent(device)
        step = quirks.step_percent
        current_a = device.current_a
        return Sample(
            soc_percent=round(percent / step) * step if step else percent,
            battery_status=device.status_at(current_a),
            external_power=_external_power(device),
            voltage_v=cell.voltage_v(device.state, current_a),
            current_a=-current_a if quirks.wrong_sign else current_a,
            current_sign_trusted=quirks.sign_trusted,
            temperature_c=device.temperature_c,
            temperature_sensor="twin",
            charge_ah=percent / 100 * cell.capacity_ah,
            full_charge_ah=cell.capacity_ah,
            design_charge_ah=quirks.design_ah,
            health="good",
            pack="twin",
            uptime_s=device.uptime_s,
        )

    def _claimed_percent(self, device: Device) -> float:
        percent = self._follow(device)
        jump = device.active.get(What.GAUGE_JUMP)
        if jump is not None:
            percent += jump.amount
        if self._quirks.noise_percent:
            percent += self._random.gauss(0.0, self._quirks.noise_percent)
        return min(max(percent, 0.0), 100.0)

    def _follow(self, device: Device) -> float:
        true_percent, lag_s = device.true_soc_percent, self._quirks.lag_s
        if self._followed_percent is None or not lag_s:
            followed = true_percent
        else:
            passed_s = (device.at_ms - self._followed_at_ms) / 1000
            behind = self._followed_percent - true_percent
            followed = true_percent + behind * exp(-passed_s / lag_s)
        self._followed_percent, self._followed_at_ms = followed, device.at_ms
        return followed


def _external_power(device: Device) -> ExternalPower:
    return ExternalPower.YES if device.external_power else ExternalPower.NO
