"""The page of a tuning: verdict, pictures, numbers, evidence and limits, cautions."""

from __future__ import annotations

from collections.abc import Callable

from tidegate import __version__
from tidegate.core.policy import Marks, Policy
from tidegate.report import tune_dots, tune_load, tune_losses, tune_week
from tidegate.report import tune_numbers as rows
from tidegate.report.cautions import CAUTIONS
from tidegate.report.lanes import ROOMS
from tidegate.report.parts import document, escape, paragraphs, table
from tidegate.tuning import said
from tidegate.tuning.advice import Advice
from tidegate.tuning.choice import Choice
from tidegate.tuning.device import Device
from tidegate.tuning.week import week


def page(
    choice: Choice, device: Device, advice: Advice, policy: Policy, *, remark: str = ""
) -> str:
    """Return the whole page. ``remark`` stands under the verdict.

    ``policy`` is the one that the candidates were walked with.
    """
    body = [
        f"<h1>{escape(advice.verdict)}</h1>",
        f'<p class="remark">{escape(remark)}</p>' if remark else "",
        *_pictures(choice, device),
        *_weeks(choice, device, policy),
        "<h2>Why</h2>",
        paragraphs(advice.reasons),
        *_changing(advice),
        *_numbers(choice, device),
        '<section class="page">\n<h2>Evidence</h2>',
        paragraphs(advice.rests_on),
        "<h2>Limits</h2>",
        paragraphs(advice.limits),
        "<h2>Cautions</h2>",
        paragraphs(CAUTIONS),
        "</section>",
        f"<footer>tidegate {escape(__version__)}.</footer>",
    ]
    return document(f"{device.station}: tuning", body)


def _pictures(choice: Choice, device: Device) -> list[str]:
    parts = []
    if choice.recommended is not None:
        parts += [
            "<h2>Regret and autonomy of the candidates</h2>",
            _figure(tune_dots.dots, choice, tune_dots.seen(choice)),
            paragraphs([_regret_said(choice)]),
            f"<h2>Loss by model over {escape(said.years(choice.years))}</h2>",
            _figure(tune_losses.losses, choice, tune_losses.seen(choice)),
        ]
    if device.is_calendar:
        parts += [
            "<h2>Load by hour of the week</h2>",
            _figure(tune_load.load, device, tune_load.seen(device)),
        ]
    return parts


def _weeks(choice: Choice, device: Device, policy: Policy) -> list[str]:
    """Return how a week would run, where the days of the week are known."""
    if choice.recommended is None or not device.is_calendar:
        return []
    places = {"recommended": choice.recommended}
    if choice.is_change and choice.present is not None:
        places["present settings"] = choice.present
    shown = []
    for name, place in places.items():
        it = choice.outcomes[place].candidate
        marks = Marks(low_percent=it.low_percent, high_percent=it.high_percent)
        lived = week(device, it, policy)
        named = f"{name}: {said.window(it)}"
        shown.append(tune_week.Shown(name=named, week=lived, marks=marks))
    finding = tune_week.seen(tuple(shown))
    drawn = "".join(
        tune_week.weeks(tuple(shown), policy, layout, finding=finding)
        for layout in tune_week.LAYOUTS
    )
    return ["<h2>A week as it would run</h2>", f"<figure>{drawn}</figure>"]


def _figure(draw: Callable[..., str], what: Choice | Device, finding: str) -> str:
    drawn = "".join(draw(what, room, finding=finding) for room in ROOMS)
    return f"<figure>{drawn}</figure>"


def _regret_said(choice: Choice) -> str:
    return (
        f"Regret: by how many points of the capacity a candidate costs more over "
        f"{said.years(choice.years)} than the best one for that model, in the model in "
        "which that is most; under 0 lies only what misses a constraint. The line joins what nothing beats in both measures; the "
        "front weighs switchings too."
    )


def _changing(advice: Advice) -> list[str]:
    if not advice.would_change:
        return []
    return ["<h2>What would change it</h2>", paragraphs(advice.would_change)]


def _numbers(choice: Choice, device: Device) -> list[str]:
    parts = ["<h2>Numbers</h2>"]
    if shown := rows.front(choice):
        of = f"{len(shown)} of {len(choice.outcomes)} candidates"
        parts.append(f"<h3>{of}: the front, thinned out evenly</h3>")
        parts.append(table("models", rows.FRONT, shown))
    if choice.recommended is not None:
        parts.append("<h3>Loss of capacity by model, estimates from new</h3>")
        parts.append(table("models", *rows.by_model(choice)))
    parts.append("<h3>What is asked, and how many candidates miss it</h3>")
    parts.append(table("numbers", ("what is asked", "miss it"), rows.asked(choice)))
    parts.append("<h3>The device, as learned from its readings</h3>")
    parts.append(table("numbers", ("what", "value"), rows.device(device)))
    return parts
