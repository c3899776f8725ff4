"""Candidates and their numbers in words, the same in text, document and page."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Sequence
from typing import Final

from tidegate.settings.durations import duration_text
from tidegate.tuning.choice import Choice
from tidegate.tuning.constraints import Constraints, Rule, Worst
from tidegate.tuning.device import Capacity, Rate, Source
from tidegate.tuning.outcome import Candidate, Outcome
from tidegate.tuning.site import GUESSED_C
from tidegate.wear.account import Account, Range

SOURCES: Final = {
    Source.MEASURED: "measured over swings in the log",
    Source.SETTINGS: "from the settings, not measured",
    Source.GAUGE: "as the gauge tells it, not measured",
}
WORST: Final = {
    Worst.HOUR_OF_WEEK: "in the worst hour of the week",
    Worst.STEEPEST_SEEN: "at the steepest load seen",
    Worst.NOT_KNOWN: "in the mean, worst hour not known",
}
# A twentieth of the year: less is how late a mark is found. A choice, no source.
MANY_H: Final = 438.0
_LONG_H: Final = 1_000.0
_LONG_YEARS: Final = 100.0


def window(it: Candidate) -> str:
    """Return such as ``45 to 60 %`` or ``hold at 60 %``."""
    if it.hold_percent is not None:
        return f"hold at {it.hold_percent:g} %"
    return f"{it.low_percent:g} to {it.high_percent:g} %"


def dwell(it: Candidate) -> str:
    """Return such as ``3min``, or both times where they differ."""
    on, off = duration_text(it.dwell_on_ms), duration_text(it.dwell_off_ms)
    return on if on == off else f"{on} on, {off} off"


def supply(it: Candidate) -> str:
    """Return what the supply gives, or that it is the one that is there."""
    return "as now" if it.supply_a is None else f"{it.supply_a:g} A"


def named(it: Candidate, *, beside: Candidate | None = None) -> str:
    """Return a candidate in a few words; what is as ``beside`` has it is left out."""
    said = f"a {'window of ' if it.hold_percent is None else ''}{window(it)}"
    # Under a hold nothing is switched, so no dwell counts.
    if it.hold_percent is None and (
        beside is None
        or (it.dwell_on_ms, it.dwell_off_ms)
        != (
            beside.dwell_on_ms,
            beside.dwell_off_ms,
        )
    ):
        said += f" with a dwell of {dwell(it)}"
    if it.supply_a is not None:
        said += f" on a supply of {it.supply_a:g} A"
    elif beside is not None and beside.supply_a is not None:
        said += " on the supply as it is"
    return said


# --- numbers --------------------------------------------------------------------------


def percent(span: Range | None) -> str:
    """Return a range of losses, to a tenth of a percent."""
    if span is None:
        return "unknown"
    low, high = (f"{each:.1f}" for each in span)
    return f"{low} %" if low == high else f"{low} to {high} %"


def points(span: Range) -> str:
    """Return a difference of losses from the worse for it to the better for it."""
    low, high = (0.0 if abs(each) < 0.05 else each for each in span)
    if low == high == 0.0:
        return "less than 0.1 points either way"
    if f"{low:.1f}" == f"{high:.1f}":
        return f"{abs(low):.1f} points {'saved' if low > 0 else 'lost'}"
    if low >= 0:
        return f"{low:.1f} to {high:.1f} points saved"
    if high <= 0:
        return f"{-high:.1f} to {-low:.1f} points lost"
    return f"from {-low:.1f} points lost to {high:.1f} saved"


def hours(count: float, sigma: float | None = None) -> str:
    """Return hours, a tenth below ten, with their uncertainty where there is one."""
    if count >= _LONG_H:
        return f"over {_LONG_H:,.0f} h"
    digits = 0 if count >= 9.95 else 1
    if sigma is None or sigma < 0.05:
        return f"{count:.{digits}f} h"
    return f"{count:.{digits}f} ± {sigma:.{digits if sigma >= 0.95 else 1}f} h"


def recovery(outcome: Outcome) -> str:
    """Return how long the way back from the floor is; beyond a year it is never."""
    if math.isinf(outcome.recovery_h):
        return "never"
    return hours(outcome.recovery_h)


def beyond_window(outcome: Outcome) -> list[str]:
    """Return how many hours a year lie above and under the window, if many."""
    return [
        f"{count(spent)} h a year {where} its window"
        for spent, where in ((outcome.outside_h, "above"), (outcome.under_h, "under"))
        if spent >= MANY_H
    ]


def temperature(account: Account, sensor: str | None) -> str:
    """Return mean, range and sensor of a year, or what was assumed."""
    if account.mean_c is None:
        return f"none was read, {GUESSED_C:g} °C was assumed"
    text = f"mean {account.mean_c:.1f} °C"
    if account.lowest_c != account.highest_c:
        text += f", {account.lowest_c:.0f} to {account.highest_c:.0f} °C"
    return f"{text}, sensor {sensor or 'not named'}"


def life(outcome: Outcome) -> str:
    """Return how long the contact lasts at the pace of a candidate."""
    # What is never switched lasts, however many operations the contact has.
    is_used = outcome.switchings_per_year > 0
    if is_used and outcome.relay_life_years is None:
        return "not known"
    if outcome.relay_life_years is None or outcome.relay_life_years >= _LONG_YEARS:
        return f"over {_LONG_YEARS:.0f} years"
    digits = 0 if outcome.relay_life_years >= 9.95 else 1
    return f"{outcome.relay_life_years:.{digits}f} years"


def count(number: float, sigma: float | None = None) -> str:
    """Return a count a year, whole, with its uncertainty where there is one."""
    if sigma is None or sigma < 0.5:
        return f"{number:,.0f}"
    return f"{number:,.0f} ± {sigma:,.0f}"


def sigma_of(outcome: Outcome, name: str) -> float | None:
    """Return one standard deviation of a figure, where the fit tells one."""
    found = None if outcome.sigma is None else outcome.sigma.get(name)
    return None if found is None or not math.isfinite(found) else found


def better(account: Account) -> str:
    """Return such as ``3 of 4``: who says that it costs less than float."""
    return f"{account.better} of {account.of}"


def rate(it: Rate) -> str:
    """Return a pace of the charge with its uncertainty."""
    digits = 1 if it.percent_per_h < 9.95 else 0
    return f"{it.percent_per_h:.{digits}f} ± {it.sigma:.1f} points an hour"


def capacity(it: Capacity | None) -> str:
    """Return the capacity, its uncertainty and where it is from."""
    if it is None:
        return "not known"
    doubt = "" if it.sigma_ah is None else f" ± {it.sigma_ah:.2f}"
    return f"{it.ah:.2f}{doubt} Ah, {SOURCES[it.source]}"


def years(count: int) -> str:
    """Return such as ``1 year`` or ``3 years``."""
    return "1 year" if count == 1 else f"{count} years"


def sentence(text: str) -> str:
    """Return a remark with a capital and a full stop."""
    return text[:1].upper() + text[1:].rstrip(".") + "."


def listed(names: Iterable[str]) -> str:
    """Return names with commas and an "and"."""
    *most, last = names
    return f"{', '.join(most)} and {last}" if most else last


# --- constraints ----------------------------------------------------------------------


def asked(rule: Rule, it: Constraints) -> str:
    """Return what a rule asks for."""
    return {
        Rule.AUTONOMY: f"at least {it.autonomy_h:.3g} h of autonomy {WORST[it.worst]}",
        Rule.RELAY_LIFE: f"at least {it.relay_life_years:g} years of relay life",
        Rule.MAX_WINDOW: f"a high mark of at most {it.max_window_percent:g} %",
        Rule.CARRIED: "a supply that outruns the load over the week",
        Rule.FLOOR_WHILE_FED: "a charge that stays above the floor "
        f"({it.floor_percent:g} %) while the supply is on",
        Rule.MARKS: "a high mark from low + 2 to 95 %",
        Rule.ABOVE_FLOOR: f"a low mark at least 5 points above the floor "
        f"({it.floor_percent:g} %)",
        Rule.BUDGET: f"at most {min(it.per_day, 24 * it.per_hour)} switchings a day in "
        "the mean",
        Rule.HOLD: "a relay that can hold a level",
        Rule.SUPPLY: "the supply that is there",
    }[rule]


def remedies(broken: Iterable[Collection[Rule]]) -> Iterator[str]:
    """Yield what to do about rules that candidates miss, where marks or supply help."""
    if any(Rule.FLOOR_WHILE_FED in each for each in broken):
        yield (
            "In busy hours the load outruns the supply and takes the rest from the "
            "battery, with the supply on: a stronger supply, less load in those hours, "
            "or a higher low mark keeps it above the floor."
        )


def missed_most(choice: Choice) -> str:
    """Return which demand most candidates miss; some demand is missed."""
    rule, count, _ = max(excluding(choice), key=lambda each: each[1])
    every = len(choice.outcomes)
    demand = f"the demand for {asked(rule, choice.constraints)}"
    fall = sum(Rule.FLOOR_WHILE_FED in rules for rules in choice.broken)
    if fall and rule is not Rule.FLOOR_WHILE_FED:
        demand += f", and {fall} may fall under the floor with the supply on"
    if every == 1:
        return f"the only one compared misses {demand}"
    who = f"all {every}" if count == every else f"{count} of {every}"
    return f"{who} miss {demand}"


def excluding(choice: Choice) -> Sequence[tuple[Rule, int, int]]:
    """Return each rule with how many it excludes, and how many it alone excludes."""
    found = []
    for rule in Rule:
        every = [rules for rules in choice.broken if rule in rules]
        if every:
            found.append((rule, len(every), sum(len(each) == 1 for each in every)))
    return found
