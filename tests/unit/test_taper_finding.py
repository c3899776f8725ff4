"""What a charge shows, sign by sign, what is missing, and what it comes to.

The devices are made by ``support.charges``, which shares no code with what is tested.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest

from support.charges import MILD, Device, rows, series
from tidegate.taper.document import as_document
from tidegate.taper.evidence import Points, Sign
from tidegate.taper.finding import Confidence, Finding, find
from tidegate.taper.meaning import headline, meaning, next_steps
from tidegate.taper.missing import missing

PLAIN = Device(seed=1)
TAPERS = Device(taper="falling", from_percent=50, last_fifth_h=10, most_h=40, seed=2)
BY_HAND = {
    "tells_voltage": False,
    "tells_current": False,
    "tells_temperature": False,
    "tells_fed": False,
    "every_s": 600.0,
}


@cache
def found(made: Device) -> Finding:
    return find(series(made))


def points(made: Device) -> dict[Sign, Points]:
    return {each.sign: each.points_to for each in found(made).evidence}


def lacks(made: Device) -> str:
    return " ".join(missing(found(made)))


# --- the verdict ----------------------------------------------------------------------


def test_constant_current_then_voltage_does_not_taper() -> None:
    assert found(PLAIN).verdict == "does_not_taper"
    assert found(PLAIN).confidence == "high"
    assert points(PLAIN) == {
        Sign.BEFORE_VOLTAGE: Points.NOT,
        Sign.EARLY_FALL: Points.NOT,
        Sign.LAST_FIFTH: Points.NOT,
        Sign.VOLTAGE: Points.NEITHER,
    }


def test_a_falling_current_tapers() -> None:
    assert found(TAPERS).verdict == "tapers"
    assert found(TAPERS).confidence == "high"
    said = points(TAPERS)
    assert said[Sign.BEFORE_VOLTAGE] is Points.TAPERS
    assert said[Sign.LAST_FIFTH] is Points.TAPERS


@pytest.mark.parametrize("kind", ["falling", "stepped", "lowered"])
@pytest.mark.parametrize("hours", [6, 12])
def test_time_and_level_every_ten_minutes_are_enough(kind: str, hours: float) -> None:
    made = replace(TAPERS, taper=kind, last_fifth_h=hours, charge_a=0.8, **BY_HAND)

    assert found(made).verdict == "tapers"
    assert found(made).confidence in ("medium", "low"), "it is less sure than the rest"
    assert "No current and no voltage was told" in lacks(made)


def test_an_even_charge_noted_by_hand_does_not_taper() -> None:
    made = replace(PLAIN, charge_a=0.8, **BY_HAND)

    assert found(made).verdict == "does_not_taper"
    assert found(made).confidence == "medium"


@pytest.mark.parametrize("ohm", [0.02, 0.05, 0.1])
@pytest.mark.parametrize("rate", [0.1, 0.3, 0.7])
def test_a_worn_cell_charged_fast_is_no_taper(ohm: float, rate: float) -> None:
    """Its voltage is reached early, and the current falls from there on."""
    made = replace(PLAIN, r0_ohm=ohm, r1_ohm=ohm, charge_a=4 * rate)

    assert found(made).verdict == "does_not_taper"


@pytest.mark.parametrize("spare_a", [0.2, 0.4, 0.8])
def test_a_weak_supply_is_no_taper(spare_a: float) -> None:
    made = replace(PLAIN, supply_a=PLAIN.load_a + spare_a, most_h=40)

    assert found(made).verdict == "does_not_taper"
    best = found(made).best
    assert best is not None
    assert best.measured.ratio == pytest.approx(1.0, abs=0.35)
    assert ("one so weak" in lacks(made)) == (spare_a == 0.2)


def test_a_feeble_supply_is_no_answer() -> None:
    """At 3 % an hour a charge takes as long as a taper would, from the beginning."""
    made = replace(PLAIN, supply_a=PLAIN.load_a + 0.12, most_h=40, charges=2)

    assert found(made).verdict == "unclear"
    assert "one so weak" in lacks(made)


def test_several_charges_on_a_weak_supply_say_no_more_than_one() -> None:
    made = replace(PLAIN, supply_a=PLAIN.load_a + 0.2, most_h=40, charges=3)

    assert len(found(made).charges) == 3
    assert found(made).confidence in (None, Confidence.LOW)


@pytest.mark.parametrize("told", [{}, BY_HAND], ids=["all", "by hand"])
@pytest.mark.parametrize("share", [0.5, 0.9])
def test_a_device_switched_on_midway_is_no_taper(
    share: float, told: dict[str, float]
) -> None:
    """The current falls once and stays there: a load does that, or another supply."""
    made = replace(PLAIN, used_from=0.5, used_share=share, most_h=40, **told)

    assert found(made).verdict != "tapers"
    if share > 0.8:
        assert found(made).verdict == "unclear"
        assert "fell once, at" in lacks(made)
        assert "with the device switched off" in lacks(made)


def test_a_quick_charger_of_several_steps_is_no_taper() -> None:
    """1 C, then two lower steps: its last fifth takes well under an hour."""
    made = replace(PLAIN, taper="stepped", charge_a=4.0, last_fifth_h=0.1)

    assert found(made).best is not None
    assert found(made).best.measured.last_fifth_h < 1
    assert found(made).verdict != "tapers"


def test_a_charge_that_was_held_up_on_its_way_is_no_answer() -> None:
    told = rows(replace(PLAIN, **BY_HAND))
    stop = next(row for row in told if row.soc_percent >= 70)
    stay = [stop._replace(at_s=stop.at_s + 600 * each) for each in range(1, 30)]
    before = [row for row in told if row.at_s <= stop.at_s]
    after = [row._replace(at_s=row.at_s + 18_000) for row in told[len(before) :]]
    answer = find(series(replace(PLAIN, every_s=600.0), before + stay + after))

    assert answer.verdict == "unclear"
    assert "the charge was held up there, or the gauge jumps" in " ".join(
        missing(answer)
    )


def test_sign_and_unit_of_a_current_that_is_not_trusted_do_not_matter() -> None:
    made = replace(TAPERS, is_sign_trusted=False, is_sign_turned=True)

    assert found(made).verdict == "tapers"
    assert found(made).best is not None
    assert found(made).best.measured.plateau_a == pytest.approx(2.0, rel=0.05)


@pytest.mark.parametrize("resolution", [0.01, 0.1, 1.0])
@pytest.mark.parametrize("every_s", [30.0, 120.0, 600.0])
@pytest.mark.parametrize("made", [PLAIN, TAPERS], ids=["plain", "tapers"])
def test_how_fine_and_how_often_it_was_read_changes_no_verdict(
    made: Device, resolution: float, every_s: float
) -> None:
    coarse = replace(made, resolution_percent=resolution, every_s=every_s, gaps=1)

    assert found(coarse).verdict == made.truth


# --- the sign of the trade: the voltage -----------------------------------------------


def test_the_literal_sign_is_a_figure_whatever_it_points_to() -> None:
    """A fall of 0.2 to 0.4 V from mid charge to full: common practice, no source."""
    worn = replace(
        TAPERS, taper="lowered", fall_v=0.35, r0_ohm=0.11, r1_ohm=0.08, charge_a=2.4
    )
    (fell,) = (e for e in found(worn).evidence if e.sign is Sign.VOLTAGE)
    (rose,) = (e for e in found(PLAIN).evidence if e.sign is Sign.VOLTAGE)

    assert fell.points_to is Points.TAPERS
    assert fell.figures["fall_v"] is not None
    assert fell.figures["fall_v"] > 0.2
    assert f"fell by {fell.figures['fall_v']:.2f} V" in fell.text
    assert rose.points_to is Points.NEITHER
    assert rose.figures["change_v"] is not None
    assert rose.figures["change_v"] > 0.15
    assert "never fell" in rose.text


@pytest.mark.parametrize("step_v", [1.0, 0.1, 7.02])
@pytest.mark.parametrize("made", [PLAIN, TAPERS], ids=["plain", "tapers"])
def test_a_voltage_in_large_steps_or_stuck_is_left_out(
    made: Device, step_v: float
) -> None:
    """Steps of 7.02 V make it always the same."""
    told = [
        row._replace(voltage_v=step_v * round((row.voltage_v or 0) / step_v))
        for row in rows(made)
    ]
    answer = find(series(made, told))
    without = find(series(made, [row._replace(voltage_v=None) for row in told]))

    assert (answer.verdict, answer.confidence) == (without.verdict, without.confidence)
    assert answer.evidence == without.evidence
    assert "too coarse to use" in " ".join(missing(answer))


def test_a_current_that_flows_out_while_it_charges_is_left_out() -> None:
    told = [row._replace(current_a=-(row.current_a or 0)) for row in rows(TAPERS)]
    answer = find(series(TAPERS, told))

    assert answer.verdict == "tapers"
    assert answer.best is not None
    assert not answer.best.measured.by_current
    assert "out of the battery while it charged: left out" in " ".join(missing(answer))


def test_what_ends_before_mid_charge_has_no_voltage_from_there_to_its_end() -> None:
    assert Sign.VOLTAGE not in points(replace(PLAIN, cut_percent=50))


def test_without_voltage_there_is_no_such_sign() -> None:
    assert Sign.VOLTAGE not in points(replace(PLAIN, tells_voltage=False))


# --- what is missing ------------------------------------------------------------------


def test_nothing_is_missing_in_a_good_charge() -> None:
    assert missing(found(PLAIN)) == []
    assert missing(found(TAPERS)) == []


def test_a_late_start_is_said() -> None:
    made = replace(TAPERS, start_percent=62)

    assert "The charge began at 62 %: start at 20 to 30 %." in lacks(made)
    assert found(made).confidence is not Confidence.HIGH


def test_a_start_above_all_that_could_show_is_unclear() -> None:
    made = replace(PLAIN, start_percent=70)

    assert found(made).verdict == "unclear"
    assert found(made).confidence is None


def test_an_end_that_was_not_seen_is_said() -> None:
    made = replace(TAPERS, cut_percent=86)

    assert "It was read up to 85 % only" in lacks(made) or "86 % only" in lacks(made)


def test_who_saw_no_last_fifth_has_no_answer() -> None:
    made = replace(PLAIN, cut_percent=82)

    assert found(made).verdict == "unclear"
    assert "It was read up to 81 % only" in lacks(made)


def test_heat_and_cold_are_no_taper() -> None:
    """The bands of JEITA, as a charger chip has them: warm, the voltage is lowered."""
    for made in (
        replace(PLAIN, warm=(0.3, 2.0), charge_a=1.0),
        replace(TAPERS, warm=(0.3, 2.0)),
        replace(TAPERS, is_cool=True, most_h=60),
    ):
        assert found(made).verdict == "unclear"
        assert "the charger itself holds back then, which is no taper" in lacks(made)


def test_a_gap_in_the_last_fifth_is_said() -> None:
    told = rows(TAPERS)
    begin = next(row.at_s for row in told if row.soc_percent >= 84)
    kept = [row for row in told if not begin < row.at_s < begin + 2 * 3600]
    answer = find(series(TAPERS, kept))

    said = " ".join(missing(answer))
    assert "There is a gap in the last fifth: for 2.0 h of" in said
    assert answer.verdict == "tapers"


def test_use_of_the_device_is_said() -> None:
    made = replace(PLAIN, bursts=8, seed=4, charge_a=0.6, supply_a=1.2)

    assert "as of a device in use" in lacks(made)


def test_no_temperature_is_said_where_it_matters() -> None:
    said = "No temperature was told"

    assert said in lacks(replace(TAPERS, tells_temperature=False))
    assert said not in lacks(replace(PLAIN, tells_temperature=False))


def test_no_charge_at_all_is_said() -> None:
    told = [row for row in rows(PLAIN) if row.soc_percent > 90]
    answer = find(series(PLAIN, told))

    assert answer.verdict == "unclear"
    (said,) = missing(answer)
    assert "There is no charge in it" in said


def test_a_stop_below_full_is_seen_and_is_no_answer() -> None:
    """It charges evenly up to 80 % and stays there, fed: told to, or by itself."""
    told = rows(PLAIN)
    stop = next(row for row in told if row.soc_percent >= 80)
    stay = [
        stop._replace(at_s=stop.at_s + 60 * minute, current_a=0.0, voltage_v=4.0)
        for minute in range(1, 300)
    ]
    kept = [row for row in told if row.at_s <= stop.at_s] + stay
    answer = find(series(PLAIN, kept))

    assert answer.verdict == "unclear"
    assert any(each.sign is Sign.STOPS for each in answer.evidence)
    assert "It ended at 80 %" in " ".join(missing(answer))


# --- several charges ------------------------------------------------------------------


def test_several_charges_say_more() -> None:
    made = replace(TAPERS, **BY_HAND)
    many = replace(made, charges=4)

    assert found(many).found == 4
    assert len(found(many).charges) == 4
    assert found(many).verdict == found(made).verdict == "tapers"


def test_charges_that_do_not_agree_are_unclear() -> None:
    plain = rows(PLAIN)
    apart_s = plain[-1].at_s + 4 * 3600
    other = [row._replace(at_s=row.at_s + apart_s) for row in rows(TAPERS)]
    answer = find(series(PLAIN, plain + other))

    assert answer.verdict == "unclear"
    assert "do not agree" in missing(answer)[0]


# --- words and document ---------------------------------------------------------------


@pytest.mark.parametrize("made", [PLAIN, TAPERS, replace(PLAIN, start_percent=70)])
def test_words_promise_nothing(made: Device) -> None:
    said = " ".join([headline(found(made)), *meaning(found(made))]).lower()

    for word in ("will save", "guarantee", "doubles", "always", "never needs"):
        assert word not in said
    assert "window" in said
    assert next_steps(found(made))


def test_the_document_has_units_in_its_keys() -> None:
    document = as_document(found(TAPERS))

    assert document["station"] == "hall"
    assert document["verdict"] == "tapers"
    assert document["confidence"] == "high"
    (charge,) = document["charges"]
    assert charge["start_percent"] == 25
    assert charge["hours_by_fifth"]["60-80"] > 1
    assert charge["hours_by_fifth"]["80-100"] == pytest.approx(9, abs=1.5)
    assert charge["hours_by_fifth"]["0-20"] is None
    assert sum(
        hours for key, hours in charge["hours_by_tenth"].items() if key[0] in "67"
    ) == pytest.approx(charge["hours_by_fifth"]["60-80"], abs=0.01)
    for part in charge["parts"]:
        assert part["power_w"] == pytest.approx(
            part["current_a"] * part["voltage_v"], abs=0.01
        )
    for each in document["evidence"]:
        assert set(each) == {"sign", "points_to", "weight", "figures", "text"}


def test_a_mild_one_is_never_said_to_be_sure_without_a_reason() -> None:
    """Truth cannot be known there; what is said of it must still follow its signs."""
    made = Device(taper=MILD, from_percent=60, seed=3)
    answer = found(made)

    if answer.verdict != "unclear":
        way = Points(answer.verdict.value)
        assert any(each.points_to is way for each in answer.evidence)
