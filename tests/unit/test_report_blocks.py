"""The picture of a station in block characters: what stands where, gaps included.

The characters are those of Unicode's block elements and box drawing: a row has an upper
half (U+2580), a lower half (U+2584) and both (U+2588).
"""

from __future__ import annotations

from datetime import UTC

import pytest

from tidegate.core.policy import HOUR_MS, MINUTE_MS, Marks
from tidegate.report.blocks import LEAST_HEIGHT, LEAST_WIDTH, Style, picture
from tidegate.report.story import InForce, Line, Span, Story

# 2026-06-03 00:00 UTC, invented as all of it.
FROM_MS = 1_780_444_800_000
SPAN_MS = 6 * HOUR_MS
MARKS = Marks(low_percent=55.0, high_percent=65.0)


def told(*lines: Line, supply: str = "on", heat: bool = False) -> Story:
    until_ms = FROM_MS + SPAN_MS
    in_force = InForce(
        from_ms=FROM_MS, until_ms=until_ms, marks=MARKS, floor_percent=25.0
    )
    return Story(
        station="hall",
        from_ms=FROM_MS,
        until_ms=until_ms,
        soc=list(lines),
        heat=[[(FROM_MS, 20.0), (until_ms, 24.0)]] if heat else [],
        in_force=[in_force],
        supply=[Span(FROM_MS, until_ms, supply)],
    )


def line(from_share: float, until_share: float, *levels: float) -> Line:
    first, last = (FROM_MS + round(x * SPAN_MS) for x in (from_share, until_share))
    steps = max(1, len(levels) - 1)
    step_ms = (last - first) / steps
    return [(round(first + step_ms * n), each) for n, each in enumerate(levels)]


def drawn(story: Story, width: int = 80, height: int = 20) -> list[str]:
    return picture(story, width=width, height=height, ink=lambda _, t: t, zone=UTC)


def soc_columns(lines: list[str]) -> list[int]:
    rows = [text[4:65] for text in lines[:-4]]
    return sorted({n for row in rows for n, c in enumerate(row) if c in "▀▄█"})


@pytest.mark.parametrize(
    ("width", "height"), [(LEAST_WIDTH, LEAST_HEIGHT), (80, 24), (200, 60)]
)
def test_it_has_the_size_that_was_asked_for(width: int, height: int) -> None:
    lines = drawn(told(line(0, 1, 58, 64, 58), heat=True), width, height)
    assert len(lines) == height
    assert max(map(len, lines)) <= width


def test_marks_and_floor_are_named_at_the_right_edge_at_their_height() -> None:
    lines = drawn(told(line(0, 1, 60, 60)))
    places = [
        next(n for n, text in enumerate(lines) if text.endswith(name))
        for name in ("65 % high mark", "55 % low mark", "25 % floor")
    ]
    assert places == sorted(places)
    high, low, floor = places
    # A level row of 60 % lies between the marks.
    (level,) = {n for n, text in enumerate(lines) if set("▀▄") & set(text)} & set(
        range(high, low + 1)
    )
    assert high < level < low
    assert "░" in lines[high]
    assert "░" in lines[low]
    assert "░" not in lines[low + 1]
    assert "╌" * 60 in lines[floor]


def test_a_line_goes_from_the_first_column_to_the_last() -> None:
    assert soc_columns(drawn(told(line(0, 1, 60, 60)))) == list(range(61))


def test_a_gap_stays_a_gap() -> None:
    found = soc_columns(drawn(told(line(0, 0.25, 60, 60), line(0.75, 1, 60, 60))))
    columns = 80 - 4 - 15
    assert found[0] == 0
    assert found[-1] == columns - 1
    assert not [n for n in found if columns * 0.27 < n < columns * 0.73]


def test_a_steep_line_has_no_holes() -> None:
    """From one column to the next the charge leaps; what is between is drawn."""
    leap = [(FROM_MS + SPAN_MS // 2, 30.0), (FROM_MS + SPAN_MS // 2 + 1, 70.0)]
    lines = drawn(told(leap))
    rows = [n for n, text in enumerate(lines[:-4]) if set("▀▄█") & set(text[4:65])]
    assert rows == list(range(rows[0], rows[-1] + 1))
    assert len(rows) > 5


def test_the_supply_is_filled_when_on_and_open_when_off() -> None:
    story = told(line(0, 1, 60, 60))
    middle = FROM_MS + SPAN_MS // 2
    story.supply = [
        Span(FROM_MS, middle - 1, "on"),
        Span(middle, story.until_ms, "off"),
    ]
    strip = next(text for text in drawn(story) if text.endswith("supply off"))
    assert strip[4:33] == "█" * 29
    assert strip[36:65] == "▁" * 29


def test_what_is_not_known_of_the_supply_is_blank() -> None:
    story = told(line(0, 1, 60, 60))
    story.supply = [Span(FROM_MS + SPAN_MS // 2, story.until_ms, "on")]
    strip = next(text for text in drawn(story) if text.endswith("supply on"))
    assert strip[:30].strip() == ""


def test_an_alarm_has_its_code_where_there_is_room_and_a_mark_where_not() -> None:
    story = told(line(0, 1, 60, 60))
    story.alarms = [
        Span(FROM_MS, FROM_MS + HOUR_MS // 60, "battery_hot"),
        Span(FROM_MS + SPAN_MS // 2, story.until_ms, "supply_absent", stands=True),
    ]
    strip = next(text for text in drawn(story) if text.endswith("alarms"))
    assert "!supply_absent───" in strip
    assert strip.count("!") == 2
    assert "hot" not in strip


def test_the_temperature_is_a_strip_only_where_there_is_any() -> None:
    assert not any("°C" in text for text in drawn(told(line(0, 1, 60, 60))))
    strips = [t for t in drawn(told(line(0, 1, 60, 60), heat=True)) if "°C" in t]
    assert len(strips) == 1
    assert strips[0].endswith("24.0 °C")


def test_the_axis_has_local_times_and_names_the_zone() -> None:
    lines = drawn(told(line(0, 1, 60, 60)))
    assert "┬" in lines[-2]
    assert "02:00" in lines[-1]
    assert lines[-1].endswith("UTC")


def test_without_any_reading_there_is_still_the_frame() -> None:
    lines = drawn(Story(station="hall", from_ms=FROM_MS, until_ms=FROM_MS + MINUTE_MS))
    assert len(lines) == 20
    assert soc_columns(lines) == []


def test_each_piece_has_its_own_style_and_shape() -> None:
    """Colour is never the only sign: no two styles share a character."""
    shapes: dict[Style, set[str]] = {}

    def ink(style: Style, text: str) -> str:
        shapes.setdefault(style, set()).update(text.strip())
        return text

    story = told(line(0, 1, 58, 64), heat=True)
    story.alarms = [Span(FROM_MS, FROM_MS + HOUR_MS, "battery_hot")]
    picture(story, width=80, height=20, ink=ink, zone=UTC)
    assert shapes[Style.SOC] <= set("▀▄█")
    assert shapes[Style.BAND] == {"░"}
    assert shapes[Style.ALARM] & set("▀▄█░") == set()
