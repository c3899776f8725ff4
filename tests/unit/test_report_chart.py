"""The picture: everything inside it, nothing on top of another, gaps left open."""

import re
from collections import Counter
from datetime import UTC, datetime, timedelta, timezone
from itertools import pairwise
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.pictures import all_along, assert_apart, assert_inside, of_class, texts
from tidegate.core.policy import Marks, Policy
from tidegate.report.chart import (
    DENSE_APART,
    LANES_MOST,
    OTHERS,
    STRIP,
    lanes_of,
    picture,
)
from tidegate.report.plot import MEDIUM, NARROW, WIDE, spread, thinned
from tidegate.report.story import Span, Story
from tidegate.report.track import COLUMNS, Track

ZONE = timezone(timedelta(hours=2))
T0 = round(datetime(2025, 6, 3, 4, tzinfo=UTC).timestamp() * 1000)
HOUR = 3_600_000
LAYOUTS = [WIDE, MEDIUM, NARROW]
MARKS = Marks(low_percent=55, high_percent=65)


def told(hours=168, *, marks=MARKS, floor=25.0, alarms=(), soc=None, heat=()):
    """A synthetic story: charge between the marks, an hour up and two down."""
    end = T0 + hours * HOUR
    times = range(T0, end + 1, HOUR)
    line = [(at, 55.0 + 10 * (i % 3 == 1)) for i, at in enumerate(times)]
    return Story(
        station="wall-guide",
        policy=Policy(marks=marks, floor_percent=floor),
        from_ms=T0,
        until_ms=end,
        in_force=all_along(marks, floor, T0, end),
        soc=[line] if soc is None else soc,
        heat=list(heat),
        supply=[Span(T0, T0 + HOUR, "on"), Span(T0 + HOUR, end, "off")],
        alarms=list(alarms),
    )


def drawn(story, layout=WIDE, finding="a finding"):
    return ElementTree.fromstring(picture(story, ZONE, finding=finding, layout=layout))


ALARMS = [
    Span(T0 + hour * HOUR, T0 + (hour + 1) * HOUR, code)
    for hour, code in (
        (0, "overcharge_risk"),
        (53, "relay_no_effect"),
        (90, "temperature_absent"),
        (166, "relay_external_change"),
    )
]
STORIES = {
    "a week": told(alarms=ALARMS, heat=[[(T0, 21.0), (T0 + HOUR, 47.0)]]),
    "ten seconds": Story(
        station="s", from_ms=T0, until_ms=T0 + 10_000, soc=[[(T0, 50.0)]]
    ),
    "nine years": told(9 * 365 * 24),
    "nothing read": told(soc=[]),
    "a hold over the floor": told(
        marks=Marks(low_percent=28, high_percent=30), floor=23
    ),
    "low on the scale": told(marks=Marks(low_percent=6, high_percent=8), floor=1),
    "only measured": told(marks=None),
    "an alarm all along": told(
        alarms=[Span(T0, T0 + 168 * HOUR, "battery_critical_heat", stands=True)]
    ),
    "a steady temperature": told(heat=[[(T0, 22.0), (T0 + HOUR, 22.0)]]),
}


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: layout.name)
@pytest.mark.parametrize("name", STORIES)
def test_everything_lies_inside_the_picture(name, layout):
    assert_inside(drawn(STORIES[name], layout))


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: layout.name)
@pytest.mark.parametrize("name", STORIES)
def test_no_text_lies_on_another(name, layout):
    assert_apart(drawn(STORIES[name], layout))


def test_the_strips_share_one_time_axis():
    at, until = T0 + 84 * HOUR, T0 + 96 * HOUR
    story = told(alarms=[Span(at, until, "battery_hot")])
    story.supply = [Span(at, until, "on")]
    story.soc = [[(at, 60.0), (until, 60.0)]]
    story.heat = [[(at, 20.0), (until, 30.0)]]
    svg = drawn(story)
    begins = {
        name: re.match(r"M([\d.]+),", of_class(svg, name)[0].get("d"))[1]
        for name in ("soc", "on", "alarm", "mark", "heat")
    }
    middle = (WIDE.left + WIDE.width - WIDE.right) / 2
    assert set(begins.values()) == {f"{middle:g}"}


def test_charge_is_drawn_to_scale_over_its_window():
    svg = drawn(told(2, soc=[[(T0, 65.0), (T0 + HOUR, 55.0), (T0 + 2 * HOUR, 25.0)]]))
    places = re.findall(r",([\d.]+)", of_class(svg, "soc")[0].get("d"))
    edges = re.findall(r",([\d.]+)H", of_class(svg, "edge")[0].get("d"))
    floor = of_class(svg, "floor")[0].get("d").split(",")[1].split("H")[0]
    assert places == [*edges, floor]
    top, bottom = (float(edge) for edge in edges)
    assert bottom - top == pytest.approx(WIDE.soc_height / 10, abs=0.02)
    assert {"high 65 %", "low 55 %", "floor 25 %"} <= set(texts(svg))


