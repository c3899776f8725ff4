"""The demo's report in a real browser: offline, at every width, in light and dark."""

import os
import re
import subprocess
import sys
from itertools import combinations

import pytest

from support.browser import chromium, opened
from support.contrast import contrast, luminance
from support.page_checks import PAPER, SIDEWAYS
from tidegate.report.finding import verdict
from tidegate.report.story import story
from tidegate.twin.museum import STATION

pytestmark = [pytest.mark.slow, pytest.mark.peer]

WIDTHS = [320, 360, 390, 640, 641, 768, 960, 961, 1440]
VISIBLE = """() => [...document.querySelectorAll('svg.station')]
  .filter(svg => getComputedStyle(svg).display !== 'none')
  .map(svg => { const box = svg.getBoundingClientRect();
                return [svg.classList[1], box.width, box.height]; })"""
# Boxes of all text in the picture that is shown, in its own units.
TEXTS = """() => [...document.querySelectorAll('svg.station')]
  .filter(svg => getComputedStyle(svg).display !== 'none')
  .flatMap(svg => [...svg.querySelectorAll('text')].map(text => {
    const box = text.getBBox(), all = svg.viewBox.baseVal;
    return [text.textContent, box.x, box.y, box.width, box.height,
            all.width, all.height]; }))"""
COLOURS = """() => ['body', 'h1', '.remark', 'td', 'thead th', 'footer', 'text']
  .map(name => { const style = getComputedStyle(document.querySelector(name));
                 return name === 'text' ? style.fill : style.color; })"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("demo")
    # In a process of its own: Playwright keeps an event loop running in this one.
    subprocess.run(
        [sys.executable, "-m", "tidegate", "demo", "--folder", str(made)],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
        capture_output=True,
        timeout=110,
        check=True,
    )
    return made


@pytest.fixture(scope="module")
def report(folder):
    return folder / "museum.html"


@pytest.fixture(scope="module")
def browser():
    with chromium() as running:
        yield running


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_asks_for_nothing_and_complains_of_nothing(browser, report, scheme):
    with opened(browser, report, scheme=scheme) as found:
        found.page.wait_for_load_state("networkidle")
        assert found.requests == []
        assert found.complaints == []


def test_the_headline_is_the_verdict(browser, folder, report):
    with opened(browser, report) as found:
        headings = found.page.locator("h1").all_inner_texts()
        expected = verdict(story(folder / "museum.db", STATION))
        assert [text.replace("\xa0", " ") for text in headings] == [expected]
        box = found.page.locator("h1").bounding_box()
        assert box["y"] < 100


@pytest.mark.parametrize("width", WIDTHS)
def test_one_picture_is_seen_and_nothing_scrolls_sideways(browser, report, width):
    with opened(browser, report, width=width) as found:
        ((name, wide, high),) = found.measured(VISIBLE)
        expected = "narrow" if width <= 640 else "medium" if width <= 960 else "wide"
        assert name == expected
        assert wide >= min(width - 40, 500)
        assert high > 300
        scroll, client = found.measured(SIDEWAYS)
        assert scroll <= client


@pytest.mark.parametrize("width", [360, 768, 1440])
def test_labels_lie_inside_the_picture_and_apart(browser, report, width):
    with opened(browser, report, width=width) as found:
        texts = found.measured(TEXTS)
    assert len(texts) > 10
    for said, x, y, wide, high, all_wide, all_high in texts:
        assert x >= 0, said
        assert y >= -1, said
        assert x + wide <= all_wide, said
        assert y + high <= all_high, said
    for one, two in combinations(texts, 2):
        across = min(one[1] + one[3], two[1] + two[3]) - max(one[1], two[1])
        down = min(one[2] + one[4], two[2] + two[4]) - max(one[2], two[2])
        # The boxes of a font hold room above and below its letters.
        assert across <= 0 or down <= 4, (one[0], two[0])


@pytest.mark.parametrize("width", [360, 1440])
def test_light_and_dark_differ_and_text_stands_out_in_both(browser, report, width):
    papers = []
    for scheme in ("light", "dark"):
        with opened(browser, report, width=width, scheme=scheme) as found:
            papers.append(found.measured(PAPER))
            for colour in found.measured(COLOURS):
                assert contrast(colour, papers[-1]) >= 4.5
    assert luminance(papers[0]) > 0.8
    assert luminance(papers[1]) < 0.05


def test_a_phone_stacks_the_rows_of_tables(browser, report):
    script = "() => getComputedStyle(document.querySelector('.alarms td')).display"
    for width, display in ((360, "block"), (1440, "table-cell")):
        with opened(browser, report, width=width) as found:
            assert found.measured(script) == display
            assert found.page.get_by_role("table").count() == 2
            assert found.page.get_by_role("cell").count() > 10


def test_a_reader_without_script_sees_it_all(browser, report):
    with opened(browser, report, script=False) as found:
        assert found.page.locator("svg.wide").is_visible()
        assert "relay_no_effect" in found.page.locator(".alarms").inner_text()


def test_who_does_not_see_the_picture_is_told_the_finding(browser, report):
    with opened(browser, report) as found:
        picture = found.page.get_by_role("img")
        assert picture.count() == 1
        told = picture.get_attribute("aria-label").replace("\xa0", " ")
        headline = found.page.locator("h1").inner_text().replace("\xa0", " ")
        assert told.startswith(headline)
        assert "relay_no_effect" in told


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_print_is_black_on_white_and_fits_on_paper(browser, report, scheme):
    # A4 with margins of 15 mm leaves 180 mm, 680 px at 96 to the inch.
    with opened(browser, report, width=680, scheme=scheme, media="print") as found:
        assert found.measured(PAPER) == "rgb(255, 255, 255)"
        for colour in found.measured(COLOURS):
            red, green, blue = re.findall(r"\d+", colour)[:3]
            assert red == green == blue
            assert contrast(colour, "rgb(255, 255, 255)") >= 4.5
        ((name, wide, high),) = found.measured(VISIBLE)
        assert (name, wide > 500, high > 300) == ("medium", True, True)
        scroll, client = found.measured(SIDEWAYS)
        assert scroll <= client


def test_it_prints_on_a_few_pages_of_a4(browser, report):
    with opened(browser, report, media="print") as found:
        paper = found.page.pdf(prefer_css_page_size=True)
    pages = re.findall(rb"/Type\s*/Page[^s]", paper)
    assert 1 <= len(pages) <= 3
    # A4 is 210 by 297 mm (ISO 216), in points of 1/72 inch.
    boxes = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)\s*\]", paper)
    assert boxes
    for wide, high in boxes:
        assert float(wide) == pytest.approx(210 / 25.4 * 72, abs=1)
        assert float(high) == pytest.approx(297 / 25.4 * 72, abs=1)
