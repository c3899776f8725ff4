"""The page of a sizing: order, pictures without a browser, words that are safe."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import pytest

from support.pictures import assert_apart, assert_inside, of_class, texts
from tidegate.eliminator.asked import Asked
from tidegate.eliminator.ladder import ladder
from tidegate.eliminator.regulator import Kind, Load
from tidegate.eliminator.sizing import sized
from tidegate.eliminator.source import SOURCES, plain
from tidegate.report.cautions import CAUTIONS
from tidegate.report.convert_dip import dip_picture
from tidegate.report.convert_finding import dip_seen, ladder_seen, verdict
from tidegate.report.convert_ladder import ROOMS, ladder_picture
from tidegate.report.convert_numbers import numbers
from tidegate.report.convert_page import page, write
from tidegate.report.convert_tied import tied

GOOD = Asked(
    load=Load(current_a=1.2),
    peak=Load(power_w=5.0),
    out_v=3.85,
    is_port_fed=False,
    thermal_k_per_w=40.0,
)
DESIGNS = {
    "good": GOOD,
    "long": replace(GOOD, length_m=6.0, source=SOURCES["usb2"]),
    "blocked": replace(
        GOOD, load=Load(power_w=60.0), peak=Load(power_w=60.0), kind=Kind.SWITCHING
    ),
    "no bank": replace(GOOD, esr_ohm=20.0),
    "large": replace(GOOD, for_s=2.0, source=plain(12, 3), kind=Kind.SWITCHING),
    "tight": replace(GOOD, drop_v=0.04, out_v=4.2),
}


def text_of(html):
    html = re.sub(r"</?code[^>]*>", "", html)
    said = re.sub(r"<style>.*?</style>|<[^>]+>", " ", html, flags=re.S)
    for code, sign in (("&#x27;", "'"), ("&amp;", "&"), ("\xa0", " ")):
        said = said.replace(code, sign)
    return " ".join(said.split())


def pictures(made):
    steps = ladder(made)
    found = [
        ET.fromstring(ladder_picture(steps, room, finding=ladder_seen(made)))
        for room in ROOMS
    ]
    if made.dip():
        found.append(ET.fromstring(dip_picture(made, finding=dip_seen(made))))
    return found


@pytest.mark.parametrize("name", DESIGNS)
def test_the_page_is_in_order(name):
    made = sized(DESIGNS[name])
    html = page(made, station="hall", remark="All of it is invented.")
    told = text_of(html)
    order = [
        *CAUTIONS,
        verdict(made),
        "Voltage from the source to the cell terminals",
        "Checks check outcome",
        "Numbers what value",
        "Evidence",
        "To build and try it",
        "Limits",
        "tidegate settings set hall.battery.fitted false",
    ]
    places = [told.rindex(each) for each in order]
    assert places == sorted(places)
    assert len(re.findall(r"<h1>", html)) == 1
    for each in made.checks:
        assert each.name in told
        assert each.formula in told
        assert each.source in told
        for mend in each.mend:
            assert mend in told
    for what, value in numbers(made):
        assert f"{what} {value}" in told


@pytest.mark.parametrize("name", DESIGNS)
def test_labels_lie_inside_and_apart(name):
    for svg in pictures(sized(DESIGNS[name])):
        assert_inside(svg)
        assert_apart(svg)


def test_the_ladder_is_as_worked_out():
    made = sized(DESIGNS["long"])
    steps = {each.name: each for each in ladder(made)}
    assert made.feed is not None
    assert steps["source"].low_v == 4.75
    assert steps["contacts"].low_v == pytest.approx(made.feed.far_v)
    assert steps["contacts"].limit_v == 4.40
    assert steps["regulator"].limit_v == pytest.approx(4.15)
    assert steps["regulator"].fails
    assert steps["terminals"].high_v == 3.85
    wide, *_ = pictures(made)
    # Two that fail, four that do not; a dashed line for each limit.
    assert len(of_class(wide, "alarm")) == 2
    assert len(of_class(wide, "time")) == 4
    assert len(of_class(wide, "floor")) == 4
    said = texts(wide)
    assert "regulator, needs 4.15 V" in said
    assert sum(each.endswith(", fails") for each in said) == 2


def test_bars_are_where_their_voltages_are():
    wide, *_ = pictures(sized(GOOD))
    (x0, v0), *_, (x1, v1) = _ticks(wide)
    scale = (x1 - x0) / (v1 - v0)
    first = of_class(wide, "time")[0].get("d")
    left, width = re.match(r"M([\d.]+),[\d.]+h([\d.]+)", first).groups()
    assert v0 + (float(left) - x0) / scale == pytest.approx(4.75, abs=0.01)
    assert float(width) / scale == pytest.approx(0.5, abs=0.01)


def _ticks(svg):
    found = []
    for each in svg.iter("text"):
        if re.fullmatch(r"[\d.]+ V", said := "".join(each.itertext())) and (
            each.get("text-anchor") == "middle"
        ):
            found.append((float(each.get("x")), float(said.removesuffix(" V"))))
    return found


def test_the_dip_is_drawn_as_it_is():
    made = sized(GOOD)
    *_, dip = pictures(made)
    (curve,) = of_class(dip, "soc")
    points = re.findall(r"([\d.]+),([\d.]+)", curve.get("d").split("L")[1])
    heights = [float(y) for _, y in points]
    assert len(points) == len(made.dip()) == 61
    assert heights == sorted(heights)
    (edge,) = of_class(dip, "edge")
    allowed_y = float(re.search(r",([\d.]+)H", edge.get("d"))[1])
    assert heights[-1] < allowed_y
    said = texts(dip)
    for words in ("3.85 V output", "3.35 V allowed", "3.30 V cut-off", "10 ms"):
        assert words in said


def test_who_does_not_see_the_pictures_is_told():
    made = sized(GOOD)
    assert "4.75 V at the source" in ladder_seen(made)
    assert "allowed is 3.35 V" in dip_seen(made)
    assert "no voltage settles" in ladder_seen(sized(DESIGNS["blocked"]))
    assert "no bank of capacitors does it" in dip_seen(sized(DESIGNS["no bank"]))
    broken = replace(
        GOOD,
        peak=Load(power_w=5.7),
        esr_ohm=0.6,
        for_s=0.2,
        drop_v=2.5,
        bank=replace(sized(GOOD).bank, parts=1, part_esr_ohm=0.6),
    )
    assert "breaks down after" in dip_seen(sized(broken))


def test_a_verdict_keeps_the_sign_of_a_quantity():
    made = sized(replace(GOOD, precharge_ohm=0.0))
    assert "(inrush as the empty bank meets the source; I²t of" in verdict(made)


def test_a_name_is_shown_and_no_more(tmp_path):
    made = sized(GOOD)
    file = tmp_path / "page.html"
    write(made, file, station="<script>alert(1)</script>")
    html = file.read_text("utf-8")
    assert "<script" not in html
    assert "&lt;script&gt;" in html


def test_numbers_stay_with_their_units():
    assert tied("1.2 A and 5 mm² at 20 °C of 24 AWG") == (
        "1.2\xa0A and 5\xa0mm² at 20\xa0°C of 24\xa0AWG"
    )
    assert tied("2 Amps, 10 of 12 checks") == "2 Amps, 10 of 12 checks"


def test_numbers_say_what_else_could_be_done():
    rows = dict(numbers(sized(DESIGNS["long"])))
    assert rows["longest USB 2.0 cable of this gauge"].startswith("2.08 m")
    assert "E12, IEC 60063" in rows["pre-charge resistor"]
    assert "for constant current" in rows["the same as constant current or power"]
    assert rows["rated voltage, ripple"].startswith("10 V or more")
    # A charger that is fed lifts the terminals to a full cell; it is not, here.
    assert rows["highest at the cell terminals"].endswith("shorted: clamp it")
    fed = dict(numbers(sized(replace(GOOD, is_port_fed=True))))
    assert (
        "4.20 V from the device's own charger" in fed["highest at the cell terminals"]
    )
    assert "of 5 W" in rows["with the source going on"]
    # By hand: 0.55 V are there for the copper at 20 °C and the contacts; at the end of
    # the dip 8 W are 8 W/3.35 V.
    cold = replace(GOOD, copper_c=20.0, peak=Load(power_w=8.0), esr_ohm=0.0)
    given_a = 0.55 / (0.12 + 2 * 0.08421 * 1.1)
    farad = (8 / 3.35 - given_a) * 0.010 / 0.5
    said = dict(numbers(sized(cold)))["with the source going on"]
    assert said.startswith(f"it gives {given_a:.3g} A at the output")
    assert f": {1000 * farad:.3g} mF would do" in said
    # And full again, new and at its largest, by what 1.2 A leave of that.
    made = sized(cold)
    again_s = made.bank.most_f * 0.5 / (given_a - 1.2)
    held = dict(numbers(made))
    assert held["full again after the dip"] == f"{1000 * again_s:.3g} ms at best"
    large = dict(numbers(sized(DESIGNS["large"])))
    assert "double-layer" in large["bank"]
    assert "as much as the peak" in large["with the source going on"]
    assert "would do" in rows["with the source going on"]
