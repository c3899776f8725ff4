"""How much of the relay's life was used, and for which reasons it was switched."""

from __future__ import annotations

from typing import Final

from tidegate.audit.result import Switchings
from tidegate.report.finding import counted
from tidegate.report.ink import (
    CHARACTER,
    LINE,
    bar,
    picture_of,
    share_of,
    text,
)

WIDTH: Final = 328
LEFT: Final = 8
RIGHT: Final = 320
HEIGHT: Final = 14
REASONS_MOST: Final = 12
# A contact that lasts less is told in days.
_SHORT_YEARS: Final = 0.2


def switchings(made: Switchings, *, finding: str) -> str:
    """Return the bar of the relay's life over the bars of the reasons."""
    top, parts = _life(made)
    if made.reasons:
        parts.append(text(LEFT, top + LINE, "switchings by reason"))
        top += LINE + 8
        drawn, top = _reasons(made.reasons, top)
        parts += drawn
    return picture_of(
        "small switchings", parts, width=WIDTH, height=top + 4, finding=finding
    )


def _life(made: Switchings) -> tuple[float, list[str]]:
    if made.life is None or not made.has_contact:
        said, why = f"{made.used:,} operations", "of a kind without a contact"
        if made.has_contact:
            said, why = f"{said} of the contact", "its life is not in the settings"
        return 2 * LINE, [text(LEFT, LINE - 5, said), text(LEFT, 2 * LINE - 5, why)]
    width = RIGHT - LEFT
    lived = max(made.used, made.operations_of_log)
    used = min(lived / made.life, 1) if made.life else 1
    parts = [
        text(LEFT, LINE - 5, f"contact: lasts {made.life:,} operations"),
        bar("off", x=LEFT, y=LINE, width=width, height=HEIGHT),
        bar("on", x=LEFT, y=LINE, width=max(width * used, 1), height=HEIGHT),
    ]
    share = share_of(lived, made.life)
    where = "in this time" if lived == made.used else "in the whole log"
    parts.append(text(LEFT, 2 * LINE + HEIGHT, f"filled: {lived:,} {where} ({share})"))
    top = 2 * LINE + HEIGHT + 8
    if lived != made.used:
        said = f"of these {made.used:,} in this time"
        parts.append(text(LEFT, top + LINE - 8, said))
        top += LINE
    if made.life_years is not None:
        parts.append(text(LEFT, top + LINE - 8, at_this_pace(made.life_years)))
        top += LINE
    return top, parts


def at_this_pace(life_years: float) -> str:
    """Return how long the contact lasts, in words."""
    if life_years >= 100:
        return "at this pace more than 100 years from new"
    if life_years < _SHORT_YEARS:
        days = counted(max(round(365 * life_years), 1), "day")
        return f"at this pace {days} from new"
    digits = 0 if life_years >= 10 else 1
    return f"at this pace {life_years:.{digits}f} years from new"


def _reasons(
    reasons: tuple[tuple[str, int], ...], top: float
) -> tuple[list[str], float]:
    shown = sorted(reasons, key=lambda each: -each[1])
    rest = sum(count for _, count in shown[REASONS_MOST - 1 :])
    if len(shown) > REASONS_MOST:
        shown = [*shown[: REASONS_MOST - 1], ("other reasons", rest)]
    most = max(max(count for _, count in shown), 1)
    wide = min(max(len(code) for code, _ in shown), 22)
    start = LEFT + wide * CHARACTER + 8
    room = RIGHT - start - CHARACTER * (len(f"{most:,}") + 1)
    parts = []
    for code, count in shown:
        width = max(round(room * count / most, 2), 1)
        name = code if len(code) <= wide else code[: wide - 1] + "…"
        parts.append(text(start - 8, top + 12, name, anchor="end"))
        parts.append(bar("on", x=start, y=top + 1, width=width, height=HEIGHT - 2))
        parts.append(text(round(start + width + 5, 2), top + 12, f"{count:,}"))
        top += LINE
    return parts, top
