"""The page of a tuning: in order, in one file, escaped, its numbers the choice's own.

All numbers are invented.
"""

from __future__ import annotations

import functools
import re
from dataclasses import replace
from xml.etree import ElementTree

import pytest

from support.pictures import assert_apart, assert_inside, of_class, texts
from support.tuning_cases import candidate, device, outcome, several
from tidegate.core.policy import Marks, Policy
from tidegate.report import tune_dots, tune_load, tune_losses
from tidegate.report.cautions import CAUTIONS
from tidegate.report.lanes import ROOMS
from tidegate.report.tune_page import page
from tidegate.tuning.advice import advise
from tidegate.tuning.choice import choose
from tidegate.tuning.constraints import Constraints
from tidegate.tuning.week import week

POLICY = Policy(marks=Marks(low_percent=55, high_percent=65))


@functools.cache
def case(name):
    made = device()
    outcomes, constraints = several(), Constraints()
    if name == "none":
        constraints = Constraints(autonomy_h=50)
    elif name == "leave":
        outcomes = outcomes[:1]
    elif name == "present misses":
        constraints = Constraints(autonomy_h=3.65)
    elif name == "hold":
        hold = candidate(48, 50, hold_percent=50.0)
        outcomes = [*outcomes, outcome(hold, (1.0,) * 4, switchings=0, efc=0)]
        constraints = Constraints(can_hold=True)
    elif name == "seconds only":
        made = device(is_calendar=False)
    elif name == "hostile":
        made = device(station="<script>alert(1)</script>", notes=("<b>&\x1b",))
    choice = choose(outcomes, constraints)
    return choice, made, advise(choice, made)


NAMES = ("change", "none", "leave", "present misses", "hold", "seconds only", "hostile")


@functools.cache
def page_of(name):
    return page(*case(name), POLICY)


def pictures(text):
    found = re.findall(r"<svg.*?</svg>", text, re.DOTALL)
    return [ElementTree.fromstring(each) for each in found]


@pytest.mark.parametrize("name", NAMES)
def test_pictures_hold_all_that_they_say(name):
    found = pictures(page_of(name))
    count = {"none": 3, "seconds only": 6}.get(name, 12)
    assert len(found) == count
    for svg in found:
        assert_inside(svg)
        assert_apart(svg)
        assert len(svg.get("aria-label")) > 40


def test_the_order_is_that_of_every_page():
    found = page_of("change")
    places = [
        found.index(each)
        for each in (
            "<h1>Set wall-guide to",
            "<svg",
            "<h2>Why</h2>",
            "<h2>What would change it</h2>",
            "<h2>Numbers</h2>",
            "<h2>Evidence</h2>",
            "<h2>Limits</h2>",
            "<h2>Cautions</h2>",
        )
    ]
    assert places == sorted(places)
    assert CAUTIONS[0].split("'")[0] in found
    assert "<script" not in found
    assert not re.search(r"(?:src|href)=\"(?!data:,)", found)


def test_what_a_log_holds_is_shown_and_not_run():
    found = page_of("hostile")
    assert "<script" not in found
    assert "&lt;script&gt;" in found
    assert "\x1b" not in found


def test_a_page_of_nothing_feasible_has_no_recommendation():
    found = page_of("none")
    assert "<h1>No candidate meets" in found
    assert "Loss by model" not in found
    assert "What would change it" not in found
    assert "misses autonomy" in found


def test_dots_are_where_regret_and_autonomy_say():
    choice, *_ = case("change")
    (room, *_) = ROOMS
    text = tune_dots.dots(choice, room, finding=tune_dots.seen(choice))
    svg = ElementTree.fromstring(text)
    # Six on the front beside the recommended one; one more stands in the legend.
    assert len(of_class(svg, "time")) == len(choice.front) - 1 + 1
    assert len(of_class(svg, "present")) == 2
    said = texts(svg)
    assert "asked: 2 h" in said
    assert said.count("recommended") == 2
    assert "present" in said
    x, y = place_of(of_class(svg, "duty")[-1])
    other_x, other_y = place_of(of_class(svg, "present")[-1])
    # More autonomy is further right, less regret further down.
    assert x > other_x
    assert y > other_y


def place_of(mark):
    return tuple(map(float, re.findall(r"[\d.]+", mark.get("transform"))[:2]))


