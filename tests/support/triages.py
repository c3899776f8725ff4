"""Inspections and evidence for triages, made by hand. All numbers are invented."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path
from statistics import median

from support import audits
from tidegate.audit.result import Bin, Step
from tidegate.core.policy import DAY_MS
from tidegate.triage.deciding import decided
from tidegate.triage.discharging import Autonomy, Collapse
from tidegate.triage.evidence import Evidence
from tidegate.triage.inspection import SIGNS, Inspection, Told
from tidegate.triage.limits import Number
from tidegate.triage.trend import trend

TODAY = date(2026, 3, 2)
YES, NO, UNKNOWN = Told.YES, Told.NO, Told.UNKNOWN
NO_SIGN = dict.fromkeys(SIGNS, NO)


def sound(**changes) -> Inspection:
    """Return an inspection in which somebody looked for every sign and saw none."""
    return Inspection(**{**NO_SIGN, "on": TODAY, **changes})


def bins(seconds_by_low, width=5):
    """Return the bins of a histogram of charge."""
    seconds = dict(seconds_by_low)
    return tuple(
        Bin(low=low, high=low + width, seconds=seconds.get(low, 0.0))
        for low in range(0, 100, width)
    )


def charge(*, high_h, low_h):
    """Return where the charge was: hours around 97 % and around 60 %."""
    return replace(
        audits.charge(),
        hours_above_80_percent=high_h,
        histogram=bins({95: 3600 * high_h, 60: 3600 * low_h}),
    )


def heat(hours_by_low):
    """Return how warm it was: hours by the lower edge of bins of 5 °C."""
    made = audits.heat({low: 3600 * each for low, each in hours_by_low.items()})
    return replace(
        made,
        highest_c=max(hours_by_low) + 4.0,
        hours_above_45_c=sum(h for low, h in hours_by_low.items() if low >= 45),
    )


def measured(*, ah=6.3, sigma=0.05, design_ah=7.0, steps=()):
    """Return measurements; without a capacity the gauge never swung."""
    return replace(
        audits.NOT_MEASURED if ah is None else audits.MEASURED,
        capacity_ah=ah,
        capacity_sigma_ah=None if ah is None else sigma,
        design_ah=design_ah,
        steps=tuple(steps),
        resistance_ohm=median(each.ohm for each in steps) if steps else None,
    )


def evidence(**changes) -> Evidence:
    """Return the evidence of a hundred sound days around 60 %, or what differs."""
    made = Evidence(
        path=Path("museum.db"),
        is_log=True,
        is_calendar=True,
        from_ms=audits.T0,
        until_ms=audits.T0 + 100 * DAY_MS,
        covered_s=100 * 86_400.0,
        unseen_s=0.0,
        soc=charge(high_h=0.0, low_h=2400.0),
        temperature=heat({20: 2400.0}),
        measured=measured(),
        why_no_trend="The steps lie within 3 days; 30 are needed for a trend.",
        switchings=audits.NO_SWITCHING,
    )
    return replace(made, **changes)


def lasting(hours, *, low=None, high=None, widest=75.0):
    """Return an autonomy of so many hours from full to 25 %."""
    low = hours if low is None else low
    high = hours if high is None else high
    return Autonomy(
        rate=Number(value=75 / hours, low=75 / high, high=75 / low),
        hours=Number(value=hours, low=low, high=high),
        runs=12,
        widest_percent=widest,
        floor_percent=25.0,
    )


def steps_of(ohm_of_day, *, days=100, celsius=lambda day: 25.0, soc=lambda day: 60.0):
    """Return four steps a day."""
    return tuple(
        Step(
            at_ms=audits.T0 + day * DAY_MS + hour * 3_600_000,
            ohm=ohm_of_day(day),
            soc_percent=soc(day),
            temperature_c=celsius(day),
        )
        for day in range(days)
        for hour in (2, 8, 14, 20)
    )


def grown(factor, *, start_ohm=0.1, days=100):
    """Return the trend of a resistance that grew by a factor, evenly in its log."""
    made, _ = trend(
        steps_of(lambda day: start_ohm * factor ** (day / (days - 1)), days=days)
    )
    assert made is not None
    return made


def triage(inspection=None, found=None, **changes):
    """Return the answer of today."""
    if inspection is None:
        inspection = sound()
    return decided(replace(inspection, **changes), found, today=TODAY, station="hall")


def museum():
    """Return triages of an invented museum, a page each, by name."""
    steps = steps_of(lambda day: 0.11 * 1.5 ** (day / 99) * (1 + 0.03 * (-1) ** day))
    moved, _ = trend(steps)
    worn = evidence(
        soc=charge(high_h=2200.0, low_h=200.0),
        temperature=heat({20: 1000.0, 25: 1000.0, 30: 380.0, 45: 20.0}),
        measured=measured(ah=5.1, sigma=0.08, steps=steps),
        trend=moved,
        why_no_trend="",
        autonomy=lasting(3.1, low=2.6, high=3.9),
        switchings=audits.SWITCHINGS,
        standing=("relay_no_effect",),
        ever=("relay_no_effect",),
        unseen_s=40 * 3600.0,
    )
    needs = {
        "autonomy_wanted_h": 2.0,
        "may_run_without_battery": NO,
        "battery_available": YES,
        "always_fed": YES,
        "age_years": 3.5,
        "full_years": 3.0,
        "by": "R. Moss",
        "notes": "stand tight, screen clean",
    }
    collapse = Collapse(at_ms=audits.T0, cell_v=3.1, soc_percent=48.0)
    kept = evidence(
        marks=audits.MARKS, switchings=audits.SWITCHINGS, soc=audits.charge()
    )
    return {
        "worn": triage(sound(**needs), worn),
        "window": triage(sound(**needs), kept),
        "out": triage(sound(**{**needs, "bulge": YES, "rocks": YES}), worn),
        "unseen": triage(Inspection(autonomy_wanted_h=2.0), worn),
        "full": decided(
            sound(
                **dict.fromkeys(SIGNS[1:], UNKNOWN),
                on=None,
                **{**needs, "notes": "w " * 100, "age_years": None},
            ),
            replace(
                worn,
                collapses=(collapse,),
                standing=("relay_no_effect", "battery_health"),
                ever=("relay_no_effect", "battery_health", "battery_critical_heat"),
                measured=replace(worn.measured, capacity_ah=5.6),
            ),
            today=TODAY,
            station="the-long-gallery-on-the-second-floor",
        ),
        "bare": triage(sound(always_fed=NO)),
        "hostile": decided(
            sound(notes="<b>" + "w" * 190, by="\u202e" * 3),
            worn,
            today=TODAY,
            station="<script>alert(1)</script>" + "w" * 120,
        ),
    }
