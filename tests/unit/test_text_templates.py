"""Boards that take text: each known line, each refusal.

Vectors marked "SCPI" are SCPI-1999 volume 2 (ROUTe:CLOSe, ROUTe:OPEN, OUTPut[:STATe],
SYSTem:ERRor[:NEXT]?) and IEEE 488.2 (a message ends with a line feed; a Boolean is
answered with 1 or 0), from memory. "ASCII" and "AT" are what boards of several makers
have in common, from memory, no source. What has no mark is synthetic.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from tidegate_backends.wire import text_templates as text
from tidegate_backends.wire.text_templates import PROTOCOLS, Dialect

ASCII, AT = PROTOCOLS["ascii-relay"], PROTOCOLS["at-relay"]
ROUTE, OUTPUT = PROTOCOLS["scpi-route"], PROTOCOLS["scpi-output"]

SENT = [
    (ASCII, "0", "relay on 0\r", "relay off 0\r", "relay read 0\r"),  # ASCII
    (ASCII, "A", "relay on A\r", "relay off A\r", "relay read A\r"),  # ASCII
    (AT, "1", "AT+ON1\r\n", "AT+OFF1\r\n", "\r\n"),  # AT
    (
        ROUTE,
        "101",
        "ROUT:CLOS (@101)\n",
        "ROUT:OPEN (@101)\n",
        "ROUT:CLOS? (@101)\n",
    ),  # SCPI
    (OUTPUT, "", "OUTP ON\n", "OUTP OFF\n", "OUTP?\n"),  # SCPI
    (OUTPUT, "2", "OUTP2 ON\n", "OUTP2 OFF\n", "OUTP2?\n"),  # SCPI
]


@pytest.mark.parametrize(("dialect", "channel", "on", "off", "query"), SENT)
def test_what_is_sent(
    dialect: Dialect, channel: str, on: str, off: str, query: str
) -> None:
    templates = (dialect.coil_on, dialect.coil_off, dialect.query)
    lines = [text.rendered(each, channel) + dialect.line_end for each in templates]
    assert lines == [on, off, query]


ANSWERS = [
    (ASCII, "relay read 0", b"relay read 0\n\ron\n\r>", True),  # ASCII
    (ASCII, "relay read 0", b"relay read 0\r\noff\r\n>", False),  # ASCII
    (ASCII, "relay read 0", b"on\r\n>", True),  # ASCII, no echo
    (ASCII, "relay read 0", b">relay read 0\r\noff\r\n> ", False),  # a prompt before
    (ASCII, "relay read 0", b"ON\r\n", True),  # the prompt is late
    (ROUTE, "ROUT:CLOS? (@101)", b"1\n", True),  # SCPI
    (ROUTE, "ROUT:CLOS? (@101)", b"0\n", False),  # SCPI
    (ROUTE, "ROUT:CLOS? (@101)", b"+1\r\n", True),
    (OUTPUT, "OUTP?", b"0\n", False),  # SCPI
    (OUTPUT, "OUTP?", b"ON\r\n", True),
]


@pytest.mark.parametrize(("dialect", "sent", "data", "driven"), ANSWERS)
def test_state(dialect: Dialect, sent: str, data: bytes, driven: bool) -> None:
    assert text.state(text.answer(data, dialect, sent=sent), dialect) is driven


REFUSED = [
    pytest.param(b"relay read 0\r\n>", text.Cut, id="only our own text"),
    pytest.param(b"relay read 0\r\nof", text.Cut, id="half a line"),
    pytest.param(b"on", text.Cut, id="a word without its end"),
    pytest.param(b"off\r\non\r\n>", text.Overlong, id="an old answer first"),
    pytest.param(b"on\r\n" * 200, text.Overlong, id="a flood"),
    pytest.param(b"\xa0\x01\x01\xa2", text.Garbled, id="a four-byte frame"),
    pytest.param(b"on\x00\r\n>", text.Garbled, id="a zero byte"),
    pytest.param(b"onoff\r\n>", text.NotAnAnswer, id="two words in one"),
    pytest.param(b"relay read 1\r\n>", text.NotAnAnswer, id="another's echo"),
]


@pytest.mark.parametrize(("data", "error"), REFUSED)
def test_refuses(data: bytes, error: type[text.TextError]) -> None:
    with pytest.raises(error):
        text.state(text.answer(data, ASCII, sent="relay read 0"), ASCII)


def test_patterns_that_both_match_tell_nothing() -> None:
    unsure = replace(ASCII, says_on="o.*", says_off="of+")
    with pytest.raises(text.NotAnAnswer, match="both"):
        text.state(["off"], unsure)


def test_board_that_ends_no_line_is_believed() -> None:
    bare = replace(ASCII, line_end="", prompt="")
    assert text.answer(b"on", bare, sent="r") == ["on"]


ERRORS = [
    ('0,"No error"', None),  # SCPI
    ('+0,"No error"', None),
    ('-113,"Undefined header"', '-113,"Undefined header"'),  # SCPI
    ('-350,"Queue overflow"', '-350,"Queue overflow"'),  # SCPI
]


@pytest.mark.parametrize(("line", "error"), ERRORS)
def test_error_queue(line: str, error: str | None) -> None:
    assert text.oldest_error([line], ROUTE) == error


def test_acknowledgement_is_held_against_its_pattern() -> None:
    dialect = replace(AT, acknowledged="OK", refused="ERR.*")
    text.acknowledge(["ok"], dialect)
    with pytest.raises(text.Declined, match="ERROR 2"):
        text.acknowledge(["ERROR 2"], dialect)
    with pytest.raises(text.NotAnAnswer):
        text.acknowledge(["OKAY"], dialect)
    with pytest.raises(text.Cut):
        text.acknowledge([], dialect)


def test_an_echo_that_is_wanted_must_come() -> None:
    dialect = replace(AT, echo=True)
    assert text.answer(b"AT+ON1\r\n", dialect, sent="AT+ON1") == []
    with pytest.raises(text.NoEcho):
        text.answer(b"AT+ON2\r\n", dialect, sent="AT+ON1")


WHOLE = [
    (ASCII, b"relay read 0\r\non\r\n", 1, False),
    (ASCII, b"relay read 0\r\non\r\n>", 1, True),
    (ROUTE, b"1", 1, False),
    (ROUTE, b"1\n", 1, True),
    (ROUTE, b"", 0, True),
    (replace(AT, echo=True), b"", 0, False),
    (replace(AT, echo=True), b"relay read 0\r\n", 0, True),
    (replace(AT, echo=True), b"relay read 0\r\n", 1, False),
    (replace(AT, echo=True), b"relay read 0\r\nOK\r\n", 1, True),
]


@pytest.mark.parametrize(("dialect", "data", "lines", "whole"), WHOLE)
def test_whole(dialect: Dialect, data: bytes, lines: int, whole: bool) -> None:
    asked = {"sent": "relay read 0", "lines": lines}
    assert text.is_whole(data, dialect, **asked) is whole  # type: ignore[arg-type]


@pytest.mark.parametrize("name", PROTOCOLS)
def test_presets_are_sound(name: str) -> None:
    text.check(PROTOCOLS[name])


NEVER = [
    ("coil_on", "*RST"),
    ("coil_off", "*rst;ROUT:OPEN (@{channel})"),
    ("query", "*TST?"),
    ("coil_on", "SYST:PRES"),
    ("coil_on", "relay toggle {channel}"),
    ("coil_on", "OUTP:TOGG"),
    ("coil_off", "ROUT:OPEN:ALL"),
    ("coil_off", "relay off all"),
    ("errors", "*RST;SYST:ERR?"),
]


@pytest.mark.parametrize(("key", "template"), NEVER)
def test_some_things_are_never_sent(key: str, template: str) -> None:
    with pytest.raises(ValueError, match=f"{key}.*never sent"):
        text.check(replace(ROUTE, **{key: template}))  # type: ignore[arg-type]


UNSOUND = [
    ({"coil_off": "ROUT:CLOS (@{channel})"}, "a toggle"),
    ({"coil_off": ""}, "missing"),
    ({"coil_on": "on {relay}"}, "only placeholder"),
    ({"coil_on": "on\r"}, "no plain text"),
    ({"coil_on": "an über"}, "no plain text"),
    ({"says_on": "(1"}, "no regular expression"),
    ({"query": ""}, "all together"),
    ({"no_error": ""}, "only together"),
]


@pytest.mark.parametrize(("change", "said"), UNSOUND)
def test_unsound_dialects(change: dict[str, str], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        text.check(replace(ROUTE, **change))  # type: ignore[arg-type]


def test_talkative_peer_is_cut_short_in_the_message() -> None:
    with pytest.raises(text.Overlong) as caught:
        text.answer(b"x" * 5000, ASCII, sent="relay read 0")
    assert len(str(caught.value)) < 120


def test_the_annotated_example_names_every_protocol() -> None:
    example = Path(__file__).parents[2] / "config/serial.toml"
    listed = re.findall(r"^#   ([a-z]+-[a-z]+)  ", example.read_text(), re.MULTILINE)
    assert listed == list(PROTOCOLS)
