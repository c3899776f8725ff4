"""What ``watch`` shows of a document: never more than fits, and each change once."""

from __future__ import annotations

import io
import unicodedata
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from support.audit_log import STATION, T0, AuditLog
from tidegate.cli.screen import can_show, fitted, ink_of
from tidegate.cli.watch_frame import Lines, View, frame
from tidegate.report.blocks import Style

AT = datetime(2026, 3, 1, 12, 30, 5, tzinfo=UTC)


def station(name: str = STATION, **changes: Any) -> dict[str, Any]:
    return {
        "station": name,
        "supply": "off",
        "supply_since": "2026-03-01T12:00:00.000Z",
        "reason": "in_window",
        "because": "SoC 58 % is inside the window 40 to 60 %",
        "text": "supply stays off: SoC 58 % is inside the window 40 to 60 %",
        "since": "2026-03-01T12:00:00.000Z",
        "soc_percent": 58.0,
        "battery_status": "discharging",
        "external_power": "no",
        "temperature_c": 25.0,
        "window": {"low_percent": 40.0, "high_percent": 60.0, "hold": False},
        "floor_percent": 25.0,
        "plan": None,
        "next": {
            "what": "on",
            "at": "2026-03-01T14:00:00.000Z",
            "in_s": 5_400,
            "at_percent": 40.0,
            "because": "",
        },
        "next_why": None,
        "unsupported": False,
        "out": None,
        "alarms": [],
        "override": None,
        "relay_operations": 7,
        "gauge_age_s": 4.0,
        **changes,
    }


ALARM = {"code": "battery_hot", "text": "The battery is hot.", "since": None}


def document(log: Path, *stations: dict[str, Any]) -> dict[str, Any]:
    return {
        "service": {
            "log": str(log),
            "log_is_written": True,
            "settings_error": None,
            "restarts": None,
        },
        "stations": list(stations) or [station()],
    }


@pytest.fixture
def log(tmp_path: Path) -> Path:
    written = AuditLog(tmp_path / "cycles.db")
    written.begin()
    for minute in range(60):
        written.read(60.0 * minute, 50 + minute % 10)
    return written.close()


def view_of(told: dict[str, Any]) -> View:
    view = View(hours=1)
    view.take(told, T0 + 3_600_000)
    return view


def shown(
    view: View, width: int = 80, height: int = 24, *, later_s: int = 0
) -> list[str]:
    return frame(
        view,
        width=width,
        height=height,
        ink=lambda _, text: text,
        zone=UTC,
        now_ms=view.came_ms + 1_000 * later_s,
    )


@pytest.mark.parametrize("count", [1, 3, 40])
@pytest.mark.parametrize("width", [20, 40, 59, 60, 80, 120])
@pytest.mark.parametrize("height", [3, 10, 24, 60])
def test_it_fits_whatever_the_terminal(
    tmp_path: Path, width: int, height: int, count: int
) -> None:
    stations = [station(f"s{n}", alarms=[ALARM]) for n in range(count)]
    view = view_of(document(tmp_path / "none.db", *stations))
    lines = shown(view, width, height)
    assert len(lines) <= height
    assert max(map(len, lines)) <= width
    assert lines[0].startswith("s0: supply")


def test_the_verdict_comes_first_then_picture_numbers_and_the_caution(
    log: Path,
) -> None:
    lines = shown(view_of(document(log)))
    text = "\n".join(lines)
    order = ("supply stays off", "60 % high mark", "▄", "supply off", "next: on")
    places = [text.index(piece) for piece in (*order, "not a safeguard")]
    assert places == sorted(places)


@pytest.mark.parametrize(("width", "has_picture"), [(59, False), (60, True)])
def test_a_narrow_terminal_has_words_alone(
    log: Path, width: int, has_picture: bool
) -> None:
    lines = shown(view_of(document(log)), width)
    assert any("░" in text for text in lines) is has_picture


def test_more_stations_share_the_height_and_what_does_not_fit_is_counted(
    log: Path,
) -> None:
    two = view_of(document(log, station(), station("tower")))
    pictures = [text for text in shown(two, 80, 40) if text.endswith("alarms")]
    assert len(pictures) == 2
    many = view_of(document(log, *(station(f"s{n}") for n in range(12))))
    assert any(
        text.startswith("and ") and text.endswith(" lines more")
        for text in shown(many, 80, 24)
    )


def test_alarms_that_do_not_fit_are_named(log: Path) -> None:
    stations = [station(f"s{n}") for n in range(40)]
    stations[0]["alarms"] = stations[30]["alarms"] = [ALARM]
    (more,) = (
        text
        for text in shown(view_of(document(log, *stations)), 80, 24)
        if text.startswith("and ")
    )
    assert more.endswith(" lines more, 1 in alarm: s30")
    stations[35]["alarms"] = [ALARM]
    lines = shown(view_of(document(log, *stations)), 80, 24)
    assert any(text.endswith("more, 2 in alarm: s30, s35") for text in lines)
    # Of a single one too, and however low.
    low = view_of(document(log, station(alarms=[ALARM])))
    lines = shown(low, 80, 4)
    assert any(text.endswith(f"more, 1 in alarm: {STATION}") for text in lines)


