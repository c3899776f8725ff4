"""Whatever a relay answers, it is a state, a refusal or an error of ours."""

from __future__ import annotations

import asyncio
import contextlib
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import strategies as st

from support.fuzz import (
    HOSTILE,
    JSON,
    calls,
    depths,
    hold,
    is_told,
    peak_bytes,
    spoiled,
)
from tidegate.core.reading import Supply
from tidegate.errors import BackendError, Malformed, TidegateError
from tidegate.publish import credentials as publish_credentials
from tidegate_backends.network import credentials, line, topics
from tidegate_backends.network.answers import Judge
from tidegate_backends.network.requests import Expect, State
from tidegate_backends.wire import hid_board, http1, json_pointer, modbus
from tidegate_backends.wire import text_templates as text
from tidegate_backends.wire.http1 import Answer, NotHttp

# --- HTTP; the answers are typed after RFC 9112 (synthetic).

LENGTH = (
    b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\nContent-Length: 12\r\n\r\n"
    b'{"on": true}'
)
CHUNKED = (
    b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n"
    b'4;name=value\r\n{"on\r\n8\r\n": true}\r\n0\r\nExpires: never\r\n\r\n'
)
ANSWERS = [
    LENGTH,
    CHUNKED,
    b"HTTP/1.1 100 Continue\r\n\r\nHTTP/1.1 103 Early\r\nLink: x\r\n\r\n" + LENGTH,
    b"HTTP/1.1 204 No Content\r\n\r\n",
    b"HTTP/1.0 200 OK\r\nServer: small\r\n\r\n" + b'{"on": false}',
    b'HTTP/1.1 401 Unauthorized\r\nWWW-Authenticate: Digest realm="hall"\r\n'
    b"Content-Length: 0\r\n\r\n",
    b"HTTP/1.1 302 Found\r\nLocation: http://192.0.2.9/\r\nContent-Length: 0\r\n\r\n",
]
HEADS = b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n"
PROMISES = [
    HEADS + b"FFFFFFFFFFFFFFF\r\nhello\r\n0\r\n\r\n",
    HEADS + b"F" * 60 + b"\r\nhello\r\n0\r\n\r\n",
    HEADS + b"-5\r\nhello\r\n0\r\n\r\n",
    b"HTTP/1.1 200 OK\r\nContent-Length: 999999999999999\r\n\r\nx",
    b"HTTP/1.1 200 OK\r\nContent-Length: " + b"9" * 5_000 + b"\r\n\r\nx",
]


def answer_law(data: bytes) -> None:
    """Law: an answer is whole or none, and what follows it changes nothing."""
    try:
        whole = http1.answer(data, is_all=True)
    except NotHttp:
        whole = None
    else:
        only_before = data.startswith((b"HTTP/1.0 1", b"HTTP/1.1 1"))
        assert whole is not None or data == b"" or only_before
    if whole is not None:
        assert 100 <= whole.status <= 999
        assert len(whole.body) <= len(data)
        assert len(whole.text) <= len(data)
    with contextlib.suppress(NotHttp):
        early = http1.answer(data, is_all=False)
        if early is not None:
            assert early == whole
            assert early == http1.answer(data + b"HTTP/1.1 500 No\r\n", is_all=False)


@depths(20)
def test_any_answer_is_whole_or_none(examples: int) -> None:
    hold(answer_law, spoiled(ANSWERS), examples=examples, known=PROMISES)


@pytest.mark.parametrize("data", PROMISES)
def test_what_an_answer_promises_is_not_laid_out(data: bytes) -> None:
    def take() -> None:
        with contextlib.suppress(NotHttp):
            http1.answer(data, is_all=True)

    take()  # what is imported and kept by the first
    assert peak_bytes(take) < 300_000


def test_a_peer_that_never_ends_is_left_at_its_limit() -> None:
    endless = b"HTTP/1.1 200 OK\r\n\r\n" + b"x" * line.ANSWER_AT_MOST
    held = []

    async def answered() -> None:
        reader = asyncio.StreamReader()
        reader.feed_data(endless)
        with pytest.raises(Malformed, match="KiB"):
            await line._answer(
                reader, "hall", lambda data, is_all: held.append(len(data))
            )

    asyncio.run(answered())
    assert max(held) <= line.ANSWER_AT_MOST


DOCUMENTS = [
    b'{"on": true, "outlets": [{"state": "ON"}, {"state": "OFF"}]}',
    b'{"on": 1, "outlets": {"0": {"state": "off"}}}',
    b'["ON"]',
    b'"ON"',
]
STATES = [
    State(pointer="/on", on=True, off=False),
    State(pointer="/outlets/0/state", on="ON", off="OFF"),
    State(pointer="", on="ON", off="OFF"),
    State(pointer="/on", on=1, off=0.5),
    State(regex='"state": ?"(\\w+)"', on="ON", off="OFF"),
]
SECRET = "sesame-4711"