def test_the_band_follows_the_window_over_time():
    story = told(10)
    wider = Marks(low_percent=40, high_percent=70)
    story.in_force = [
        *all_along(MARKS, 25, T0, T0 + 5 * HOUR),
        *all_along(wider, 20, T0 + 5 * HOUR, T0 + 8 * HOUR),
        *all_along(None, 20, T0 + 8 * HOUR, T0 + 10 * HOUR),
    ]
    svg = drawn(story)
    first, second = [
        [float(part) for part in re.findall(r"-?[\d.]+", each.get("d"))]
        for each in of_class(svg, "window")
    ]
    # Left, top, width, height; 30 points are three times 10, 5 hours 5/3 of 3.
    assert second[3] == pytest.approx(3 * first[3], abs=0.1)
    assert first[2] == pytest.approx(second[2] * 5 / 3, rel=0.01)
    assert first[0] + first[2] == pytest.approx(second[0], abs=0.1)
    (floor, *_) = of_class(svg, "floor")
    assert floor.get("d").count("M") == 3


def test_a_gap_is_not_bridged_and_a_lone_reading_is_a_dot():
    svg = drawn(told(soc=[[(T0, 60.0), (T0 + HOUR, 61.0)], [(T0 + 9 * HOUR, 50.0)]]))
    path = of_class(svg, "soc")[0].get("d")
    assert path.count("M") == 2
    assert path.endswith("h0")


def test_the_supply_shows_on_off_and_unknown():
    story = told(10)
    story.supply = [
        Span(T0, T0 + HOUR, "on"),
        Span(T0 + 2 * HOUR, T0 + 3 * HOUR, "off"),
    ]
    svg = drawn(story)
    assert [of_class(svg, name)[0].get("d").count("M") for name in ("on", "off")] == [
        1,
        1,
    ]
    assert "supply: filled = on, open = off" in texts(svg)


def test_a_supply_that_nobody_knows_is_said_to_be_unknown():
    story = told(10)
    story.supply = []
    assert "supply: unknown" in texts(drawn(story))


def test_a_temperature_that_hardly_moves_has_one_label():
    said = texts(drawn(told(heat=[[(T0, 21.9), (T0 + HOUR, 22.3)]])))
    assert said.count("22 °C") == 1
    said = texts(drawn(told(heat=[[(T0, 21.0), (T0 + HOUR, 22.3)]])))
    assert {"21 °C", "22 °C"} <= set(said)


def test_each_code_has_a_lane_a_mark_and_its_name():
    twice = [*ALARMS, Span(T0 + 120 * HOUR, T0 + 121 * HOUR, "relay_no_effect")]
    svg = drawn(told(alarms=twice))
    marks = [each.get("d").count("M") for each in of_class(svg, "mark")]
    assert sorted(marks) == [1, 1, 1, 2]
    said = Counter(texts(svg))
    assert all(said[span.label] == 1 for span in ALARMS)


def test_without_alarms_it_says_so():
    assert "alarms: none" in texts(drawn(told()))


def test_many_codes_share_the_last_lane():
    alarms = [Span(T0 + i, T0 + i + 1, f"code_{i}") for i in range(40)]
    lanes = list(lanes_of(alarms))
    assert len(lanes) == LANES_MOST
    assert lanes[-1][0] == OTHERS
    assert sum(len(spans) for _, spans in lanes) == 40


def test_the_hot_limit_is_drawn_where_it_was_near():
    near = drawn(told(heat=[[(T0, 21.0), (T0 + HOUR, 43.0)]]))
    far = drawn(told(heat=[[(T0, 21.0), (T0 + HOUR, 30.0)]]))
    assert "hot 45 °C" in texts(near)
    assert not any("hot" in said for said in texts(far))
    assert "battery temperature" not in texts(drawn(told()))


def test_it_names_its_zone_and_carries_its_finding():
    svg = drawn(told(), finding='<b> & "all" is well')
    assert "local time, UTC+02:00" in texts(svg)
    assert svg.get("role") == "img"
    assert svg.get("aria-label") == '<b> & "all" is well'


def test_codes_are_escaped():
    hostile = "<script>alert(1)</script>"
    svg = drawn(told(alarms=[Span(T0, T0 + 1, hostile)]))
    assert hostile in texts(svg)
    assert not list(svg.iter("script"))


def test_shapes_carry_no_colour_of_their_own():
    said = picture(STORIES["a week"], ZONE, finding="", layout=WIDE)
    assert not re.search(r"#[0-9a-fA-F]{3}|rgb|style=|fill=|stroke=", said)


