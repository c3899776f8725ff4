"""How often an answer is wrong: ``python -m support.taper_rates FROM COUNT``.

Over random devices (``support.charges``), told apart by confidence and by what was
told of them. A wrong answer is one of the two that is not the device's; unclear is none.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from support.charges import Device, device, mild, series
from tidegate.taper.finding import Finding, find

CONFIDENCES = ("high", "medium", "low")
TOLD: dict[str, Callable[[Device], bool]] = {
    "current and voltage": lambda made: made.tells_current and made.tells_voltage,
    "one of them": lambda made: made.tells_current != made.tells_voltage,
    "time and level alone": lambda made: (
        not made.tells_current and not made.tells_voltage
    ),
}


@dataclass
class Rates:
    """Counts of (group, what came of it); ``wrong`` has the seeds."""

    devices: int = 0
    counts: Counter[tuple[str, str]] = field(default_factory=Counter)
    wrong: list[int] = field(default_factory=list)

    def take(self, seed: int, made: Device, found: Finding) -> None:
        self.devices += 1
        came = "right" if found.verdict == made.truth else "wrong"
        if found.verdict == "unclear":
            came = "unclear"
        elif came == "wrong":
            self.wrong.append(seed)
        groups = ["all", *(name for name, holds in TOLD.items() if holds(made))]
        groups.append(f"truth: {made.truth}")
        if found.confidence is not None:
            groups.append(f"confidence {found.confidence}")
        for group in groups:
            self.counts[group, came] += 1

    def percent(self, group: str, came: str, *, of_verdicts: bool = False) -> float:
        kinds = ("right", "wrong") if of_verdicts else ("right", "wrong", "unclear")
        total = sum(self.counts[group, each] for each in kinds)
        return 100 * self.counts[group, came] / total if total else 0.0

    def lines(self) -> Iterator[str]:
        yield f"{'':<24}{'right':>7}{'wrong':>7}{'unclear':>9}{'wrong of verdicts':>19}"
        groups = [
            "all",
            *(f"confidence {each}" for each in CONFIDENCES),
            *TOLD,
            *("truth: tapers", "truth: does_not_taper"),
        ]
        for group in groups:
            right, wrong, unclear = (
                self.counts[group, each] for each in ("right", "wrong", "unclear")
            )
            share = self.percent(group, "wrong", of_verdicts=True)
            yield f"{group:<24}{right:>7}{wrong:>7}{unclear:>9}{share:>17.2f} %"


def measured(seeds: range, make: Callable[[int], Device] = device) -> Rates:
    rates = Rates()
    for seed in seeds:
        made = make(seed)
        rates.take(seed, made, find(series(made)))
    return rates


def verdicts(seeds: range, make: Callable[[int], Device] = mild) -> Counter[str]:
    """Return how often each verdict was given, whatever the truth."""
    return Counter(find(series(make(seed))).verdict.value for seed in seeds)


if __name__ == "__main__":
    begin, count = map(int, sys.argv[1:])
    found = measured(range(begin, begin + count))
    sys.stdout.write("\n".join(found.lines()) + "\n")
    sys.stdout.write(f"wrong: {found.wrong}\n")
    mildly = verdicts(range(begin, begin + count // 4))
    sys.stdout.write(f"mild tapers: {dict(mildly)}\n")
