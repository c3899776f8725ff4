"""Laws of the control protocol over all documents and all bytes.

Source: RFC 8259: what a correct writer writes, any reader reads as the same values.
"""

from __future__ import annotations

import json
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from tidegate.control import protocol
from tidegate.control.told import raised, told
from tidegate.errors import Malformed, TidegateError, Unsupported

TEXT = st.text(st.characters(exclude_categories=("Cs",)), max_size=20)
VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**18), 10**18)
    | st.floats(allow_nan=False, allow_infinity=False)
    | TEXT,
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(TEXT, inner, max_size=4)
    ),
    max_leaves=12,
)
DOCUMENTS = st.dictionaries(
    TEXT.filter(lambda name: name != protocol.VERSION_KEY), VALUES, max_size=5
)


@settings(max_examples=50)
@given(DOCUMENTS)
def test_what_is_said_is_what_is_heard(document: dict[str, Any]) -> None:
    line = protocol.encoded(document)
    assert line.count(b"\n") == 1
    assert line.endswith(b"\n")
    assert protocol.decoded(line[:-1]) == document
    assert json.loads(line) == {"tidegate": 1, **document}


@settings(max_examples=50)
@given(DOCUMENTS, st.booleans())
def test_whoever_writes_json_is_understood(
    document: dict[str, Any], ascii_only: bool
) -> None:
    written = json.dumps({**document, "tidegate": 1}, ensure_ascii=ascii_only)
    assert protocol.decoded(written.encode()) == document


@given(st.binary(max_size=200) | TEXT.map(str.encode))
def test_any_bytes_are_an_object_or_refused(line: bytes) -> None:
    try:
        found = protocol.decoded(line)
    except (Malformed, Unsupported):
        return
    assert protocol.decoded(protocol.encoded(found)[:-1]) == found


@settings(max_examples=50)
@given(DOCUMENTS, st.data())
def test_one_byte_changed_never_comes_through_as_a_fault(
    document: dict[str, Any], data: st.DataObject
) -> None:
    line = bytearray(protocol.encoded({"ask": "read", **document})[:-1])
    line[data.draw(st.integers(0, len(line) - 1))] = data.draw(st.integers(0, 255))
    kinds = []
    try:
        protocol.question(bytes(line))
    except (Malformed, Unsupported) as error:
        kinds.append(told(error)["kind"])
    assert kinds in ([], ["Malformed"], ["Unsupported"])


@given(st.lists(st.binary(max_size=30).filter(lambda b: b"\n" not in b)), st.data())
def test_it_does_not_matter_how_lines_arrive(
    lines: list[bytes], data: st.DataObject
) -> None:
    stream = b"".join(line + b"\n" for line in lines)
    cut, found = protocol.Lines(30), []
    while stream:
        size = data.draw(st.integers(1, 40))
        found += cut.split(stream[:size])
        stream = stream[size:]
    assert found == lines
    assert not cut.in_the_middle


@given(st.binary(min_size=1, max_size=400))
def test_no_line_is_held_that_is_longer_than_allowed(stream: bytes) -> None:
    cut = protocol.Lines(20)
    longest = max(map(len, stream.split(b"\n")))
    try:
        found = list(cut.split(stream))
    except Malformed:
        assert longest > 20
    else:
        assert longest <= 20
        assert all(len(line) <= 20 for line in found)


@given(VALUES)
def test_any_answer_of_a_stranger_becomes_an_error_of_ours(value: Any) -> None:
    assert isinstance(raised(value), TidegateError)
    assert isinstance(
        raised({"kind": value, "says": value, "target": value}), TidegateError
    )
