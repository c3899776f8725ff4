"""The operator's tables: keys, defaults, ranges and what must fit together.

A field carries its unit; the key in the file is its alias. Times are milliseconds
once read. Defaults are engineering choices without a source, but for hot, critical
and cold, which follow the JEITA bands (see ``tidegate.core.policy``).
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Generic, Literal, Self, TypeVar

from pydantic import (
    Field,
    PlainValidator,
    SerializeAsAny,
    WithJsonSchema,
    field_validator,
    model_validator,
)

from tidegate.contract import BackendSettings, GaugeSettings, RelaySettings
from tidegate.core.policy import DAY_MS, HOUR_MS, MINUTE_MS, MS, Marks
from tidegate.errors import SettingsError
from tidegate.registry import GAUGES, RELAYS, Kinds
from tidegate.settings.durations import Between
from tidegate.settings.problems import problem, shown
from tidegate.settings.table import (
    ABOVE_FLOOR_PERCENT,
    HIGHEST_PERCENT,
    LEAST_WIDTH_PERCENT,
)
from tidegate.settings.table import Table as Table
from tidegate.settings.table_plans import Relearn, Rise

B = TypeVar("B", bound=BackendSettings)


class LogSettings(Table):
    """`[log]`: where the cycle log lives."""

    path: Annotated[Path, Field(strict=False)] = Field(
        default=Path("/var/lib/tidegate/cycles.db"),
        description="the file of the cycle log",
    )

    @field_validator("path")
    @classmethod
    def _is_no_home(cls, value: Path) -> Path:
        # A shell would put a home there; a file of settings means a folder named "~".
        if value.parts[:1] and value.parts[0].startswith("~"):
            raise problem(
                f"found {shown(str(value))}, allowed is a path without ~, such as "
                '"/var/lib/tidegate/cycles.db"'
            )
        return value


class Window(Table):
    """The charge window: two marks, or one level to hold."""

    low_percent: float | None = Field(
        default=None, alias="low", ge=0, description="supply on at or under, in percent"
    )
    high_percent: float | None = Field(
        default=None,
        alias="high",
        le=HIGHEST_PERCENT,
        description="supply off at or over, in percent",
    )
    hold_percent: float | None = Field(
        default=None,
        alias="hold",
        le=HIGHEST_PERCENT,
        description="keep this level without cycling, with a relay that can",
    )

    @model_validator(mode="after")
    def _marks_are_in_order(self) -> Self:
        low, high = self.low_percent, self.high_percent
        if self.hold_percent is not None:
            if low is not None or high is not None:
                raise problem(
                    "found hold together with low or high, allowed is "
                    "either low and high or hold alone"
                )
        elif low is None or high is None:
            raise problem(
                f"found low = {_or_nothing(low)} and high = {_or_nothing(high)}, "
                "allowed is both of them, or hold alone"
            )
        elif low + LEAST_WIDTH_PERCENT > high:
            raise problem(
                f"found low = {low:g} and high = {high:g}, allowed is a high mark "
                f"from low + {LEAST_WIDTH_PERCENT:g} to {HIGHEST_PERCENT:g}"
            )
        return self

    @property
    def marks(self) -> Marks:
        """The two marks; under a hold its level and 2 points below."""
        if self.hold_percent is not None:
            low, high = self.hold_percent - LEAST_WIDTH_PERCENT, self.hold_percent
        else:
            assert self.low_percent is not None
            assert self.high_percent is not None
            low, high = self.low_percent, self.high_percent
        return Marks(low_percent=low, high_percent=high)


class Dwell(Table):
    """The shortest time the supply stays as it is between ordinary switchings."""

    on_ms: Annotated[int, Between("5s", "24h")] = Field(
        default=3 * MINUTE_MS, alias="on", description="shortest time on"
    )
    off_ms: Annotated[int, Between("5s", "24h")] = Field(
        default=3 * MINUTE_MS, alias="off", description="shortest time off"
    )


class Limits(Table):
    """What the supply obeys whatever the marks say."""

    floor_percent: float = Field(
        default=25.0, alias="floor", ge=1, description="supply on at or under, at once"
    )
    hot_celsius: float = Field(
        default=45.0, ge=20, le=60, description="no charging at or above"
    )
    critical_celsius: float = Field(
        default=60.0, ge=40, le=80, description="supply off at or above, at any level"
    )
    cold_celsius: float = Field(
        default=0.0, ge=-30, le=20, description="no charging at or under"
    )

    @model_validator(mode="after")
    def _bands_are_in_order(self) -> Self:
        if not self.cold_celsius < self.hot_celsius < self.critical_celsius:
            raise problem(
                f"found cold_celsius = {self.cold_celsius:g}, "
                f"hot_celsius = {self.hot_celsius:g} and "
                f"critical_celsius = {self.critical_celsius:g}, "
                "allowed is cold below hot below critical"
            )
        return self


class Battery(Table):
    """What is known of the battery beforehand."""

    fitted: bool = Field(default=True, description="false: a battery eliminator")
    chemistry: Literal["unknown", "lco", "nmc", "nca", "lmo", "lfp"] = Field(
        default="unknown", description="cathode, if it is known"
    )
    design_ah: float | None = Field(
        default=None, gt=0, le=1000, description="charge of the pack when new, in Ah"
    )


class Budget(Table):
    """The most ordinary switchings that the relay is asked for."""

    per_hour: int = Field(default=6, ge=2, le=720, description="switchings an hour")
    per_day: int = Field(default=48, ge=2, le=17280, description="switchings a day")


class _BackendTable(Generic[B]):
    """Validates a gauge or relay table with the model that its kind brings."""

    def __init__(self, kinds: Kinds[Any], base: type[B]) -> None:
        self._kinds = kinds
        self._base = base

    def __call__(self, value: object) -> B:
        if isinstance(value, self._base):
            return value
        role = self._kinds.role
        if not isinstance(value, dict):
            raise problem(
                f"found {shown(value)}, allowed is a table such as {{ kind = ... }}"
            )
        kind = value.get("kind")
        if not isinstance(kind, str):
            found = "nothing" if kind is None else shown(kind)
            raise problem(
                f"found {found}, allowed is the name of a {role} in quotes",
                at=("kind",),
            )
        try:
            model = self._kinds.find(kind).settings
        except SettingsError as error:
            raise problem(str(error), at=("kind",)) from error
        validated = model.model_validate(value)
        assert isinstance(validated, self._base)
        return validated


GaugeTable = Annotated[
    SerializeAsAny[GaugeSettings],
    PlainValidator(_BackendTable(GAUGES, GaugeSettings)),
    WithJsonSchema({"type": "object"}),
]
RelayTable = Annotated[
    SerializeAsAny[RelaySettings],
    PlainValidator(_BackendTable(RELAYS, RelaySettings)),
    WithJsonSchema({"type": "object"}),
]


class StationSettings(Table):
    """`[station.NAME]`: one device and its supply."""

    gauge: GaugeTable = Field(description="what reads the battery")
    relay: RelayTable | None = Field(
        default=None, description="what opens and closes the supply"
    )
    window: Window | None = Field(default=None, description="where charge is kept")
    dwell: Dwell = Dwell()
    limits: Limits = Limits()
    battery: Battery = Battery()
    budget: Budget = Budget()
    poll_ms: Annotated[int, Between("1s", "2min")] = Field(
        default=30 * MS, alias="poll", description="time between two readings"
    )
    stale_after_ms: Annotated[int, Between("5s", "1h")] = Field(
        default=3 * MINUTE_MS,
        alias="stale_after",
        description="without a trusted reading for so long the supply goes on",
    )
    settle_ms: Annotated[int, Between("1s", "30min")] | None = Field(
        default=None,
        alias="settle",
        description="how long a switching takes to show at the gauge; not set: 60s, "
        "or the latencies of relay and gauge and one poll if that is more",
    )
    heat_hold_ms: Annotated[int, Between("1min", "12h")] = Field(
        default=30 * MINUTE_MS,
        alias="heat_hold",
        description="off for critical heat ends so long after the last temperature",
    )
    max_off_ms: Annotated[int, Between("5min", "24h")] = Field(
        default=2 * HOUR_MS,
        alias="max_off",
        description="longest off while the gauge cannot be read for it",
    )
    lockout_for_ms: Annotated[int, Between("1h", "365d")] = Field(
        default=30 * DAY_MS,
        alias="lockout_for",
        description="no offs for so long once the supply proved the only source",
    )
    rise: Annotated[tuple[Rise, ...], Field(strict=False)] = Field(
        default=(),
        description="times at which the battery shall be fuller than the window",
    )
    relearn: Relearn | None = Field(
        default=None,
        description="a rare wide excursion, so that the gauge learns its full charge "
        "anew and capacity can be measured",
    )

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.relay is not None and self.window is None:
            raise problem(
                "found a relay without a window, allowed is both, "
                "or neither for a station that only measures"
            )
        if self.window is None:
            self._check_no_plans()
            return self
        if self.relay is None:
            raise problem(
                "found a window without a relay, allowed is both, "
                "or neither for a station that only measures"
            )
        self._check_window(self.window, self.relay)
        self._check_plans(self.window)
        return self

    def _check_no_plans(self) -> None:
        for key in ("rise", "relearn"):
            if getattr(self, key):
                raise problem(
                    f"found {key} without a relay and a window, allowed is all of "
                    "them, or none for a station that only measures",
                    at=(key,),
                )

    def _check_plans(self, window: Window) -> None:
        for number, rise in enumerate(self.rise):
            rise.check(window.marks, at=("rise", str(number)))
        if self.relearn is None:
            return
        if self.relay_can_hold:
            assert self.relay is not None
            raise problem(
                f'found relearn with relay kind "{self.relay.kind}", which only stops '
                "charging and so cannot lower a level, allowed is a contact",
                at=("relearn",),
            )
        self.relearn.check(
            floor_percent=self.limits.floor_percent,
            dwell_off_ms=self.dwell.off_ms,
            at=("relearn",),
        )

    @property
    def has_plans(self) -> bool:
        """Whether there are times at which the window is another one."""
        return bool(self.rise) or self.relearn is not None

    def _check_window(self, window: Window, relay: RelaySettings) -> None:
        floor, low = self.limits.floor_percent, window.marks.low_percent
        if floor + ABOVE_FLOOR_PERCENT > low:
            mark = "hold - 2" if window.hold_percent is not None else "low"
            raise problem(
                f"found floor = {floor:g} and {mark} = {low:g}, "
                f"allowed is a floor at least {ABOVE_FLOOR_PERCENT:g} under {mark}",
                at=("window",),
            )
        if window.hold_percent is not None and not self.relay_can_hold:
            raise problem(
                f'found hold with relay kind "{relay.kind}", which can only switch, '
                "allowed is low and high",
                at=("window", "hold"),
            )

    @property
    def controls(self) -> bool:
        """Whether the station switches; else it only measures."""
        return self.relay is not None

    @property
    def relay_can_hold(self) -> bool:
        """Whether the relay keeps a level by itself; a plain contact cannot."""
        return bool(getattr(type(self.relay), "can_hold", False))


def _or_nothing(value: float | None) -> str:
    return "nothing" if value is None else f"{value:g}"
