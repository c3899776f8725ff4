"""The page of an audit in a real browser: offline, at every width, light, dark, paper.

The audits are made by hand; all of their numbers are invented.
"""

import re
from datetime import timedelta, timezone
from itertools import pairwise

import pytest

from support import audits
from support.browser import chromium, opened
from support.contrast import contrast, luminance, over
from support.page_checks import (
    PAPER,
    SIDEWAYS,
    SPILLED,
    TEXTS,
    VISIBLE,
    labels_lie_apart,
)
from tidegate.audit.result import AlarmSpan
from tidegate.report.audit_finding import verdict
from tidegate.report.audit_page import page

pytestmark = [pytest.mark.slow, pytest.mark.peer]

ZONE = timezone(timedelta(hours=1))
WIDTHS = [320, 360, 640, 641, 768, 960, 961, 1440]
COLOURS = """() => ['body', 'h1', 'h2', 'h3', '.remark', 'td', 'thead th', 'footer',
                    'svg .tick', 'svg .name', 'svg .count']
  .map(name => { const all = [...document.querySelectorAll(name)];
    const style = getComputedStyle(all[0]);
    return [name, name.startsWith('svg') ? style.fill : style.color]; })"""
CELLS = """() => [...document.querySelectorAll('.matrix g')].map(g =>
  [getComputedStyle(g.querySelector('path')).fill,
   parseFloat(g.getAttribute('fill-opacity'))])"""
BROKEN = """() => [...document.querySelectorAll('thead th, .models td, .models th')]
  .flatMap(cell => [...cell.childNodes].flatMap(node =>
    [...node.textContent.matchAll(/[^ ]+/g)].filter(word => {
      const range = document.createRange();
      range.setStart(node, word.index);
      range.setEnd(node, word.index + word[0].length);
      return range.getClientRects().length > 1; }).map(word => word[0])))"""

HOSTILE = "<script>alert(1)</script>" + "w" * 120
MADE = {
    "year": audits.audit(),
    "week": audits.week(),
    "minutes": audits.audit(
        days=10 / 1440, alarms=(), measured=audits.NOT_MEASURED, wear=None
    ),
    "plain": audits.plain(),
    "crowded": audits.audit(
        station=HOSTILE,
        days=30,
        alarms=tuple(
            AlarmSpan(
                code=f"alarm_of_another_version_{index % 20}",
                from_ms=audits.T0 + index * audits.HOUR,
                until_ms=audits.T0 + (index + 1) * audits.HOUR,
            )
            for index in range(300)
        ),
        switchings=audits.changed(
            audits.SWITCHINGS,
            reasons=tuple((f"reason_{index}", 9_000 - index) for index in range(20)),
        ),
    ),
}
PICTURES = {"year": 7, "week": 6, "minutes": 5, "plain": 1, "crowded": 7}


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("audits")
    for name, made in MADE.items():
        text = page(made, audits.told_of(made), ZONE, remark="All of it is invented.")
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
    with opened(browser, pages["year"]) as found:
        (heading,) = found.page.locator("h1").all_inner_texts()
        assert heading.replace("\xa0", " ") == verdict(MADE["year"])
        assert found.page.locator("h1").bounding_box()["y"] < 100


@pytest.mark.parametrize("name", MADE)
@pytest.mark.parametrize("width", WIDTHS)
def test_pictures_fit_and_nothing_scrolls_sideways(browser, pages, name, width):
    with opened(browser, pages[name], width=width) as found:
        shown = found.measured(VISIBLE)
        assert len(shown) == PICTURES[name]
        layout = "narrow" if width <= 640 else "medium" if width <= 960 else "wide"
        assert shown[0][0] == f"station {layout}"
        for kind, left, right, wide, high in shown:
            assert left >= 0, kind
            assert right <= width, kind
            assert wide >= min(width - 40, 280), kind
            assert high >= 80, kind
        scroll, client = found.measured(SIDEWAYS)
        assert scroll <= client
        assert found.measured(SPILLED) == []


@pytest.mark.parametrize("name", MADE)
@pytest.mark.parametrize("width", [360, 768, 1440])
def test_labels_lie_inside_apart_and_large_enough(browser, pages, name, width):
    with opened(browser, pages[name], width=width) as found:
        pictures = found.measured(TEXTS)
    labels_lie_apart(pictures)


@pytest.mark.parametrize("width", [360, 1440])
def test_light_and_dark_differ_and_text_stands_out_in_both(browser, pages, width):
    papers = []
    for scheme in ("light", "dark"):
        with opened(browser, pages["year"], width=width, scheme=scheme) as found:
            papers.append(found.measured(PAPER))
            colours = dict(found.measured(COLOURS))
            for name, colour in colours.items():
                assert contrast(colour, papers[-1]) >= 4.5, name
            for cell, opacity in found.measured(CELLS):
                shade = over(cell, opacity, papers[-1])
                assert contrast(colours["svg .count"], shade) >= 4.5
    assert luminance(papers[0]) > 0.8
    assert luminance(papers[1]) < 0.05


