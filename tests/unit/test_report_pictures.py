"""The small pictures of an audit: numbers beside shapes, nothing cut, nothing on top.

All numbers are invented.
"""

import re
from datetime import timedelta, timezone
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support import audits
from support.pictures import assert_apart, assert_inside, of_class, texts
from tidegate.audit.result import Bin, HalfCycles, Step
from tidegate.core.policy import Marks
from tidegate.report.histogram import charge_histogram, heat_histogram
from tidegate.report.ink import hours_of, round_step, share_of
from tidegate.report.lanes import ROOMS
from tidegate.report.matrix import DARKEST, LIGHTEST, by_depth, matrix, short
from tidegate.report.models import models
from tidegate.report.resistance import SMALL, resistance
from tidegate.report.switchings import switchings

ZONE = timezone(timedelta(hours=1))
ROOM_NAMES = [room.name for room in ROOMS]


def svg_of(drawn):
    svg = ElementTree.fromstring(drawn)
    assert svg.get("role") == "img"
    assert_inside(svg)
    assert_apart(svg)
    return svg


# --- numbers in words -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("part", "whole", "said"),
    [
        (0, 10, "0 %"),
        (1, 10_000, "<0.1 %"),
        (6, 10_000, "0.1 %"),
        (9.94, 100, "9.9 %"),
        (9.96, 100, "10 %"),
        (1, 1, "100 %"),
        (0, 0, "0 %"),
    ],
)
def test_a_share_has_sensible_digits(part, whole, said):
    assert share_of(part, whole) == said


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (600, "10 min"),
        (3_600, "1.0 h"),
        (35_000, "9.7 h"),
        (36_000, "10 h"),
        (31_536_000, "8,760 h"),
    ],
)
def test_hours_have_sensible_digits(seconds, said):
    assert hours_of(seconds) == said


@given(st.floats(1e-3, 1e6), st.integers(2, 10))
def test_a_round_step_is_round_and_about_so_many(most, steps):
    step = round_step(most, steps=steps)
    digits = f"{step:.6e}".split("e")[0].rstrip("0").rstrip(".")
    assert digits in {"1", "2", "5"}
    assert most / step <= steps * 1.01
    assert most / step >= steps / 2.6


# --- histograms -----------------------------------------------------------------------


def test_bars_of_charge_carry_their_share_and_hours():
    # 9 of 12 hours at 55 to 60 %, 3 at 60 to 65 %.
    bins = audits.charge({55: 9 * 3600, 60: 3 * 3600}).histogram
    svg = svg_of(charge_histogram(bins, audits.MARKS, finding="a finding"))
    assert svg.get("aria-label") == "a finding"
    said = texts(svg)
    assert "75 %, 9.0 h" in said
    assert "25 %, 3.0 h" in said
    bars = [each.get("d") for each in of_class(svg, "time")]
    widths = [float(each.split("h")[1].split("v")[0]) for each in bars]
    assert widths[0] == pytest.approx(3 * widths[1], rel=0.01)


@pytest.mark.parametrize(
    "marks",
    [
        None,
        audits.MARKS,
        Marks(low_percent=58, high_percent=60),
        Marks(low_percent=5, high_percent=7),
        Marks(low_percent=93, high_percent=95),
        Marks(low_percent=20, high_percent=80),
    ],
)
def test_the_window_lies_behind_the_bars(marks):
    svg = svg_of(charge_histogram(audits.charge().histogram, marks, finding=""))
    if marks is None:
        assert not of_class(svg, "window")
        return
    assert len(of_class(svg, "window")) == 1
    assert {f"high {marks.high_percent:g} %", f"low {marks.low_percent:g} %"} <= set(
        texts(svg)
    )


@pytest.mark.parametrize("lows", [(20,), (-40, 80), (-5, 0), tuple(range(0, 60, 5))])
def test_any_range_of_warmth_fits(lows):
    bins = audits.heat(dict.fromkeys(lows, 3600.0)).histogram
    svg = svg_of(heat_histogram(bins, 45.0, finding=""))
    assert len(of_class(svg, "time")) == len(lows)
    assert ("hot 45 °C" in texts(svg)) == (lows[0] < 45 < lows[-1] + 5)


def test_charges_that_never_were_leave_no_empty_picture():
    # An hour between 50 and 55 %, and a window that ends at 65 %.
    bins = audits.charge({50: 3600}).histogram
    said = set(texts(svg_of(charge_histogram(bins, audits.MARKS, finding=""))))
    assert {"40 %", "80 %"} <= said
    assert not {"0 %", "20 %", "100 %"} & said


# --- the matrix -----------------------------------------------------------------------


