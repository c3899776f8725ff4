"""The page: verdict first, in order, in one file, readable, escaped."""

import re
from datetime import UTC, datetime, timedelta, timezone
from html.parser import HTMLParser

import pytest

from tidegate.core.policy import Marks, Policy
from tidegate.errors import LogError
from tidegate.report import write_report
from tidegate.report.cautions import CAUTIONS
from tidegate.report.finding import (
    alternative,
    evidence,
    lasted,
    measured_in_window_percent,
    numbers,
    verdict,
)
from tidegate.report.page import page
from tidegate.report.story import Span, Story
from tidegate.report.style import STYLE

ZONE = timezone(timedelta(hours=2))
T0 = round(datetime(2025, 6, 3, 4, tzinfo=UTC).timestamp() * 1000)
MINUTE = 60_000
HOUR = 60 * MINUTE
# M. Okabe and K. Ito, "Color Universal Design" (2008): the palette, from memory.
OKABE_ITO = {
    "#000000",
    "#E69F00",
    "#56B4E9",
    "#009E73",
    "#F0E442",
    "#0072B2",
    "#D55E00",
    "#CC79A7",
}


def told(socs=(60.0, 60.0), *, marks=(55, 65), alarms=(), **more):
    """A synthetic story with a reading an hour."""
    policy = Policy(
        marks=Marks(low_percent=marks[0], high_percent=marks[1]) if marks else None
    )
    line = [(T0 + i * HOUR, soc) for i, soc in enumerate(socs)]
    more.setdefault("until_ms", T0 + HOUR * max(len(socs) - 1, 1))
    return Story(
        station=more.pop("station", "wall-guide"),
        policy=policy,
        from_ms=T0,
        soc=[line] if line else [],
        alarms=list(alarms),
        **more,
    )


def alarm(code="battery_hot", *, stands=False, minutes=30):
    return Span(T0, T0 + minutes * MINUTE, code, stands=stands)


class Parts(HTMLParser):
    """Headings with their text, tags with their attributes, and plain text."""

    def __init__(self, text):
        super().__init__()
        self.headings, self.tags, self.said = [], [], []
        self._heading = None
        self.feed(text)
        self.text = " ".join("".join(self.said).replace("\xa0", " ").split())

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if re.fullmatch("h[1-6]", tag):
            self._heading = []

    def handle_endtag(self, tag):
        if re.fullmatch("h[1-6]", tag):
            self.headings.append((tag, "".join(self._heading).replace("\xa0", " ")))
            self._heading = None

    def handle_data(self, data):
        self.said.append(data)
        if self._heading is not None:
            self._heading.append(data)


# --- the verdict ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("story", "expected"),
    [
        (
            told((60, 60, 80, 80, 60), switchings=1),
            "wall-guide was in its window of 55 to 65 % for 50 % of the time read "
            "from its first entry on, with 1 switching; no alarm.",
        ),
        (
            told(switchings=94, alarms=[alarm(), alarm("relay_no_effect")]),
            "wall-guide was in its window of 55 to 65 % for 100 % of the time read "
            "from its first entry on, with 94 switchings; 2 alarms, none stands.",
        ),
        (
            told(alarms=[alarm(), alarm("relay_no_effect", stands=True)]),
            "wall-guide was in its window of 55 to 65 % for 100 % of the time read "
            "from its first entry on, with 0 switchings; 2 alarms, of which 1 stands.",
        ),
        (
            told((90, 80), alarms=[alarm(stands=True)]),
            "wall-guide did not come into its window of 55 to 65 %; 1 alarm, which "
            "stands.",
        ),
        (
            told((40, 90), marks=None),
            "wall-guide was measured, not controlled: its charge was 40 to 90 %; no "
            "alarm.",
        ),
        (
            told((), alarms=[alarm(stands=True), alarm("gauge_lost", stands=True)]),
            "No charge of wall-guide was read that can be trusted; 2 alarms, which "
            "stand.",
        ),
    ],
)
def test_the_verdict_says_whether_to_act(story, expected):
    assert verdict(story) == expected
    assert Parts(page(story, ZONE)).headings[0] == ("h1", expected)


@pytest.mark.parametrize(
    ("socs", "percent"),
    [
        ((96, 70, 66, 60), 100),  # what came before the first entry does not count
        ((54, 53.9, 54), 50),
        ((66, 66.1, 66), 50),
        ((60, 60, 60, 70, 60), 75),
        ((70, 71), None),
    ],
)
def test_time_in_the_window_counts_from_the_first_entry_a_point_beside_each_mark(
    socs, percent
):
    assert measured_in_window_percent(told(socs)) == percent


