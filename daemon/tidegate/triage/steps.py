"""What to do, in order, for each answer. The first answer is the design's cautions
made into steps; for opening and converting, trained people and the maker decide.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from tidegate.triage.case import Case
from tidegate.triage.result import Answer

OUT_OF_USE: Final = (
    "Stop. Do not charge it, and do not press, bend, pierce or open it, nor push "
    "anything back into place. Touch no liquid or crust with bare hands.",
    "If it hisses, smokes, smells strongly or grows hotter: keep everybody away, leave, "
    "and call the fire service.",
    "Else pull the plug of its supply, if that is safe. An order to tidegate is no "
    "disconnection: in doubt, and when it stops, it returns the supply to on.",
    "Keep it away from what burns, from people and from ways out; one that is hot or "
    "leaks stays where it is, and what burns goes away from it.",
    "Do not ship it; let nobody take it home. Damaged cells have their own transport "
    "rules.",
    "Hand it to a qualified person and a licensed collector. Mark it: what was seen, "
    "when, by whom.",
    "Put it back into use only after a qualified person found the cause and changed "
    "the pack.",
)
_LOOK: Final = (
    "First look: answer each demand above with the device at rest, and triage again. "
    "Until then nobody has said that it is safe.",
)
_CHANGE: Final = (
    "Have the battery changed by trained people, with one of the maker's or one that he "
    "names; it is work near a cell.",
    "Hand the old pack to a licensed collector; one that turns out swollen has its own "
    "rules (see the cautions).",
    "Then: `tidegate prove`, and a window from the first day. The new pack is another "
    "battery to every number here.",
)
_ELIMINATE: Final = (
    "`tidegate convert` sizes the supply, the cable and the hold-up.",
    "The conversion is work for trained people under local code, and the maker's word "
    "goes before it: some devices do not start without a battery that answers (from "
    "memory).",
    "Hand the removed pack to a licensed collector. Then declare it: battery = { fitted "
    "= false }.",
)


def steps(answer: Answer, case: Case, *, is_provisional: bool) -> tuple[str, ...]:
    """Return the steps of an answer."""
    if answer is Answer.OUT_OF_USE:
        return OUT_OF_USE
    first = _LOOK if is_provisional else ()
    if answer is Answer.CHANGE_BATTERY:
        return (*first, *_CHANGE)
    if answer is Answer.ELIMINATOR:
        return (*first, *_ELIMINATE, *_hold_up(case))
    if answer is Answer.WINDOW:
        return (*first, *_window(case))
    return (*first, *_nothing(case))


def _hold_up(case: Case) -> Iterator[str]:
    wanted = case.inspection.autonomy_wanted_h
    if wanted:
        yield (
            f"The {wanted:g} h wanted must then come from a store before the supply, on "
            "the side of the mains."
        )


def _window(case: Case) -> Iterator[str]:
    evidence = case.evidence
    if evidence is None or evidence.marks is None:
        yield (
            "Set a window and commission it: `tidegate tune` compares marks, `tidegate "
            "prove` shows that the supply follows."
        )
    yield from _marks(case)
    made = None if evidence is None else evidence.switchings
    if made is not None and made.missing:
        yield (
            f"{made.missing:,} of {made.count:,} switchings had no effect; `tidegate "
            "prove` shows whether the supply follows now."
        )
    if made is not None and made.unconfirmed > made.count / 2 > 0:
        yield (
            f"Of {made.unconfirmed:,} of {made.count:,} switchings the effect was not "
            "seen: prove the station."
        )
    if case.full.holds and evidence is not None and evidence.marks is not None:
        yield (
            "It still stands full: see why (`tidegate status`), and lower the marks or "
            "mend the supply."
        )
    if case.warm.holds:
        yield "Cool it: out of the sun, away from warm air, a supply that gives less."
    yield _again(3)


def _marks(case: Case) -> Iterator[str]:
    """Yield which low mark the hours wanted ask for."""
    evidence, wanted = case.evidence, case.inspection.autonomy_wanted_h
    if evidence is None or evidence.autonomy is None or not wanted:
        return
    found = evidence.autonomy
    needed = found.floor_percent + wanted * found.rate.high
    marks = evidence.marks
    if marks is not None and needed <= marks.low_percent:
        return
    if needed <= 90:
        yield (
            f"For {wanted:g} h down to the floor of {found.floor_percent:g} % the low "
            f"mark must be {needed:.0f} % or more, at {found.rate.high:.1f} %/h."
        )
    else:
        yield (
            f"No window leaves {wanted:g} h down to the floor of "
            f"{found.floor_percent:g} % at {found.rate.high:.1f} %/h: a planned rise "
            "before what is known, or a store before the supply."
        )


def _nothing(case: Case) -> Iterator[str]:
    if case.evidence is not None and not case.evidence.fitted:
        yield "Nothing. Look at the supply that stands in for the battery once a year."
        return
    yield "Leave it as it is."
    yield _again(6)


def _again(months: int) -> str:
    return (
        f"Look for a gap, a bulge, heat and smell again in {months} months (a choice), "
        "and after every fall or hot spell."
    )
