"""How often ``tidegate taper`` is wrong, over a thousand random devices.

What the words high, medium and low stand for is measured here, on devices that the
limits were not set on. ``-s`` shows the table.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from support.charges import Device, device, used
from support.taper_rates import Rates, measured, verdicts

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]

FROM, COUNT = 100_000, 1_000


def shown(found: Rates) -> Rates:
    print("\n" + "\n".join(found.lines()))  # noqa: T201 - what it is for
    return found


def test_a_thousand_devices() -> None:
    rates = shown(measured(range(FROM, FROM + COUNT)))

    assert rates.devices == COUNT
    assert rates.percent("all", "wrong") <= 3, rates.wrong
    # What the words stand for, of the verdicts given with them.
    for confidence, most in (("high", 1), ("medium", 2), ("low", 10)):
        group = f"confidence {confidence}"
        assert rates.percent(group, "wrong", of_verdicts=True) <= most, rates.wrong
    assert rates.percent("all", "unclear") <= 25
    assert rates.counts["confidence high", "right"] > 0.4 * rates.counts["all", "right"]
    for truth in ("tapers", "does_not_taper"):
        assert rates.percent(f"truth: {truth}", "right") >= 70


@pytest.mark.parametrize(
    "harder",
    [
        lambda made: replace(made, r0_ohm=1.6 * made.r0_ohm, r1_ohm=1.6 * made.r1_ohm),
        lambda made: replace(made, end_a=0.4 * made.end_a),
        lambda made: replace(made, bursts=6),
        lambda made: replace(made, gaps=4),
        lambda made: replace(made, tells_temperature=False),
        used,
    ],
    ids=[
        *("more worn", "smaller end currents", "all in use", "gaps", "no temperature"),
        "used from midway on",
    ],
)
def test_it_holds_beyond_what_it_was_set_on(harder) -> None:
    def make(seed: int) -> Device:
        return harder(device(seed))

    found = shown(measured(range(FROM + 50_000, FROM + 50_200), make))

    assert found.percent("all", "wrong") <= 5, found.wrong
    assert found.percent("confidence high", "wrong", of_verdicts=True) <= 2


def test_mild_ones_are_mostly_left_open_or_called_tapers() -> None:
    told = verdicts(range(FROM, FROM + 200))

    print(told)  # noqa: T201
    assert told["does_not_taper"] <= 0.2 * 200
