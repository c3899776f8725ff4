"""What `override` and `release` say, and what they take.

Source of the exit codes: sysexits.h, as in ``os.EX_*``; of the escapes: Unicode, general
categories Cc and Cf.
"""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest

from tidegate.cli.main import run
from tidegate.cli.moments import length_text, local_text
from tidegate.cli.override import as_text

ANSWER = {
    "station": "hall",
    "supply": "off",
    "until": "2031-03-01T18:44:59.000Z",
    "for_s": 7_200,
    "because": "inventory",
    "by": "uid 1000 (ana)",
    "in_force": True,
    "commanded": "on",
    "outranked_by": None,
}


def text(**changes: Any) -> str:
    return as_text({**ANSWER, **changes})


def rule(reason: str, words: str, supply: str) -> dict[str, str]:
    return {"reason": reason, "text": words, "supply": supply}


@pytest.fixture(autouse=True)
def _in_a_zone(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("TZ", "EST5EDT")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def test_an_order_is_told_in_local_time_with_its_zone_and_length() -> None:
    first = text().splitlines()[0]
    assert first == (
        "hall: supply off until 2031-03-01 13:44 EST (2 h), "
        'ordered by uid 1000 (ana) because "inventory".'
    )


def test_an_order_for_off_waits_for_a_reading_and_may_end_early() -> None:
    said = text()
    assert "No rule outranks it" in said
    assert "dwell does not matter" in said
    assert "next trusted reading" in said
    assert "It ends before its time where safety wants on" in said


def test_an_order_for_on_needs_no_warning() -> None:
    said = text(supply="on", because="")
    assert "it is on" in said
    assert "before its time" not in said
    assert "because" not in said


@pytest.mark.parametrize(
    ("supply", "above", "said"),
    [
        (
            "on",
            rule("battery_hot", "the battery is hot", "off"),
            "It waits, and the supply stays off, as a rule above it rules right now: "
            "the battery is hot.",
        ),
        (
            "on",
            rule("below_floor", "the charge reached the floor", "on"),
            "A rule above it wants on as well right now: the charge reached the floor.",
        ),
        (
            "off",
            rule("relay_budget", "the relay has used up its switchings", "on"),
            "the supply stays on, as a rule above it rules right now: the relay has "
            "used up its switchings.",
        ),
    ],
)
def test_what_outranks_it_is_said_in_words(
    supply: str, above: dict[str, str], said: str
) -> None:
    assert said in text(supply=supply, outranked_by=above)


def test_an_order_that_safety_ended_at_once_is_told_as_such() -> None:
    above = rule("below_floor", "the charge reached the floor", "on")
    said = text(in_force=False, outranked_by=above)
    assert "was ended at once" in said
    assert "the charge reached the floor" in said


def test_nothing_that_came_over_the_socket_moves_the_cursor() -> None:
    said = text(
        station="ha\x1b[2Jll",
        because="\x1b]0;x\x07",
        by="uid 1\r",
        outranked_by=rule("x", "\x9b2J", "on"),
    )
    assert said.replace("\n", "").isprintable()


@pytest.mark.parametrize(
    ("length_s", "said"),
    [
        (20, "less than 1 min"),
        (60, "1 min"),
        (5_400, "1 h 30 min"),
        (7_200, "2 h"),
        (86_400, "24 h"),
        (3_599, "1 h"),
    ],
)
def test_lengths(length_s: int, said: str) -> None:
    assert length_text(length_s) == said


def test_a_moment_of_today_needs_no_day() -> None:
    assert len(local_text(datetime.now(UTC).isoformat())) == len("13:44 EST")


@pytest.mark.parametrize(
    "words",
    [
        ["hall", "on"],
        ["hall", "maybe", "--for", "2h"],
        ["hall", "on", "--for", "59s"],
        ["hall", "on", "--for", "25h"],
        ["hall", "on", "--for", "2 hours"],
        ["on", "--for", "2h"],
        ["hall", "on", "--for", "2h", "--because", "x" * 201],
        ["hall", "on", "--for", "2h", "--because", "two\nlines"],
        ["hall", "on", "--for", "2h", "--because", "\x1b[2J"],
    ],
)
def test_wrong_usage(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["override", *words]) == os.EX_USAGE
    assert "override --help" in capsys.readouterr().err
