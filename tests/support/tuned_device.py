"""Devices for the tests of ``tune``, made without any log. All numbers are invented."""

from __future__ import annotations

from collections.abc import Sequence
from random import Random
from typing import Any

from tidegate.core.policy import MINUTE_MS, Marks, Policy
from tidegate.tuning.device import Device, Rate
from tidegate.tuning.outcome import Candidate
from tidegate.tuning.paths import WEEK_H

Rates = float | Sequence[float]


def device(load: Rates, rise: Rates, *, sigma: float = 0.0, **fields: Any) -> Device:
    """Return a device of known rates, with a fine gauge and no delay."""
    loads, rises = _week(load), _week(rise)
    return Device(
        **{
            "station": "hall",
            "days": 28.0,
            "load": tuple(_rate(each, sigma) for each in loads),
            "rise": tuple(_rate(each, sigma) for each in rises),
            "load_mean": _rate(sum(loads) / WEEK_H, sigma),
            "rise_mean": _rate(sum(rises) / WEEK_H, sigma),
            "capacity": None,
            "charger_percent_per_h": None,
            "supply_percent_per_h": None,
            **fields,
        }
    )


def candidate(low: float, high: float, **fields: Any) -> Candidate:
    """Return a window with a dwell of 3 min, unless asked for another."""
    return Candidate(
        **{
            "low_percent": low,
            "high_percent": high,
            "dwell_on_ms": 3 * MINUTE_MS,
            "dwell_off_ms": 3 * MINUTE_MS,
            **fields,
        }
    )


def hold(level: float) -> Candidate:
    """Return a hold of the kernel's kind."""
    return candidate(level - 2, level, hold_percent=level)


def policy(low: float = 55.0, high: float = 65.0, **fields: Any) -> Policy:
    """Return the defaults of the daemon with a window."""
    return Policy(marks=Marks(low_percent=low, high_percent=high), **fields)


def museum_load(seed: int = 1) -> list[float]:
    """Return points an hour by hour of the week: visitors from 10 to 18, not Mondays."""
    random = Random(seed)
    return [
        (9.0 if day and 10 <= hour < 18 else 2.0) * random.uniform(0.8, 1.2)
        for day in range(7)
        for hour in range(24)
    ]


def _week(rates: Rates) -> list[float]:
    return [rates] * WEEK_H if isinstance(rates, float | int) else list(rates)


def _rate(percent_per_h: float, sigma: float) -> Rate:
    return Rate(percent_per_h=percent_per_h, sigma=sigma, hours=4.0)
