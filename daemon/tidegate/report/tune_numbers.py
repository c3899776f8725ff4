"""The numbers of a tuning as rows of tables: what, how much, in which unit."""

from __future__ import annotations

from typing import Final

from tidegate.report.ink import hours_of
from tidegate.tuning import said
from tidegate.tuning.advice import constraints_said
from tidegate.tuning.choice import Choice
from tidegate.tuning.device import Device
from tidegate.tuning.site import GUESSED_C

Rows = list[tuple[str, ...]]

FRONT: Final = (
    "candidate",
    "loss (less than float)",
    "largest regret",
    "autonomy (mean)",
    "back from the floor",
    "switchings a year (relay life)",
    "EFC a year",
)


def front(choice: Choice) -> Rows:
    """Return a row for each candidate worth a look."""
    return [_row(choice, place) for place in choice.rows()]


def _row(choice: Choice, place: int) -> tuple[str, ...]:
    it, account = choice.outcomes[place], choice.account(place)
    words, regret = what(choice, place), "none"
    if choice.regrets:
        regret = f"{choice.regret(place)[0]:.1f} points"
    worst = said.hours(it.autonomy_h, said.sigma_of(it, "autonomy_h"))
    return (
        f"{candidate(choice, place)}{f' ({words})' if words else ''}",
        f"{said.percent(account.loss_percent)} ({said.better(account)})",
        regret,
        f"{worst} ({said.hours(it.autonomy_mean_h)})",
        said.recovery(it),
        f"{said.count(it.switchings_per_year)} ({said.life(it)})",
        said.count(it.efc_per_year),
    )


def candidate(choice: Choice, place: int) -> str:
    """Return a candidate in few words, its supply where several were compared."""
    it = choice.outcomes[place].candidate
    words = said.window(it)
    if it.hold_percent is None:
        words += f", dwell {said.dwell(it)}"
    if any(each.candidate.supply_a is not None for each in choice.outcomes):
        words += f", supply {said.supply(it)}"
    return words


def what(choice: Choice, place: int) -> str:
    """Return in words what is special about a row."""
    words = []
    if place == choice.recommended:
        words.append("recommended")
    if place == choice.present:
        words.append("present settings")
    words += [f"misses {rule.replace('_', ' ')}" for rule in choice.broken[place]]
    words += said.beyond_window(choice.outcomes[place])
    return ", ".join(words)


def by_model(choice: Choice) -> tuple[tuple[str, ...], Rows]:
    """Return head and rows of losses by model after 1, 3 and 5 years."""
    assert choice.recommended is not None
    new = choice.outcomes[choice.recommended].losses
    after = f"after {', '.join(map(str, new))} years"
    columns = {f"recommended, {after}": (new, "loss_percent")}
    if choice.is_change and choice.present is not None:
        now = choice.outcomes[choice.present].losses
        columns["present settings"] = (now, "loss_percent")
    columns["float at 100 %"] = (new, "float_loss_percent")
    rows: Rows = []
    for place, model in enumerate(new[choice.years].models):
        name = model.name if model.counts else f"{model.name} (not counted)"
        cells = [
            ", ".join(
                f"{getattr(account.models[place], losses):.1f}"
                for account in accounts.values()
            )
            for accounts, losses in columns.values()
        ]
        outside = "; ".join(model.outside) or "nothing"
        rows.append((name, *(f"{each} %" for each in cells), outside))
    return ("model", *columns, "outside its tests"), rows


def device(it: Device) -> Rows:
    """Return what was learned of the device."""
    rows: Rows = [
        ("load, mean of the week", _seen(said.rate(it.load_mean), it.load_mean.hours)),
        ("charge with the supply", _seen(said.rate(it.rise_mean), it.rise_mean.hours)),
        ("capacity", said.capacity(it.capacity)),
    ]
    for name, value in (
        ("the charger takes at most", it.charger_percent_per_h),
        ("the supply gives at most", it.supply_percent_per_h),
    ):
        if value is not None:
            rows.append((name, f"{value:.0f} points an hour"))
    low, high = it.seen_percent
    rows.append(("levels seen while charging", f"{low:.0f} to {high:.0f} %"))
    extra = it.swing_extra_percent
    how = "wider" if extra >= 0 else "narrower"
    rows.append((f"a cycle is {how} than its window by", f"{abs(extra):.1f} points"))
    rows += _warmth(it)
    rows.append(("readings cover", f"{it.days:.3g} days"))
    return rows


def _warmth(it: Device) -> Rows:
    """Return how warm it was, by hour of the week, or what was assumed."""
    if not it.fed_c:
        return [("temperature", f"none was read, {GUESSED_C:g} °C was assumed")]
    rows = [
        (f"temperature {name}, by hour", f"{min(told):.0f} to {max(told):.0f} °C")
        for name, told in (
            ("while charging", it.fed_c),
            ("without supply", it.unfed_c),
            ("fed, but not charging", it.held_c),
        )
        if told
    ]
    return [*rows, ("temperature sensor", it.sensor or "not named")]


def asked(choice: Choice) -> Rows:
    """Return each constraint, and how many candidates miss it."""
    missed = {rule: count for rule, count, _ in said.excluding(choice)}
    rows: Rows = [
        (said.asked(rule, choice.constraints), f"{count} of {len(choice.outcomes)}")
        for rule, count in missed.items()
    ]
    if rows:
        return rows
    told = "; ".join(constraints_said(choice.constraints))
    return [(told, f"0 of {len(choice.outcomes)}")]


def _seen(told: str, hours: float) -> str:
    return f"{told}, seen for {hours_of(3600 * hours)}"
