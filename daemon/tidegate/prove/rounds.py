"""The run itself: a first look, on as the base, then off, effect, on, effect.

Each step waits at most ``settle`` for its effect (and a minute more for a gauge that
comes back with the supply), and sees that it stays. The first one that shows none ends
the run.
"""

from __future__ import annotations

from tidegate.core.policy import MS
from tidegate.core.reading import Sample
from tidegate.errors import Unavailable
from tidegate.prove.ending import Ended
from tidegate.prove.findings import Finding
from tidegate.prove.judging import why_not_begin
from tidegate.prove.looks import Looks
from tidegate.prove.offs import Offs
from tidegate.prove.ons import Ons
from tidegate.prove.result import Verdict


class Rounds:
    """Takes a device through its rounds. Every method may raise Ended."""

    def __init__(self, looks: Looks) -> None:
        self._looks = looks
        self._device = looks.device
        self._ons = Ons(looks)
        self._offs = Offs(looks)

    async def first_look(self) -> None:
        """Read the gauge; refuse a battery that is not fit for a run.

        Errors: BackendError when there is nothing to read.
        """
        device, looks = self._device, self._looks
        reading = await looks.tried()
        if reading is None and device.gauge.facts.needs_supply:
            reading = await self._ons.turn_on_for_gauge()
        if reading is None:
            raise device.last_error or Unavailable(
                "the gauge brought nothing", target="gauge"
            )
        if not reading.trusted:
            raise Ended(
                Verdict.REFUSED,
                f"the reading is not trusted ({reading.why_not}); "
                "`tidegate read` shows it",
            )
        device.say(f"The gauge says: {_said(reading.sample)}.")
        device.seen.began_percent = reading.soc_percent
        if reading.sample.temperature_c is None:
            device.seen.find(Finding.HEAT_UNGUARDED)
        why_not = why_not_begin(reading, device.policy)
        if why_not is not None:
            raise Ended(Verdict.REFUSED, why_not)

    async def base(self) -> None:
        """Command on, and see that there is a supply."""
        settle_s = self._device.policy.settle_ms / MS
        self._device.say(f"Supply on, as the base; looking on for {settle_s:g} s.")
        await self._ons.turn_on(0)

    async def take(self, times: int) -> None:
        """Take so many rounds, each of them off, effect, on, effect."""
        for number in range(1, times + 1):
            self._device.say(f"Round {number} of {times}.")
            await self._offs.turn_off(number)
            await self._ons.turn_on(number)

    @property
    def offs(self) -> Offs:
        """The off side, for whoever needs one more."""
        return self._offs


def _said(sample: Sample) -> str:
    power = {"yes": "on", "no": "off"}.get(sample.external_power, "unknown")
    status = sample.battery_status.replace("_", " ")
    heat = "" if sample.temperature_c is None else f", {sample.temperature_c:.1f} °C"
    return f"{sample.soc_percent:g} %, {status}, external power {power}{heat}"