def state_law(body: bytes) -> None:
    """Law: a state is told by a word of the settings, else the error hides secrets."""
    judge = Judge(
        target="hall", what="GET /", hide=lambda said: said.replace(SECRET, "(hidden)")
    )
    said = Answer(status=200, reason="OK", body=body)
    for state in STATES:
        try:
            supply = judge.supply(said, state)
        except BackendError as error:
            is_told(error, hides=SECRET)
            continue
        words = {Supply.ON: state.on, Supply.OFF: state.off}
        shown = json.dumps(words[supply]).strip('"').encode()
        assert shown in body or b"\\u" in body or state.on == 1, (supply, state)
    for expect in (Expect(pointer="/on", equals=True), Expect(regex="on")):
        with contextlib.suppress(BackendError):
            judge.check(said, expect)


@depths(15)
def test_any_body_tells_a_state_or_none(examples: int) -> None:
    written = JSON.map(lambda value: json.dumps({"on": value}).encode())
    known = [f'{{"on": "{SECRET}"}}'.encode()]
    hold(state_law, spoiled(DOCUMENTS) | written, examples=examples, known=known)


def topic_law(payload: bytes) -> None:
    pointed = topics.State(topic="hall/is", pointer="/on", on=True, off=False)
    for state in (topics.State(topic="hall/is"), pointed):
        try:
            supply = state.supply(payload, target="hall")
        except Malformed as error:
            is_told(error)
            continue
        if state.pointer is None:
            assert payload.decode() == supply.upper()
        else:
            word = json.loads(payload)["on"]
            assert word is (supply is Supply.ON)
    with contextlib.suppress(BackendError):
        topics.Availability(topic="hall/there").check(payload, target="hall")
        assert payload == b"online"


@depths(15)
def test_any_payload_tells_a_state_or_none(examples: int) -> None:
    corpus = [b"ON", b"OFF", b"online", b"offline", b'{"on": true}', b'{"on": false}']
    hold(topic_law, spoiled(corpus), examples=examples)


def test_what_is_nested_is_shown_without_going_into_it() -> None:
    nested: list[Any] = []
    for _ in range(5_000):
        nested = [nested]
    assert json_pointer.shown(nested) == "a list"
    assert json_pointer.shown({"on": nested}) == "an object"
    assert json_pointer.shown("\ud800") == '"\\ud800"'


@depths(15)
def test_any_pointer_into_any_document_finds_a_part_of_it(examples: int) -> None:
    def law(case: tuple[Any, str]) -> None:
        document, pointer = case
        try:
            found = json_pointer.resolve(document, pointer)
        except ValueError:  # NoSuchValue is one
            return
        assert json.dumps(found) in json.dumps(document)
        assert json_pointer.shown(found)

    pointers = st.lists(
        st.sampled_from(["/", "0", "1", "on", "~1", "~0", "~", "-1", "٤", "01"])
    ).map("".join)
    hold(law, st.tuples(JSON, pointers), examples=examples)


@depths(10)
def test_any_credentials_file_is_read_or_refused_in_silence(
    examples: int, tmp_path: Path
) -> None:
    file = tmp_path / "credentials"
    secret = "open-sesame"

    def law(data: bytes) -> None:
        file.write_bytes(data)
        for read in (
            lambda: credentials.read(str(file), target="hall"),
            lambda: credentials.read_user(str(file), target="hall"),
            lambda: publish_credentials.read(str(file), note=str),
        ):
            try:
                held = read()
            except TidegateError as error:
                is_told(error, hides=secret)
                is_told(error.__cause__ or error, hides=secret)
            else:
                # The broker's library takes plain text; a relay's holds itself hidden.
                assert isinstance(held[0], str) or secret not in repr(held)

    corpus = [f"hall:{secret}\n".encode(), f"{secret}\r\n".encode(), b"a:b:c"]
    hold(law, spoiled(corpus), examples=examples)


# --- Modbus, HID and lines of text

UNITS = (1, 17, 247)
REQUESTS = (
    modbus.read_coil(3),
    modbus.write_coil(3, driven=True),
    modbus.read_register(0x10),
    modbus.write_register(0x10, 500),
)
# Replies of unit 17 without their checks, typed from Modbus Application Protocol V1.1b3,
# sections 6.1, 6.3 and 6.5; the last two are exceptions.
REPLIES = [
    bytes.fromhex(each)
    for each in (
        "11 01 01 01",
        "11 03 02 01 F4",
        "11 05 00 03 FF 00",
        "11 85 02",
        "11 81 0B",
    )
]


def check_of(frame: bytes) -> bytes:
    """Return the CRC of a frame, by the polynomial's table-free definition over bits."""
    register = 0xFFFF
    for bit in (byte >> place & 1 for byte in frame for place in range(8)):
        register = (register >> 1) ^ (0xA001 * ((register ^ bit) & 1))
    return register.to_bytes(2, "little")


