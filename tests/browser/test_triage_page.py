"""The pages of a triage in a real browser: offline, phone and desk, light, dark, paper.

All devices are invented. A4 is 210 by 297 mm (ISO 216); the phone is 360 px wide.
"""

import re
from datetime import timedelta, timezone
from itertools import pairwise

import pytest

from support import triages
from support.browser import chromium, opened
from support.contrast import contrast, luminance
from support.page_checks import PAPER, SIDEWAYS, TEXTS, labels_lie_apart
from tidegate.report.cautions import CAUTIONS
from tidegate.report.triage_index import file_names, index
from tidegate.report.triage_page import page
from tidegate.report.triage_said import name_of, verdict
from tidegate.triage.fleet import Fault

pytestmark = [pytest.mark.slow, pytest.mark.peer]

ZONE = timezone(timedelta(hours=1))
MADE = triages.museum()
NAMES = (*MADE, "index")
PICTURES = {
    "worn": 3,
    "window": 2,
    "out": 3,
    "unseen": 3,
    "full": 3,
    "bare": 0,
    "hostile": 3,
}
SPILLED = """() => [...document.querySelectorAll('td, th, p, h1, h2, li, span')]
  .filter(each => !each.closest('thead') && each.scrollWidth > each.clientWidth + 1
    && getComputedStyle(each).display !== 'inline')
  .map(each => each.textContent)"""
COLOURS = """() => ['body', 'h1', 'h2', '.cautions p', 'code', 'a', 'td', 'th',
  '.limits p', '.sign span', '.first li', 'svg .tick', 'svg .name']
  .flatMap(name => [...document.querySelectorAll(name)].slice(0, 1).map(each => {
    const style = getComputedStyle(each);
    return [name, name.startsWith('svg') ? style.fill : style.color]; }))"""
BROKEN = """() => [...document.querySelectorAll('.numbers tbody th')]
  .filter(cell => { const range = document.createRange();
    range.selectNodeContents(cell); return range.getClientRects().length > 1; })
  .map(cell => cell.textContent)"""


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("binder")
    for name, made in MADE.items():
        text = page(made, ZONE, remark="All of it is invented.")
        (folder / f"{name}.html").write_text(text, "utf-8", errors="replace")
    found = sorted(MADE.values(), key=lambda each: each.rank)
    fault = Fault(line=3, column="smell", station="foyer", text="found 'x<b>'")
    names = file_names([name_of(each) for each in found])
    text = index(found, names, [fault], lost=1)
    (folder / "index.html").write_text(text, "utf-8")
    return {name: folder / f"{name}.html" for name in NAMES}


@pytest.fixture(scope="module")
def browser():
    with chromium() as running:
        yield running


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(("width", "scheme"), [(360, "dark"), (1440, "light")])
def test_it_fits_asks_for_nothing_and_complains_of_nothing(
    browser, pages, name, width, scheme
):
    with opened(browser, pages[name], width=width, scheme=scheme) as found:
        found.page.wait_for_load_state("networkidle")
        assert found.requests == []
        assert found.complaints == []
        scroll, client = found.measured(SIDEWAYS)
        assert scroll <= client
        assert found.measured(SPILLED) == []
        assert found.measured(BROKEN) == []


@pytest.mark.parametrize("name", MADE)
def test_cautions_stand_on_top_and_the_verdict_under_them(browser, pages, name):
    with opened(browser, pages[name], width=360) as found:
        box = found.page.locator(".cautions")
        assert [
            each.replace("\xa0", " ") for each in box.locator("p").all_inner_texts()
        ] == list(CAUTIONS)
        assert box.bounding_box()["y"] < 40
        (heading,) = found.page.locator("h1").all_inner_texts()
        if name != "hostile":
            assert heading.replace("\xa0", " ") == verdict(MADE[name])
        # The viewport of a small phone is 640 high.
        assert found.page.locator("h1").bounding_box()["y"] < 640


@pytest.mark.parametrize("name", ["worn", "window", "out"])
@pytest.mark.parametrize("width", [360, 768, 1440])
def test_labels_lie_inside_and_apart(browser, pages, name, width):
    with opened(browser, pages[name], width=width) as found:
        pictures = found.measured(TEXTS)
    assert len(pictures) == PICTURES[name]
    labels_lie_apart(pictures, least_pixels=10)


@pytest.mark.parametrize("name", ["worn", "unseen", "index"])
@pytest.mark.parametrize("width", [360, 1440])
def test_light_and_dark_differ_and_text_stands_out(browser, pages, name, width):
    papers = []
    for scheme in ("light", "dark"):
        with opened(browser, pages[name], width=width, scheme=scheme) as found:
            papers.append(found.measured(PAPER))
            for element, colour in found.measured(COLOURS):
                assert contrast(colour, papers[-1]) >= 4.5, element
    assert luminance(papers[0]) > 0.8
    assert luminance(papers[1]) < 0.05


@pytest.mark.parametrize("name", [name for name in MADE if name != "hostile"])
def test_it_prints_on_one_sheet_of_a4_with_lines_to_sign(browser, pages, name):
    with opened(browser, pages[name], scheme="dark", media="print") as found:
        paper = found.page.pdf(prefer_css_page_size=True)
        assert len(found.page.locator(".sign span").all()) == 3
    assert len(re.findall(rb"/Type\s*/Page[^s]", paper)) == 1
    ((wide, high),) = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)\s*\]", paper)
    assert float(wide) == pytest.approx(210 / 25.4 * 72, abs=1)
    assert float(high) == pytest.approx(297 / 25.4 * 72, abs=1)


def test_paper_is_black_on_white(browser, pages):
    with opened(
        browser, pages["worn"], width=695, scheme="dark", media="print"
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
        scroll, client = found.measured(SIDEWAYS)
        assert scroll <= client


def test_who_does_not_see_the_pictures_is_told_their_findings(browser, pages):
    with opened(browser, pages["worn"]) as found:
        told = [
            each.get_attribute("aria-label") for each in found.page.locator("svg").all()
        ]
    assert told[0] == (
        "Measured capacity 5.10 Ah, from 4.94 to 5.26 Ah, 73 % of 7.00 Ah; the limit is "
        "5.60 Ah."
    )
    assert told[1].startswith(
        "Resistance as measured, median 135 mΩ; it went from 113 mΩ to 160 mΩ."
    )
    assert told[2] == "Time by charge: 2,200 h above 80 %, 2,200 h at or above 95 %."


@pytest.mark.parametrize("name", NAMES)
def test_headings_are_in_order(browser, pages, name):
    with opened(browser, pages[name]) as found:
        levels = [
            int(each[1])
            for each in found.measured(
                "() => [...document.querySelectorAll('h1,h2,h3,h4,h5,h6')]"
                ".map(each => each.tagName)"
            )
        ]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


def test_the_index_leads_to_each_page_worst_first(browser, pages):
    with opened(browser, pages["index"], width=360) as found:
        cells = found.page.locator(".devices tbody td:nth-child(2)").all_inner_texts()
        links = found.page.locator(".devices a")
        addresses = [each.get_attribute("href") for each in links.all()]
        assert found.page.get_by_role("row").count() == len(MADE) + 1
        assert "line 3, column smell: found 'x<b>'" in (
            found.page.locator("main").inner_text()
        )
    assert cells[0] == "out of use at once"
    assert cells[1].startswith("look first")
    assert cells[-1].startswith("nothing needed")
    assert len(set(addresses)) == len(MADE)
