"""A choice in plain words: what to set, why, what would change it, what it rests on."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from tidegate.tuning import against, changing, infeasible, offs, said
from tidegate.tuning.choice import Choice
from tidegate.tuning.constraints import Constraints, Rule, Worst
from tidegate.tuning.device import Device
from tidegate.tuning.offs import Offs
from tidegate.tuning.outcome import Outcome
from tidegate.wear import finding
from tidegate.wear.account import Account

_LEAST: Final = 0.05  # losses are told to 0.1 %
_FROM_WORST: Final = {
    Worst.HOUR_OF_WEEK: "from the worst hour of the week, ",
    Worst.STEEPEST_SEEN: "at the steepest load seen over an hour, ",
}
_PLANS: Final = (
    "Planned rises and relearns of this station are in no number here: they move more "
    "charge and switch more often, and lie above the window for their time."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """Sentences, in the order in which they are read.

    ``own_limits`` are those of ``limits`` that not every station has. ``offs`` are
    those that end by time, where they do.
    """

    verdict: str
    reasons: tuple[str, ...]
    would_change: tuple[str, ...]
    rests_on: tuple[str, ...]
    limits: tuple[str, ...]
    own_limits: tuple[str, ...] = ()
    offs: Offs | None = None


def advise(
    choice: Choice,
    device: Device,
    *,
    cooler: Sequence[Outcome] = (),
    remarks: Sequence[str] = (),
    has_plans: bool = False,
    by_time: Offs | None = None,
) -> Advice:
    """Return the advice.

    ``cooler`` are the outcomes of the recommended and of the present candidate if the
    battery were 5 °C cooler. ``remarks`` say where marks and constraints are from.
    ``has_plans``: there are times at which the window is another one. ``by_time`` are
    offs that end by time.
    """
    own_limits = (_PLANS,) if has_plans else ()
    is_found = choice.recommended is not None
    timed = () if by_time is None else (offs.sentence(by_time),)
    change = changing.sentences(choice, device, cooler=cooler) if is_found else ()
    return Advice(
        verdict=verdict(choice, device.station),
        reasons=tuple(_reasons(choice) if is_found else infeasible.reasons(choice)),
        would_change=tuple(change),
        rests_on=(*_rests_on(choice, device), *timed, *remarks),
        limits=(*own_limits, *_limits(device)),
        own_limits=own_limits,
        offs=by_time,
    )


# --- the verdict ----------------------------------------------------------------------


def verdict(choice: Choice, station: str) -> str:
    """Return in one sentence what to do."""
    if choice.recommended is None:
        return f"No candidate meets what is asked of {station}: {said.missed_most(choice)}."
    it = choice.outcomes[choice.recommended].candidate
    if choice.is_change:
        beside = None if choice.present is None else choice.outcomes[0].candidate
        what = f"Set {station} to {said.named(it, beside=beside)}"
        if choice.present is not None:
            what += f" (now {_now(choice)})"
    else:
        what = (
            f"Leave {station} at {said.named(it)}: nothing else that meets the "
            "constraints is better by more than the models can tell apart"
        )
    return f"{what}; {against.claim(choice)}."


def _now(choice: Choice) -> str:
    """Return the present window, with its dwell where that is to change."""
    assert choice.recommended is not None
    present = choice.outcomes[0].candidate
    it = choice.outcomes[choice.recommended].candidate
    now = said.window(present)
    if said.dwell(it) != said.dwell(present):
        now += f", dwell {said.dwell(present)}"
    return now


# --- why ------------------------------------------------------------------------------


def _reasons(choice: Choice) -> Iterator[str]:
    assert choice.recommended is not None
    yield from _missing(choice)
    yield _cost(choice)
    if choice.is_change and choice.present is not None:
        yield _saved(choice)
    yield _regretted(choice)
    yield _autonomy(choice)
    yield _beyond(choice)
    yield _work(choice)
    yield from _to_do(choice)
    yield from against.reasons(choice)


def _to_do(choice: Choice) -> Iterator[str]:
    """Yield what settings alone do not bring about: a hold lowers nothing."""
    assert choice.recommended is not None
    it, now = choice.outcomes[choice.recommended].candidate, choice.outcomes[0]
    is_lower = it.high_percent < now.candidate.high_percent or choice.present is None
    if it.hold_percent is not None and choice.is_change and is_lower:
        yield (
            "A hold cannot lower the charge: once it is set, unplug the device until "
            f"its charge has fallen to {it.hold_percent:g} %."
        )


def _cost(choice: Choice) -> str:
    place = choice.recommended
    assert place is not None
    account = choice.account(place)
    text = (
        f"Over {said.years(choice.years)} from new it costs "
        f"{said.percent(account.loss_percent)} of the capacity by model, float at "
        f"100 % {said.percent(account.float_loss_percent)}: {said.better(account)} "
        "say less than float"
    )
    if choice.is_change and choice.present is not None:
        now = choice.account(choice.present)
        text += (
            f"; as it is now {said.percent(now.loss_percent)}, {said.better(now)} "
            "say less than float"
        )
    return f"{text}."


def _saved(choice: Choice) -> str:
    """Return the difference from the present settings, model by model."""
    assert choice.recommended is not None
    assert choice.present is not None
    new, now = choice.account(choice.recommended), choice.account(choice.present)
    saved = [
        before.loss_percent - after.loss_percent
        for before, after in zip(now.counted, new.counted, strict=True)
    ]
    return f"Against now, model by model: {said.points((min(saved), max(saved)))}."


def _regretted(choice: Choice) -> str:
    place = choice.recommended
    assert place is not None
    most, name = choice.regret(place)
    feasible = len(choice.feasible)
    text = (
        f"Of {feasible} candidates that meet the constraints (of "
        f"{len(choice.outcomes)}) its largest regret is "
        f"{_how_small(choice, most)}: "
    )
    if most < _LEAST:
        text += "every model says that it is the best of them, or nearly"
    else:
        text += (
            f"by the model that speaks most against it, {name}, it costs {most:.1f} "
            "points more than the best for that model"
        )
    if choice.is_change and choice.present in choice.feasible:
        assert choice.present is not None
        now, name = choice.regret(choice.present)
        text += f"; as it is now, {now:.1f} ({name})"
    return f"{text}."


def _how_small(choice: Choice, regret: float) -> str:
    smallest = min(choice.regret(place)[0] for place in choice.feasible)
    if regret == smallest:
        return "the smallest"
    return "as small as any, within half a point that no model can tell"


def _missing(choice: Choice) -> Iterator[str]:
    """Yield what the present settings miss."""
    if choice.present is None or not choice.broken[choice.present]:
        return
    missed = [
        said.asked(rule, choice.constraints) for rule in choice.broken[choice.present]
    ]
    yield f"As it is now it misses the demand for {said.listed(missed)}."
    yield from said.remedies([choice.broken[choice.present]])


def _autonomy(choice: Choice) -> str:
    assert choice.recommended is not None
    it = choice.outcomes[choice.recommended]
    text = f"Autonomy from {_start(it)} down to the floor: "
    worst = choice.constraints.worst
    if worst in _FROM_WORST:
        least = said.hours(it.autonomy_h, said.sigma_of(it, "autonomy_h"))
        text += f"{least} {_FROM_WORST[worst]}"
    text += (
        f"{said.hours(it.autonomy_mean_h)} in the mean; back from the floor in "
        f"{said.recovery(it)} at most"
    )
    if choice.is_change and choice.present is not None:
        now = choice.outcomes[choice.present]
        text += (
            f" (now {said.hours(now.autonomy_h)}, {said.hours(now.autonomy_mean_h)} and "
            f"{said.recovery(now)})"
        )
    return f"{text}."


def _start(it: Outcome) -> str:
    """Return from where it begins: the low mark, unless the charge may be lower."""
    if not it.is_low_at_times:
        return "the low mark"
    return f"{it.lowest_percent:.0f} %, to which it may fall under the low mark,"


def _beyond(choice: Choice) -> str:
    """Return how long the charge is not in its window, and why where that is long."""
    assert choice.recommended is not None
    it = choice.outcomes[choice.recommended]
    text = (
        f"Of a year {said.count(it.outside_h)} h lie above the window and "
        f"{said.count(it.under_h)} h under it"
    )
    if choice.is_change and choice.present is not None:
        now = choice.outcomes[choice.present]
        text += f" (now {said.count(now.outside_h)} and {said.count(now.under_h)} h)"
    if it.outside_h >= said.MANY_H:
        text += "; above it the dwell, the budget or rule 4 keep the supply on"
    if it.under_h >= said.MANY_H:
        holds = "the dwell" if it.off_h is None else "the time of an off"
        text += f"; under it {holds} keeps the supply off, or the load outruns it"
    return f"{text}."


def _work(choice: Choice) -> str:
    assert choice.recommended is not None
    it = choice.outcomes[choice.recommended]
    made = said.count(it.switchings_per_year, said.sigma_of(it, "switchings_per_year"))
    moved = said.count(it.efc_per_year, said.sigma_of(it, "efc_per_year"))
    text = (
        f"A year brings {made} switchings (relay life {said.life(it)}) and {moved} "
        "equivalent full cycles"
    )
    if choice.is_change and choice.present is not None:
        now = choice.outcomes[choice.present]
        text += (
            f"; now {said.count(now.switchings_per_year)} (relay life "
            f"{said.life(now)}) and {said.count(now.efc_per_year)}"
        )
    return f"{text}."


# --- evidence and limits --------------------------------------------------------------


def _rests_on(choice: Choice, device: Device) -> Iterator[str]:
    load, rise = device.load_mean, device.rise_mean
    yield (
        f"{device.days:.3g} days of readings: without supply the charge falls by "
        f"{said.rate(load)} in the mean of the week, with it rises by "
        f"{said.rate(rise)} (one sigma)."
    )
    yield f"Capacity: {said.capacity(device.capacity)}."
    yield f"Temperature: {said.temperature(shown(choice), device.sensor)}."
    yield from _worst(choice, device)
    low, high = device.seen_percent
    yield f"Charging was seen from {low:.0f} to {high:.0f} % of the charge."
    yield from map(said.sentence, device.notes)
    if choice.recommended is not None:
        yield from map(said.sentence, choice.outcomes[choice.recommended].beyond)
    if any(
        each.relay_life_years is None and each.switchings_per_year > 0
        for each in choice.outcomes
    ):
        yield (
            "How many operations the contact lasts is not in the settings (relay.life), "
            "so relay life excludes nothing."
        )


def shown(choice: Choice) -> Account:
    """Return the account whose temperatures are told: recommended, else the first."""
    return choice.account(choice.recommended or 0)


def _worst(choice: Choice, device: Device) -> Iterator[str]:
    """Yield what autonomy was reckoned from where no hour of the week is known."""
    if choice.constraints.worst is Worst.STEEPEST_SEEN:
        assert device.steepest_percent_per_h is not None
        yield (
            "The worst hour of the week is not known: autonomy is reckoned with the "
            "steepest load seen over an hour or more, "
            f"{device.steepest_percent_per_h:.1f} points an hour."
        )
    elif choice.constraints.worst is Worst.NOT_KNOWN:
        yield (
            "The worst hour of the week is not known, and no load was seen for an hour "
            "on end: autonomy is that of the mean load, and a busy hour leaves less."
        )


def _limits(device: Device) -> Iterator[str]:
    yield from finding.LIMITS
    if device.fed_c:
        yield (
            f"Temperature comes from the sensor {device.sensor or 'of the gauge'}, "
            "which is not the cell itself: the cell may well be 5 °C warmer or cooler "
            "(common practice, no source)."
        )
    yield (
        "A year is reckoned from the weeks that were read: another season, another "
        "exhibition or a worn battery is another device. Look again in half a year."
    )


def constraints_said(it: Constraints) -> tuple[str, ...]:
    """Return what was asked for, a phrase each."""
    rules = (Rule.AUTONOMY, Rule.RELAY_LIFE, Rule.MAX_WINDOW, Rule.BUDGET)
    held = () if it.can_hold else ("no hold, which takes a relay of kind kernel",)
    return (*(said.asked(rule, it) for rule in rules), *held)
