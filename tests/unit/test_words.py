"""Every code has its sentence, and a code nobody knows has one too."""

import json
import re

import pytest

from tidegate.audit.result import Gap
from tidegate.core.effects import Alarm, Reason
from tidegate.words import (
    ALARMS,
    GAPS,
    REASONS,
    alarm_text,
    gap_text,
    in_json,
    reason_text,
    visible,
)


def test_every_code_has_words():
    assert set(REASONS) == set(Reason)
    assert set(ALARMS) == set(Alarm)


@pytest.mark.parametrize("text", ALARMS.values())
def test_an_alarm_is_whole_sentences(text):
    assert text[0].isupper()
    assert text.endswith(".")
    assert "!" not in text
    assert "_" not in text


@pytest.mark.parametrize("text", REASONS.values())
def test_a_reason_fits_after_because(text):
    assert text[0].islower()
    assert not text.endswith(".")
    assert "_" not in text


def test_no_two_codes_say_the_same():
    assert len(set(REASONS.values())) == len(REASONS)
    assert len(set(ALARMS.values())) == len(ALARMS)


def test_the_words_of_a_code():
    assert alarm_text("battery_hot") == ALARMS[Alarm.BATTERY_HOT]
    assert "another version" in alarm_text("flux_inverted")
    assert reason_text("battery_hot") == REASONS[Reason.BATTERY_HOT]
    assert "another version" in reason_text("flux_inverted")


def test_every_gap_of_an_audit_has_words():
    # The causes that the docstring of a gap names.
    named = set(re.findall(r"``([a-z_]+)``", Gap.__doc__)) - {"why"}
    assert named == set(GAPS)
    assert gap_text("no_daemon") == "no daemon ran"
    assert gap_text("moonrise") == "moonrise"


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("Völkerkunde 中 °C", "Völkerkunde 中 °C"),
        # Unicode 15, category Zs: a space of its own kind, but no command.
        ("5\xa0%", "5\xa0%"),
        ("a\x1b[2J", "a\\x1b[2J"),
        ("a\nb", "a\\nb"),
        # Unicode Standard Annex 9: turns the writing round.
        ("\u202eevil", "\\u202eevil"),
        ("\ud800", "\\ud800"),
    ],
)
def test_what_commands_or_turns_is_spelled_out(text, shown):
    assert visible(text) == shown


@pytest.mark.parametrize(
    ("value", "written"),
    [
        ("Völkerkunde 中", "Völkerkunde 中"),
        # ECMA-48, 8.3.16: the control sequence introducer as one C1 character.
        ("a\x9b2Jb", "a\\u009b2Jb"),
        ("\x7f", "\\u007f"),
        ("\u202eevil", "\\u202eevil"),
        # A tag character, category Cf: two units of UTF-16 (RFC 8259, section 7).
        ("\U000e0041", "\\udb40\\udc41"),
        ("\ud800", "\\ud800"),
        ("a\nb", "a\\nb"),
    ],
)
def test_json_is_the_same_and_commands_no_terminal(value, written):
    document = {"name": [value]}
    text = in_json(json.dumps(document, indent=2, ensure_ascii=False))

    assert written in text
    assert json.loads(text) == document
    assert text.replace("\n", "").isprintable()
