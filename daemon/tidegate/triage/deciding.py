"""From an inspection and the evidence of a log to one answer."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from tidegate.triage.case import Case
from tidegate.triage.demands import demands
from tidegate.triage.evidence import Evidence
from tidegate.triage.inspection import Inspection
from tidegate.triage.result import Answer, Change, Said, Triage
from tidegate.triage.rules import SAFETY, TABLE, WEAR, Outcome, Row
from tidegate.triage.steps import steps

Asked = tuple[Row, Outcome]


def decided(
    inspection: Inspection,
    evidence: Evidence | None = None,
    *,
    today: date,
    station: str | None = None,
    without_log: str = "",
) -> Triage:
    """Return the answer of the first row that applies.

    It is certain only if nobody has to look first and no row before it may apply.
    """
    case = Case(inspection, evidence)
    asked = [(row, row.asks(case)) for row in TABLE]
    place = next(at for at, (_, found) in enumerate(asked) if found.holds)
    row, made = asked[place]
    is_out = row.answer is Answer.OUT_OF_USE
    first = () if is_out else demands(inspection, evidence, today=today)
    unsure = [each for each in asked[:place] if each[1].holds is None]
    return Triage(
        station=station if station is not None else inspection.station,
        answer=row.answer,
        is_certain=is_out or (not first and not unsure),
        look_first=first,
        reasons=_dangers(asked) if is_out else _reasons(case, made),
        steps=steps(row.answer, case, is_provisional=bool(first)),
        would_change=() if is_out else tuple(_changes(asked, place)),
        inspection=inspection,
        evidence=evidence,
        without_log=without_log,
    )


def _dangers(asked: list[Asked]) -> tuple[Said, ...]:
    """Return every sign: whoever takes the device in must know of all of them."""
    return tuple(
        reason
        for row, made in asked
        if row.about == SAFETY and made.holds
        for reason in made.reasons
    )


def _reasons(case: Case, made: Outcome) -> tuple[Said, ...]:
    """Return those of the row, then all that was found otherwise, each once."""
    others = (*case.wear, case.full, case.warm)
    unsure = [each for each in others if each.holds is None]
    found = (
        *(each for each in unsure if not each.is_missing),
        *(each for each in others if each.holds is not None),
        *(each for each in unsure if each.is_missing),
    )
    return tuple(dict.fromkeys((*made.reasons, *(each.reason for each in found))))


def _changes(asked: list[Asked], place: int) -> Iterator[Change]:
    """Yield what would turn the answer: what is not certain first, then numbers.

    Of rows with one answer the one that lacks least is told. A row after the one that
    applies is not reached by what is not certain, only by a number that turns both.
    """
    others = _others(asked, place)
    unsure: dict[Answer, Asked] = {}
    for each, found in others:
        known = unsure.get(each.answer)
        if found.holds is None and (known is None or _lacks_less(found, known[1])):
            unsure[each.answer] = each, found
    for each, found in unsure.values():
        yield _change(each, found)
    told = {found.turns for _, found in unsure.values()}
    for each, found in others:
        if found.holds is False and found.turns and found.turns not in told:
            told.add(found.turns)
            yield _change(each, found)
    yield from _without(asked, place)


def _others(asked: list[Asked], place: int) -> list[Asked]:
    """Return the rows of another answer that something might make apply."""
    row, made = asked[place]
    turns_both = row.about == WEAR or bool(made.turns)
    return [
        (each, found)
        for at, (each, found) in enumerate(asked)
        if each.about != SAFETY
        and each.answer is not row.answer
        and not found.holds
        and (
            at < place
            or (found.holds is False and turns_both and each.about == row.about)
        )
    ]


def _lacks_less(made: Outcome, other: Outcome) -> bool:
    return len(made.lacks) < len(other.lacks)


def _change(row: Row, made: Outcome) -> Change:
    lacks = made.lacks if made.holds is None else ()
    return Change(answer=row.answer, code=row.code, text=made.turns, lacks=lacks)


def _without(asked: list[Asked], place: int) -> Iterator[Change]:
    """Yield at which number the row itself would no longer apply, and what then.

    What then applies must rest on other facts than these.
    """
    row, made = asked[place]
    after = next(
        (
            each
            for each, outcome in asked[place + 1 :]
            if outcome.holds and each.about != row.about
        ),
        None,
    )
    if made.turns and after is not None and after.answer is not row.answer:
        yield Change(answer=after.answer, code=after.code, text=made.turns)
