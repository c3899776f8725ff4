"""The page of an audit: in order, in one file, escaped, its numbers the audit's own.

All numbers are invented.
"""

import functools
import itertools
import math
import re
from datetime import timedelta, timezone
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pytest

from support import audits
from support import cyclelog_rows as make
from support.audits import DAY, HOUR, T0
from support.cyclelog_rows import WALL_MS
from support.pictures import assert_apart, assert_inside, of_class, texts
from tidegate.audit.result import AlarmSpan, AtThisPace, Gap
from tidegate.cli.audit_text import lines
from tidegate.cyclelog.writer import Writer
from tidegate.errors import LogError
from tidegate.report.audit_finding import length, verdict
from tidegate.report.audit_numbers import GAPS_MOST
from tidegate.report.audit_page import page, write
from tidegate.report.cautions import CAUTIONS
from tidegate.virtual import run
from tidegate.wear import finding as wear_finding
from tidegate.wear import handbook

ZONE = timezone(timedelta(hours=1))


@functools.cache
def page_of(made, *, remark="All of it is invented."):
    return page(made, audits.told_of(made), ZONE, remark=remark)


class Parts(HTMLParser):
    """Headings, tags with attributes, tables as lists of rows, and plain text."""

    def __init__(self, text):
        super().__init__()
        self.headings, self.tags, self.tables, self.said = [], [], [], []
        self._open = []
        self.feed(text)
        self.text = plain("".join(self.said))

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self._open.append(tag)
        if tag == "table":
            self.tables.append((dict(attrs)["class"], []))
        elif tag == "tr":
            self.tables[-1][1].append([])
        elif tag in {"th", "td"}:
            self.tables[-1][1][-1].append("")
        elif re.fullmatch("h[1-6]", tag):
            self.headings.append([tag, ""])

    def handle_endtag(self, tag):
        while self._open and self._open.pop() != tag:
            pass

    def handle_data(self, data):
        if "style" not in self._open:
            self.said.append(data)
        if self._open and self._open[-1] in {"th", "td"}:
            self.tables[-1][1][-1][-1] += plain(data)
        elif self._open and re.fullmatch("h[1-6]", self._open[-1]):
            self.headings[-1][1] += plain(data)

    def table(self, kind, index=0):
        """Return the rows of a table as a mapping from the first cell to the rest."""
        found = [rows for name, rows in self.tables if name == kind][index]
        return {row[0]: tuple(row[1:]) for row in found[1:]}


def plain(text):
    return " ".join(text.replace("\xa0", " ").split())


CASES = {
    "a year": audits.audit(),
    "ten minutes": audits.audit(
        days=10 / 1440,
        alarms=(),
        readings=audits.changed(audits.audit().readings, gaps=(), covered_s=600),
        measured=audits.NOT_MEASURED,
    ),
    "measured only": audits.audit(
        marks=None, windows=0, switchings=audits.NO_SWITCHING
    ),
    "a week": audits.week(),
    "no temperature": audits.audit(temperature=audits.NO_HEAT),
    "no model counts": audits.audit(
        wear=audits.account([("naumann_lfp", 1.0, 2.0, 0.9, (), False)])
    ),
    "one reading": audits.plain(),
    "no time at all": audits.plain(days=0),
    "many alarms": audits.audit(
        alarms=tuple(
            AlarmSpan(
                code=f"code_{index % 30}",
                from_ms=T0 + index * HOUR,
                until_ms=T0 + (index + 1) * HOUR,
            )
            for index in range(400)
        )
    ),
}


# --- structure ------------------------------------------------------------------------


@pytest.mark.parametrize("name", CASES)
def test_the_order_is_verdict_pictures_numbers_evidence_limits_cautions(name):
    made = CASES[name]
    text = page_of(made)
    parts = Parts(text)
    assert parts.headings[0] == ["h1", plain(verdict(made))]
    assert [tag for tag, _ in parts.headings].count("h1") == 1
    # A level is never left out.
    levels = [int(tag[1]) for tag, _ in parts.headings]
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))
    order = ["<h1>", "All of it is invented.", "<svg", "<h2>Numbers", "<h2>Gaps"]
    order += ["<h2>Alarms", "<h2>Evidence", "<h2>Limits", "<h2>Cautions", "<footer>"]
    places = [text.index(each) for each in order]
    assert places == sorted(places)
    assert all(caution in parts.text for caution in CAUTIONS)


