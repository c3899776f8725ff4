"""What a log says of a device, as far as a triage rests on it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from tidegate.audit.result import Measured, Soc, Switchings, Temperature
from tidegate.core.policy import Marks
from tidegate.triage.discharging import Autonomy, Collapse
from tidegate.triage.limits import SENSOR_C, STOP_C, WARM_C, Number
from tidegate.triage.trend import Trend

_HOUR_S = 3600.0
# The battery is full where a charger ends; the last bin of 5 points, a choice.
FULL_PERCENT = 95.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """The evidence of one log. Times are UTC ms; what the log cannot tell is ``None``.

    ``is_log``: a cycle log, else a CSV, which has neither switchings nor alarms.
    ``is_calendar``: the times are those of a calendar. ``unseen_s`` is how much of the
    span nobody looked, ``heat_s`` for how long a temperature is known. ``standing`` and
    ``ever`` are codes of alarms at the end and at any time, ``alarmed_ms`` when each
    last stood. ``last_c`` is the last temperature, ``stopped_ms`` when it was last at
    or above 60 °C. ``chemistry`` is declared.
    """

    path: Path
    is_log: bool
    is_calendar: bool
    from_ms: int
    until_ms: int
    covered_s: float
    unseen_s: float
    soc: Soc
    temperature: Temperature
    measured: Measured
    trend: Trend | None = None
    why_no_trend: str = ""
    autonomy: Autonomy | None = None
    collapses: tuple[Collapse, ...] = ()
    switchings: Switchings | None = None
    standing: tuple[str, ...] = ()
    ever: tuple[str, ...] = ()
    alarmed_ms: tuple[tuple[str, int], ...] = ()
    last_c: float | None = None
    stopped_ms: int | None = None
    marks: Marks | None = None
    floor_percent: float = 25.0
    fitted: bool = True
    chemistry: str = "unknown"

    @property
    def high_share(self) -> Number | None:
        """The share of the span above 80 %; what nobody saw may be all or none of it."""
        if self.covered_s <= 0:
            return None
        high_s = min(_HOUR_S * self.soc.hours_above_80_percent, self.covered_s)
        span_s = self.covered_s + self.unseen_s
        return Number(
            value=high_s / self.covered_s,
            low=high_s / span_s,
            high=(high_s + self.unseen_s) / span_s,
        )

    def last_ms(self, alarm: str) -> int:
        """Return when an alarm last stood, at worst at the end of the log."""
        return dict(self.alarmed_ms).get(alarm, self.until_ms)

    @property
    def ends_hot(self) -> bool:
        """Whether the last temperature is one at which no charger may charge."""
        return self.last_c is not None and self.last_c >= STOP_C

    @property
    def heat_s(self) -> float:
        """For how long the temperature is known."""
        return sum(each.seconds for each in self.temperature.histogram)

    @property
    def warm_share(self) -> Number | None:
        """The share of the time with a temperature at or above 45 °C.

        Its bounds are those of a sensor that is 5 °C off either way.
        """
        if self.heat_s <= 0:
            return None
        return Number(
            value=_HOUR_S * self.temperature.hours_above_45_c / self.heat_s,
            low=self._from(WARM_C + SENSOR_C) / self.heat_s,
            high=self._from(WARM_C - SENSOR_C) / self.heat_s,
        )

    @property
    def full_hours(self) -> float:
        """Hours at or above 95 %."""
        return (
            sum(each.seconds for each in self.soc.histogram if each.low >= FULL_PERCENT)
            / _HOUR_S
        )

    def _from(self, celsius: float) -> float:
        return sum(
            each.seconds for each in self.temperature.histogram if each.low >= celsius
        )
