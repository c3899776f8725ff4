"""``tidegate audit`` as its user meets it: text, document, page, spans, exit codes.

Source: exit codes of sysexits.h (4.2BSD), typed here from memory.
"""

from __future__ import annotations

import json
import re
import time
import unicodedata
from datetime import UTC, datetime, timedelta, timezone

import click
import pytest

from support.audit_log import DAY, HOUR, POLICY, T0, AuditLog, triangle
from support.cyclelog_faults import tampered
from tidegate.audit.auditor import audit
from tidegate.cli.audit_text import lines
from tidegate.cli.main import run
from tidegate.cli.span import moment_ms
from tidegate.cli.zone import SystemZone
from tidegate.cyclelog.plain import canonical, to_plain
from tidegate.cyclelog.rows import SettingsRow
from tidegate.demo import Demo
from tidegate.report.cautions import CAUTIONS
from tidegate.twin.museum import STATION, Museum

GIVEN = {"relay": {"life": 20_000}, "battery": {"chemistry": "nmc", "design_ah": 7}}


def written(path, *, stations=("hall",)):
    """Write a day and a half: a triangle, a gap, alarms, switchings."""
    log = AuditLog(path)
    for place, name in enumerate(stations):
        log.station = name
        if place == 0:
            log.begin(given=GIVEN)
        else:
            log.settings(0, given=GIVEN)
        log.battery()
        end_s = triangle(log, swings=6, from_s=10)
        log.switch(end_s, "off", reason="at_high_mark", seen=(True,))
        log.switch(end_s + 60, "on", reason="at_low_mark", seen=(None,))
        log.alarm(end_s + 60, "supply_absent")
        log.fail(end_s + 90, span_s=HOUR)
        log.read(end_s + 2 * HOUR, 50, span_s=DAY, celsius=31)
    return log.close()


@pytest.fixture
def log(tmp_path):
    return written(tmp_path / "cycles.db")


def document(capsys):
    return json.loads(capsys.readouterr().out)


# --- the document ---------------------------------------------------------------------


def test_the_document_has_the_stable_names(log, capsys):
    assert run(["audit", "hall", "--log", str(log), "--json"]) == 0
    found = document(capsys)
    assert found["station"] == "hall"
    assert found["from"] == "2026-03-01T00:00:00.000Z"
    assert found["readings"] == 121 + 1 + DAY / 30
    (gap,) = found["gaps"]
    assert gap["why"] == "gauge_failed"
    assert set(found["cycles"]) == {
        "half_cycles",
        "efc",
        "efc_in_gaps",
        "days",
        "efc_per_year",
    }
    assert found["cycles"]["efc_in_gaps"] == pytest.approx(0.05)
    # Six ranges of 20 points, and 10 points more across the gap.
    assert found["cycles"]["efc"] == pytest.approx(0.65)
    assert set(found["cycles"]["half_cycles"][0]) == {
        "depth_percent",
        "mean_percent",
        "count",
    }
    assert found["soc"]["hours_above_80_percent"] == 0
    assert sum(each["hours"] for each in found["soc"]["histogram"]) == pytest.approx(26)
    assert found["temperature"]["sensor"] == "pack"
    heats = {
        each["from_c"]: each["hours"] for each in found["temperature"]["histogram"]
    }
    assert heats == {25: 2, 30: 24}
    assert found["switchings"]["count"] == 2
    assert found["switchings"]["unconfirmed"] == 1
    assert found["switchings"]["per_day"] == pytest.approx(2 * 24 / 28, rel=0.01)
    for each in found["wear"]["models"]:
        assert set(each) >= {
            "name",
            "loss_percent",
            "float_loss_percent",
            "hold_loss_percent",
            "outside",
        }
    assert found["wear"]["better_than_float"]["n"] == 4
    assert 0 <= found["wear"]["better_than_float"]["k"] <= 4
    measured = found["measured"]
    assert measured["capacity_ah"] is measured["capacity_sigma_ah"] is None
    assert measured["resistance_ohm"] is None
    assert found["alarms"][0]["to"] is None
    assert len(found["head"]["link"]) == 64