def test_a_gap_counts_neither_in_nor_out():
    story = told()
    story.soc = [
        [(T0, 60.0), (T0 + HOUR, 60.0)],
        [(T0 + 50 * HOUR, 90.0), (T0 + 51 * HOUR, 90.0)],
    ]
    assert measured_in_window_percent(story) == 50


# --- numbers and evidence -------------------------------------------------------------


def test_the_numbers_with_their_units():
    story = told(
        (55, 65, 55, 65),
        switchings=7,
        until_ms=T0 + 48 * HOUR,
        supply=[Span(T0, T0 + HOUR, "on"), Span(T0 + HOUR, T0 + 4 * HOUR, "off")],
        heat=[[(T0, 21.2), (T0 + HOUR, 46.8)]],
    )
    story.effects.update({True: 5, False: 2, None: 1})
    assert dict(numbers(story, ZONE)) == {
        "from": "Tue 3 Jun 06:00 2025",
        "to": "Thu 5 Jun 06:00 2025",
        "time in the window, of the time read from the first entry on": "100 %",
        "lowest charge read": "55 %",
        "highest charge read": "65 %",
        "battery temperature": "21 to 47 °C",
        "switchings": "7 (3.5 a day)",
        "supply on, of the time it is known": "25 %",
        "effects of commands, repeats included": "5 seen, 2 missing, 1 unknown",
        # Half the summed change, by definition: 30 points of 200.
        "equivalent full cycles (EFC), as read": "0.15",
    }


@pytest.mark.parametrize(
    ("length_ms", "said"),
    [
        (20_000, "20 s"),
        (30 * MINUTE, "30 min"),
        (89 * MINUTE, "1 h 29 min"),
        (50 * HOUR, "2.1 days"),
    ],
)
def test_how_long_an_alarm_stood(length_ms, said):
    assert lasted(Span(0, length_ms)) == said
    assert lasted(Span(0, length_ms, stands=True)) == f"{said}, it stands"


def test_the_evidence_names_what_is_missing_and_which_clock():
    plain = " ".join(evidence(told(), ZONE))
    assert "UTC+02:00" in plain
    assert "not a measurement of ours" in plain
    assert "wall clock" not in plain
    troubled = told(
        (),
        until_ms=T0 + 4 * HOUR,
        stepped_ms=300 * 24 * HOUR,
        delayed=2,
        lost_rows=7,
        rejected=3,
        failed=1,
    )
    said = " ".join(evidence(troubled, ZONE))
    for words in (
        "3 of them not trusted",
        "1 failed read.",
        "For 4.0 h nothing trusted was read",
        "set by 300.0 days within a boot",
        "went back between boots (2 times)",
        "7 rows could not be kept",
    ):
        assert words in said


def test_the_picture_has_words_for_whoever_does_not_see_it():
    story = told(
        supply=[Span(T0, T0 + HOUR, "on")],
        heat=[[(T0, 21.0), (T0 + HOUR, 47.0)]],
        alarms=[alarm() for _ in range(7)],
    )
    said = alternative(story, ZONE)
    assert said.startswith(verdict(story))
    assert "Charge from 60 to 60 %. Supply on for 100 % of the time." in said
    assert "battery_hot Tue 3 Jun 06:00, 30 min." in said
    assert said.endswith("The other alarms are in the table.")
    pictures = [tag for tag in Parts(page(story, ZONE)).tags if tag[0] == "svg"]
    assert len(pictures) == 3
    assert {attrs["aria-label"].replace("\xa0", " ") for _, attrs in pictures} == {said}


# --- the page -------------------------------------------------------------------------


def test_the_order_is_verdict_picture_numbers_evidence_cautions():
    text = page(told(alarms=[alarm()]), ZONE, remark="All of it is invented.")
    parts = Parts(text)
    assert [tag for tag, _ in parts.headings] == ["h1", "h2", "h2", "h2", "h2"]
    assert [said for _, said in parts.headings[1:]] == [
        "Numbers",
        "Alarms",
        "Evidence and limits",
        "Cautions",
    ]
    places = [
        text.index(mark)
        for mark in ("<h1>", "All of it is invented.", "<svg", *_headings(parts))
    ]
    assert places == sorted(places)
    assert all(caution in parts.text for caution in CAUTIONS)


def _headings(parts):
    return [f"<h2>{said}" for _, said in parts.headings[1:]]


