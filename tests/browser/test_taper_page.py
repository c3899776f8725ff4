"""The page of a taper answer in a real browser: offline, at every width, light, dark.

The devices are invented (``support.charges``).
"""

from __future__ import annotations

from datetime import timedelta, timezone
from functools import cache

import pytest

from support.browser import chromium, opened
from support.charges import Device, series
from support.contrast import contrast, luminance
from support.page_checks import PAPER, SIDEWAYS, SPILLED, labels_lie_apart
from tidegate.report.taper_page import page
from tidegate.taper.finding import find
from tidegate.taper.meaning import headline

pytestmark = [pytest.mark.slow, pytest.mark.peer]

ZONE = timezone(timedelta(hours=1))
WIDTHS = [320, 360, 640, 641, 768, 960, 961, 1440]
VISIBLE = """() => [...document.querySelectorAll('svg')]
  .filter(svg => getComputedStyle(svg).display !== 'none')
  .map(svg => { const box = svg.getBoundingClientRect();
                return [svg.getAttribute('class'), box.left, box.right, box.height]; })"""
TEXTS = """() => [...document.querySelectorAll('svg')]
  .filter(svg => getComputedStyle(svg).display !== 'none')
  .map(svg => [svg.getAttribute('class'), svg.viewBox.baseVal.width,
    svg.viewBox.baseVal.height,
    svg.getBoundingClientRect().width / svg.viewBox.baseVal.width,
    [...svg.querySelectorAll('text')].filter(text => text.textContent).map(text => {
      const box = text.getBBox();
      return [text.textContent, box.x, box.y, box.width, box.height]; })])"""
COLOURS = """() => ['body', 'h1', 'h2', '.remark', 'td', 'thead th', 'svg .tick',
                    'svg .name']
  .map(name => { const style = getComputedStyle(document.querySelector(name));
    return [name, name.startsWith('svg') ? style.fill : style.color]; })"""

MADE = {
    "plain": Device(seed=1),
    "tapers": Device(
        taper="stepped", from_percent=55, last_fifth_h=9, most_h=40, seed=2
    ),
    "by hand": Device(
        taper="falling",
        most_h=40,
        tells_voltage=False,
        tells_current=False,
        tells_temperature=False,
        every_s=600.0,
        charges=3,
        seed=4,
    ),
    "none": Device(seed=1, start_percent=96),
}


@cache
def found_of(name):
    return find(series(MADE[name]))


PICTURES = {"plain": 1, "tapers": 1, "by hand": 1, "none": 0}


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("tapers")
    for name in MADE:
        text = page(found_of(name), ZONE)
        (folder / f"{name}.html").write_text(text, "utf-8")
    return {name: folder / f"{name}.html" for name in MADE}


@pytest.fixture(scope="module")
def browser():
    with chromium() as running:
        yield running


@pytest.mark.parametrize("name", MADE)
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_asks_for_nothing_and_complains_of_nothing(browser, pages, name, scheme):
    with opened(browser, pages[name], scheme=scheme) as found:
        found.page.wait_for_load_state("networkidle")
        assert found.requests == []
        assert found.complaints == []


def test_the_headline_is_the_verdict(browser, pages):
    with opened(browser, pages["tapers"]) as found:
        (heading,) = found.page.locator("h1").all_inner_texts()
        assert heading.replace("\xa0", " ") == headline(found_of("tapers"))
        assert found.page.locator("h1").bounding_box()["y"] < 100


@pytest.mark.parametrize("name", MADE)
@pytest.mark.parametrize("width", WIDTHS)
def test_pictures_fit_and_nothing_scrolls_sideways(browser, pages, name, width):
    with opened(browser, pages[name], width=width) as found:
        shown = found.measured(VISIBLE)
        assert len(shown) == PICTURES[name]
        layout = "narrow" if width <= 640 else "medium" if width <= 960 else "wide"
        for kind, left, right, high in shown:
            assert kind == f"taper {layout}"
            assert left >= 0
            assert right <= width
            assert high >= 150
        scroll, client = found.measured(SIDEWAYS)
        assert scroll <= client
        assert found.measured(SPILLED) == []


@pytest.mark.parametrize("name", ["plain", "tapers", "by hand"])
@pytest.mark.parametrize("width", [360, 768, 1440])
def test_labels_lie_inside_apart_and_large_enough(browser, pages, name, width):
    with opened(browser, pages[name], width=width) as found:
        pictures = found.measured(TEXTS)
    assert len(pictures) == 1
    labels_lie_apart(pictures)


@pytest.mark.parametrize("width", [360, 1440])
def test_light_and_dark_differ_and_text_stands_out_in_both(browser, pages, width):
    papers = []
    for scheme in ("light", "dark"):
        with opened(browser, pages["tapers"], width=width, scheme=scheme) as found:
            papers.append(found.measured(PAPER))
            for name, colour in found.measured(COLOURS):
                assert contrast(colour, papers[-1]) >= 4.5, name
    assert luminance(papers[0]) > 0.8
    assert luminance(papers[1]) < 0.05


def test_a_phone_stacks_the_rows_of_tables(browser, pages):
    script = "() => getComputedStyle(document.querySelector('.counts td')).display"
    for width, display in ((360, "block"), (1440, "table-cell")):
        with opened(browser, pages["tapers"], width=width) as found:
            assert found.measured(script) == display


def test_a_reader_without_script_sees_it_all(browser, pages):
    with opened(browser, pages["tapers"], script=False) as found:
        assert found.page.locator("svg.taper.wide").is_visible()
        assert "for a taper" in found.page.locator("table.codes").inner_text()


def test_who_does_not_see_the_picture_is_told_what_it_shows(browser, pages):
    with opened(browser, pages["tapers"]) as found:
        (picture,) = found.page.get_by_role("img").all()
        told = picture.get_attribute("aria-label").replace("\xa0", " ")
    assert "80 to 99 %:" in told
    assert "Constant current then constant voltage would take" in told


def test_a_phone_shows_verdict_and_picture_without_scrolling(browser, pages):
    with opened(browser, pages["tapers"], width=360) as found:
        heading = found.page.locator("h1").bounding_box()
        picture = found.page.locator("svg.taper.narrow").bounding_box()
        # The viewport of a small phone is 640 high.
        assert heading["y"] + heading["height"] < 320
        assert picture["y"] + 0.6 * picture["height"] < 640


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_paper_is_white_and_the_picture_is_the_medium_one(browser, pages, scheme):
    with opened(
        browser, pages["tapers"], width=660, scheme=scheme, media="print"
    ) as found:
        assert luminance(found.measured(PAPER)) > 0.95
        assert [each[0] for each in found.measured(VISIBLE)] == ["taper medium"]
        assert found.measured(COLOURS)[0][1] == "rgb(0, 0, 0)"
