"""A design worked out: voltages along the way, bank, fuse, and every check."""

from __future__ import annotations

from dataclasses import dataclass

from tidegate.eliminator import checks_back, checks_bank, checks_feed, checks_start
from tidegate.eliminator.asked import Asked
from tidegate.eliminator.bank import Bank, Task, choices
from tidegate.eliminator.check import Check, Outcome
from tidegate.eliminator.holdup import voltage_v
from tidegate.eliminator.inrush import Fuse, Inrush, fuse, precharge_ohm
from tidegate.eliminator.regulator import Feed, feed, highest_in_v, longest_m

# Points of the curve of the hold-up.
_POINTS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizing:
    """What came of it.

    ``feed`` is at the lowest voltage of the source, ``None`` where the power cannot
    pass; ``highest_in_v`` at its highest. ``bank`` is ``None`` where none does it;
    ``banks`` are the ones to choose from. ``start`` is the bank meeting the source
    with what holds it back, ``bare_start`` without.
    """

    asked: Asked
    task: Task
    feed: Feed | None
    highest_in_v: float | None
    longest_m: float
    bank: Bank | None
    banks: tuple[Bank, ...]
    precharge_ohm: float
    start: Inrush | None
    bare_start: Inrush | None
    fuse: Fuse | None
    checks: tuple[Check, ...]

    @property
    def failed(self) -> list[Check]:
        """The checks that fail."""
        return [each for each in self.checks if each.outcome is Outcome.FAILS]

    @property
    def untold(self) -> list[Check]:
        """The checks that cannot be told."""
        return [each for each in self.checks if each.outcome is Outcome.UNKNOWN]

    @property
    def passes(self) -> bool:
        """Whether every check is known to pass."""
        return all(each.passes for each in self.checks)

    def dip(self) -> list[tuple[float, float]]:
        """Return the voltage while the bank carries the peak: seconds and V.

        It ends early where the voltage breaks down.
        """
        if self.bank is None:
            return []
        found = []
        for place in range(_POINTS + 1):
            at_s = self.asked.for_s * place / _POINTS
            volt = voltage_v(
                self.asked.peak,
                from_v=self.asked.out_v,
                farad=self.bank.least_f,
                esr_ohm=self.bank.esr_ohm,
                at_s=at_s,
            )
            if volt is None:
                break
            found.append((at_s, volt))
        return found


def sized(asked: Asked) -> Sizing:
    """Work a design out."""
    way, regulator = asked.way, asked.regulator
    task = Task(
        load=asked.peak,
        from_v=asked.out_v,
        drop_v=asked.drop_v,
        for_s=asked.for_s,
        part_esr_ohm=asked.esr_ohm,
        tolerance=asked.tolerance,
        ageing=asked.ageing,
    )
    banks = tuple(choices(task))
    bank = asked.bank or (banks[0] if banks else None)
    found = feed(way, regulator, asked.load, asked.source.low_v)
    highest_v = highest_in_v(way, regulator, asked.load, asked.source.high_v)
    chosen = _fuse(asked, found)
    bare = _start(asked, bank, 0.0)
    held_ohm = _precharge_ohm(asked, bare, chosen)
    start = _start(asked, bank, held_ohm)
    checks = (
        *checks_feed.checks(asked, found, highest_v),
        *checks_bank.checks(asked, task, bank),
        *checks_start.checks(asked, found, start, chosen),
        *checks_back.checks(asked, bank),
    )
    return Sizing(
        asked=asked,
        task=task,
        feed=found,
        highest_in_v=highest_v,
        longest_m=longest_m(
            way,
            regulator,
            asked.load,
            asked.source.low_v,
            far_least_v=asked.source.far_least_v or 0.0,
        ),
        bank=bank,
        banks=banks,
        precharge_ohm=held_ohm,
        start=start,
        bare_start=bare,
        fuse=chosen,
        checks=checks,
    )


def _fuse(asked: Asked, found: Feed | None) -> Fuse | None:
    if found is None:
        return None
    return fuse(
        current_a=found.current_a,
        most_a=min(asked.wire.most_a(asked.ambient_c), asked.may_give_a),
        rating_a=asked.fuse_a,
        melting=asked.melting_a2s,
    )


def _start(asked: Asked, bank: Bank | None, held_ohm: float) -> Inrush | None:
    """Return the worst start: all of the bank, new, at the highest voltage, behind
    nothing but the cable at 20 °C and the resistor.
    """
    if bank is None:
        return None
    loop_ohm = 2 * asked.length_m * asked.wire.least_ohm_per_m
    return Inrush(volt=asked.source.high_v, farad=bank.most_f, ohm=loop_ohm + held_ohm)


def _precharge_ohm(asked: Asked, bare: Inrush | None, chosen: Fuse | None) -> float:
    if asked.precharge_ohm is not None:
        return asked.precharge_ohm
    if bare is None or checks_start.is_small(asked, bare):
        return 0.0
    return precharge_ohm(bare, asked.may_give_a, chosen)