def test_each_cell_says_its_count():
    svg = svg_of(matrix(audits.HALF_CYCLES, finding=""))
    # 2871 and 33.5 cycles share a cell, 9310.5 and 412 do not.
    counts = {each.text for each in of_class(svg, "count")}
    assert counts == {"2,904", "9,310", "412", "77", "2", "0.5"}
    shades = [float(each.get("fill-opacity")) for each in svg.iter("g")]
    assert max(shades) == DARKEST
    assert min(shades) >= LIGHTEST


def test_cycles_by_depth_keep_count_and_throughput():
    found = by_depth(audits.HALF_CYCLES)
    assert [label for label, _, _ in found] == [
        "50 to 100",
        "20 to 30",
        "10 to 20",
        "2 to 5",
        "0 to 2",
    ]
    assert sum(cycles for _, cycles, _ in found) == sum(
        each.count for each in audits.HALF_CYCLES
    )
    assert sum(moved for _, _, moved in found) == pytest.approx(
        sum(each.count * each.depth_percent / 100 for each in audits.HALF_CYCLES)
    )


@given(
    st.lists(
        st.tuples(st.floats(0.01, 100), st.floats(0, 100), st.floats(0.5, 1e6)),
        min_size=1,
        max_size=30,
    )
)
def test_any_cycles_fit(cycles):
    svg_of(
        matrix(
            [
                HalfCycles(depth_percent=depth, mean_percent=mean, count=count)
                for depth, mean, count in cycles
            ],
            finding="",
        )
    )


@pytest.mark.parametrize(
    ("count", "said"),
    [(0.5, "0.5"), (12.5, "12"), (9_999, "9,999"), (12_345, "12k"), (1e6, "1,000k")],
)
def test_a_count_is_short(count, said):
    assert short(count) == said


ALONE = (("a year read", audits.account()),)


# --- models ---------------------------------------------------------------------------


def marks_of(svg, kind):
    found = [each for each in svg.iter("path") if each.get("transform")]
    return [each for each in found if each.get("class").split()[0] == kind]


def place_of(mark):
    return float(mark.get("transform")[10:].split(",")[0])


@pytest.mark.parametrize("room", ROOMS, ids=ROOM_NAMES)
def test_each_model_has_its_three_numbers_and_words(room):
    svg = svg_of(models(ALONE, room, finding=""))
    said = texts(svg)
    for name, duty, floated, held, _, _ in audits.LOSSES:
        assert name in said
        for loss in (duty, floated, held):
            assert f"{loss:.1f} %" in said
    words = " ".join(said)
    assert words.count("more than float") == 2
    assert words.count("less than float") == 3
    assert words.count("not counted") == 1
    assert "average" not in words


@pytest.mark.parametrize("room", ROOMS, ids=ROOM_NAMES)
def test_marks_lie_to_scale_and_hollow_outside_the_tests(room):
    svg = svg_of(models(ALONE, room, finding=""))
    legend, *duty = marks_of(svg, "duty")
    assert legend.get("class") == "duty"
    hollow = duty.pop(0)
    assert hollow.get("class") == "duty hollow"
    assert [each.get("class") == "duty hollow" for each in duty] == [
        bool(outside) for *_, outside, _ in audits.LOSSES
    ]
    places = [place_of(each) for each in duty]
    losses = [duty for _, duty, *_ in audits.LOSSES]
    per_percent = (places[0] - places[2]) / (losses[0] - losses[2])
    zero = places[0] - per_percent * losses[0]
    assert zero == pytest.approx(room.left, abs=0.1)
    for place, loss in zip(places, losses, strict=True):
        assert place == pytest.approx(zero + per_percent * loss, abs=0.1)


@pytest.mark.parametrize("room", ROOMS, ids=ROOM_NAMES)
def test_shorter_times_are_small_marks_on_the_way_to_the_large_one(room):
    week = audits.account([("xu2016", 1.0, 2.0, 0.5, (), True)], days=7)
    years = audits.account([("xu2016", 8.0, 12.0, 9.0, (), True)])
    svg = svg_of(
        models([("7 days read", week), ("in 3 years", years)], room, finding="")
    )
    assert "small: 7 days read" in texts(svg)
    assert {"8.0 %", "12.0 %", "9.0 %"} <= set(texts(svg))
    for kind, losses in (("duty", (1, 8)), ("float", (2, 12)), ("hold", (0.5, 9))):
        (way,) = of_class(svg, f"{kind} way")
        left, right = re.findall(r"M([\d.]+),[\d.]+H([\d.]+)", way.get("d"))[0]
        small, large = marks_of(svg, kind)[-2:]
        assert small.get("transform").endswith("scale(0.5)")
        assert place_of(small) == float(left)
        assert place_of(large) == float(right)
        ratio = (place_of(large) - room.left) / (place_of(small) - room.left)
        assert ratio == pytest.approx(losses[1] / losses[0], rel=0.01)


