"""Times as they are written in the settings."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tidegate.settings import duration_ms, duration_text


@pytest.mark.parametrize(
    ("text", "value_ms"),
    [
        ("90s", 90_000),
        ("5min", 300_000),
        ("2h", 7_200_000),
        ("30d", 2_592_000_000),
        ("1.5h", 5_400_000),
        ("0.5s", 500),
        (" 2 h ", 7_200_000),
    ],
)
def test_a_written_time_is_milliseconds(text: str, value_ms: int) -> None:
    assert duration_ms(text) == value_ms


@pytest.mark.parametrize(
    "text",
    ["", "5", "5m", "5 minutes", "-5s", "1e3s", "5S", "٥s", "1h30min", "s", "1.s"],
)
def test_what_is_no_time_says_which_units_there_are(text: str) -> None:
    with pytest.raises(ValueError, match="units s, min, h and d"):
        duration_ms(text)


@pytest.mark.parametrize(
    ("value_ms", "text"),
    [
        (90_000, "90s"),
        (180_000, "3min"),
        (7_200_000, "2h"),
        (2_592_000_000, "30d"),
        (1_500, "1.5s"),
        (0, "0s"),
    ],
)
def test_a_time_is_written_in_the_largest_unit_that_divides_it(
    value_ms: int, text: str
) -> None:
    assert duration_text(value_ms) == text


@given(st.integers(min_value=0, max_value=400 * 86_400_000))
def test_writing_and_reading_come_back_to_the_second(value_ms: int) -> None:
    whole_ms = value_ms - value_ms % 1_000
    assert duration_ms(duration_text(whole_ms)) == whole_ms