def test_losses_are_drawn_apart_with_hollow_marks_outside_of_tests():
    choice, *_ = case("change")
    (room, *_) = ROOMS
    text = tune_losses.losses(choice, room, finding=tune_losses.seen(choice))
    svg = ElementTree.fromstring(text)
    # One in the legend, and the two models with something outside: kokam_nmc and the
    # one of another cell.
    assert len(of_class(svg, "duty hollow")) == 1 + 2
    assert len(of_class(svg, "present hollow")) == 2
    said = texts(svg)
    for words in ("4.5 %", "5.0 %", "8.0 %", "float at 100 %", "present settings"):
        assert words in said, words
    assert "not counted" in said
    assert "kokam_nmc: 4.5 %, now 5.0 %, float 8.0 %, hold 2.7 %" in svg.get(
        "aria-label"
    )


def test_load_is_open_where_nothing_was_seen():
    (room, *_) = ROOMS
    made = device()
    text = tune_load.load(made, room, finding=tune_load.seen(made))
    svg = ElementTree.fromstring(text)
    assert len(of_class(svg, "off")) == len(of_class(svg, "floor")) == 1
    assert len(of_class(svg, "soc")) == 1
    assert "For 24 of 168 hours of the week nothing was seen." in svg.get("aria-label")
    assert "3.0 points an hour (Mon 00:00) to 9.0 (Tue 09:00)" in svg.get("aria-label")


def test_the_table_marks_present_and_recommended_by_words():
    found = page_of("change").replace("\xa0", " ")
    assert "55 to 61 %, dwell 3min (recommended)" in found
    assert "55 to 65 %, dwell 3min (present settings)" in found
    assert ">3.8 ± 0.1 h (5.2 h)<" in found
    assert ">4,000 (25 years)<" in found
    assert "recommended, after 1, 3, 5 years" in found
    # 7.5 by its root after 1 and 5 years.
    assert ">4.3, 7.5, 9.7 %<" in found


# --- the week -------------------------------------------------------------------------


def constant(load, rise, **changed):
    """A device whose load and net charge are the same all week."""
    made = device()
    return replace(
        made,
        load=tuple(replace(each, percent_per_h=load) for each in made.load),
        rise=tuple(replace(each, percent_per_h=rise) for each in made.rise),
        slowing={},
        **changed,
    )


def test_a_week_of_constant_rates_is_the_saw_tooth_of_the_closed_form():
    """10 points at 5 an hour down and 10 up: 2 h off and 1 h on, 56 times a week."""
    found = week(constant(5.0, 10.0), candidate(55, 65), POLICY)
    assert sum(end - begin for begin, end in found.on) == pytest.approx(168 / 3)
    assert len(found.on) == pytest.approx(56, abs=1)
    levels = [level for _, level in found.levels]
    assert (min(levels), max(levels)) == pytest.approx((55, 65))
    hours = [hour for hour, _ in found.levels]
    assert hours == sorted(hours)
    assert (hours[0], hours[-1]) == pytest.approx((0, 168))


def test_a_dwell_carries_it_past_the_marks_and_the_floor_ends_it():
    slow = candidate(55, 65, dwell_on_ms=2 * 3_600_000, dwell_off_ms=5 * 3_600_000)
    levels = [lv for _, lv in week(constant(5.0, 10.0), slow, POLICY).levels]
    # 5 h at 5 an hour down, and then only back up to the mark.
    assert (min(levels), max(levels)) == pytest.approx((40, 65))
    long = candidate(55, 65, dwell_on_ms=2 * 3_600_000)
    levels = [lv for _, lv in week(constant(5.0, 10.0), long, POLICY).levels]
    # 2 h at 10 an hour up from the low mark.
    assert (min(levels), max(levels)) == pytest.approx((55, 75))
    heavy = [lv for _, lv in week(constant(12.0, 10.0), slow, POLICY).levels]
    assert min(heavy) == pytest.approx(POLICY.floor_percent)


def test_the_budget_lets_the_charge_rise_above_the_window():
    tight = replace(POLICY, per_hour=2, per_day=4)
    levels = [
        lv for _, lv in week(constant(5.0, 10.0), candidate(55, 65), tight).levels
    ]
    assert max(levels) > 90


def test_a_hold_is_level_and_a_weak_supply_never_ends():
    hold = candidate(58, 60, hold_percent=60.0)
    found = week(constant(5.0, 10.0), hold, POLICY)
    assert found.levels == [(0.0, 60.0), (168, 60.0)]
    assert found.on == ((0.0, 168),)
    # 6.8 Ah: 0.2 A is 2.9 points an hour, less than the load takes.
    weak = candidate(55, 65, supply_a=0.2)
    found = week(constant(5.0, 10.0), weak, POLICY)
    assert found.on == ((0.0, 168.0),)
    assert min(level for _, level in found.levels) == 0
