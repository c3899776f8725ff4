"""What the models say of a year and of years at its pace, for many duties at once.

The same numbers as ``wear.account.account`` gives for ``duty.times(years)``. Terms add
up, so the state after three years is three times that of one; and the pace at rest of
each level and temperature is looked up once for all duties of one site. Levels are
whole percents here and temperatures whole °C: half a point and half a degree move a
loss by 3 % and 5 % of it where all of the time lies at one place (6 % for the level
where an anode's curve bends), and by far less where it is spread, as rounding goes
both ways.

Float and hold rest at the temperatures of a battery that is fed and neither charged nor
used, the same for every candidate, so that a hold costs the same wherever it is told.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from operator import mul
from typing import Final

from tidegate.tuning.outcome import YEARS
from tidegate.tuning.stays import LEVELS, Stays
from tidegate.wear.account import FLOAT_PERCENT, UNKNOWN, Account, ModelLoss, account
from tidegate.wear.duty import YEAR_DAYS, Duty
from tidegate.wear.model import Model, State
from tidegate.wear.models import MODELS

# A time too short to lie beyond any test.
_MOMENT: Final = 1e-6


class Losses:
    """The models over one site's temperatures.

    ``resting`` has the place in ``heats`` by hour of the week of what is held or in
    float. ``is_warm_known``: they were measured; else they are a guess, and an account
    tells none.
    """

    def __init__(
        self,
        heats: Sequence[float],
        *,
        resting: Sequence[int],
        chemistry: str = UNKNOWN,
        is_warm_known: bool = True,
        models: Iterable[Model] | None = None,
    ) -> None:
        self._heats = heats
        self._chemistry = chemistry
        self._is_warm_known = is_warm_known
        asked = MODELS.values() if models is None else models
        self._views = [_View(each, _Rest(heats, resting), chemistry) for each in asked]

    def accounts(
        self, stays: Stays, *, factor: float, hold_percent: float
    ) -> Mapping[int, Account]:
        """Return by year what each model says; ``factor`` makes a year of the stays.

        ``hold_percent`` is the level of the hold beside it.
        """
        duty = stays.duty(factor)
        year = _Year(stays, duty, factor, hold_percent)
        told = [view.told(year) for view in self._views]
        warm = [
            (celsius, each)
            for celsius, each in zip(self._heats, year.by_heat, strict=True)
            if each
        ]
        known = warm if self._is_warm_known else []
        mean_c = sum(c * each for c, each in warm) / sum(each for _, each in warm)
        return {
            years: Account(
                models=tuple(each[years] for each in told),
                days=years * YEAR_DAYS,
                efc_per_year=duty.efc_per_year,
                hold_percent=hold_percent,
                chemistry=self._chemistry,
                mean_c=mean_c if known else None,
                lowest_c=min((c for c, _ in known), default=None),
                highest_c=max((c for c, _ in known), default=None),
            )
            for years in YEARS
        }


class _Year:
    """A year of one candidate: the hours by place and by temperature, its cycles."""

    def __init__(
        self, stays: Stays, duty: Duty, factor: float, hold_percent: float
    ) -> None:
        wide = len(stays.heats)
        self.hours = stays.hours
        self.factor = factor
        self.by_heat = [factor * sum(stays.hours[warm::wide]) for warm in range(wide)]
        by_level = [
            factor * sum(stays.hours[place : place + wide])
            for place in range(0, len(stays.hours), wide)
        ]
        self.hold_percent = hold_percent
        self.cycles = Duty(
            rests={},
            cycles=duty.cycles,
            moved=duty.moved,
            rate_per_h=duty.rate_per_h,
        )
        # For what lies outside of tests only: how level and temperature go together
        # does not matter there.
        self.outline = Duty(
            rests=_coupled(by_level, self.by_heat, stays.heats),
            cycles=duty.cycles,
            moved=duty.moved,
            rate_per_h=duty.rate_per_h,
        ).times(_MOMENT)


class _Rest:
    """A year at one level, fed and neither charged nor used."""

    def __init__(self, heats: Sequence[float], places: Sequence[int]) -> None:
        self.heats = heats
        an_hour = 24 * YEAR_DAYS / len(places)
        self.hours = [an_hour * places.count(place) for place in range(len(heats))]

    def outline(self, percent: float) -> Duty:
        """Return a moment of it, for what lies outside of tests."""
        pairs = zip(self.heats, self.hours, strict=True)
        rests = {(percent, celsius): 3600 * each for celsius, each in pairs if each}
        return Duty(rests=rests).times(_MOMENT)


@dataclass(frozen=True, slots=True)
class _Held:
    """What one model says of a year at a level: its calendar term, and its tags."""

    calendar: float
    outside: tuple[str, ...]


class _View:
    """One model over a site: its pace at rest an hour at each place."""

    def __init__(self, model: Model, rest: _Rest, chemistry: str) -> None:
        self._model, self._rest = model, rest
        self._pace = [
            3600 * model.resting_pace(float(at), warm)
            for at in range(LEVELS)
            for warm in rest.heats
        ]
        a_moment = _at_ease(model, _MOMENT)
        (plain,) = account(
            a_moment, hold_percent=50, chemistry=chemistry, models=[model]
        ).models
        self._counts = plain.counts
        cell = plain.outside[len(model.outside(a_moment)) :]
        self._always = {years: _too_long(model, years) + cell for years in YEARS}
        self._at: dict[float, _Held] = {}

    def told(self, year: _Year) -> dict[int, ModelLoss]:
        """Return the losses by year."""
        model = self._model
        moved = model.lived(year.cycles)
        resting = year.factor * sum(map(mul, year.hours, self._pace))
        outside = model.outside(year.outline)
        full, held = self._held(FLOAT_PERCENT), self._held(year.hold_percent)

        def loss(years: int, calendar: float, cycles: State) -> float:
            state = State(
                calendar=years * calendar,
                cycling=years * cycles.cycling,
                material=years * cycles.material,
            )
            return 100 * model.loss(state)

        return {
            years: ModelLoss(
                name=model.name,
                loss_percent=loss(years, resting, moved),
                float_loss_percent=loss(years, full.calendar, State()),
                hold_loss_percent=loss(years, held.calendar, State()),
                outside=outside + always,
                counts=self._counts,
                rest_loss_percent=loss(years, resting, State()),
                float_outside=full.outside + always,
                hold_outside=held.outside + always,
            )
            for years, always in self._always.items()
        }

    def _held(self, percent: float) -> _Held:
        if percent not in self._at:
            model, rest = self._model, self._rest
            self._at[percent] = _Held(
                calendar=sum(
                    hours * 3600 * model.resting_pace(percent, celsius)
                    for celsius, hours in zip(rest.heats, rest.hours, strict=True)
                ),
                outside=model.outside(rest.outline(percent)),
            )
        return self._at[percent]


def _too_long(model: Model, years: int) -> tuple[str, ...]:
    if model.tested is None:
        return ()
    return model.outside(_at_ease(model, years * YEAR_DAYS))


def _at_ease(model: Model, days: float) -> Duty:
    """Return a rest that only its length can put outside of a model's tests."""
    if model.tested is None:
        return Duty.hold(50.0, temperature_c=25.0, days=days)
    level, celsius = model.tested.soc_percent[0], model.tested.resting_c[0]
    return Duty.hold(level, temperature_c=celsius, days=days)


def _coupled(
    levels: Sequence[float], warm: Sequence[float], heats: Sequence[float]
) -> dict[tuple[float, float], float]:
    """Return times with these sums by level and by temperature, in few entries."""
    found: dict[tuple[float, float], float] = {}
    place, left = 0, warm[0]
    for level, hours in enumerate(levels):
        while hours > 0:
            while left <= 0 and place + 1 < len(warm):
                place += 1
                left = warm[place]
            taken = min(hours, left) if place + 1 < len(warm) else hours
            found[float(level), heats[place]] = 3600 * taken
            hours, left = hours - taken, left - taken
    return found