def test_a_year_of_switchings_stays_small():
    story = told(365 * 24)
    line = [(T0 + i * 60_000, 55.0 + i % 11) for i in range(365 * 24 * 60)]
    story.soc = [line]
    assert len(picture(story, ZONE, finding="", layout=WIDE)) < 120_000


# --- much in little room --------------------------------------------------------------


def a_year(minutes=15):
    """Charge between the marks, four hours a cycle, and supply on for a quarter."""
    story = told(365 * 24)
    steps = range(365 * 24 * 60 // minutes)
    story.soc = [
        [(T0 + i * minutes * 60_000, 55.0 + 10 * (i % 16 == 4)) for i in steps]
    ]
    story.supply = [
        Span(T0 + i * HOUR, T0 + (i + 1) * HOUR, "off" if i % 4 else "on")
        for i in range(365 * 24)
    ]
    return story


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: layout.name)
def test_lines_that_would_blot_become_mean_and_extremes(layout):
    svg = drawn(a_year(), layout)
    assert "charge (SoC): mean and extremes" in texts(svg)
    assert_inside(svg)
    assert_apart(svg)
    (shade,) = of_class(svg, "soc shade")
    heights = {float(y) for y in re.findall(r",([\d.]+)", shade.get("d"))}
    (edge,) = of_class(svg, "edge")
    edges = {float(y) for y in re.findall(r",([\d.]+)H", edge.get("d"))}
    assert {min(heights), max(heights)} == edges


def test_a_week_keeps_its_lines():
    svg = drawn(told(168))
    assert "state of charge (SoC)" in texts(svg)
    assert not of_class(svg, "soc shade")


def test_a_gap_of_a_year_stays_a_gap_in_the_shade():
    story = a_year()
    (line,) = story.soc
    third = len(line) // 3
    story.soc = [line[:third], line[2 * third :]]
    svg = drawn(story)
    assert of_class(svg, "soc shade")[0].get("d").count("M") == 2
    assert of_class(svg, "soc")[0].get("d").count("M") == 2


def test_a_supply_that_switches_too_often_to_be_seen_is_drawn_as_its_share():
    svg = drawn(a_year())
    assert "supply: filled height = share of time on" in texts(svg)
    (shares,) = of_class(svg, "share")
    heights = [float(each) for each in re.findall(r"v-([\d.]+)h", shares.get("d"))]
    assert len(heights) == (WIDE.width - WIDE.left - WIDE.right) // DENSE_APART
    assert sum(heights) / len(heights) == pytest.approx(STRIP / 4, rel=0.02)
    # One open strip for all the time in which the supply is known.
    assert of_class(svg, "off")[0].get("d").count("M") == 1


@given(
    st.lists(st.integers(0, 100), min_size=1, max_size=60),
    st.integers(1, 5_000),
    st.integers(0, 50_000),
)
def test_an_envelope_keeps_extremes_time_and_mean(values, apart, late):
    line = [(late + i * apart, float(value)) for i, value in enumerate(values)]
    track = Track([line], 0, late + apart * len(values))
    ((first, *rest),) = track.envelope
    columns = [first, *rest]
    assert min(each.low for each in columns) == pytest.approx(min(values))
    assert max(each.high for each in columns) == pytest.approx(max(values))
    assert columns[0].from_ms == line[0][0]
    assert columns[-1].until_ms == pytest.approx(line[-1][0])
    assert all(a.until_ms == b.from_ms for a, b in pairwise(columns))
    assert len(columns) <= COLUMNS + 1
    area = sum(
        (before + after) / 2 * apart for before, after in pairwise(values)
    )  # the trapezoids under the line
    assert sum(each.weighted for each in columns) == pytest.approx(area, abs=1)
    assert all(each.low - 1e-6 <= each.mean <= each.high + 1e-6 for each in columns)


# --- laws -----------------------------------------------------------------------------

VALUES = st.lists(st.integers(0, 100), min_size=1, max_size=400)


@given(VALUES, st.integers(4, 100))
def test_thinning_keeps_ends_and_extremes(values, most):
    line = [(i, float(value)) for i, value in enumerate(values)]
    kept = thinned(line, most)
    assert kept[0] == line[0]
    assert kept[-1] == line[-1]
    assert {min(values), max(values)} <= {value for _, value in kept}
    assert set(kept) <= set(line)
    assert [at for at, _ in kept] == sorted(at for at, _ in kept)
    assert len(kept) <= most + 4


@given(st.lists(st.floats(0, 200), min_size=1, max_size=8).map(sorted))
def test_labels_are_spread_apart_and_stay_inside(wanted):
    placed = spread(wanted, apart=14, top=0, bottom=200)
    assert all(b - a >= 14 - 1e-9 for a, b in pairwise(placed))
    assert placed[-1] <= 200
    assert placed[0] >= 0
    if all(b - a >= 14 for a, b in pairwise(wanted)):
        assert placed == wanted
