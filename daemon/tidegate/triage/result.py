"""What a triage comes to: one answer, and all that it rests on."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from tidegate.triage.evidence import Evidence
from tidegate.triage.inspection import Inspection


class Answer(StrEnum):
    """What to do next, worst first."""

    OUT_OF_USE = "out_of_use"
    CHANGE_BATTERY = "change_battery"
    ELIMINATOR = "eliminator"
    WINDOW = "window"
    NOTHING = "nothing"


WORDS = {
    Answer.OUT_OF_USE: "out of use at once",
    Answer.CHANGE_BATTERY: "change the battery",
    Answer.ELIMINATOR: "battery eliminator",
    Answer.WINDOW: "window",
    Answer.NOTHING: "nothing needed",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """A reason: its code, and its sentence."""

    code: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """What somebody must look at first; ``key`` is that of the form, or of an alarm."""

    key: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What would turn the answer: to which, by which row, and at what.

    ``lacks`` are the facts that would decide it; where there are none it is a matter of
    the number in ``text``.
    """

    answer: Answer
    code: str
    text: str
    lacks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Triage:
    """The answer for one device.

    ``look_first`` are demands that come before it: while there are any the answer is
    provisional. ``is_certain``: no demand, and no row before it that may apply.
    ``reasons`` begin with that of the row; ``steps`` are what to do, in order.
    ``without_log`` says why there is no evidence.
    """

    station: str | None
    answer: Answer
    is_certain: bool
    look_first: tuple[Demand, ...]
    reasons: tuple[Said, ...]
    steps: tuple[str, ...]
    would_change: tuple[Change, ...]
    inspection: Inspection
    evidence: Evidence | None = None
    without_log: str = ""

    @property
    def words(self) -> str:
        """The answer in the words of people."""
        return WORDS[self.answer]

    @property
    def is_out(self) -> bool:
        """Whether the device goes out of use."""
        return self.answer is Answer.OUT_OF_USE

    @property
    def is_provisional(self) -> bool:
        """Whether somebody must look before the answer holds."""
        return bool(self.look_first)

    @property
    def rank(self) -> tuple[int, bool]:
        """By which devices are put in order, worst first."""
        if self.is_out:
            return 0, False
        if self.is_provisional:
            return 1, False
        return 2 + list(Answer).index(self.answer), self.is_certain
