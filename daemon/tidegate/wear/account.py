"""What each model says of a duty, beside float and a hold at the same temperatures."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from tidegate.wear.duty import Duty
from tidegate.wear.model import Model, State
from tidegate.wear.models import MODELS

FLOAT_PERCENT: Final = 100.0
LFP: Final = "lfp"
UNKNOWN: Final = "unknown"

# Losses that differ by less than this share of one are told as the same: any model errs
# by more. A choice, no source.
SAME_SHARE: Final = 0.01

Range = tuple[float, float]


def is_less(loss: float, other: float) -> bool:
    """Whether one loss is less than another by more than ``SAME_SHARE`` of it."""
    return loss < (1 - SAME_SHARE) * other


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelLoss:
    """One model's losses over the same time, in percent of the capacity.

    Each is counted from a new cell. ``rest_loss_percent`` is what the same levels
    would have cost without the cycles. ``counts`` says whether it is counted in "k of
    n". ``outside`` says in phrases what of this duty its tests did not cover,
    ``float_outside`` and ``hold_outside`` what of float and of the hold.
    """

    name: str
    loss_percent: float
    float_loss_percent: float
    hold_loss_percent: float
    outside: tuple[str, ...]
    counts: bool
    rest_loss_percent: float = 0.0
    float_outside: tuple[str, ...] = ()
    hold_outside: tuple[str, ...] = ()

    @property
    def is_better_than_float(self) -> bool:
        """Whether this model says that the duty cost less than float."""
        return is_less(self.loss_percent, self.float_loss_percent)

    @property
    def is_like_float(self) -> bool:
        """Whether this model tells the duty and float as the same."""
        return not self.is_better_than_float and not is_less(
            self.float_loss_percent, self.loss_percent
        )

    @property
    def avoided_percent(self) -> float:
        """Points of the capacity saved against float; negative where it cost more."""
        return self.float_loss_percent - self.loss_percent


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """Every model's number; there is no average.

    ``hold_percent`` is the level of the hold, ``efc_per_year`` the pace of the duty,
    ``chemistry`` what was declared. Temperatures are those of the duty, by time;
    ``None`` where they were not handed in.
    """

    models: tuple[ModelLoss, ...]
    days: float
    efc_per_year: float
    hold_percent: float
    chemistry: str = UNKNOWN
    mean_c: float | None = None
    lowest_c: float | None = None
    highest_c: float | None = None

    @property
    def better(self) -> int:
        """How many of the counted models say that the duty is better than float."""
        return sum(1 for each in self.counted if each.is_better_than_float)

    @property
    def is_like_float(self) -> bool:
        """Whether every counted model tells the duty and float as the same."""
        return all(each.is_like_float for each in self.counted)

    @property
    def of(self) -> int:
        """How many models count."""
        return len(self.counted)

    @property
    def counted(self) -> tuple[ModelLoss, ...]:
        """The models that count, in their order."""
        return tuple(each for each in self.models if each.counts)

    @property
    def loss_percent(self) -> Range | None:
        """The lowest and the highest loss of the counted models."""
        return _range(each.loss_percent for each in self.counted)

    @property
    def float_loss_percent(self) -> Range | None:
        """The same for float at 100 % at the same temperatures."""
        return _range(each.float_loss_percent for each in self.counted)

    @property
    def hold_loss_percent(self) -> Range | None:
        """The same for the hold."""
        return _range(each.hold_loss_percent for each in self.counted)

    @property
    def avoided_percent(self) -> Range | None:
        """Points saved against float, model by model; negative where it cost more."""
        return _range(each.avoided_percent for each in self.counted)


def account(
    duty: Duty,
    *,
    hold_percent: float,
    chemistry: str = UNKNOWN,
    models: Iterable[Model] | None = None,
) -> Account:
    """Return every model's loss for a duty, for float and for a hold.

    All begin with a new cell, so a short duty stands on the steep start of each law;
    ``duty.times`` gives a longer time at the same pace. The model of an LFP cell
    counts only where ``chemistry`` says so; the others always count, as none is of
    the very cell, and where the declared chemistry is another the tag says it.
    """
    asked = MODELS.values() if models is None else models
    at_full, at_hold = duty.held(FLOAT_PERCENT), duty.held(hold_percent)
    losses = []
    for model in asked:
        lived = model.lived(duty)
        at_rest = State(calendar=lived.calendar)
        cell = _other_cell(model, chemistry)
        losses.append(
            ModelLoss(
                name=model.name,
                loss_percent=100 * model.loss(lived),
                float_loss_percent=100 * model.loss(model.lived(at_full)),
                hold_loss_percent=100 * model.loss(model.lived(at_hold)),
                outside=(*model.outside(duty), *cell),
                counts=_counts(model, chemistry),
                rest_loss_percent=100 * model.loss(at_rest),
                float_outside=(*model.outside(at_full), *cell),
                hold_outside=(*model.outside(at_hold), *cell),
            )
        )
    mean_c, lowest_c, highest_c = _temperatures(at_hold)
    return Account(
        models=tuple(losses),
        days=duty.days,
        efc_per_year=duty.efc_per_year,
        hold_percent=hold_percent,
        chemistry=chemistry,
        mean_c=mean_c,
        lowest_c=lowest_c,
        highest_c=highest_c,
    )


def _counts(model: Model, chemistry: str) -> bool:
    return model.chemistry != LFP or chemistry == LFP


def _other_cell(model: Model, chemistry: str) -> tuple[str, ...]:
    cell = f"{model.chemistry.upper()} cell"
    if chemistry == UNKNOWN:
        return () if _counts(model, chemistry) else (f"{cell} (not declared)",)
    if chemistry == model.chemistry:
        return ()
    return (f"{cell} (declared {chemistry.upper()})",)


def _temperatures(
    duty: Duty,
) -> tuple[float, float, float] | tuple[None, None, None]:
    seconds = {celsius: each for (_, celsius), each in duty.rests.items() if each}
    if not seconds:
        return None, None, None
    mean = sum(celsius * each for celsius, each in seconds.items())
    return mean / sum(seconds.values()), min(seconds), max(seconds)


def _range(values: Iterable[float]) -> Range | None:
    found = tuple(values)
    return (min(found), max(found)) if found else None
