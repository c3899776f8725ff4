"""The state of all stations in one sentence, for the status line of the manager."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Self

from tidegate.core.effects import Reason
from tidegate.core.state import State
from tidegate.words import REASONS, visible

# More names than these make a line that nobody reads.
NAMED_AT_MOST: Final = 6


@dataclass(frozen=True, slots=True)
class Said:
    """What one station does, as far as the sentence tells."""

    reason: Reason
    supply: str
    alarms: int

    @classmethod
    def of(cls, state: State) -> Self:
        """Return what the sentence says of this state."""
        commanded = state.drive.commanded
        supply = "not switched" if commanded is None else commanded.value
        return cls(state.reason, supply, len(state.alarms))


def sentence(
    stations: Mapping[str, Said],
    *,
    waiting: Mapping[str, str],
    unclosed: int,
) -> str:
    """Return the sentence; ``waiting`` are stations without a state, and why.

    ``unclosed``: how often the daemon came back within the hour after a kill or fault.
    """
    total = len(stations) + len(waiting)
    in_window = _names(stations, Reason.IN_WINDOW)
    measuring = _names(stations, Reason.MEASURE_ONLY)
    told = []
    if in_window:
        told.append(
            _counted(in_window, total, one="in its window", more="in their window")
        )
    if measuring:
        told.append(
            _counted(measuring, total, one="only measures", more="only measure")
        )
    apart = {*in_window, *measuring}
    each = [_one(name, stations[name]) for name in stations if name not in apart]
    each += [f"{visible(name)} {why}" for name, why in waiting.items()]
    told += _shortened(each)
    if alarms := sum(said.alarms for said in stations.values()):
        told.append("1 alarm" if alarms == 1 else f"{alarms} alarms")
    if unclosed:
        times = "once" if unclosed == 1 else f"{unclosed} times"
        told.append(f"restarted {times} within the hour after a kill or a fault")
    head = "1 station" if total == 1 else f"{total} stations"
    return f"{head}: {', '.join(told)}"


def _names(stations: Mapping[str, Said], reason: Reason) -> list[str]:
    return [name for name, said in stations.items() if said.reason is reason]


def _counted(names: list[str], total: int, *, one: str, more: str) -> str:
    if len(names) == 1:
        return f"{visible(names[0]) if total == 1 else 1} {one}"
    return f"{len(names)} {more}"


def _one(name: str, said: Said) -> str:
    return f"{visible(name)} supply {said.supply} because {REASONS[said.reason]}"


def _shortened(each: list[str]) -> list[str]:
    left = len(each) - NAMED_AT_MOST
    return each if left <= 0 else [*each[:NAMED_AT_MOST], f"and {left} more"]
