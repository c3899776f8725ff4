"""Random devices are told right: a short version of the slow measurement of errors."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest

from support.charges import Device, device, series, used
from tidegate.taper.finding import find

# Far from those the limits were set on (5000 to 9000) and those of the slow test.
FROM, COUNT = 20_000, 40


def quick(seed: int) -> Device:
    """Return a device that is read no oftener than once in two minutes."""
    made = device(seed)
    return replace(made, charges=1, every_s=max(made.every_s, 120.0))


def test_forty_devices_are_told_right_or_not_at_all() -> None:
    told: Counter[str] = Counter()
    wrong = []
    for seed in range(FROM, FROM + COUNT):
        made = quick(seed)
        found = find(series(made))
        told[found.verdict.value] += 1
        if found.verdict not in ("unclear", made.truth):
            wrong.append((seed, made.truth, found.confidence))

    assert len(wrong) <= 1, wrong
    assert not [each for each in wrong if each[2] == "high"]
    assert told["unclear"] <= 0.3 * COUNT
    assert min(told["tapers"], told["does_not_taper"]) >= 0.2 * COUNT


def test_who_switches_it_on_midway_makes_no_taper_of_it() -> None:
    """From some level on the device takes most of the supply for itself, for good."""
    told = []
    for seed in range(FROM, FROM + 40):
        made = quick(seed)
        if made.truth == "does_not_taper" and len(told) < 16:
            told.append(find(series(used(made))).verdict.value)

    assert len(told) == 16
    assert "tapers" not in told


def test_a_device_is_always_the_same() -> None:
    assert series(quick(FROM)).points == series(quick(FROM)).points


@pytest.mark.parametrize("seed", [20_001, 20_002])
def test_an_answer_does_not_hang_on_when_it_was(seed: int) -> None:
    told = series(quick(seed))
    moved = type(told)(
        **{
            **{name: getattr(told, name) for name in told.__dataclass_fields__},
            "points": tuple(
                each._replace(at_ms=each.at_ms + 86_400_000) for each in told.points
            ),
        }
    )

    assert find(told).verdict == find(moved).verdict
    assert find(told).evidence == find(moved).evidence
