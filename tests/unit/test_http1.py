"""One HTTP answer in bytes: whole, in pieces, cut off, or something else.

The answers are typed after RFC 9112; synthetic where no section is named.
"""

from __future__ import annotations

import pytest

from tidegate_backends.wire.http1 import Answer, NotHttp, answer, request

LENGTH = b'HTTP/1.1 200 OK\r\nContent-Length: 12\r\n\r\n{"on": true}'
# RFC 9112, section 7.1: chunks with an extension and a trailer.
CHUNKED = (
    b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n"
    b'4;name=value\r\n{"on\r\n8\r\n": true}\r\n0\r\nExpires: never\r\n\r\n'
)
# RFC 9110, section 15.2: any number of 1xx answers may come first; 100 here.
CONTINUED = b"HTTP/1.1 100 Continue\r\n\r\n" + LENGTH
EMPTY = b"HTTP/1.1 204 No Content\r\n\r\n"
# RFC 9112, section 6.3, case 8: without a length it ends with the connection.
UNTIL_CLOSE = b'HTTP/1.0 200 OK\r\nServer: small\r\n\r\n{"on": true}'


@pytest.mark.parametrize(
    ("data", "body"),
    [
        pytest.param(LENGTH, b'{"on": true}', id="length"),
        pytest.param(CHUNKED, b'{"on": true}', id="chunked"),
        pytest.param(CONTINUED, b'{"on": true}', id="continued"),
        pytest.param(EMPTY, b"", id="empty"),
    ],
)
def test_whole_exactly_at_its_last_byte(data: bytes, body: bytes) -> None:
    # Of a trailer nothing is of use, so the line of the last chunk is enough.
    enough = data.index(b"\r\n0\r\n") + 5 if b"chunked" in data else len(data)
    early = [answer(data[:end], is_all=False) for end in range(enough)]
    found = answer(data[:enough], is_all=False)

    assert early == [None] * enough
    assert found is not None
    assert found.body == body


def test_without_a_length_it_ends_with_the_connection() -> None:
    assert answer(UNTIL_CLOSE, is_all=False) is None
    found = answer(UNTIL_CLOSE, is_all=True)
    assert found == Answer(status=200, reason="OK", body=b'{"on": true}')


def test_nothing_at_all_is_no_answer_and_no_error() -> None:
    assert answer(b"", is_all=True) is None


@pytest.mark.parametrize(
    ("data", "is_all"),
    [
        pytest.param(b"\x16\x03\x01", False, id="a TLS record"),
        pytest.param(b"SSH-2.0-x\r\n\r\n", False, id="another protocol"),
        pytest.param(b"HTTP/1.1 200", True, id="cut in the first line"),
        pytest.param(LENGTH[:-1], True, id="cut in the body"),
        pytest.param(CHUNKED[:-30], True, id="cut in a chunk"),
        pytest.param(b"HTTP/1.1 abc OK\r\n\r\n", False, id="no status"),
        pytest.param(b"HTTP/9.9 200 OK\r\n\r\n", False, id="an unknown version"),
        pytest.param(
            b"HTTP/1.1 200 OK\r\n" + b"A: b\r\n" * 200 + b"\r\n", False, id="200 fields"
        ),
    ],
)
def test_what_is_no_answer(data: bytes, is_all: bool) -> None:
    with pytest.raises(NotHttp):
        answer(data, is_all=is_all)


def test_a_request_is_one_message() -> None:
    sent = request(
        "PUT", "/outlet/1", host="192.0.2.7:8080", headers={"X-Hall": "4"}, body=b"{}"
    )
    head, _, body = sent.partition(b"\r\n\r\n")
    lines = head.decode().split("\r\n")

    assert lines[0] == "PUT /outlet/1 HTTP/1.1"
    assert "Host: 192.0.2.7:8080" in lines
    assert "Connection: close" in lines
    assert "X-Hall: 4" in lines
    assert "Content-Length: 2" in lines
    assert body == b"{}"


def test_a_get_has_no_length_and_an_empty_put_has_one() -> None:
    get = request("GET", "/", host="a", headers={}, body=None)
    put = request("PUT", "/", host="a", headers={}, body=None)

    assert b"Content-Length" not in get
    assert b"Content-Length: 0" in put


def test_any_number_of_interim_answers() -> None:
    """RFC 9110, section 15.2: a client takes one or more before the final one."""
    data = b"HTTP/1.1 102 Processing\r\n\r\n" * 2_500 + b"HTTP/1.1 204 Done\r\n\r\n"
    found = answer(data, is_all=False)
    assert found is not None
    assert found.status == 204


@pytest.mark.parametrize(
    "rest",
    [
        b"Content-Length: " + b"9" * 30 + b"\r\n\r\nabc",
        b"Transfer-Encoding: chunked\r\n\r\n" + b"F" * 30 + b"\r\nabc\r\n0\r\n\r\n",
    ],
    ids=["length", "chunk"],
)
@pytest.mark.parametrize("is_all", [False, True])
def test_a_length_past_all_memory(rest: bytes, *, is_all: bool) -> None:
    with pytest.raises(NotHttp, match="any memory"):
        answer(b"HTTP/1.1 200 OK\r\n" + rest, is_all=is_all)
