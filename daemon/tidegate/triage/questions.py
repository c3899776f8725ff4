"""The questions of an inspection: safety first, and what each answer may be.

The form, the terminal and a list of many devices are all made from these.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final

from tidegate.triage.inspection import Told

LONGEST_TEXT: Final = 200


class NotThis(Exception):
    """A value is not what its question allows; the text says what is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """A key of the form, what is asked, and what explains it.

    ``kind`` is ``told`` (yes, no or unknown), ``number``, ``date`` or ``text``. A
    number lies from ``least`` to ``most``. ``looks`` says what to do to find out.
    """

    key: str
    kind: str
    asks: str
    looks: str = ""
    least: float = 0.0
    most: float = 0.0

    @property
    def allowed(self) -> str:
        """What an answer may be."""
        if self.kind == "told":
            return '"yes", "no" or "unknown"'
        if self.kind == "number":
            return f"a number from {self.least:g} to {self.most:g}"
        if self.kind == "date":
            return "a date such as 2026-03-02"
        return f"text of at most {LONGEST_TEXT} characters"

    def value(self, found: object) -> Told | float | date | str:
        """Return a value of TOML as the inspection holds it. Errors: NotThis."""
        if self.kind == "told":
            return self._told(found)
        if self.kind == "number":
            return self._number(found)
        if self.kind == "date":
            return self._date(found)
        if isinstance(found, str) and len(found) <= LONGEST_TEXT:
            return found
        raise NotThis(self.allowed)

    def read(self, text: str) -> Told | float | date | str:
        """Return what was typed as the inspection holds it. Errors: NotThis."""
        if self.kind != "number":
            return self.value(text.strip())
        try:
            return self.value(float(text))
        except ValueError as error:
            raise NotThis(self.allowed) from error

    def _told(self, found: object) -> Told:
        if isinstance(found, bool):
            return Told.YES if found else Told.NO
        if isinstance(found, str):
            short = {"y": "yes", "n": "no", "?": "unknown"}
            lowered = found.strip().lower()
            try:
                return Told(short.get(lowered, lowered))
            except ValueError:
                pass
        raise NotThis(self.allowed)

    def _number(self, found: object) -> float:
        if isinstance(found, bool) or not isinstance(found, int | float):
            raise NotThis(self.allowed)
        if not self.least <= found <= self.most:  # nor is what is not a number
            raise NotThis(self.allowed)
        return float(found)

    def _date(self, found: object) -> date:
        if isinstance(found, date) and type(found) is date:
            return found
        if isinstance(found, str):
            try:
                return date.fromisoformat(found)
            except ValueError:
                pass
        raise NotThis(self.allowed)


def _told(key: str, asks: str, looks: str = "") -> Question:
    return Question(key=key, kind="told", asks=asks, looks=looks)


QUESTIONS: Final = (
    _told(
        "lid_gap",
        "Does a lid, a back or a seam stand open anywhere?",
        "Look along every seam against the light. Do not press, pry or push it shut.",
    ),
    _told(
        "bulge",
        "Is any side bulged?",
        "Rest a ruler on its edge across the back and the front: no light under its "
        "ends. Do not press on a bulge.",
    ),
    _told(
        "lifted_screen",
        "Is the screen lifted, cracked from within, or does it show a bright spot?",
        "Look along it from the side and at a plain white picture.",
    ),
    _told(
        "rocks",
        "Does it rock on a flat table?",
        "Lay it on its back and look from the side: all corners touch. Press on none.",
    ),
    _told(
        "hot_at_rest",
        "Is it warm to the hand at rest?",
        "Supply off and screen off for an hour, out of the sun; then bring the back of "
        "a hand near, and touch it only if no heat is felt.",
    ),
    _told(
        "smell",
        "Does it smell, sweet or of solvent?",
        "Smell at the seams from a hand's breadth, once; not closer.",
    ),
    _told(
        "leak",
        "Is there a liquid, a crust or a stain at a seam or a contact?",
        "Do not touch it with bare hands.",
    ),
    _told(
        "force_damage",
        "Was it dropped, bent, crushed, pierced or wet?",
        "Look for dents and cracks, and ask who looks after it.",
    ),
    _told(
        "died_on_battery",
        "Did it go dark within minutes of losing its supply, with charge left?",
        "Ask who looks after it; do not try it out.",
    ),
    _told("always_fed", "Is it on its supply all the time?"),
    _told(
        "holds_itself",
        "Does it hold its own charging back well below 100 %?",
        "`tidegate taper` answers this from a logged charge.",
    ),
    Question(
        key="autonomy_wanted_h",
        kind="number",
        asks="For how many hours must it run on its battery? 0: it need not.",
        most=1000,
    ),
    _told(
        "may_run_without_battery",
        "May it run without a battery, on a supply alone?",
        "By its maker's word and by the rules of the house (escape routes, alarms).",
    ),
    _told(
        "battery_available",
        "Can a fitting battery be had, from its maker or one he names?",
    ),
    Question(
        key="autonomy_seen_h",
        kind="number",
        asks="How many hours did it last on its battery from full, by the clock?",
        most=1000,
    ),
    Question(
        key="age_years",
        kind="number",
        asks="How old is the battery, in years?",
        most=50,
    ),
    Question(
        key="full_years",
        kind="number",
        asks="For how many years of that did it stand full on its charger?",
        most=50,
    ),
    Question(
        key="design_ah",
        kind="number",
        asks="What capacity stands on the battery or its data sheet, in Ah?",
        least=0.05,
        most=1000,
    ),
    Question(
        key="resistance_new_ohm",
        kind="number",
        asks="What was its resistance when new, in ohm, measured the same way?",
        least=0.0001,
        most=100,
    ),
    Question(key="station", kind="text", asks="Which station is it?"),
    Question(
        key="on",
        kind="date",
        asks="On which day was it looked at?",
        looks="The day of the look itself; without it an inspection is of any age.",
    ),
    Question(key="by", kind="text", asks="Who looked?"),
    Question(key="notes", kind="text", asks="Anything else?"),
)
QUESTION: Final = {each.key: each for each in QUESTIONS}