@pytest.mark.parametrize("name", CASES)
def test_every_picture_is_whole_and_says_its_finding(name):
    drawn = re.findall(r"<svg.*?</svg>", page_of(CASES[name]), flags=re.DOTALL)
    assert len(drawn) >= 3
    for each in drawn:
        svg = ElementTree.fromstring(each)
        assert len(svg.get("aria-label")) > 20
        assert svg.get("role") == "img"
        assert_inside(svg)
        assert_apart(svg)


@pytest.mark.parametrize("name", CASES)
def test_it_is_one_file_that_asks_for_nothing(name):
    text = page_of(CASES[name])
    tags = Parts(text).tags
    assert not {"script", "iframe", "object", "img", "form"} & {tag for tag, _ in tags}
    links = [attrs for _, attrs in tags if {"src", "href"} & set(attrs)]
    assert links == [{"rel": "icon", "href": "data:,"}]
    assert not re.search(r"https?:|//|url\(|@import", text)
    assert not re.search(r"\bnan\b|\binf\b|None[^.]", Parts(text).text)


def test_whatever_a_station_is_called_stays_text():
    hostile = "<script>alert('x')</script> & \"co\" \ud800"
    made = audits.audit(
        station=hostile,
        alarms=(AlarmSpan(code="<b onload=x>", from_ms=T0, until_ms=None),),
        notes=("<i>",),
        switchings=audits.changed(audits.SWITCHINGS, reasons=(("<u>", 2),)),
        readings=audits.changed(
            audits.audit().readings,
            gaps=(Gap(from_ms=T0, until_ms=T0 + 1, why="<s>"),),
        ),
        head=audits.changed(audits.audit().head, path=Path("<em>.db")),
    )
    parts = Parts(page_of(made, remark="<q>"))
    assert not {"script", "b", "i", "u", "s", "em", "q"} & {
        tag for tag, _ in parts.tags
    }
    assert "alert('x')" in parts.text


@pytest.mark.parametrize("character", ["\u202e", "\u2066", "\x07", "\x00", "\n"])
def test_no_name_turns_a_sentence_round_or_hides_in_it(character):
    hostile = f"hall{character}"
    made = audits.audit(
        station=hostile,
        alarms=(AlarmSpan(code=hostile, from_ms=T0, until_ms=None),),
        temperature=audits.changed(audits.heat(), sensor=hostile),
        switchings=audits.changed(audits.SWITCHINGS, reasons=((hostile, 2),)),
        notes=(f"Run by {hostile}.",),
    )
    text = page_of(made)
    escaped = character.encode("unicode_escape").decode("ascii")
    assert f"hall{escaped} was in its window" in Parts(text).text
    assert hostile not in text


# --- the verdict ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("made", "expected"),
    [
        (
            CASES["a year"],
            "hall was in its window of 55 to 65 % for 93 % of the time read; 2 of 4 "
            "models say that it cost less than float; 3 alarms, of which 1 stands.",
        ),
        (
            audits.audit(marks=None, windows=0, alarms=audits.ALARMS[:1]),
            "hall was measured, not controlled: its charge was 41 to 97 %; 2 of 4 "
            "models say that it cost less than float; 1 alarm, none stands.",
        ),
        (
            CASES["one reading"],
            "No charge of cellar was read that can be trusted; no model can say what "
            "it cost the battery; no alarm.",
        ),
        (
            audits.audit(
                soc=audits.changed(audits.charge(), in_window_percent=0.0),
                wear=audits.account([("xu2016", 3.0, 2.0, 1.0, (), True)]),
            ),
            "hall did not come into its window of 55 to 65 % in the time read; the one "
            "model that counts says that it cost more than float; 3 alarms, of which 1 "
            "stands.",
        ),
        (
            CASES["no model counts"],
            "hall was in its window of 55 to 65 % for 93 % of the time read; no model "
            "can say what it cost the battery; 3 alarms, of which 1 stands.",
        ),
    ],
)
def test_the_verdict_says_whether_to_act(made, expected):
    assert verdict(made) == expected


def test_headline_and_paragraph_say_the_same_of_a_short_time():
    # Over these few days more than float, in three years less: years decide.
    read = audits.account([("xu2016", 0.4, 0.3, 0.2, (), True)], days=5)
    ahead = audits.account([("xu2016", 4.0, 9.0, 3.0, (), True)], days=3 * 365)
    made = audits.audit(
        days=5,
        wear=read,
        at_this_pace=(AtThisPace(years=3, account=ahead),),
    )
    parts = Parts(page_of(made))
    claim = "says that it costs less than float"
    assert f"for 3 years, the one model that counts {claim};" in verdict(made)
    assert (
        "If it goes on like this for 3 years: The one model that counts says that this "
        "costs less than float." in parts.text
    )
    assert "more than float" not in parts.text
    assert ["h2", "Loss by model if it goes on like this for 3 years"] in parts.headings


