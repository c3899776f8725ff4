"""Loss by model: recommended, present, float and a hold side by side.

Large marks are after the years that decide, small ones after one year.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from tidegate.report.lanes import Lane, Room, Row, drawn
from tidegate.report.marks import DISC, FULL, HELD, SMALL, TRIANGLE, Kind
from tidegate.tuning import said
from tidegate.tuning.choice import Choice

RECOMMENDED: Final = Kind(kind="duty", shape=DISC, words="recommended")
NOW: Final = Kind(kind="present", shape=TRIANGLE, words="present settings")


def losses(choice: Choice, room: Room, *, finding: str) -> str:
    """Return the picture in one width; something is recommended."""
    years = tuple(dict.fromkeys((min(choice.outcomes[0].losses), choice.years)))
    return drawn(
        _rows(choice, years),
        _marks(choice, years),
        room,
        name="losses",
        finding=finding,
        title=f"loss of capacity over {said.years(choice.years)}",
    )


def seen(choice: Choice) -> str:
    """Return in words what the picture shows, model by model."""
    assert choice.recommended is not None
    new = choice.account(choice.recommended)
    now = None
    if choice.is_change and choice.present is not None:
        now = choice.account(choice.present)
    told = []
    for place, each in enumerate(new.models):
        words = f"{each.name}: {each.loss_percent:.1f} %"
        if now is not None:
            words += f", now {now.models[place].loss_percent:.1f} %"
        words += (
            f", float {each.float_loss_percent:.1f} %, hold "
            f"{each.hold_loss_percent:.1f} %"
        )
        told.append(words if each.counts else f"{words} (not counted)")
    over = said.years(choice.years)
    return f"Loss of capacity over {over} as recommended. {'; '.join(told)}."


def _rows(choice: Choice, years: tuple[int, ...]) -> list[Row]:
    """Return a row for each model: recommended, present, float, hold."""
    assert choice.recommended is not None
    lanes = [
        _lanes(choice, choice.recommended, years, RECOMMENDED),
        _lanes(choice, choice.recommended, years, FULL),
        _lanes(choice, choice.recommended, years, HELD),
    ]
    if choice.is_change and choice.present is not None:
        lanes.insert(1, _lanes(choice, choice.present, years, NOW))
    models = choice.account(choice.recommended).models
    return [
        Row(model=model, lanes=tuple(each))
        for model, *each in zip(models, *lanes, strict=True)
    ]


def _lanes(
    choice: Choice, place: int, years: tuple[int, ...], kind: Kind
) -> list[Lane]:
    """Return the lane of a kind, model by model."""
    which = {FULL.kind: "float_", HELD.kind: "hold_"}.get(kind.kind, "")
    accounts = [choice.outcomes[place].losses[each] for each in years]
    return [
        Lane(
            kind=kind,
            losses=tuple(getattr(each, f"{which}loss_percent") for each in models),
            is_outside=bool(getattr(models[-1], f"{which}outside")),
        )
        for models in zip(*(each.models for each in accounts), strict=True)
    ]


def _marks(choice: Choice, years: tuple[int, ...]) -> list[tuple[Kind, bool]]:
    assert choice.recommended is not None
    hold_percent = choice.account(choice.recommended).hold_percent
    held = replace(HELD, words=f"hold at {hold_percent:g} %")
    hollow = replace(RECOMMENDED, words="hollow: partly outside its tests")
    marks = [(RECOMMENDED, False), (FULL, False), (held, False), (hollow, True)]
    if choice.is_change and choice.present is not None:
        marks.insert(1, (NOW, False))
    if len(years) > 1:
        small = f"small: after {said.years(years[0])}"
        marks.append((replace(RECOMMENDED, words=small, size=SMALL), False))
    return marks