@pytest.mark.parametrize("width", [20, 33, 40, 80])
@pytest.mark.parametrize("unit", ["棚卸し", "棚卸し ", "inventory 棚卸し "])
def test_wide_text_is_broken_and_nothing_of_it_is_lost(
    log: Path, width: int, unit: str
) -> None:
    """Unicode Standard Annex 11: W and F take two columns; a script without blanks."""
    because = (unit * 30).strip()
    override = {
        "supply": "on",
        "until": "2026-03-01T14:00:00.000Z",
        "because": because,
        "by": "uid 0",
    }
    lines = shown(view_of(document(log, station(override=override))), width, 60)
    told = "".join("".join(lines).split())
    assert "".join(because.split()) in told
    for line in lines:
        wide = sum(unicodedata.east_asian_width(each) in "WF" for each in line)
        assert len(line) + wide <= width


def test_ages_and_times_to_go_run_on_between_documents(log: Path) -> None:
    view = view_of(document(log))
    assert "read 4 s ago" in "\n".join(shown(view, 120))
    later = "\n".join(shown(view, 120, later_s=1_800))
    assert "read 1804 s ago" in later
    assert "about 1 h (" in later


def test_a_daemon_that_went_away_is_said_and_a_document_ends_that(log: Path) -> None:
    view = view_of(document(log))
    view.away = "no daemon answers"
    assert "not current: no daemon answers; trying again" in shown(view)
    view.take(document(log), view.came_ms + 1_000)
    assert not any("not current" in text for text in shown(view))


def test_a_log_that_is_not_readable_is_said(tmp_path: Path) -> None:
    view = view_of(document(tmp_path / "none.db"))
    assert any(text.startswith("the picture begins now: ") for text in shown(view))


def test_what_somebody_wrote_commands_no_terminal(log: Path) -> None:
    order = {
        "supply": "off",
        "until": "2026-03-01T14:00:00.000Z",
        "by": "uid 1000",
        "because": "\x1b[2J",
    }
    told = document(log, station(override=order))
    assert "\x1b" not in "\n".join(shown(view_of(told)))
    assert "\x1b" not in "\n".join(Lines().of(told, AT))


# --- in lines --------------------------------------------------------------------------


def test_a_line_for_each_change_and_none_for_the_charge_alone(log: Path) -> None:
    lines = Lines()
    (first,) = lines.of(document(log), AT)
    assert first.startswith("12:30:05 UTC hall: supply stays off: SoC 58 %")
    assert "; next: on at 40 %" in first
    assert lines.of(document(log, station(soc_percent=57.0, text="other")), AT) == []
    (on,) = lines.of(document(log, station(supply="on", reason="at_low_mark")), AT)
    assert "hall: " in on


def test_what_the_daemon_itself_has_to_say_is_told_once(log: Path) -> None:
    lines, told = Lines(), document(log)
    assert len(lines.of(told, AT)) == 1
    told["service"] = {**told["service"], "settings_error": "tidegate.toml:3: wrong"}
    first, second = lines.of(told, AT)
    assert first.startswith("12:30:05 UTC the settings files are wrong")
    assert second.endswith("tidegate.toml:3: wrong")
    assert lines.of(told, AT) == []


def test_alarms_are_told_when_they_come_and_when_they_go(log: Path) -> None:
    lines = Lines()
    lines.of(document(log), AT)
    (raised,) = lines.of(document(log, station(alarms=[ALARM])), AT)
    assert raised.endswith("hall: alarm battery_hot: The battery is hot.")
    assert lines.of(document(log, station(alarms=[ALARM])), AT) == []
    (over,) = lines.of(document(log), AT)
    assert over.endswith("hall: alarm battery_hot is over")


# --- the terminal ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "width", "fits"),
    [
        ("hall", 4, "hall"),
        ("hall", 3, "hal"),
        ("展示室", 5, "展示"),
        ("展示室", 6, "展示室"),
    ],
)
def test_wide_characters_take_two_columns(text: str, width: int, fits: str) -> None:
    """Unicode Standard Annex 11: these three have the property Wide."""
    assert fitted(text, width) == fits


def test_without_colour_nothing_is_added() -> None:
    ink = ink_of({"COLORTERM": "truecolor"}, colour=False)
    assert [ink(style, "x") for style in Style] == ["x"] * len(Style)


@pytest.mark.parametrize(
    ("environ", "code"),
    [
        # #0072B2 of the Okabe-Ito palette; in xterm's cube (0, 95, 175) is nearest.
        ({"COLORTERM": "truecolor"}, "\x1b[38;2;0;114;178m"),
        ({"TERM": "xterm-256color"}, "\x1b[38;5;25m"),
    ],
)
def test_colours_are_exact_where_the_terminal_says_so(
    environ: dict[str, str], code: str
) -> None:
    assert ink_of(environ, colour=True)(Style.SOC, "█") == f"{code}█\x1b[39m"


class FakeTerminal(io.StringIO):
    encoding = "utf-8"

    def isatty(self) -> bool:
        return True


def test_only_a_terminal_that_can_show_them_gets_pictures() -> None:
    terminal = FakeTerminal()
    assert can_show(terminal, {"TERM": "xterm"})
    assert not can_show(terminal, {"TERM": "dumb"})
    assert not can_show(terminal, {})
    assert not can_show(io.StringIO(), {"TERM": "xterm"})
    terminal.encoding = "ascii"
    assert not can_show(terminal, {"TERM": "xterm"})
