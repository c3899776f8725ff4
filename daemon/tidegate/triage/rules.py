"""The table of rules, one function a row, in the order of the table.

A row says whether it applies; the first that does gives the answer. A row that may or
may not apply is passed over, and the answer is then not certain. Rows of safety ask
nothing of any number. The last row always applies.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

from tidegate.triage.case import Case
from tidegate.triage.fact import Fact
from tidegate.triage.inspection import SWELLING, Told
from tidegate.triage.limits import STOP_C
from tidegate.triage.result import Answer, Said

_SIGN: Final = {
    "lid_gap": "A lid, a back or a seam stands open.",
    "bulge": "A side is bulged.",
    "lifted_screen": "The screen is lifted, cracked from within or spotted.",
    "rocks": "It rocks on a flat table.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """Whether a row applies; ``None`` where that is not certain.

    ``reasons`` are why it does. ``turns`` is at what it would become otherwise, and
    ``lacks`` what would decide it.
    """

    holds: bool | None
    reasons: tuple[Said, ...] = ()
    turns: str = ""
    lacks: tuple[str, ...] = ()


NO: Final = Outcome(holds=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A row of the table: its reason code, its answer, what it asks, what it is about."""

    code: str
    answer: Answer
    asks: Callable[[Case], Outcome]
    about: str


# --- safety: no number counts ---------------------------------------------------------


def swelling(case: Case) -> Outcome:
    """Any sign that the pack has grown."""
    seen = [key for key in SWELLING if case.inspection.told(key) is Told.YES]
    if not seen:
        return NO
    signs = " ".join(_SIGN[key] for key in seen)
    return _applies("swelling", f"{signs} That is a sign of a swollen pack.")


def hot_at_rest(case: Case) -> Outcome:
    """Heat without work comes from the cell itself."""
    if case.inspection.hot_at_rest is not Told.YES:
        return NO
    return _applies("hot_at_rest", "It is warm to the hand at rest.")


def smell(case: Case) -> Outcome:
    """What a cell smells of has left the cell."""
    if case.inspection.smell is not Told.YES:
        return NO
    return _applies("smell", "It smells: electrolyte may have escaped.")


def leak(case: Case) -> Outcome:
    """A liquid, a crust or a stain."""
    if case.inspection.leak is not Told.YES:
        return NO
    return _applies("leak", "There is a liquid, a crust or a stain at it.")


def force_damage(case: Case) -> Outcome:
    """A cell that was bent or pierced can fail days later."""
    if case.inspection.force_damage is not Told.YES:
        return NO
    return _applies(
        "force_damage",
        "It was dropped, bent, crushed, pierced or wet: a cell damaged so may fail "
        "days later.",
    )


def critical_heat(case: Case) -> Outcome:
    """The log ends while the battery is critically hot, by an alarm or a reading."""
    if case.stands("battery_critical_heat"):
        return _applies(
            "critical_heat",
            "The log ends with the battery critically hot (battery_critical_heat "
            "stands).",
        )
    if case.evidence is None or not case.evidence.ends_hot:
        return NO
    return _applies(
        "critical_heat",
        f"The log ends with the battery at {case.evidence.last_c:.0f} °C, where no "
        f"charger may charge (JEITA, {STOP_C:g} °C).",
    )


# --- the battery and what it is for ---------------------------------------------------


def already_without(case: Case) -> Outcome:
    """There is no battery that could wear."""
    if case.evidence is None or case.evidence.fitted:
        return NO
    return _applies(
        "already_without",
        "The settings say that no battery is fitted (fitted = false).",
    )


def worn_not_needed(case: Case) -> Outcome:
    """Worn, no hours are wanted, and it may run without: the hazard can go for good."""
    return _worn(case, "worn_not_needed", _not_wanted(case), _may_run(case))


def worn_replaceable(case: Case) -> Outcome:
    """Worn, and a battery can be had."""
    return _worn(case, "worn_replaceable", _available(case, wanted=True))


