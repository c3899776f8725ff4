"""From a station's readings to what a year of it can be walked with.

What is learned and from what:

- the load, from the times in which the battery fed the device, whatever the reason (a
  mark, heat, an outage): by hour of the week, from moment to moment (``spans``,
  ``weekly``); nothing is taken across a gap, nor from a battery held or full; and from
  what a weak supply lacks where it does not carry them (``heavier``); of a gauge that
  needs the supply, across the times in which it could not be read (``blind``);
- the net charge, from the times in which it rose or fell while fed, below where
  charging slows; which limit it was, and the slowing (``charging``);
- how wide a cycle is beside its window (``swing``), temperatures (``warmth``), and the
  capacity (``size``), which is only needed to count amperes of another supply.

A current is not used: the charge itself is what is kept in the window.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import tzinfo
from math import hypot
from typing import Final

from tidegate.history import Series
from tidegate.tuning.blind import back_h, warm_in
from tidegate.tuning.charging import Limits
from tidegate.tuning.device import Device, Rate
from tidegate.tuning.enough import refuse_little
from tidegate.tuning.hours import Hours
from tidegate.tuning.paths import WEEK_H
from tidegate.tuning.seen import LEAST_LOAD, rates_of, seen_in
from tidegate.tuning.size import capacity_of
from tidegate.tuning.steepest import steepest_percent_per_h
from tidegate.tuning.swing import Swing, swing_of
from tidegate.tuning.warmth import warmth_of
from tidegate.tuning.weekly import Weekly
from tidegate.wear.duty import DAY_S

# What no sigma knows of: unequal steps of a gauge, and that a heavy hour brings the
# supply on sooner, so that it is seen for a shorter time than a light one. A choice.
_MODEL_SHARE: Final = 0.01


def fit(series: Series, zone: tzinfo) -> Device:
    """Return what was learned; hours of the week are those of ``zone``.

    Errors: TooShort where it was not seen discharging, or charging, for long enough.
    """
    hours = Hours(zone, is_calendar=series.is_calendar)
    seen = seen_in(series, hours)
    refuse_little(series, seen.unfed, seen.fed, seen.passages)
    load, rise, limits, slowing, levels = rates_of(seen)
    loads = [max(LEAST_LOAD, each) for each in load.rates]
    swing = swing_of(
        seen.spans,
        series.given.policy,
        hours,
        load=loads,
        rise=rise.rates,
        step_percent=1.0 if series.is_whole else 0.0,
    )
    fed_c, unfed_c, held_c = warmth_of(seen.spans, hours, warm_in(series))
    return Device(
        station=series.station,
        days=series.known_s / DAY_S,
        load=_rates(load, loads),
        rise=_rates(rise, rise.rates),
        load_mean=_mean(load, loads),
        rise_mean=_mean(rise, rise.rates),
        capacity=capacity_of(series, [*seen.unfed, *seen.fed]),
        charger_percent_per_h=limits.charger,
        supply_percent_per_h=limits.supply,
        slowing=slowing,
        seen_percent=levels,
        swing_extra_percent=swing.extra_percent,
        step_percent=swing.step_percent,
        delay_h=swing.delay_h,
        rest_percent=swing.rest_percent,
        fed_c=fed_c,
        unfed_c=unfed_c,
        held_c=held_c,
        sensor=series.sensor if fed_c else None,
        steepest_percent_per_h=None
        if series.is_calendar
        else steepest_percent_per_h(seen.unfed, seen.fed),
        is_calendar=series.is_calendar,
        flicker_percent=seen.flicker_percent,
        back_h=back_h(series),
        notes=(
            *_notes(series, load, rise, limits, swing),
            *_unread(series),
        ),
    )


def _rates(weekly: Weekly, rates: Sequence[float]) -> tuple[Rate, ...]:
    found = tuple(
        Rate(percent_per_h=rate, sigma=sigma, hours=seen)
        for rate, sigma, seen in zip(rates, weekly.sigmas, weekly.hours, strict=True)
    )
    return found * (WEEK_H // len(found))


def _mean(weekly: Weekly, rates: Sequence[float]) -> Rate:
    return Rate(
        percent_per_h=sum(rates) / len(rates),
        sigma=hypot(weekly.mean_sigma, _MODEL_SHARE * weekly.mean),
        hours=sum(weekly.hours),
    )


def _notes(
    series: Series, load: Weekly, rise: Weekly, limits: Limits, swing: Swing
) -> Iterator[str]:
    never = sum(1 for each in load.hours if not each)
    yield (
        f"The load rests on {sum(load.hours):.0f} h on the battery, the net charge on "
        f"{sum(rise.hours):.0f} h of charging, in {series.known_s / 86_400:.1f} days."
    )
    if not series.is_calendar:
        yield "The readings have no time of day: every hour was taken to be alike."
    elif never:
        yield (
            f"{never} of the 168 hours of the week were never seen on the battery; the "
            "mean of their hour of day, or of all hours, stands in, or where the supply "
            "did not carry them what it lacked."
        )
    if series.is_calendar and series.known_s < 14 * 86_400:
        yield "Less than two weeks were seen: how weeks differ is not known."
    if limits.charger is None:
        yield (
            "What limits charging is the supply: what the charger would take of a "
            "stronger one was not seen."
        )
    elif limits.supply is None:
        yield (
            "What limits charging is the charger: what the supply could give beyond "
            "load and charger was not seen."
        )
    if swing.cycles:
        yield f"How wide a cycle is was learned from {swing.cycles} cycles at the marks."
    elif not series.coasts:
        yield (
            "How wide a cycle is beside its window was assumed from the steps of the "
            "gauge and half a poll: the log shows too few cycles at the marks."
        )


def _unread(series: Series) -> Iterator[str]:
    if series.coasts:
        yield (
            f"Nothing was read in {len(series.coasts)} offs: what fell in each was "
            "learned from what the gauge showed before and after it, what was charged "
            "meanwhile taken off."
        )