# --- the numbers ----------------------------------------------------------------------


def test_the_numbers_are_those_of_the_audit():
    rows = Parts(page_of(CASES["a year"])).table("numbers")
    assert rows == {
        "from": ("Wed 1 Jan 01:00 2025",),
        "to": ("Thu 1 Jan 01:00 2026",),
        "readings": ("1,040,512, of which 37 not trusted; 840 failed reads",),
        # 361.7 of 365 days.
        "time covered by trusted readings": ("8,681 h, 99 %",),
        "gaps": ("2, together 3.3 days",),
        "time in the window, of the time read": ("93 %",),
        "mean charge": ("60 %",),
        "lowest and highest charge": ("41 to 97 %",),
        "time above 80 % charge": ("0.2 h",),
        "mean battery temperature": ("24 °C",),
        "lowest and highest temperature": ("16 to 46 °C",),
        "time at or above 45 °C": ("2.5 h",),
        "sensor": ("battery",),
        "equivalent full cycles (EFC)": ("292; 292 a year at this pace",),
        "switchings": ("5,840, 16.0 a day",),
        "of these": (
            "2 without effect, 3 not confirmed (the effect not seen, or not waited for)",
        ),
        "relay, repeats apart": (
            "5,840 of 100,000 contact operations; at this pace 17 years from new",
        ),
    }


def test_models_are_told_one_by_one_with_what_their_tests_leave_out():
    rows = Parts(page_of(CASES["a year"])).table("models")
    assert rows["schmalstieg2014"] == ("7.2, float 4.4, hold 2.7 %", "nothing")
    assert rows["nca_keil_preger"][1] == "depth 10 % (tested 80 to 100 %)"
    names = [name for name, *_ in audits.LOSSES]
    assert list(rows) == [
        *names[:-1],
        "naumann_lfp (not counted)",
        "less than float",
    ]
    assert rows["less than float"][0] == "2 of 4 models"


# A week, and the same duty gone on, which ranks the other way round in the end.
A_WEEK = audits.audit(
    days=7,
    wear=audits.account([("xu2016", 0.4, 0.3, 0.2, (), True)], days=7),
    at_this_pace=(
        AtThisPace(
            years=1, account=audits.account([("xu2016", 7.9, 7.5, 6.2, (), True)])
        ),
        AtThisPace(
            years=3,
            account=audits.account(
                [("xu2016", 9.0, 12.0, 8.9, ("3 years (tested up to 1)",), True)]
            ),
        ),
    ),
)


def test_a_short_time_is_told_beside_more_of_the_same():
    parts = Parts(page_of(A_WEEK))
    assert parts.table("models")["xu2016"] == (
        "0.4, float 0.3, hold 0.2 %",
        "7.9, float 7.5, hold 6.2 %",
        "9.0, float 12.0, hold 8.9 %",
        "3 years (tested up to 1)",
    )
    heads = next(found[0] for name, found in parts.tables if name == "models")
    assert heads[1:4] == ["7 days read", "in 1 year", "in 3 years"]


def test_the_picture_shows_the_account_on_which_the_verdict_rests():
    parts = Parts(page_of(A_WEEK))
    assert "says that it costs less than float" in verdict(A_WEEK)
    told = next(
        attrs["aria-label"]
        for tag, attrs in parts.tags
        if tag == "svg" and attrs["class"].startswith("models")
    )
    assert "for 3 years. xu2016: 9.0 %, float 12.0 %, hold 8.9 %" in told


def test_what_was_measured_stands_apart_from_the_models():
    rows = Parts(page_of(CASES["a year"])).table("numbers", 1)
    assert rows == {
        "capacity": (
            "6.31 Ah ± 0.09 Ah (one sigma, from rounding and scatter), over 7 swings of "
            "30 points and more",
        ),
        "chemistry, as declared": ("unknown",),
        "design capacity, as named": ("7.00 Ah",),
        "resistance": ("121 mΩ, the median of 122 switchings",),
    }
    rows = Parts(page_of(CASES["one reading"])).table("numbers", 1)
    assert rows == {
        "capacity": ("No swing of 30 points was seen.",),
        "chemistry, as declared": ("unknown",),
        "resistance": ("The gauge gives no current.",),
    }