def test_the_sums_of_the_document_agree(log, capsys):
    assert run(["audit", "--log", str(log), "--json"]) == 0
    found = document(capsys)
    efc = sum(
        each["depth_percent"] * each["count"] for each in found["cycles"]["half_cycles"]
    )
    assert efc / 100 == pytest.approx(found["cycles"]["efc"])
    hours = sum(each["hours"] for each in found["soc"]["histogram"])
    assert hours == pytest.approx(found["covered_hours"], abs=0.01)
    better = [
        each
        for each in found["wear"]["models"]
        if each["counts"] and each["loss_percent"] < each["float_loss_percent"]
    ]
    assert len(better) == found["wear"]["better_than_float"]["k"]


def test_several_stations_make_a_list_and_one_an_object(tmp_path, capsys):
    log = written(tmp_path / "cycles.db", stations=("hall", "tower"))
    assert run(["audit", "--log", str(log), "--json"]) == 0
    assert [each["station"] for each in document(capsys)] == ["hall", "tower"]
    assert run(["audit", "tower", "--log", str(log), "--json"]) == 0
    assert document(capsys)["station"] == "tower"


def test_the_document_is_an_anchor_for_verify(log, tmp_path, capsys):
    assert run(["audit", "--log", str(log), "--json"]) == 0
    anchor = tmp_path / "kept.json"
    anchor.write_text(capsys.readouterr().out)
    found = verified(log, anchor, capsys)
    assert (found["ok"], found["anchored"]) == (True, True)
    tampered(log, lambda it: it.execute("UPDATE alarm SET code = 'battery_hot'"))
    assert run(["log", "verify", "--log", str(log), "--against", str(anchor)]) == 1


def verified(log, anchor, capsys):
    args = ["log", "verify", "--log", str(log), "--against", str(anchor), "--json"]
    assert run(args) == 0
    return document(capsys)


# --- the text -------------------------------------------------------------------------