def worn_no_battery(case: Case) -> Outcome:
    """Worn, no battery can be had, and it may run without."""
    return _worn(
        case, "worn_no_battery", _available(case, wanted=False), _may_run(case)
    )


def worn_no_way(case: Case) -> Outcome:
    """Worn, and no row above has shown another way."""
    return _worn(case, "worn_no_way")


# --- the duty -------------------------------------------------------------------------


def window_in_force(case: Case) -> Outcome:
    """A window is in force already: it stays."""
    marks = None if case.evidence is None else case.evidence.marks
    if marks is None:
        return NO
    return _applies(
        "window_in_force",
        f"A window of {marks.low_percent:g} to {marks.high_percent:g} % is in force: "
        "keep it.",
    )


def stands_full(case: Case) -> Outcome:
    """It stands full for much of its time."""
    return _of(case.full)


def runs_warm(case: Case) -> Outcome:
    """It runs warm, and charging in the heat can be spared."""
    return _of(case.warm)


def spared(case: Case) -> Outcome:
    """Neither full nor warm: there is nothing that a window would spare."""
    full, warm = case.full, case.warm
    # Without a temperature the heat is not known, and nothing speaks of any.
    is_cool = warm.holds is False or warm.is_missing
    if full.holds is True or warm.holds is True:
        found = [each.turns for each in (full, warm) if each.holds and each.turns]
        return Outcome(holds=False, turns=" and ".join(found))
    if full.holds is None or not is_cool:
        return Outcome(holds=None, lacks=(*full.lacks, *warm.lacks))
    return Outcome(
        holds=True,
        reasons=(
            Said(code="spared", text="Nothing wears it that a window would spare."),
        )
        + ((full.reason, warm.reason) if not warm.is_missing else (full.reason,)),
    )


def not_known(case: Case) -> Outcome:
    """What is left: until it is known, treat it as one that stands full."""
    return Outcome(
        holds=True,
        reasons=(
            Said(
                code="not_known",
                text="Too little is known to leave it as it is.",
            ),
        ),
    )


SAFETY: Final = "safety"
WEAR: Final = "wear"
DUTY: Final = "duty"


def _row(asks: Callable[[Case], Outcome], answer: Answer, about: str) -> Row:
    return Row(code=asks.__name__, answer=answer, asks=asks, about=about)


TABLE: Final = (
    _row(swelling, Answer.OUT_OF_USE, SAFETY),
    _row(hot_at_rest, Answer.OUT_OF_USE, SAFETY),
    _row(smell, Answer.OUT_OF_USE, SAFETY),
    _row(leak, Answer.OUT_OF_USE, SAFETY),
    _row(force_damage, Answer.OUT_OF_USE, SAFETY),
    _row(critical_heat, Answer.OUT_OF_USE, SAFETY),
    _row(already_without, Answer.NOTHING, DUTY),
    _row(worn_not_needed, Answer.ELIMINATOR, WEAR),
    _row(worn_replaceable, Answer.CHANGE_BATTERY, WEAR),
    _row(worn_no_battery, Answer.ELIMINATOR, WEAR),
    _row(worn_no_way, Answer.CHANGE_BATTERY, WEAR),
    _row(window_in_force, Answer.WINDOW, DUTY),
    _row(stands_full, Answer.WINDOW, DUTY),
    _row(runs_warm, Answer.WINDOW, DUTY),
    _row(spared, Answer.NOTHING, DUTY),
    _row(not_known, Answer.WINDOW, DUTY),
)


# --- parts of rows --------------------------------------------------------------------


def _applies(code: str, text: str) -> Outcome:
    return Outcome(holds=True, reasons=(Said(code=code, text=text),))


def _of(fact: Fact) -> Outcome:
    return Outcome(
        holds=fact.holds,
        reasons=(fact.reason,) if fact.holds else (),
        turns=fact.turns,
        lacks=fact.lacks,
    )