SOUND = [body + check_of(body) for body in REPLIES]


def modbus_law(data: bytes) -> None:
    """Law: a reply that is believed stands in the bytes whole, with its check."""
    data = data[:256]  # more is never read of a bus
    for request in REQUESTS:
        for unit in UNITS:
            pdu = modbus.find_reply(data, unit, request)
            if pdu is None:
                assert len(str(modbus.what_is_wrong(data, unit, request))) < 200
                continue
            frame = bytes([unit]) + pdu
            assert frame + check_of(frame) in data
        for pdu in (data, data[:2], data[1:-2]):
            try:
                value = modbus.value(pdu, request)
            except (modbus.FrameError, modbus.ExceptionReply) as error:
                is_told(error)
            else:
                assert 0 <= value <= 0xFFFF
    with contextlib.suppress(modbus.FrameError):
        head = modbus.header(data[:7])
        assert 2 <= head.length <= 253


@depths(15)
def test_any_bytes_of_a_bus_are_a_whole_reply_or_none(examples: int) -> None:
    hold(modbus_law, spoiled(SOUND), examples=examples, known=[b"".join(SOUND)])
    found = [
        modbus.find_reply(b"".join(SOUND), 17, request) for request in REQUESTS[:3]
    ]
    assert found == [REPLIES[0][1:], REPLIES[2][1:], REPLIES[1][1:]]


def test_a_noisy_bus_costs_in_proportion() -> None:
    def cost(length: int) -> int:
        noise = bytes([17, 3]) * (length // 2)
        return calls(lambda: modbus.find_reply(noise, 17, REQUESTS[2]))

    assert cost(2_000) < 2.5 * cost(1_000)


@depths(15)
def test_any_report_is_of_a_board_or_refused(examples: int) -> None:
    def law(data: bytes) -> None:
        product = data.decode("utf-8", errors="replace")
        count = hid_board.relays_of(product)
        assert count is None or 0 <= count <= 99
        hid_board.form_of(0x16C0, 0x05DF, product)
        try:
            features = hid_board.features(data)
        except hid_board.FrameError as error:
            is_told(error)
        else:
            assert len(data) in (8, 9)
            assert features.serial.isascii()
            assert 0 <= features.mask <= 255

    corpus = [
        b"BITFT\0\0\x05",
        b"\x01BITFT\0\0\x05",
        b"USBRelay4",
        "USBRelay٤".encode(),
    ]
    hold(law, spoiled(corpus), examples=examples)


# Every clause of a dialect, as an operator may write it (synthetic).
OWN = text.Dialect(
    coil_on="SET {channel} ON",
    coil_off="SET {channel} OFF",
    query="GET {channel}",
    says_on=r".*\bON\b.*",
    says_off=r".*\bOFF\b.*",
    acknowledged="OK.*",
    refused="ERR.*",
    errors="ERR?",
    no_error="0.*",
    prompt="$",
    echo=True,
)
TALKS = [
    b"GET 2\r\n2 ON\r\n$",
    b"SET 2 ON\r\nOK\r\n$",
    b"GET 2\r\nERR 7\r\n$ ",
    b"ON OFF\r",
]


def talk_law(data: bytes) -> None:
    for sent in ("GET 2", "SET 2 ON", "ERR?"):
        text.is_whole(data, OWN, sent=sent, lines=1)
        try:
            lines = text.answer(data, OWN, sent=sent)
        except text.TextError as error:
            is_told(error)
            continue
        assert data.lstrip().startswith(sent.encode()), "without the echo"
        with contextlib.suppress(text.TextError, text.Declined):
            is_on = text.state(lines, OWN)
            assert (b"ON" if is_on else b"OFF") in data.upper()
        with contextlib.suppress(text.TextError, text.Declined):
            text.acknowledge(lines, OWN)
            assert b"OK" in data.upper()
        with contextlib.suppress(text.TextError):
            error_text = text.oldest_error(lines, OWN)
            assert error_text is None or 0 < len(error_text) <= 60


@depths(20)
def test_any_talk_of_an_own_dialect_is_understood_or_refused(examples: int) -> None:
    known = [b"GET 2\r\n" + token + b"\r\n$" for token in HOSTILE]
    hold(talk_law, spoiled(TALKS), examples=examples, known=known)


def test_a_board_whose_echo_is_not_missed_is_caught(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The law above fails for a reader that takes the first line for the echo."""
    stray = b"GET 3\r\n2 ON\r\n$"
    talk_law(stray)
    monkeypatch.setattr(text, "answer", lambda data, dialect, *, sent: ["2 ON"])
    with pytest.raises(AssertionError, match="without the echo"):
        talk_law(stray)
