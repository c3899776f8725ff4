"""Loss by model: this duty, float and hold side by side, and the span between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from tidegate.report.ahead import Named
from tidegate.report.lanes import Lane, Room, Row, drawn
from tidegate.report.marks import DISC, FULL, HELD, SMALL, Kind
from tidegate.wear.account import ModelLoss

DUTY: Final = Kind(kind="duty", shape=DISC, words="this duty")


def models(accounts: Sequence[Named], room: Room, *, finding: str) -> str:
    """Return the picture in one width, of at least one account, the last one large.

    All are of the same models in the same order.
    """
    found = [account for _, account in accounts]
    by_model = zip(*(account.models for account in found), strict=True)
    held = replace(HELD, words=f"hold at {found[-1].hold_percent:g} %")
    hollow = replace(DUTY, words="hollow: partly outside its tests")
    marks = [(DUTY, False), (FULL, False), (held, False), (hollow, True)]
    if shorter := [name for name, _ in accounts[:-1]]:
        small = replace(DUTY, words=f"small: {', '.join(shorter)}", size=SMALL)
        marks.append((small, False))
    return drawn(
        [Row(model=each[-1], lanes=_lanes(each)) for each in by_model],
        marks,
        room,
        name="models",
        finding=finding,
    )


def _lanes(models: Sequence[ModelLoss]) -> tuple[Lane, Lane, Lane]:
    """Return the lanes of one model, whose last losses are those of the longest."""
    last = models[-1]
    return (
        Lane(
            kind=FULL,
            losses=tuple(each.float_loss_percent for each in models),
            is_outside=bool(last.float_outside),
        ),
        Lane(
            kind=DUTY,
            losses=tuple(each.loss_percent for each in models),
            is_outside=bool(last.outside),
        ),
        Lane(
            kind=HELD,
            losses=tuple(each.hold_loss_percent for each in models),
            is_outside=bool(last.hold_outside),
        ),
    )