def test_a_mark_is_hollow_only_for_what_its_tests_leave_out():
    (model,) = audits.account([("xu2016", 8.0, 12.0, 9.0, ("depth",), True)]).models
    cold = audits.changed(model, float_outside=(), hold_outside=("stored at -30 °C",))
    made = audits.changed(audits.account(), models=(cold,))
    svg = svg_of(models([("a year read", made)], ROOMS[0], finding=""))
    for kind, is_hollow in (("duty", True), ("float", False), ("hold", True)):
        mark = marks_of(svg, kind)[-1]
        assert (mark.get("class") == f"{kind} hollow") == is_hollow


def test_duty_float_and_hold_differ_in_shape():
    svg = svg_of(models(ALONE, ROOMS[0], finding=""))
    shapes = {marks_of(svg, kind)[0].get("d") for kind in ("duty", "float", "hold")}
    assert len(shapes) == 3


@pytest.mark.parametrize("room", ROOMS, ids=ROOM_NAMES)
@given(
    st.lists(
        st.tuples(*[st.floats(-2, 100)] * 3, st.booleans()), min_size=1, max_size=6
    )
)
def test_any_losses_fit(room, losses):
    made = audits.account(
        [
            (f"model{index}", *three, ("heat",) if index % 2 else (), counts)
            for index, (*three, counts) in enumerate(losses)
        ]
    )
    svg_of(models((("a year read", made),), room, finding=""))


def test_nothing_lost_at_all_still_has_a_scale():
    made = audits.account([("xu2016", 0.0, 0.0, 0.0, (), True)])
    assert "as much as float" in texts(
        svg_of(models((("a year read", made),), ROOMS[0], finding=""))
    )


# --- switchings and resistance --------------------------------------------------------


def test_the_relays_life_is_told_in_words_beside_its_bar():
    svg = svg_of(switchings(audits.SWITCHINGS, finding=""))
    said = texts(svg)
    assert "contact: lasts 100,000 operations" in said
    assert "filled: 5,840 in this time (5.8 %)" in said
    assert "at this pace 17 years from new" in said
    assert {"at_low_mark", "2,911", "relay_external_change", "12"} <= set(said)


def test_a_relay_of_unknown_life_says_so():
    made = audits.changed(audits.SWITCHINGS, life=None, life_years=None)
    said = texts(svg_of(switchings(made, finding="")))
    assert "its life is not in the settings" in said


def test_many_reasons_and_long_codes_fit():
    reasons = tuple((f"reason_{'x' * index}", 10_000 - index) for index in range(40))
    made = audits.changed(audits.SWITCHINGS, reasons=reasons, life_years=1e9)
    said = texts(svg_of(switchings(made, finding="")))
    assert "other reasons" in said
    assert "at this pace more than 100 years from new" in said


def test_a_worn_out_contact_fits():
    made = audits.changed(audits.SWITCHINGS, operations=250_000)
    said = texts(svg_of(switchings(made, finding="")))
    assert "filled: 250,000 in this time (250 %)" in said


@pytest.mark.parametrize("count", [1, 2, 120, 20_000])
def test_resistance_steps_are_dots(count):
    steps = [
        Step(
            at_ms=audits.T0 + index * audits.HOUR,
            ohm=0.1 + 0.001 * (index % 30),
            soc_percent=60,
            temperature_c=None,
        )
        for index in range(count)
    ]
    svg = svg_of(
        resistance(
            steps,
            sorted(step.ohm for step in steps)[count // 2],
            ZONE,
            from_ms=audits.T0,
            until_ms=audits.T0 + count * audits.HOUR,
            finding="",
        )
    )
    (dots,) = of_class(svg, "dots")
    assert min(count, 1_000) <= dots.get("d").count("M") <= 1_500
    assert any("mΩ" in said for said in texts(svg))


@pytest.mark.parametrize("hour", [-2, 5])
def test_a_step_outside_the_time_stays_inside_the_axis(hour):
    steps = [
        Step(
            at_ms=audits.T0 + index * audits.HOUR,
            ohm=0.1,
            soc_percent=60,
            temperature_c=None,
        )
        for index in (1, hour)
    ]
    svg = svg_of(
        resistance(
            steps,
            0.1,
            ZONE,
            from_ms=audits.T0,
            until_ms=audits.T0 + 4 * audits.HOUR,
            finding="",
        )
    )
    (dots,) = of_class(svg, "dots")
    places = [float(x) for x in re.findall(r"M([-\d.]+),", dots.get("d"))]
    assert len(places) == 2
    assert min(places) >= SMALL.left
    assert max(places) <= SMALL.width - SMALL.right


def test_bins_of_nothing_have_no_bar():
    bins = [Bin(low=20, high=25, seconds=3_600), Bin(low=25, high=30, seconds=0)]
    svg = svg_of(heat_histogram(bins, 45.0, finding=""))
    assert len(of_class(svg, "time")) == 1
