"""The page of a sizing in a real browser: offline, at every width, light, dark, paper.

The designs are made by hand; all of their numbers are invented.
"""

import re
from dataclasses import replace
from itertools import pairwise

import pytest

from support.browser import chromium, opened
from support.contrast import contrast, luminance
from support.page_checks import (
    PAPER,
    SIDEWAYS,
    SPILLED,
    TEXTS,
    VISIBLE,
    labels_lie_apart,
)
from tidegate.eliminator.asked import Asked
from tidegate.eliminator.regulator import Kind, Load
from tidegate.eliminator.sizing import sized
from tidegate.eliminator.source import SOURCES
from tidegate.report.convert_finding import verdict
from tidegate.report.convert_page import page

pytestmark = [pytest.mark.slow, pytest.mark.peer]

WIDTHS = [320, 360, 640, 641, 960, 961, 1440]
COLOURS = """() => ['body', 'h1', 'h2', 'td', 'thead th', 'footer', 'code',
                    'svg .tick', 'svg .name']
  .map(name => { const style = getComputedStyle(document.querySelector(name));
    return [name, name.startsWith('svg') ? style.fill : style.color]; })"""

GOOD = Asked(
    load=Load(current_a=1.2),
    peak=Load(power_w=5.0),
    out_v=3.85,
    is_port_fed=False,
    thermal_k_per_w=40.0,
    assumed=("--cable 24AWG", "--length 1m"),
)
MADE = {
    "good": sized(GOOD),
    "long": sized(replace(GOOD, length_m=6.0, source=SOURCES["usb2"])),
    "blocked": sized(
        replace(GOOD, load=Load(power_w=60), peak=Load(power_w=60), kind=Kind.SWITCHING)
    ),
    "no bank": sized(replace(GOOD, esr_ohm=20.0)),
}
PICTURES = {"good": 2, "long": 2, "blocked": 2, "no bank": 1}
STATION = "hall-of-the-very-long-names-" + "w" * 60


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("conversions")
    for name, made in MADE.items():
        text = page(made, station=STATION, remark="All of it is invented.")
        (folder / f"{name}.html").write_text(text, "utf-8")
    return {name: folder / f"{name}.html" for name in MADE}


@pytest.fixture(scope="module")
def browser():
    with chromium() as running:
        yield running


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_asks_for_nothing_and_complains_of_nothing(browser, pages, scheme):
    with opened(browser, pages["good"], scheme=scheme) as found:
        found.page.wait_for_load_state("networkidle")
        assert found.requests == []
        assert found.complaints == []


@pytest.mark.parametrize("name", MADE)
@pytest.mark.parametrize("width", [360, 1440])
def test_cautions_stand_above_the_verdict(browser, pages, name, width):
    with opened(browser, pages[name], width=width) as found:
        note = found.page.get_by_role("note").bounding_box()
        heading = found.page.locator("h1").bounding_box()
        assert note["y"] < 40
        assert note["y"] + note["height"] <= heading["y"]
        (said,) = found.page.locator("h1").all_inner_texts()
        assert said.replace("\xa0", " ") == verdict(MADE[name])


@pytest.mark.parametrize("name", MADE)
@pytest.mark.parametrize("width", WIDTHS)
def test_pictures_fit_and_nothing_scrolls_sideways(browser, pages, name, width):
    with opened(browser, pages[name], width=width) as found:
        shown = found.measured(VISIBLE)
        layout = "narrow" if width <= 640 else "medium" if width <= 960 else "wide"
        assert shown[0][0] == f"ladder {layout}"
        for kind, left, right, wide, high in shown:
            assert left >= 0, kind
            assert right <= width, kind
            assert wide >= min(width - 40, 280), kind
            assert high >= 60, kind
        scroll, client = found.measured(SIDEWAYS)
        assert scroll <= client
        assert found.measured(SPILLED) == []


@pytest.mark.parametrize("name", MADE)
@pytest.mark.parametrize("width", [360, 768, 1440])
def test_labels_lie_inside_apart_and_large_enough(browser, pages, name, width):
    with opened(browser, pages[name], width=width) as found:
        pictures = found.measured(TEXTS)
    assert len(pictures) == PICTURES[name]
    labels_lie_apart(pictures)


@pytest.mark.parametrize("width", [360, 1440])
def test_light_and_dark_differ_and_text_stands_out_in_both(browser, pages, width):
    papers = []
    for scheme in ("light", "dark"):
        with opened(browser, pages["long"], width=width, scheme=scheme) as found:
            papers.append(found.measured(PAPER))
            for name, colour in found.measured(COLOURS):
                assert contrast(colour, papers[-1]) >= 4.5, name
    assert luminance(papers[0]) > 0.8
    assert luminance(papers[1]) < 0.05


def test_a_phone_stacks_the_checks(browser, pages):
    script = "() => getComputedStyle(document.querySelector('.checks td')).display"
    for width, display in ((360, "block"), (1440, "table-cell")):
        with opened(browser, pages["good"], width=width) as found:
            assert found.measured(script) == display
            assert found.page.get_by_role("table").count() == 2


def test_headings_are_in_order(browser, pages):
    with opened(browser, pages["long"]) as found:
        levels = found.measured(
            "() => [...document.querySelectorAll('h1,h2,h3')]"
            ".map(each => Number(each.tagName[1]))"
        )
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_print_is_black_on_white_and_fits_on_paper(browser, pages, scheme):
    # A4 with margins of 15 mm leaves 180 mm, 680 px at 96 to the inch.
    with opened(
        browser, pages["long"], width=680, scheme=scheme, media="print"
    ) as found:
        assert found.measured(PAPER) == "rgb(255, 255, 255)"
        for name, colour in found.measured(COLOURS):
            red, green, blue = re.findall(r"\d+", colour)[:3]
            assert red == green == blue, name
        shown = found.measured(VISIBLE)
        assert shown[0][0] == "ladder medium"
        scroll, client = found.measured(SIDEWAYS)
        assert scroll <= client
        assert found.measured(SPILLED) == []
        paper = found.page.pdf(prefer_css_page_size=True)
    assert 2 <= len(re.findall(rb"/Type\s*/Page[^s]", paper)) <= 6