def test_a_phone_stacks_the_rows_of_tables(browser, pages):
    script = "() => getComputedStyle(document.querySelector('.models td')).display"
    for width, display in ((360, "block"), (1440, "table-cell")):
        with opened(browser, pages["year"], width=width) as found:
            assert found.measured(script) == display
            assert found.page.get_by_role("table").count() >= 8
            assert found.page.get_by_role("cell").count() > 40


def test_a_reader_without_script_sees_it_all(browser, pages):
    with opened(browser, pages["year"], script=False) as found:
        assert found.page.locator("svg").count() == 11
        assert found.page.locator("svg.models.wide").is_visible()
        assert "relay_no_effect" in found.page.locator("table.codes").inner_text()
        assert audits.LINK in found.page.locator("footer").inner_text()


def test_who_does_not_see_the_pictures_is_told_their_findings(browser, pages):
    with opened(browser, pages["year"]) as found:
        told = [
            each.get_attribute("aria-label").replace("\xa0", " ")
            for each in found.page.get_by_role("img").all()
        ]
    assert len(told) == PICTURES["year"]
    said = " ".join(told)
    for words in (
        "hall from Wed 1 Jan 01:00 2025",
        "schmalstieg2014: 7.2 %, float 4.4 %, hold 2.7 %",
        "The charge was for 42 % of the time read from 60 to 65 %",
        "5,840 of 100,000 contact operations",
        "median 121 mΩ",
    ):
        assert words in said


@pytest.mark.parametrize("name", ["year", "week", "minutes", "plain"])
def test_a_phone_shows_verdict_and_picture_without_scrolling(browser, pages, name):
    with opened(browser, pages[name], width=360) as found:
        heading = found.page.locator("h1").bounding_box()
        picture = found.page.locator("svg.station.narrow").bounding_box()
        # The viewport of a small phone is 640 high.
        assert heading["y"] + heading["height"] < 320
        assert picture["y"] + 0.9 * picture["height"] < 900
        assert picture["y"] + 0.5 * picture["height"] < 640


@pytest.mark.parametrize(("width", "media"), [(680, "print"), (768, "screen")])
def test_no_word_is_broken_in_the_tables_of_models(browser, pages, width, media):
    with opened(browser, pages["week"], width=width, media=media) as found:
        assert found.page.locator(".models tr").count() == 7
        assert found.measured(BROKEN) == []


def test_headings_are_in_order(browser, pages):
    with opened(browser, pages["year"]) as found:
        levels = [
            int(name[1])
            for name in found.measured(
                "() => [...document.querySelectorAll('h1,h2,h3,h4,h5,h6')]"
                ".map(each => each.tagName)"
            )
        ]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_print_is_black_on_white_and_fits_on_paper(browser, pages, scheme):
    # A4 with margins of 15 mm leaves 180 mm, 680 px at 96 to the inch.
    with opened(
        browser, pages["year"], width=680, scheme=scheme, media="print"
    ) as found:
        assert found.measured(PAPER) == "rgb(255, 255, 255)"
        for name, colour in found.measured(COLOURS):
            red, green, blue = re.findall(r"\d+", colour)[:3]
            assert red == green == blue, name
            assert contrast(colour, "rgb(255, 255, 255)") >= 4.5, name
        fills = found.measured(
            "() => [...document.querySelectorAll('svg path')].flatMap(each => {"
            " const style = getComputedStyle(each); return [style.fill, style.stroke];"
            "}).filter(each => each.startsWith('rgb'))"
        )
        for fill in set(fills):
            assert len(set(re.findall(r"\d+", fill)[:3])) == 1, fill
        shown = found.measured(VISIBLE)
        assert len(shown) == PICTURES["year"]
        assert shown[0][0] == "station medium"
        scroll, client = found.measured(SIDEWAYS)
        assert scroll <= client
        assert found.measured(SPILLED) == []


def test_limits_begin_a_page_of_their_own_on_paper(browser, pages):
    with opened(browser, pages["year"], media="print") as found:
        assert (
            found.measured(
                "() => getComputedStyle(document.querySelector('section.page'))"
                ".breakBefore"
            )
            == "page"
        )
        first = found.page.locator("section.page h2").first.inner_text()
        assert first == "Limits"


def test_it_prints_on_a_few_pages_of_a4(browser, pages):
    with opened(browser, pages["year"], media="print") as found:
        paper = found.page.pdf(prefer_css_page_size=True)
    printed = re.findall(rb"/Type\s*/Page[^s]", paper)
    assert 3 <= len(printed) <= 8
    # A4 is 210 by 297 mm (ISO 216), in points of 1/72 inch.
    boxes = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)\s*\]", paper)
    assert boxes
    for wide, high in boxes:
        assert float(wide) == pytest.approx(210 / 25.4 * 72, abs=1)
        assert float(high) == pytest.approx(297 / 25.4 * 72, abs=1)
