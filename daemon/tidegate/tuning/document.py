"""A tuning as one JSON document, under the stable names of ``tune --json``."""

from __future__ import annotations

import math
from typing import Any, Final

from tidegate.core.policy import MS
from tidegate.tuning.advice import Advice
from tidegate.tuning.choice import Choice, losses
from tidegate.tuning.constraints import Constraints
from tidegate.tuning.device import Device, Rate
from tidegate.tuning.offs import Offs
from tidegate.tuning.outcome import Candidate, Outcome
from tidegate.tuning.site import GUESSED_C
from tidegate.wear.account import Account, ModelLoss

# Beyond this a life or an autonomy says "never ends", which JSON has no number for.
_ENDLESS: Final = 1e6


def as_document(choice: Choice, device: Device, advice: Advice) -> dict[str, Any]:
    """Return the document. Names keep; absent is null, and so is what never ends.
    ``offs`` and ``off_mean_h`` are null where an off ends at the low mark.

    Losses model by model are those of the candidates on the front, of the present and
    of the recommended one; of the others ``models`` is null and only the span is told,
    as a document of all would be of a megabyte. With ``least_loss_percent``, the least
    by model among the feasible, every regret told in full can be recomputed.
    """
    return {
        "station": device.station,
        "days": round(device.days, 3),
        "rests_on": list(advice.rests_on),
        "device": _device(device),
        "constraints": _constraints(choice.constraints),
        "verdict_years": choice.years,
        "least_loss_percent": _least(choice),
        "excluded": [
            {
                "constraint": str(rule),
                "count": sum(1 for rules in choice.broken if rule in rules),
            }
            for rule in dict.fromkeys(one for rules in choice.broken for one in rules)
        ],
        "candidates": [
            {**candidate(each.candidate), **_outcome(choice, place)}
            for place, each in enumerate(choice.outcomes)
        ],
        "recommendation": _recommendation(choice, advice),
        "offs": None if advice.offs is None else _offs(advice.offs),
        "limits": list(advice.limits),
    }


def _recommendation(choice: Choice, advice: Advice) -> dict[str, Any]:
    return {
        "candidate": None
        if choice.recommended is None
        else candidate(choice.outcomes[choice.recommended].candidate),
        "is_change": choice.is_change,
        "verdict": advice.verdict,
        "reasons": list(advice.reasons),
        "would_change": list(advice.would_change),
    }


def _offs(it: Offs) -> dict[str, Any]:
    """Return how offs end by time, as set and with another max_off."""
    return {
        "candidate": candidate(it.here.candidate),
        **_boxed(it.here, it.max_off_ms),
        "with_other_max_off": _boxed(it.other, it.other_max_off_ms),
    }


def _boxed(it: Outcome, max_off_ms: int) -> dict[str, Any]:
    return {
        "max_off_s": max_off_ms / MS,
        "off_mean_h": _number(it.off_h, 3),
        "switchings_per_year": round(it.switchings_per_year, 1),
        "efc_per_year": round(it.efc_per_year, 2),
    }


def candidate(it: Candidate) -> dict[str, Any]:
    """Return how a station would be run; a window or a hold is null."""
    held = it.hold_percent is not None
    marks = {"low_percent": it.low_percent, "high_percent": it.high_percent}
    return {
        "window": None if held else marks,
        "hold_percent": it.hold_percent,
        "dwell_on_s": it.dwell_on_ms / MS,
        "dwell_off_s": it.dwell_off_ms / MS,
        "supply_a": it.supply_a,
    }


def _outcome(choice: Choice, place: int) -> dict[str, Any]:
    it = choice.outcomes[place]
    largest = choice.regret(place) if choice.regrets else None
    is_full = place in {*choice.front, choice.present, choice.recommended}
    return {
        "losses": [
            _losses(years, account, is_full=is_full)
            for years, account in it.losses.items()
        ],
        "largest_regret_percent": None if largest is None else round(largest[0], 4),
        "largest_regret_model": None if largest is None else largest[1],
        "autonomy_h": _number(it.autonomy_h, 3),
        "autonomy_mean_h": _number(it.autonomy_mean_h, 3),
        "recovery_h": _number(it.recovery_h, 3),
        "switchings_per_year": round(it.switchings_per_year, 1),
        "relay_life_years": _number(it.relay_life_years, 2),
        "efc_per_year": round(it.efc_per_year, 2),
        "mean_soc_percent": round(it.mean_soc_percent, 2),
        "outside_h_per_year": round(it.outside_h, 2),
        "under_h_per_year": round(it.under_h, 2),
        "lowest_fed_percent": _number(it.lowest_percent, 2),
        "off_mean_h": _number(it.off_h, 3),
        **_warmth(choice.account(place)),
        "is_carried": it.is_carried,
        "sigma": {name: _number(each, 4) for name, each in (it.sigma or {}).items()},
        "excluded_by": [str(rule) for rule in choice.broken[place]],
        "is_present": place == choice.present,
        "is_recommended": place == choice.recommended,
        "on_front": place in choice.front,
        "beyond": list(it.beyond),
    }


