"""The inline tables of a twin in the operator's file, and what is built from them."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Literal, Self

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    ConfigDict,
    Field,
    FiniteFloat,
    NonNegativeFloat,
    PositiveFloat,
    model_validator,
)

from tidegate.contract import GaugeSettings
from tidegate.twin.cell import AI2020_LCO, Cell
from tidegate.twin.charger import Charger
from tidegate.twin.device import Build
from tidegate.twin.heat import Heat
from tidegate.twin.profile import DAY_HOURS, HOUR_MS, WEEK_HOURS, Profile
from tidegate.twin.quirks import Quirks
from tidegate.twin.world import Event, What, World


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class CellTable(_Table):
    """A cell, or cells in parallel: capacity and the equivalent circuit."""

    capacity_ah: PositiveFloat = 7.0
    r0_ohm: PositiveFloat = 0.05
    r1_ohm: PositiveFloat = 0.03
    c1_f: PositiveFloat = 1000.0


class ChargerTable(_Table):
    """The device's own charger and the supply that it shares with the load."""

    charge_a: PositiveFloat = 2.0
    full_v: float = Field(default=4.2, gt=3.0, le=AI2020_LCO.volts(1.0))
    end_a: PositiveFloat = 0.2
    supply_a: PositiveFloat = 2.0
    again_below_v: PositiveFloat = 0.1


class HeatTable(_Table):
    """Thermal resistance and capacity of the battery in its housing."""

    resistance_k_per_w: PositiveFloat = 4.0
    capacity_j_per_k: PositiveFloat = 200.0
    load_share: float = Field(default=0.5, ge=0, le=1)


class QuirksTable(_Table):
    """How the gauge differs from the truth; see ``tidegate.twin.quirks``."""

    step_percent: NonNegativeFloat = 1.0
    refresh_s: NonNegativeFloat = 0.0
    lag_s: NonNegativeFloat = 0.0
    noise_percent: NonNegativeFloat = 0.0
    wrong_sign: bool = False
    sign_trusted: bool = True


class EventTable(_Table):
    """Something that happens ``after_h`` hours from the start, for ``for_h`` hours."""

    what: What
    after_h: NonNegativeFloat
    for_h: NonNegativeFloat = 0.0
    amount: FiniteFloat = 0.0

    @model_validator(mode="after")
    def _lasts(self) -> Self:
        if not self.for_h and self.what is not What.RELAY_RESET:
            raise ValueError(f"{self.what} needs for_h, how many hours it lasts")
        return self


def _hours(values: tuple[float, ...]) -> tuple[float, ...]:
    if len(values) not in (DAY_HOURS, WEEK_HOURS):
        raise ValueError(
            f"{len(values)} values found; allowed: one number, {DAY_HOURS} (a day)"
            f" or {WEEK_HOURS} (a week from Monday, 0:00)"
        )
    return values


_Hours = Annotated[tuple[FiniteFloat, ...], AfterValidator(_hours)]
_LoadHours = Annotated[tuple[NonNegativeFloat, ...], AfterValidator(_hours)]


class TwinGaugeSettings(GaugeSettings):
    """The gauge of a twin; its table also holds the twin itself.

    ``device`` names the twin, by default the station. The twin's calendar shows
    ``starts_at`` when the gauge is first opened. ``needs_supply``: the gauge cannot
    be read while the supply is off, nor for ``reconnect_s`` after it is back.
    """

    kind: Literal["twin"] = "twin"
    device: str | None = Field(default=None, min_length=1)
    seed: int = 0
    starts_at: AwareDatetime = datetime(2025, 6, 2, tzinfo=UTC)
    utc_offset_h: float = Field(default=0.0, ge=-12, le=14)
    soc_percent: float = Field(default=60.0, gt=0, le=100)
    load_a: NonNegativeFloat | _LoadHours = 0.5
    around_c: FiniteFloat | _Hours = 25.0
    boot_s: PositiveFloat = 60.0
    design_ah: PositiveFloat | None = None
    cell: CellTable = CellTable()
    charger: ChargerTable = ChargerTable()
    heat: HeatTable = HeatTable()
    quirks: QuirksTable = QuirksTable()
    events: tuple[EventTable, ...] = ()
    needs_supply: bool = False
    reconnect_s: NonNegativeFloat = 0.0
    host_is_device: bool = False

    def build(self) -> Build:
        """Return the twin's constants."""
        return Build(
            cell=Cell(**self.cell.model_dump()),
            charger=Charger(**self.charger.model_dump()),
            heat=Heat(**self.heat.model_dump()),
            load_a=self._profile(self.load_a),
            around_c=self._profile(self.around_c),
            soc_percent=self.soc_percent,
            boot_s=self.boot_s,
        )

    def world(self, boot_ms: int) -> World:
        """Return the twin's calendar, begun at this boot-clock time."""
        start_ms = round(self.starts_at.timestamp() * 1000)
        return World(
            start_wall_ms=start_ms,
            start_boot_ms=boot_ms,
            events=tuple(_event(table, start_ms) for table in self.events),
        )

    def chip_quirks(self) -> Quirks:
        """Return how the gauge differs from the truth."""
        return Quirks(**self.quirks.model_dump(), design_ah=self.design_ah)

    def _profile(self, value: float | tuple[float, ...]) -> Profile:
        values = value if isinstance(value, tuple) else (value,)
        return Profile(values, self.utc_offset_h)


def _event(table: EventTable, start_ms: int) -> Event:
    return Event(
        what=table.what,
        from_wall_ms=start_ms + round(table.after_h * HOUR_MS),
        for_ms=round(table.for_h * HOUR_MS),
        amount=table.amount,
    )
