"""A charge is recorded: the file keeps what was read, the course knows its end."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from support.cyclelog_faults import filled, small_disk
from tidegate.clock import rfc3339
from tidegate.core.policy import HOUR_MS, MINUTE_MS
from tidegate.errors import LogError, LogUnreadable
from tidegate.history import opened
from tidegate.taper.book import COLUMNS, Book
from tidegate.taper.course import Course, why_not_yet

T0 = 1_772_431_200_000


def reading(minute: float = 0, soc: float = 25.0, **changed: Any) -> dict[str, Any]:
    return {
        "taken_at": rfc3339(T0 + round(minute * MINUTE_MS)),
        "station": "hall",
        "soc_percent": soc,
        "battery_status": "charging",
        "external_power": "yes",
        "voltage_v": 3.7,
        "current_a": 1.5,
        "current_sign_trusted": True,
        "temperature_c": 25.0,
        "charge_ah": None,
        **changed,
    }


# --- the file -------------------------------------------------------------------------


def test_each_line_is_in_the_file_before_the_next(tmp_path: Path) -> None:
    path = tmp_path / "hall.csv"
    with Book(path, "hall", goes_on=False) as book:
        for minute in range(3):
            book.add(reading(minute, 25.0 + minute), boot_ms=minute * MINUTE_MS)
            assert len(path.read_text().splitlines()) == minute + 2
            assert path.read_text().endswith("\n")

    assert path.read_text().splitlines()[0] == ",".join(COLUMNS)
    told = opened(path, "hall")
    assert [point.soc_percent for point in told.points] == [25, 26, 27]
    assert told.points[0].at_ms == T0
    assert told.points[0].is_fed is True


def test_nothing_that_is_there_is_written_over(tmp_path: Path) -> None:
    path = tmp_path / "hall.csv"
    path.write_text("mine\n")

    with pytest.raises(LogError, match="is there already"):
        Book(path, "hall", goes_on=False)

    assert path.read_text() == "mine\n"


def test_it_is_gone_on_with_if_asked(tmp_path: Path) -> None:
    path = tmp_path / "hall.csv"
    with Book(path, "hall", goes_on=False) as book:
        book.add(reading(), boot_ms=0)
    with Book(path, "hall", goes_on=True) as book:
        book.add(reading(1, 26.0), boot_ms=MINUTE_MS)
        assert book.count == 1
        assert not book.torn

    assert path.read_text().count(COLUMNS[0]) == 1
    assert len(opened(path, "hall").points) == 2


def test_half_a_line_is_cut_off_and_the_rest_stays(tmp_path: Path) -> None:
    path = tmp_path / "hall.csv"
    with Book(path, "hall", goes_on=False) as book:
        book.add(reading(), boot_ms=0)
        book.add(reading(1, 26.0), boot_ms=MINUTE_MS)
    os.truncate(path, path.stat().st_size - 9)

    with Book(path, "hall", goes_on=True) as book:
        assert book.torn
        book.add(reading(2, 27.0), boot_ms=2 * MINUTE_MS)

    assert [p.soc_percent for p in opened(path, "hall").points] == [25, 27]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("time,soc_percent\n0,25\n", "was not recorded by this command"),
        (f"{','.join(COLUMNS)}\nx,0,tower{',' * 8}\n", "not of the station 'hall'"),
        # What ends in the middle of a line is not cut off before it was looked at.
        ("time,soc_percent\n0,25\n60,26", "was not recorded by this command"),
        ("my only notes", "was not recorded by this command"),
        (f"{','.join(COLUMNS)}\nx,0,tower{',' * 8}\nx,1", "not of the station"),
    ],
)
def test_another_file_is_not_gone_on_with(text: str, said: str, tmp_path: Path) -> None:
    path = tmp_path / "hall.csv"
    path.write_text(text)

    with pytest.raises(LogUnreadable, match=said):
        Book(path, "hall", goes_on=True)

    assert path.read_text() == text


@pytest.mark.parametrize("text", ["", ",".join(COLUMNS)[:20]])
def test_a_file_that_ends_in_its_head_is_begun_anew(text: str, tmp_path: Path) -> None:
    path = tmp_path / "hall.csv"
    path.write_text(text)
    with Book(path, "hall", goes_on=True) as book:
        assert not book.is_begun
        book.add(reading(), boot_ms=0)

    with Book(path, "hall", goes_on=True) as book:
        assert book.is_begun
    assert len(opened(path, "hall").points) == 1


def test_what_is_no_file_on_a_disk_is_not_gone_on_with() -> None:
    with pytest.raises(LogUnreadable, match="no file on a disk"):
        Book(Path(os.devnull), "hall", goes_on=True)


def fill(book: Book) -> None:
    for minute in range(200):
        book.add(reading(minute, 25.0 + minute / 10), boot_ms=minute)


def test_a_full_disk_leaves_whole_lines_and_says_what_to_do(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", size_kib=8) as folder:
        path = folder / "hall.csv"
        with Book(path, "hall", goes_on=False) as book:
            with filled(folder), pytest.raises(LogError) as caught:
                fill(book)
            assert book.count > 10
            assert len(opened(path, "hall").points) == book.count
            # Once there is room it is gone on with, as if nothing had been.
            book.add(reading(300, 60.0), boot_ms=300)
            assert len(opened(path, "hall").points) == book.count
        assert "No space left on device" in caught.value.what
        assert "make room and add --continue" in caught.value.remedy
        with filled(folder), pytest.raises(LogError):
            Book(folder / "other.csv", "hall", goes_on=False)
        assert not (folder / "other.csv").exists()


def test_a_wall_clock_that_is_set_back_spoils_nothing(tmp_path: Path) -> None:
    path = tmp_path / "hall.csv"
    with Book(path, "hall", goes_on=False) as book:
        book.add(reading(60, 25.0), boot_ms=HOUR_MS)
        book.add(reading(1, 26.0), boot_ms=HOUR_MS + MINUTE_MS)

    first, second = opened(path, "hall").points
    assert second.at_ms - first.at_ms == MINUTE_MS


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(LogError, match="cannot be written"):
        Book(tmp_path / "none" / "hall.csv", "hall", goes_on=False)


def test_a_name_with_a_comma_stays_one(tmp_path: Path) -> None:
    path = tmp_path / "hall.csv"
    with Book(path, 'a,"b', goes_on=False) as book:
        book.add(reading(station='a,"b'), boot_ms=0)
    with Book(path, 'a,"b', goes_on=True) as book:
        book.add(reading(1, station='a,"b'), boot_ms=1)

    assert opened(path, 'a,"b').points


# --- when it may begin ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"soc": 35.0}, ""),
        ({"soc": 36.0}, "It is at 36 %. Unplug it"),
        ({"external_power": "no"}, "not fed"),
        ({"external_power": "unknown"}, ""),
        ({"external_power": "unknown", "battery_status": "discharging"}, "discharging"),
        ({"temperature_c": 43.0}, "room temperature"),
        ({"temperature_c": 42.9}, ""),
        ({"temperature_c": 11.0}, "room temperature"),
        ({"temperature_c": 11.1}, ""),
        ({"temperature_c": None}, ""),
    ],
)
def test_what_keeps_it_from_beginning(changed: dict[str, Any], said: str) -> None:
    why = why_not_yet(reading(**changed))

    assert why.startswith(said) if said.startswith("It") else said in why
    assert bool(why) == bool(said)


# --- when it is over ------------------------------------------------------------------


def course(*told: tuple[float, float], **changed: Any) -> tuple[Course, int]:
    made = Course(most_ms=14 * HOUR_MS)
    for hour, soc in told:
        made.take(round(hour * HOUR_MS), reading(soc=soc, **changed))
    return made, round(told[-1][0] * HOUR_MS)


@pytest.mark.parametrize(("hours", "over"), [(0.49, False), (0.5, True)])
def test_it_ends_half_an_hour_after_full(hours: float, over: bool) -> None:
    made, now_ms = course((0, 25), (3, 100), (3 + hours, 100))

    assert bool(made.over(now_ms)) == over


def test_a_gauge_that_calls_it_full_is_believed() -> None:
    made, now_ms = course((0, 97), (0.5, 97), battery_status="full")

    assert made.over(now_ms) == "It is full and stays there."


@pytest.mark.parametrize(("hours", "over"), [(2.9, False), (3.0, True)])
def test_it_ends_where_it_stays_for_three_hours(hours: float, over: bool) -> None:
    """A taper's last percents take an hour and more each."""
    made, now_ms = course((0, 25), (2, 80), (2 + hours, 80))

    assert bool(made.over(now_ms)) == over


def test_what_is_not_fed_has_not_stayed() -> None:
    made, now_ms = course((0, 25), (2, 60), (6, 60), external_power="no")

    assert made.over(now_ms) == ""


def test_it_ends_after_its_time() -> None:
    made, now_ms = course(*((hour, 25 + 5 * hour) for hour in range(15)))

    assert made.over(now_ms - 1) == ""
    assert made.over(now_ms) == "The time for it is over."


def test_before_a_reading_nothing_is_over() -> None:
    assert Course(most_ms=HOUR_MS).over(100 * HOUR_MS) == ""


def test_progress_says_level_rate_and_what_is_to_go() -> None:
    made, now_ms = course((0, 25), (0.25, 30), (0.5, 35), (0.75, 40))

    assert made.progress(now_ms) == (
        "40 %, 20.0 % an hour, 45 min so far, about 3 h 00 min to go at this rate"
    )
    assert made.progress(13 * HOUR_MS).endswith("ends in 1 h 00 min (--for)")
    begun, at_ms = course((0, 25))
    assert begun.progress(at_ms) == "25 %, 0 min so far"