def test_the_bins_add_up_to_the_time():
    made = CASES["a year"]
    rows = Parts(page_of(made)).table("counts", 1)
    assert next(iter(rows)) == "95 to 100 %"
    assert rows["60 to 65 %"] == ("42 %", "3,611 h")
    total_h = sum(
        float(hours.removesuffix(" h").replace(",", ""))
        for _, hours in rows.values()
        if hours.endswith(" h")
    )
    expected = sum(each.seconds for each in made.soc.histogram) / 3600
    assert math.isclose(total_h, expected, rel_tol=0.001)


def test_gaps_are_told_longest_first_and_the_rest_is_counted():
    gaps = tuple(
        Gap(
            from_ms=T0 + index * DAY,
            until_ms=T0 + index * DAY + (index + 1) * 60_000,
            why="gauge_failed",
        )
        for index in range(GAPS_MOST + 3)
    )
    made = audits.audit(readings=audits.changed(audits.audit().readings, gaps=gaps))
    parts = Parts(page_of(made))
    lengths = [row[0] for row in parts.table("gaps").values()]
    assert lengths == [f"{minutes} min" for minutes in range(GAPS_MOST + 3, 3, -1)]
    # 3, 2 and 1 minutes are left out.
    assert "And 3 shorter gaps, together 6 min." in parts.text


def test_alarms_that_stand_come_first():
    parts = Parts(page_of(CASES["a year"]))
    first, row = next(iter(parts.table("codes").items()))
    assert first.endswith("(relay_no_effect)")
    # It began 5 days before the end, on day 360 of the year.
    assert row == ("1", "5.0 days, it stands", "Sat 27 Dec 01:00 2025")


def test_an_alarm_that_comes_again_and_again_has_one_row():
    rows = Parts(page_of(CASES["many alarms"])).table("codes")
    # 400 alarms of an hour, of 30 codes in turn: 10 of them come 14 times. Their
    # sentence is the same, as no version knows them.
    assert len(rows) == 30
    counts = sorted(int(count) for count, _, _ in rows.values())
    assert counts == [13] * 20 + [14] * 10
    assert {together for _, together, _ in rows.values()} == {
        "13 h 0 min",
        "14 h 0 min",
    }


def test_reasons_have_their_sentence_and_code():
    rows = Parts(page_of(CASES["a year"])).table("reasons")
    assert rows["the charge is at the low mark (at_low_mark)"] == ("2,911",)
    made = audits.audit(
        switchings=audits.changed(audits.SWITCHINGS, reasons=(("moonrise", 1),))
    )
    (reason,) = Parts(page_of(made)).table("reasons")
    assert reason.endswith("which this one does not know (moonrise)")


@pytest.mark.parametrize(
    ("length_ms", "said"),
    [
        (20_000, "20 s"),
        (30 * 60_000, "30 min"),
        (89 * 60_000, "1 h 29 min"),
        (50 * HOUR, "2.1 days"),
    ],
)
def test_how_long_something_was(length_ms, said):
    assert length(length_ms) == said


# --- limits and the foot --------------------------------------------------------------


def test_the_limits_are_always_there():
    for made in CASES.values():
        said = Parts(page_of(made)).text
        said = said[said.index("Limits ") :]
        for words in ("state of health", "LCO", "4.2 V", "swelling"):
            assert words in said


def test_the_limits_name_the_sensor_or_what_was_assumed():
    assert "from the sensor battery," in Parts(page_of(CASES["a year"])).text
    said = Parts(page_of(CASES["no temperature"])).text
    assert "none in the log; the models take 25 °C" in said
    assert "Temperature comes from" not in said


def test_what_a_note_says_the_page_does_not_say_again():
    note = "The log has no temperature; the models were given 25 °C, a guess."
    made = audits.audit(
        temperature=audits.NO_HEAT, notes=(note,), stepped_ms=HOUR, delayed=2
    )
    lost = audits.changed(made.readings, lost_rows=7)
    said = Parts(page_of(audits.changed(made, readings=lost))).text
    assert said.count("The log has no temperature") == 1
    for words in ("went back between boots", "could not be kept", "clock was set"):
        assert words not in said
    # Told in the table of losses.
    assert said.count("depth 10 % (tested 80 to 100 %)") == 2