def test_it_is_one_file_that_asks_for_nothing():
    text = page(told(), ZONE)
    tags = Parts(text).tags
    assert not {"script", "iframe", "object", "img", "form"} & {tag for tag, _ in tags}
    links = [attrs for _, attrs in tags if {"src", "href"} & set(attrs)]
    assert links == [{"rel": "icon", "href": "data:,"}]
    assert not re.search(r"https?:|//|url\(|@import", text)


def test_an_alarm_of_another_version_has_words_too():
    text = Parts(page(told(alarms=[alarm("flux_inverted")]), ZONE)).text
    assert "which this one does not know. (flux_inverted)" in text


def test_whatever_a_station_is_called_stays_text():
    name = "<script>alert('x')</script> & \"co\" \ud800"
    story = told(station=name, alarms=[alarm("<b onload=x>")])
    text = page(story, ZONE, remark="<i>")
    tags = {tag for tag, _ in Parts(text).tags}
    assert not {"script", "b", "i"} & tags
    assert "alert('x')" in Parts(text).text


def test_the_year_is_named_where_there_are_two():
    story = told(until_ms=T0 + 366 * 24 * HOUR, alarms=[alarm()])
    assert "Tue 3 Jun 06:00 2025" in Parts(page(story, ZONE)).text.split("Alarms")[1]
    story = told(alarms=[alarm()])
    assert "06:00 2025" not in Parts(page(story, ZONE)).text.split("Alarms")[1]


def test_a_number_keeps_its_unit_beside_it():
    text = page(told(), ZONE)
    assert "65\xa0% for 100\xa0% of" in text


def test_no_log_is_an_error_and_leaves_no_page(tmp_path):
    with pytest.raises(LogError):
        write_report(tmp_path / "a.db", "wall-guide", tmp_path / "a.html", zone=ZONE)
    assert not (tmp_path / "a.html").exists()


# --- colours --------------------------------------------------------------------------


def _variables(style):
    """Return the variables of light, dark and print, each over those before."""
    blocks = [
        dict(re.findall(r"--(\w+):(#\w+)", block))
        for block in re.findall(r":root\{([^}]*)\}", style)
    ]
    light, dark, paper = blocks
    return {"light": light, "dark": light | dark, "print": light | paper}


def _luminance(colour):
    """W3C, Web Content Accessibility Guidelines 2.1, definition "relative luminance"."""
    digits = colour[1:] if len(colour) == 7 else "".join(2 * c for c in colour[1:])
    parts = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    red, green, blue = (
        part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4
        for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _contrast(a, b):
    """The same, definition "contrast ratio"."""
    high, low = sorted((_luminance(a), _luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_computed_as_the_guidelines_say():
    assert _contrast("#000", "#fff") == pytest.approx(21)
    # Known pair, from memory: #767676 is the lightest grey that passes on white.
    assert _contrast("#767676", "#ffffff") >= 4.5 > _contrast("#777777", "#ffffff")


@pytest.mark.parametrize("scheme", ["light", "dark", "print"])
def test_text_stands_out(scheme):
    colours = _variables(STYLE)[scheme]
    for text in ("ink", "soft"):
        assert _contrast(colours[text], colours["paper"]) >= 4.5


@pytest.mark.parametrize("scheme", ["light", "dark", "print"])
def test_charge_supply_and_alarms_stand_out(scheme):
    # WCAG 2.1, 1.4.11: graphics that carry meaning have at least 3 to 1.
    colours = _variables(STYLE)[scheme]
    for shape in ("soc", "alarm"):
        assert _contrast(colours[shape], colours["paper"]) >= 3


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_colours_are_those_of_okabe_and_ito(scheme):
    colours = _variables(STYLE)[scheme]
    used = {colours[shape] for shape in ("soc", "band", "alarm", "hot")}
    assert used <= OKABE_ITO


def test_print_is_black_and_white():
    colours = _variables(STYLE)["print"]
    assert all(
        len(set(re.findall("..", colour[1:] if len(colour) == 7 else colour[1:] * 2)))
        == 1
        for colour in colours.values()
    )


def test_at_most_three_sizes_of_type_on_a_screen():
    screen = STYLE[: STYLE.index("@media print")]
    sizes = {
        12.8 if size == "12.8px" else 16 * float(size.removesuffix("rem"))
        for size in re.findall(r"font(?:-size)?:(12\.8px|[\d.]+rem)", screen)
    }
    assert len(sizes) <= 3
