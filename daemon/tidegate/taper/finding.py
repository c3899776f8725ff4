"""The answer: does it taper, how sure is that, what it rests on and what is missing."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from tidegate.history import Series
from tidegate.taper.charges import Charge, charges
from tidegate.taper.evidence import SEEN_PERCENT, Evidence, Sign, evidence
from tidegate.taper.measured import Measured, measure
from tidegate.taper.shape import UNSTEADY

# The latest charges of a log; more of them say no more.
CHARGES_MOST: Final = 12
# From such a sum of weights on there is a verdict, and such a confidence. Set on 4,000
# random devices; the error rates of others are in DEVELOPERS.md.
VERDICT: Final = 3.0
MEDIUM: Final = 4.0
HIGH: Final = 5.0
# Who charged from higher than this did not see what comes before a taper.
START_MOST_PERCENT: Final = 65.0
LATE_START_PERCENT: Final = 58.0
EARLY_START_PERCENT: Final = 50.0
# Who stopped looking here saw no last fifth.
END_LEAST_PERCENT: Final = 75.0
# A supply so weak gives no more than a taper would.
WEAK_PERCENT_H: Final = 7.0
# One so weak takes as long as a taper does, from the beginning.
FEEBLE_PERCENT_H: Final = 4.0
# Neither charger is so much quicker in the last fifth than in the one before.
HELD_UP: Final = 0.4
# Of the time from 40 % on; the charger itself holds back for heat and cold.
HEAT_SHARE: Final = 0.1


class Verdict(StrEnum):
    """The answer."""

    TAPERS = "tapers"
    NOT = "does_not_taper"
    UNCLEAR = "unclear"


class Confidence(StrEnum):
    """How sure a verdict is, by the error rates in DEVELOPERS.md."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One charge: its figures, its evidence and what that adds up to.

    ``score`` is positive for a taper. ``is_held_by_heat``: its charger held it back.
    ``is_one_step``: it fell once, to a level that it kept, as where a device is used
    from then on.
    """

    measured: Measured
    evidence: tuple[Evidence, ...]
    score: float
    is_held_by_heat: bool
    is_one_step: bool

    @property
    def is_weak(self) -> bool:
        """Whether the supply gave too little for a taper to show."""
        return self.measured.rate_percent_h < WEAK_PERCENT_H

    @property
    def is_unsteady(self) -> bool:
        """Whether the device was used meanwhile, as it seems."""
        return self.measured.shape.unsteady_share > UNSTEADY

    @property
    def is_held_up(self) -> bool:
        """Whether the fifth before the last took far longer than the last."""
        ratio = self.measured.ratio
        return ratio is not None and ratio < HELD_UP


@dataclass(frozen=True, kw_only=True)
class Finding:
    """The answer for a station. ``confidence`` is ``None`` where it is unclear.

    ``charges`` are all that were looked at, the latest last; ``best`` is the one that
    shows most, ``None`` without any. ``found`` counts those of the whole series.
    """

    series: Series
    verdict: Verdict
    confidence: Confidence | None
    charges: tuple[Judged, ...]
    best: Judged | None
    found: int
    agree: bool

    @property
    def station(self) -> str:
        """Its name; a file made by hand may have none."""
        return self.series.station

    @property
    def evidence(self) -> tuple[Evidence, ...]:
        """What the best charge shows, the heaviest first."""
        if self.best is None:
            return ()
        return tuple(sorted(self.best.evidence, key=lambda each: -each.weight))


def find(series: Series) -> Finding:
    """Return the answer for a series."""
    found = charges(series)
    judged = [
        each for charge in found[-CHARGES_MOST:] if (each := judge(charge, series))
    ]
    usable = [each for each in judged if _is_usable(each)]
    verdict, confidence, agree = _verdict(usable)
    best = _best(usable or judged, verdict)
    if confidence is Confidence.HIGH and (best is None or not _is_well_seen(best)):
        confidence = Confidence.MEDIUM
    return Finding(
        series=series,
        verdict=verdict,
        confidence=confidence,
        charges=tuple(judged),
        best=best,
        found=len(found),
        agree=agree,
    )


def judge(charge: Charge, series: Series) -> Judged | None:
    """Return what one charge says; ``None`` where too little of it was seen."""
    measured = measure(charge, series)
    if measured is None:
        return None
    found = tuple(evidence(measured))
    is_hot = (measured.shape.heat_share or 0.0) > HEAT_SHARE
    score = float(sum(each.score for each in found))
    made = Judged(
        measured=measured,
        evidence=found,
        score=score,
        is_held_by_heat=is_hot,
        is_one_step=measured.shape.step_share is not None,
    )
    return replace(made, score=_limited(made))


def _limited(made: Judged) -> float:
    """Return the score less what the charge cannot show."""
    limits = [_least(made), _most(made)]
    hours, gap = made.measured.last_fifth_h, made.measured.last_fifth_gap_h
    if made.is_unsteady or (hours and gap > 0.25 * hours):
        limits = [max(limits[0], -MEDIUM), min(limits[1], MEDIUM)]
    return max(limits[0], min(made.score, limits[1]))


def _most(made: Judged) -> float:
    """Return how much it can say for a taper."""
    if made.is_held_by_heat:
        return 0.0
    if made.is_one_step or _contradicts(made):
        return VERDICT - 1.0
    return math.inf


def _least(made: Judged) -> float:
    """Return how much it can say against one, as a negative score."""
    measured = made.measured
    start, rate = measured.charge.start_percent, measured.rate_percent_h
    limits = [-math.inf]
    if made.is_held_by_heat and not measured.is_full:
        # What went on evenly to full in spite of it still did.
        limits.append(0.0)
    if made.is_weak:
        limits.append(1.0 - VERDICT if rate < FEEBLE_PERCENT_H else -VERDICT)
    if made.is_held_up or (measured.rests and measured.end_percent < SEEN_PERCENT):
        # What it would have done without, or above, was not seen.
        limits.append(1.0 - VERDICT)
    if start > EARLY_START_PERCENT:
        # A taper may have begun before; what is even then says less.
        limits.append(-(MEDIUM if start > LATE_START_PERCENT else HIGH))
    return max(limits)


def _contradicts(made: Judged) -> bool:
    """Return whether the last fifth was quick, or no sign but one is for a taper.

    The hours of the last fifth may stand alone: they are what a taper costs.
    """
    ways = {each.sign: each.score for each in made.evidence}
    last = ways.get(Sign.LAST_FIFTH, 0)
    if last < 0 or ways.get(Sign.EVEN, 0) < 0:
        return True
    return not last and sum(1 for score in ways.values() if score > 0) < 2


def _is_usable(each: Judged) -> bool:
    measured = each.measured
    return (
        measured.charge.start_percent <= START_MOST_PERCENT
        and measured.end_percent >= END_LEAST_PERCENT
        and len(measured.curve.parts) >= 3
    )


def _is_well_seen(best: Judged) -> bool:
    """Return whether more than times was told, and it began before mid charge."""
    measured = best.measured
    told = measured.by_current or measured.shape.highest_v is not None
    return told and measured.charge.start_percent <= EARLY_START_PERCENT


def _verdict(usable: Sequence[Judged]) -> tuple[Verdict, Confidence | None, bool]:
    scores = [each.score for each in usable]
    if not scores:
        return Verdict.UNCLEAR, None, True
    if max(scores) >= VERDICT and min(scores) <= -VERDICT:
        return Verdict.UNCLEAR, None, False
    score = statistics.median(scores)
    # A weak supply hides as much in every charge: several say no more than one.
    same = sum(1 for each in usable if abs(each.score) >= VERDICT and not each.is_weak)
    if same >= 2 and abs(score) >= VERDICT:
        score += 1.0 if score > 0 else -1.0
    if abs(score) < VERDICT:
        return Verdict.UNCLEAR, None, True
    verdict = Verdict.TAPERS if score > 0 else Verdict.NOT
    return verdict, _confidence(abs(score)), True


def _confidence(score: float) -> Confidence:
    if score >= HIGH:
        return Confidence.HIGH
    return Confidence.MEDIUM if score >= MEDIUM else Confidence.LOW


def _best(judged: Sequence[Judged], verdict: Verdict) -> Judged | None:
    """Return the charge that shows most, of those that say the same as the verdict."""
    wanted = {Verdict.TAPERS: 1, Verdict.NOT: -1}.get(verdict, 0)
    return max(
        judged,
        key=lambda each: (
            wanted * each.score > 0,
            each.measured.is_complete,
            abs(each.score),
            -each.measured.charge.start_percent,
        ),
        default=None,
    )