def test_the_models_sentences_and_the_handbooks_bound_are_there():
    made = CASES["a year"]
    said = Parts(page_of(made)).text
    for sentence in wear_finding.sentences(made.wear, sensor="battery"):
        assert plain(sentence) in said
    (bound,) = handbook.sentences(made.temperature.mean_c)
    assert plain(bound) in said[said.index("Limits ") :]


def test_the_foot_names_version_link_and_how_to_check():
    made = CASES["a year"]
    text = page_of(made)
    foot = Parts(text[text.index("<footer>") :]).text
    assert f"tidegate {made.version}" in foot
    assert audits.LINK in foot
    assert "museum.db" in foot
    assert "tidegate log verify --log museum.db" in foot


def test_a_link_of_a_time_that_no_calendar_has_is_told_all_the_same():
    # The year 12110; datetime ends with 9999.
    head = audits.changed(audits.audit().head, wall_ms=320_000_000_000_000)
    text = page_of(audits.audit(head=head))
    assert "at a time that no calendar has" in Parts(text).text


def test_what_is_outside_of_float_and_hold_is_in_the_table():
    (name, *_), *_ = audits.LOSSES
    wear = audits.account()
    first = audits.changed(
        wear.models[0],
        outside=("depth 10 % (tested 80 to 100 %)",),
        float_outside=("depth 10 % (tested 80 to 100 %)", "charge 100 % (tested 50 %)"),
        hold_outside=("3 years (tested up to 1 year)",),
    )
    made = audits.audit(wear=audits.changed(wear, models=(first, *wear.models[1:])))
    assert Parts(page_of(made)).table("models")[name][-1] == (
        "depth 10 % (tested 80 to 100 %); float: charge 100 % (tested 50 %); hold: 3 "
        "years (tested up to 1 year)"
    )


def test_the_bar_of_a_relays_life_is_of_the_whole_log():
    made = audits.audit(
        switchings=audits.changed(
            audits.SWITCHINGS, operations=30, life=100, operations_of_log=150
        )
    )
    text = page_of(made)
    assert "filled: 150 in the whole log (150 %)" in text
    assert "of these 30 in this time" in text


def test_text_and_page_call_an_effect_that_is_not_known_the_same():
    made = CASES["a year"]
    said = "2 without effect, 3 not confirmed"
    assert Parts(page_of(made)).table("numbers")["of these"][0].startswith(said)
    assert said in " ".join(" ".join(lines(made, ZONE)).split())


# --- the file -------------------------------------------------------------------------


def test_no_log_is_an_error_and_leaves_no_page(tmp_path):
    with pytest.raises(LogError):
        write(CASES["a year"], tmp_path / "a.db", tmp_path / "a.html", zone=ZONE)
    assert not (tmp_path / "a.html").exists()


def test_it_is_drawn_from_the_log_for_the_time_of_the_audit(tmp_path):
    log, to = tmp_path / "museum.db", tmp_path / "hall.html"
    written(log)
    made = audits.audit(
        station="lobby", from_ms=WALL_MS + HOUR, until_ms=WALL_MS + 2 * HOUR
    )
    write(made, log, to, zone=ZONE, remark="Synthetic.")
    text = to.read_text("utf-8")
    drawn = re.search(r"<svg.*?</svg>", text, flags=re.DOTALL)[0]
    svg = ElementTree.fromstring(drawn)
    # The alarm that was over before the hour asked for is not in the picture.
    assert "gauge_lost" in texts(svg)
    assert "battery_hot" not in texts(svg)
    (curve,) = of_class(svg, "soc")
    assert curve.get("d").count("M") == 1


def test_other_stations_of_a_log_are_an_error(tmp_path):
    written(tmp_path / "museum.db")
    with pytest.raises(LogError, match="'hall'"):
        write(
            CASES["a year"], tmp_path / "museum.db", tmp_path / "hall.html", zone=ZONE
        )


def written(log):
    """Write a log of three hours of the lobby: equal readings and two alarms."""
    writer = Writer.open(log, clock=make.clock(), threaded=False)
    writer.append(make.run())
    writer.append(make.settings())
    for minute in range(0, 180, 2):
        at_ms = minute * 60_000
        writer.append(audits.changed(make.reading(at_ms), station="lobby"))
    for minute, code, raised in (
        (5, "battery_hot", True),
        (50, "battery_hot", False),
        (70, "gauge_lost", True),
    ):
        row = make.alarm(minute * 60_000, code=code)
        writer.append(audits.changed(row, raised=raised))

    async def close():
        await writer.commit()
        await writer.close()

    run(close(), clock=make.clock())