def test_the_text_says_the_verdict_first_and_fits_80_columns(log, capsys):
    assert run(["audit", "hall", "--log", str(log)]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    told = out.splitlines()
    assert told[0].startswith("hall was in its window of 40 to 60 % for ")
    assert max(map(len, told)) <= 79
    assert len(told) <= 45
    assert "\N{NO-BREAK SPACE}" not in out


def test_the_text_has_all_its_parts_in_order(log, capsys):
    run(["audit", "hall", "--log", str(log)])
    out = capsys.readouterr().out
    parts = [
        "\n  readings",
        "\n  gaps",
        "\n  charge",
        "battery",
        "equivalent full cycles (EFC)",
        "switchings",
        "relay",
        "capacity",
        "resistance",
        "supply_absent",
        "% lost from new",
        "schmalstieg2014",
        "\n  less than float",
        "Over 3 years from new this costs",
        "Estimates for other cells",
        "LCO cells",
        "--html, --json",
        "Keep elsewhere",
        CAUTIONS[0].split(",")[0],
    ]
    places = [out.index(part) for part in parts]
    assert places == sorted(places)
    assert CAUTIONS[0] in " ".join(out.split())


def test_the_numbers_of_the_text_have_their_units(log, capsys):
    run(["audit", "hall", "--log", str(log)])
    told = " ".join(capsys.readouterr().out.split())
    assert "battery mean 31 °C, 25 to 31 °C; 0.0 h at or above 45 °C" in told
    # From the first reading, 10 s on, to the last: 28 h, of which 26 were read.
    pace = round(0.65 * 365 * 24 / ((6 * 20 * 60 + 2 * HOUR + DAY) / HOUR))
    assert f"0.65 equivalent full cycles (EFC); {pace} a year at least, gaps" in told
    assert re.search(r"3,002 cover 26 h, 9\d %; 0 not trusted, 121 failed", told)
    assert "(hold: 50 %)" in told
    assert "2 of 20,000 contact operations; at this pace 32 years from new" in told
    assert "The gauge has no charge counter; design 7.00 Ah" in told


def test_the_text_is_an_anchor_for_verify(log, tmp_path, capsys):
    run(["audit", "hall", "--log", str(log)])
    anchor = tmp_path / "kept.txt"
    anchor.write_text(capsys.readouterr().out)
    assert verified(log, anchor, capsys)["anchored"] is True


def test_several_stations_are_told_one_after_another(tmp_path, capsys):
    log = written(tmp_path / "cycles.db", stations=("hall", "tower"))
    assert run(["audit", "--log", str(log)]) == 0
    out = capsys.readouterr().out
    assert out.index("hall was in its window") < out.index("tower was in its window")


def test_many_gaps_and_alarms_are_counted_not_listed(tmp_path, capsys):
    log = AuditLog(tmp_path / "cycles.db")
    log.begin()
    for index in range(9):
        log.read(index * HOUR, 50, span_s=600)
        log.alarm(index * HOUR, "gauge_lost")
        log.alarm(index * HOUR + 60, "gauge_lost", raised=False)
    assert run(["audit", "--log", str(log.close())]) == 0
    out = capsys.readouterr().out
    assert re.search(r"gaps +8, together 6 h 40 min, the longest 50 min from", out)
    assert re.search(r"alarms +gauge_lost: 9 times, 9 min, last Sun 1 Mar 08:00", out)


def test_alarms_of_many_kinds_are_five_lines_those_that_stand_first(tmp_path, capsys):
    log = AuditLog(tmp_path / "cycles.db")
    log.begin()
    log.read(0, 50, span_s=DAY)
    for place, code in enumerate("abcdegf"):
        log.alarm(HOUR * (place + 1), code)
        if code != "f":
            log.alarm(HOUR * (place + 1) + 0.74 * DAY + place, code, raised=False)
    assert run(["audit", "--log", str(log.close())]) == 0
    told = capsys.readouterr().out.split("alarms ")[1].split("\n\n")[0].splitlines()
    assert told[0].strip().startswith("f: once, 17 h 0 min")
    assert told[0].endswith(", stands")
    assert [line.split(":")[0].strip() for line in told[1:]] == [
        "g",
        "e",
        "d",
        "and of 3 other kinds",
    ]


@pytest.mark.slow
def test_the_text_of_the_demo_reads_in_a_minute(tmp_path, capsys):
    demo = Demo(Museum(days=7, seed=1), tmp_path / "cycles.db", progress=lambda _: None)
    made = audit(demo.run().log, STATION)
    told = list(lines(made, UTC))
    assert len(made.alarms) == 4
    assert len(told) <= 45
    assert max(map(len, told)) <= 79


def test_a_verdict_of_a_short_time_rests_on_years_like_it(log, capsys):
    assert run(["audit", "hall", "--log", str(log), "--json"]) == 0
    wear = document(capsys)["wear"]
    assert wear["verdict_years"] == 3
    last = wear["at_this_pace"][-1]["better_than_float"]
    run(["audit", "hall", "--log", str(log)])
    told = " ".join(capsys.readouterr().out.split())
    assert (
        f"if it goes on like this for 3 years, gaps included, {last['k']} of {last['n']} models say "
        "that it costs less than float"
    ) in told


def test_less_than_a_day_has_no_pace_and_says_how_short_it_was(log, capsys):
    args = ["audit", "hall", "--log", str(log), "--since", "6h"]
    assert run([*args, "--json"]) == 0
    wear = document(capsys)["wear"]
    assert (wear["at_this_pace"], wear["verdict_years"]) == ([], None)
    assert run(args) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "over the 6.0 h read, 4 of 4 models say that it cost less" in told


@pytest.mark.parametrize("soc", [100, 99.9])
def test_float_itself_is_called_as_costly_as_float(tmp_path, capsys, soc):
    log = AuditLog(tmp_path / "cycles.db")
    log.begin()
    log.read(0, soc, span_s=20 * DAY)
    assert run(["audit", "--log", str(log.close())]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "for 3 years, it costs as much as float by every model" in told


ESCAPES = "\x1b]0;hall\x07\x9b2J\u202e"


def test_no_name_in_a_log_commands_the_terminal(tmp_path, capsys):
    log = AuditLog(tmp_path / "cycles.db")
    log.station = f"hall{ESCAPES}"
    log.begin(given={"battery": {"chemistry": ESCAPES}})
    log.battery(temperature_sensor=ESCAPES, pack=ESCAPES)
    log.read(0, 50, span_s=2 * DAY)
    log.switch(2 * DAY, "off", reason=f"x{ESCAPES}")
    log.alarm(2 * DAY, ESCAPES)
    path = str(log.close())
    assert run(["audit", "--log", path]) == 0
    for args in ([f"hal{ESCAPES}"], ["attic"], ["--until", "2020-01-01"]):
        assert run(["audit", "--log", path, *args]) in (64, 65)
    out, err = capsys.readouterr()
    assert "hall\\x1b]0;hall\\x07\\x9b2J\\u202e was in its window" in out
    assert "\\x1b]0;hall" in err
    for character in set(out + err) - {"\n"}:
        assert unicodedata.category(character) not in ("Cc", "Cf")


@pytest.mark.parametrize(
    "number", ["NaN", "Infinity", "-7", "1e999", "true", "9" * 400]
)
def test_a_number_that_is_none_does_not_get_into_the_document(tmp_path, capsys, number):
    log = AuditLog(tmp_path / "cycles.db")
    log.start(0)
    log.row(
        SettingsRow,
        0,
        policy=canonical(to_plain(POLICY)),
        given=f'{{"relay":{{"life":{number}}},"battery":{{"design_ah":{number}}}}}',
    )
    log.read(0, 50, span_s=DAY)
    log.switch(DAY, "off")
    log.read(DAY + 30, 50, span_s=DAY)
    assert run(["audit", "--log", str(log.close()), "--json"]) == 0

    def refused(name):
        raise ValueError(name)

    found = json.loads(capsys.readouterr().out, parse_constant=refused)
    assert found["measured"]["design_ah"] is None
    assert found["switchings"]["life"] is None


@pytest.mark.parametrize("celsius", [-273.15, -300, 5e12])
def test_a_temperature_that_no_battery_has_is_no_fault_of_ours(
    tmp_path, capsys, celsius
):
    log = AuditLog(tmp_path / "cycles.db")
    log.begin()
    log.read(0, 50, span_s=DAY, celsius=celsius)
    log.read(DAY + 30, 52, span_s=DAY, celsius=25)
    assert run(["audit", "--log", str(log.close())]) == 0
    assert "less than float" in capsys.readouterr().out


def test_times_that_no_calendar_has_are_an_altered_log(tmp_path, capsys):
    log = AuditLog(tmp_path / "cycles.db")
    log.begin()
    log.read(0, 50)
    log.read(1e12, 50)
    assert run(["audit", "--log", str(log.close())]) == 65
    assert "no calendar" in capsys.readouterr().err


def test_a_log_with_hardly_anything_in_it_is_told_too(tmp_path, capsys):
    log = AuditLog(tmp_path / "cycles.db")
    log.begin()
    path = log.close()
    assert run(["audit", "--log", str(path)]) == 0
    out = capsys.readouterr().out
    assert out.startswith("No charge of hall was read; no model can say")
    assert re.search(r"\n  charge +none was read\n", out)
    assert run(["audit", "--log", str(path), "--json"]) == 0
    found = document(capsys)
    assert found["wear"]["models"] == []
    assert found["wear"]["better_than_float"] == {"k": 0, "n": 0}


# --- the page -------------------------------------------------------------------------


def test_html_writes_the_page_and_still_prints_the_text(log, tmp_path, capsys):
    page = tmp_path / "hall.html"
    assert run(["audit", "hall", "--log", str(log), "--html", str(page)]) == 0
    out, err = capsys.readouterr()
    assert out.startswith("hall was in its window")
    assert err == f"Wrote {page}.\n"
    html = page.read_text().replace("\N{NO-BREAK SPACE}", " ")
    assert html.startswith("<!doctype html>")
    assert out.split(";")[0].replace("\n", " ") in html


def test_a_page_is_of_one_station(tmp_path, capsys):
    log = written(tmp_path / "cycles.db", stations=("hall", "tower"))
    page = tmp_path / "all.html"
    assert run(["audit", "--log", str(log), "--html", str(page)]) == 64
    assert "name it: hall, tower" in capsys.readouterr().err
    assert not page.exists()


def test_a_page_that_cannot_be_written_is_an_io_error(log, tmp_path, capsys):
    page = tmp_path / "none" / "hall.html"
    assert run(["audit", "--log", str(log), "--html", str(page)]) == 74
    assert "no such file or directory" in capsys.readouterr().err


# --- spans ----------------------------------------------------------------------------


def test_since_and_until_cut_the_span(log, capsys):
    args = ["audit", "--log", str(log), "--json"]
    since, until = "2026-03-01T06:00Z", "2026-03-01T18:00:00+00:00"
    assert run([*args, "--since", since, "--until", until]) == 0
    found = document(capsys)
    assert found["from"] == "2026-03-01T06:00:00.000Z"
    assert found["to"] == "2026-03-01T18:00:00.000Z"
    assert found["covered_hours"] == 12


def test_a_length_goes_back_from_the_end_of_the_log(log, capsys):
    args = ["audit", "--log", str(log), "--json"]
    assert run([*args, "--since", "6h"]) == 0
    found = document(capsys)
    assert found["covered_hours"] == 6
    assert run([*args, "--since", "12h", "--until", "6h"]) == 0
    assert document(capsys)["to"] == found["from"]


ZONE = timezone(timedelta(hours=2))


@pytest.mark.parametrize(
    ("text", "which", "wanted"),
    [
        ("2026-03-02", "--since", "2026-03-01T22:00"),
        ("2026-03-02", "--until", "2026-03-02T22:00"),
        ("2026-03-02 06:30", "--since", "2026-03-02T04:30"),
        ("2026-03-02T06:30", "--until", "2026-03-02T04:30"),
        ("2026-03-02T06:30Z", "--since", "2026-03-02T06:30"),
        ("2026-03-02T06:30-05:00", "--since", "2026-03-02T11:30"),
        ("36h", "--since", "2026-02-27T12:00"),
        # The basic form and the week date of ISO 8601 are dates too.
        ("20260302", "--until", "2026-03-02T22:00"),
        ("2026-W10-1", "--until", "2026-03-02T22:00"),
        ("1d", "--until", "2026-02-28T00:00"),
    ],
)
def test_times_are_written_as_people_do(text, which, wanted):
    found = moment_ms(text, which, end_ms=T0, zone=ZONE)
    at = datetime.fromisoformat(wanted).replace(tzinfo=UTC)
    assert found == round(1000 * at.timestamp())


@pytest.mark.parametrize(
    "text",
    ["yesterday", "", "2026-02-30", "30", "-1d", "1w", "99999999999d", "9" * 99 + "d"],
)
def test_what_is_no_time_is_said_with_how_to_write_one(text):
    with pytest.raises(click.UsageError, match="is no time: write a date"):
        moment_ms(text, "--since", end_ms=T0, zone=ZONE)


def test_local_time_follows_summer_time(monkeypatch):
    # Berlin by the rule of POSIX.1 (TZ): summer time from the last Sunday of March.
    monkeypatch.setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3")
    time.tzset()
    try:
        zone = SystemZone()
        winter = datetime(2026, 3, 28, 12, tzinfo=UTC).astimezone(zone)
        summer = datetime(2026, 3, 30, 12, tzinfo=UTC).astimezone(zone)
        assert (winter.hour, winter.tzname()) == (13, "CET")
        assert (summer.hour, summer.tzname()) == (14, "CEST")
        day = moment_ms("2026-03-29", "--until", end_ms=T0, zone=zone)
        begin = moment_ms("2026-03-29", "--since", end_ms=T0, zone=zone)
        assert day - begin == 23 * 3_600_000
    finally:
        monkeypatch.undo()
        time.tzset()


# --- errors ---------------------------------------------------------------------------


def test_a_span_the_wrong_way_round_is_a_usage_error(log, capsys):
    args = ["audit", "--log", str(log), "--since", "1h", "--until", "2h"]
    assert run(args) == 64
    assert "does not come before" in capsys.readouterr().err


def test_errors_have_their_codes_and_a_sentence(log, tmp_path, capsys):
    assert run(["audit", "--log", str(tmp_path / "none.db")]) == 66
    assert "there is no cycle log at" in capsys.readouterr().err
    text = tmp_path / "text.db"
    text.write_text("not a log " * 100)
    assert run(["audit", "--log", str(text)]) == 65
    assert run(["audit", "hal", "--log", str(log)]) == 64
    assert "did you mean hall?" in capsys.readouterr().err
    assert run(["audit", "--log", str(log), "--until", "2026-02-01"]) == 65
    assert "Its rows lie from 2026-03-01" in capsys.readouterr().err


def test_a_log_without_a_station_is_said(tmp_path, capsys):
    log = AuditLog(tmp_path / "cycles.db")
    log.start(0)
    assert run(["audit", "--log", str(log.close())]) == 65
    assert "holds no station yet" in capsys.readouterr().err


def test_damaged_settings_are_not_our_bug(log, capsys):
    tampered(log, lambda it: it.execute("UPDATE settings SET policy = '{'"))
    assert run(["audit", "--log", str(log)]) == 65
    assert "JSON that cannot be read" in capsys.readouterr().err


def test_help_teaches(capsys):
    assert run(["audit", "--help"]) == 0
    out = capsys.readouterr().out
    # An example on a line of its own is one that can be copied.
    assert "    tidegate audit hall --since 30d --html hall.html\n" in out
    assert "\\b" not in out
    assert "a list of them where several" in " ".join(out.split())