def _warmth(it: Account) -> dict[str, float | None]:
    """Return how warm the year is; null where that was assumed."""
    return {
        "temperature_mean_c": _number(it.mean_c, 2),
        "temperature_lowest_c": _number(it.lowest_c, 2),
        "temperature_highest_c": _number(it.highest_c, 2),
    }


def _losses(years: int, account: Account, *, is_full: bool) -> dict[str, Any]:
    span = account.loss_percent
    return {
        "years": years,
        "models": [_model(each) for each in account.models] if is_full else None,
        "least_loss_percent": None if span is None else round(span[0], 4),
        "most_loss_percent": None if span is None else round(span[1], 4),
        "better_than_float": {"k": account.better, "n": account.of},
    }


def _model(it: ModelLoss) -> dict[str, Any]:
    return {
        "name": it.name,
        "loss_percent": round(it.loss_percent, 4),
        "float_loss_percent": round(it.float_loss_percent, 4),
        "hold_loss_percent": round(it.hold_loss_percent, 4),
        "outside": list(it.outside),
        "counts": it.counts,
    }


def _least(choice: Choice) -> dict[str, float] | None:
    if not choice.feasible:
        return None
    every = [losses(choice.outcomes[place], choice.years) for place in choice.feasible]
    return {name: round(min(each[name] for each in every), 4) for name in every[0]}


# --- device and constraints -----------------------------------------------------------


def _device(it: Device) -> dict[str, Any]:
    capacity = it.capacity
    return {
        **_rate("load", it.load_mean),
        **_rate("charge", it.rise_mean),
        "charger_percent_per_h": _number(it.charger_percent_per_h, 3),
        "supply_percent_per_h": _number(it.supply_percent_per_h, 3),
        "capacity_ah": None if capacity is None else round(capacity.ah, 4),
        "capacity_sigma_ah": None
        if capacity is None
        else _number(capacity.sigma_ah, 4),
        "capacity_from": None if capacity is None else str(capacity.source),
        "seen_from_percent": it.seen_percent[0],
        "seen_to_percent": it.seen_percent[1],
        "swing_extra_percent": round(it.swing_extra_percent, 3),
        "load_by_hour_of_week": [_hour(each) for each in it.load],
        "fed_c_by_hour_of_week": [round(each, 2) for each in it.fed_c],
        "unfed_c_by_hour_of_week": [round(each, 2) for each in it.unfed_c],
        "held_c_by_hour_of_week": [round(each, 2) for each in it.held_c],
        "sensor": it.sensor,
        "temperature_assumed_c": None if it.fed_c else GUESSED_C,
        "is_hour_of_week_known": it.is_calendar,
        "steepest_load_percent_per_h": _number(it.steepest_percent_per_h, 3),
        "notes": list(it.notes),
    }


def _rate(name: str, it: Rate) -> dict[str, float | None]:
    return {
        f"{name}_percent_per_h": _number(it.percent_per_h, 3),
        f"{name}_sigma_percent_per_h": _number(it.sigma, 3),
        f"{name}_seen_h": _number(it.hours, 2),
    }


def _hour(it: Rate) -> dict[str, float | None]:
    return {
        "percent_per_h": _number(it.percent_per_h, 3),
        "sigma_percent_per_h": _number(it.sigma, 3),
        "seen_h": _number(it.hours, 2),
    }


def _constraints(it: Constraints) -> dict[str, Any]:
    return {
        "autonomy_h": it.autonomy_h,
        "autonomy_worst": str(it.worst),
        "relay_life_years": it.relay_life_years,
        "max_window_percent": it.max_window_percent,
        "floor_percent": it.floor_percent,
        "switchings_per_hour_most": it.per_hour,
        "switchings_per_day_most": it.per_day,
        "can_hold": it.can_hold,
    }


def _number(value: float | None, digits: int) -> float | None:
    if value is None or not math.isfinite(value) or abs(value) >= _ENDLESS:
        return None
    return round(value, digits)
