"""The page of a taper answer: in order, in one file, escaped, its labels apart."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta, timezone
from functools import cache
from xml.etree import ElementTree

import pytest

from support.charges import Device, series
from support.pictures import assert_apart, assert_inside
from tidegate.report.cautions import CAUTIONS
from tidegate.report.taper_page import page
from tidegate.report.taper_picture import ROOMS, charge_over_level
from tidegate.taper.finding import Finding, find

ZONE = timezone(timedelta(hours=1))
PLAIN = Device(seed=1)
TAPERS = Device(taper="stepped", from_percent=55, last_fifth_h=9, most_h=40, seed=2)
BY_LEVEL = Device(seed=1, tells_voltage=False, tells_current=False)
NONE = Device(seed=1, start_percent=96)
MADE = {
    "plain": PLAIN,
    "tapers": TAPERS,
    "by level": BY_LEVEL,
    "many": Device(seed=3, charges=3),
    "none": NONE,
}


@cache
def found(name: str) -> Finding:
    return find(series(MADE[name]))


def text(of: Finding) -> str:
    return page(of, ZONE).replace("\xa0", " ")


@pytest.mark.parametrize("name", MADE)
def test_it_goes_from_the_verdict_to_the_cautions(name: str) -> None:
    said = text(found(name))

    headings = re.findall(r"<h([12])>(.*?)</h\1>", said)
    assert headings[0][0] == "1"
    assert headings[-1] == ("2", "Cautions")
    assert said.count("<h1>") == 1
    order = [title for _, title in headings if title in ORDER]
    assert order == sorted(order, key=ORDER.index)
    for caution in CAUTIONS:
        assert caution.split(":")[0] in said.replace("&#x27;", "'")


ORDER = [
    "How fast it charged at each level",
    "What it means",
    "Numbers",
    "Evidence",
    "Missing",
    "Limits",
    "Cautions",
]


@pytest.mark.parametrize("name", MADE)
def test_it_asks_for_nothing_from_elsewhere(name: str) -> None:
    said = text(found(name))

    assert not re.search(r"(?:src|href)=\"(?!data:)", said)
    assert "<script" not in said
    assert "url(" not in said


def test_a_station_cannot_write_into_it() -> None:
    evil = replace(found("plain"), series=replace(found("plain").series, station="<b>"))

    assert "<b>" not in text(evil)
    assert "&lt;b&gt;" in text(evil)


@pytest.mark.parametrize("name", ["plain", "tapers", "by level"])
@pytest.mark.parametrize("room", ROOMS, ids=lambda room: room.name)
def test_labels_lie_inside_and_apart(name: str, room) -> None:
    best = found(name).best
    assert best is not None
    drawn = charge_over_level(best.measured, room, finding="what it shows")

    picture = ElementTree.fromstring(drawn)
    assert_inside(picture)
    assert_apart(picture)
    assert picture.get("aria-label") == "what it shows"


@pytest.mark.parametrize("name", ["plain", "tapers"])
def test_the_line_is_what_was_measured(name: str) -> None:
    best = found(name).best
    assert best is not None
    room = ROOMS[0]
    drawn = charge_over_level(best.measured, room, finding="")

    lines = re.findall(r'<path class="soc" d="(M[^"]*H[^"]*)"/>', drawn)
    (rate, volts) = lines[:2]
    parts = best.measured.curve.parts
    assert rate.count("H") == volts.count("H") == len(parts)
    heights = [float(y) for y in re.findall(r",([\d.]+)H", rate)]
    fastest = min(range(len(parts)), key=lambda at: heights[at])
    assert parts[fastest].rate_percent_h == max(part.rate_percent_h for part in parts)


def test_the_alternative_says_the_hours_of_each_fifth() -> None:
    said = text(found("tapers"))

    assert re.search(r'aria-label="At first \d+ % an hour\. .*80 to 99 %: \d', said)


def test_of_several_charges_there_is_a_table() -> None:
    said = text(found("many"))

    assert "All charges that were looked at" in said
    assert said.count("against one</td>") >= 3


def test_without_a_charge_there_is_no_picture() -> None:
    assert "<svg" not in text(found("none"))
    assert "There is no charge in it" in text(found("none"))