_WAYS: Final = {
    "worn_not_needed": "It is worn, no hours on it are wanted, and the device may run "
    "without it: what cannot swell need not be looked at.",
    "worn_replaceable": "It is worn, and a fitting battery can be had.",
    "worn_no_battery": "It is worn, no fitting battery can be had, and the device may "
    "run without one.",
    "worn_no_way": "It is worn, and nothing else is known to be a way: find a battery, "
    "or another device.",
}


def _worn(case: Case, code: str, *needs: Fact) -> Outcome:
    """Return a row about a worn battery that also needs other facts.

    Where it does not apply, it turns by what it needs, or by wear if that is all.
    """
    refused = [each for each in needs if each.holds is False]
    unsure = [each for each in needs if each.holds is None]
    if case.is_worn is False or refused:
        return _not_worn(case, refused, is_unsure=bool(unsure))
    lacks = [lack for each in unsure for lack in each.lacks]
    if case.is_worn is None:
        near = [each.turns for each in case.wear if each.holds is None and each.turns]
        lacks = [*_worn_lacks(case), *lacks]
        return Outcome(holds=None, turns=" or ".join(near), lacks=_once(lacks))
    if lacks:
        return Outcome(holds=None, lacks=_once(lacks))
    return _worn_out(case, code)


def _not_worn(case: Case, refused: list[Fact], *, is_unsure: bool) -> Outcome:
    """Return a row that does not apply, and by which numbers it would."""
    if case.is_worn is False:
        found = [] if refused or is_unsure else [each.turns for each in case.wear]
        return Outcome(holds=False, turns=" or ".join(filter(None, found)))
    is_near = case.is_worn and not is_unsure
    turns = " and ".join(each.turns for each in refused) if is_near else ""
    return Outcome(holds=False, turns=turns)


def _worn_out(case: Case, code: str) -> Outcome:
    worn = [each for each in case.wear if each.holds]
    return Outcome(
        holds=True,
        reasons=(
            Said(code=code, text=_WAYS[code]),
            *(each.reason for each in worn),
        ),
        # What has no number, such as a death on the battery, does not turn.
        turns=" and ".join(each.turns for each in worn)
        if all(each.turns for each in worn)
        else "",
    )


def _once(texts: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(texts))


def _worn_lacks(case: Case) -> list[str]:
    """Return what would decide whether it is worn: near its limit before unknown."""
    unsure = [each for each in case.wear if each.holds is None]
    found = [each for each in unsure if not each.is_missing] or unsure[:2]
    return [lack for each in found for lack in each.lacks]


def _not_wanted(case: Case) -> Fact:
    wanted = case.inspection.autonomy_wanted_h
    return Fact(
        code="not_wanted",
        holds=None if wanted is None else wanted == 0,
        said="No hours on its battery are wanted.",
        turns="no hours on its battery wanted",
        lacks=("the hours of autonomy wanted (autonomy_wanted_h)",)
        if wanted is None
        else (),
    )


def _may_run(case: Case) -> Fact:
    told = case.inspection.may_run_without_battery
    return Fact(
        code="may_run",
        holds=told.known,
        said="It may run without a battery.",
        turns="leave to run without a battery",
        lacks=("whether it may run without (may_run_without_battery)",)
        if told is Told.UNKNOWN
        else (),
    )


def _available(case: Case, *, wanted: bool) -> Fact:
    told = case.inspection.battery_available
    holds = told.known
    return Fact(
        code="available",
        holds=None if holds is None else holds is wanted,
        said="A fitting battery can be had." if wanted else "None can be had.",
        turns="a fitting battery to be had"
        if wanted
        else "no fitting battery to be had",
        lacks=("whether a fitting battery can be had (battery_available)",)
        if told is Told.UNKNOWN
        else (),
    )
