"""The text of a battery's charge control attributes, and which thresholds to write.

Source of the formats: Linux Documentation/ABI/testing/sysfs-class-power and
power_supply_charge_behaviour_show, power_supply_charge_types_show of
drivers/power/supply/power_supply_sysfs.c; the plain form is what some fuel gauges'
drivers print (mm8013). Numbers of thresholds are synthetic.
"""

from __future__ import annotations

import pytest

from tidegate_backends.wire import charge_control as wire


@pytest.mark.parametrize(
    ("text", "active", "offered"),
    [
        (
            "[auto] inhibit-charge force-discharge\n",
            "auto",
            ("auto", "inhibit-charge", "force-discharge"),
        ),
        ("auto [inhibit-charge]", "inhibit-charge", ("auto", "inhibit-charge")),
        (
            "auto inhibit-charge [inhibit-charge-awake]",
            "inhibit-charge-awake",
            ("auto", "inhibit-charge", "inhibit-charge-awake"),
        ),
        ("auto", "auto", ("auto",)),
        ("inhibit-charge\n", "inhibit-charge", ("inhibit-charge",)),
        # charge_types: blanks in a name are written as "_".
        ("Fast [Standard] Long_Life", "Standard", ("Fast", "Standard", "Long_Life")),
        ("Trickle Fast [Custom]", "Custom", ("Trickle", "Fast", "Custom")),
        # A word of a newer kernel is one more offer.
        ("[auto] something-new", "auto", ("auto", "something-new")),
    ],
)
def test_a_list_names_what_is_active_and_offered(
    text: str, active: str, offered: tuple[str, ...]
) -> None:
    assert wire.parse_choices(text) == wire.Choices(active, offered)


@pytest.mark.parametrize(
    "text", ["", "\n", "auto inhibit-charge", "[auto] [inhibit-charge]", "[]", "[auto"]
)
def test_a_list_without_one_active_word_is_odd(text: str) -> None:
    with pytest.raises(wire.OddText, match="one word in"):
        wire.parse_choices(text)


@pytest.mark.parametrize(("text", "percent"), [("0", 0), ("80\n", 80), ("100", 100)])
def test_a_percentage(text: str, percent: int) -> None:
    assert wire.parse_percent(text) == percent


@pytest.mark.parametrize(
    "text", ["", "101", "-1", "80 %", "8O", "0x50", "98.5", "\uff18\uff10", "1536"]
)
def test_what_is_no_percentage_is_odd(text: str) -> None:
    with pytest.raises(wire.OddText, match="0 to 100"):
        wire.parse_percent(text)


@pytest.mark.parametrize(
    ("level", "ends"),
    [
        (60, (60, 61, 62)),
        (1, (1, 2, 3)),
        (0, (1, 2, 3)),
        (97, (97, 98, 99)),
        (98, (98, 99)),
        (99, (99,)),
        (100, (99,)),
    ],
)
def test_an_off_is_the_level_or_a_little_more_and_never_full(
    level: int, ends: tuple[int, ...]
) -> None:
    assert wire.off_ends(level) == ends


@pytest.mark.parametrize(("end", "start"), [(60, 55), (5, 0), (3, 0), (100, 95)])
def test_charging_begins_again_well_under_the_end(end: int, start: int) -> None:
    assert wire.start_under(end) == start


@pytest.mark.parametrize(
    ("asked", "effective", "is_one"),
    [(60, 60, True), (60, 62, True), (60, 58, True), (60, 63, False), (60, 57, False)],
)
def test_a_rounding_is_two_points_at_most(
    asked: int, effective: int, is_one: bool
) -> None:
    assert wire.is_rounding(asked, effective) is is_one
