"""Every code has its sentence, and a code nobody knows has one too."""

import pytest

from tidegate.core.effects import Alarm, Reason
from tidegate.words import ALARMS, REASONS, alarm_text


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
