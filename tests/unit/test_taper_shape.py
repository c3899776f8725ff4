"""The shape of a charge: where it falls, whether in one step, where a voltage is held."""

from __future__ import annotations

import pytest

from tidegate.taper.curve import Part
from tidegate.taper.shape import Shape, shape_of

ONE = 1.0


def shape(shares: list[float], volts: list[float] | None = None) -> Shape:
    """Return the shape of parts of 5 %, the last of which ends at 100 %."""
    begin = 100 - 5 * len(shares)
    parts = [
        Part(
            low_percent=begin + 5.0 * place,
            high_percent=begin + 5.0 * place + 5,
            hours=0.1 / share,
            sigma_h=0.0,
            gap_h=0.0,
            current_a=2 * share,
            voltage_v=None if volts is None else volts[place],
            temperature_c=None,
        )
        for place, share in enumerate(shares)
    ]
    return shape_of(parts, shares)


@pytest.mark.parametrize(
    ("shares", "kept"),
    [
        pytest.param([ONE] * 4 + [0.3] * 8, 0.3, id="one step"),
        pytest.param([ONE] * 4 + [0.6] + [0.2] * 7, 0.2, id="within a part"),
        pytest.param([ONE] * 4 + [0.42, 0.33, 0.47] + [0.33] * 5, 0.33, id="coarse"),
        pytest.param([ONE] * 4 + [0.5] * 6 + [0.3, 0.1], 0.5, id="then held"),
        pytest.param([ONE] * 12, None, id="even"),
        pytest.param([ONE] * 3 + [0.5] * 4 + [0.2] * 5, None, id="two steps"),
        pytest.param([5.0] + [ONE] * 4 + [0.2] * 7, None, id="an earlier step"),
        pytest.param(
            [ONE] * 5 + [0.7, 0.63, 0.5, 0.43, 0.36, 0.29, 0.25], None, id="a slope"
        ),
        pytest.param([ONE] * 9 + [0.6, 0.3, 0.1], None, id="a held voltage"),
    ],
)
def test_one_step_down_is_told_from_a_slope(
    shares: list[float], kept: float | None
) -> None:
    found = shape(shares).step_share

    assert found == (None if kept is None else pytest.approx(kept))


def test_it_falls_where_all_that_follows_is_lower() -> None:
    rest = [0.8, 0.7, 0.5, 0.3]
    assert shape([ONE] * 5 + [0.8, ONE, ONE, *rest]).falls_at_percent == 80
    assert shape([ONE] * 6 + [0.8, ONE, *rest]).falls_at_percent == 75, "a lone part"
    assert shape([ONE] * 11 + [0.75]).falls_at_percent == 95, "the last counts alone"
    assert shape([ONE] * 12).falls_at_percent is None


def test_a_voltage_within_thirty_millivolts_of_its_highest_is_held() -> None:
    volts = [3.7, 3.75, 3.8, 3.85, 3.9, 3.95, 4.0, 4.05, 4.11, 4.16, 4.18, 4.2]
    found = shape([ONE] * 10 + [0.6, 0.3], volts)

    assert found.held_from_percent == 90
    assert found.share_before_voltage == 1
    assert found.fall_v == 0


def test_a_rise_after_a_fall_is_unsteady() -> None:
    assert shape([ONE, ONE, 0.3, ONE, ONE]).unsteady_share == pytest.approx(0.7)
    assert shape([ONE, ONE, 0.8, 0.5, 0.3]).unsteady_share == 0
