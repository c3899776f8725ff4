"""Laws of boards that take text."""

from __future__ import annotations

import contextlib

from hypothesis import given
from hypothesis import strategies as st

from tidegate_backends.wire import text_templates as text
from tidegate_backends.wire.text_templates import PROTOCOLS, Dialect

dialects = st.sampled_from(list(PROTOCOLS.values()))
asked = st.sampled_from([each for each in PROTOCOLS.values() if each.query])
# Bytes that a board of this sort may well send, so that the search gets past them.
pieces = st.sampled_from(
    [
        b"on",
        b"off",
        b"1",
        b"0",
        b"\r",
        b"\n",
        b">",
        b" ",
        b"+",
        b"relay read 0",
        b"\xff",
    ]
)
# Enough to meet every sort of sign without loading all of them.
signs = st.characters(max_codepoint=0x17F)
data = st.one_of(st.binary(max_size=600), st.lists(pieces, max_size=8).map(b"".join))


@given(data, dialects, st.integers(0, 2))
def test_any_bytes_are_lines_or_a_text_error(
    data: bytes, dialect: Dialect, lines: int
) -> None:
    text.is_whole(data, dialect, sent="relay read 0", lines=lines)
    with contextlib.suppress(text.TextError, text.Declined):
        for line in text.answer(data, dialect, sent="relay read 0"):
            assert line == line.strip() != ""
            assert line.isascii()


@given(data, asked)
def test_a_state_is_never_made_up(data: bytes, dialect: Dialect) -> None:
    """Of all that came, one line alone is the word of that state."""
    try:
        lines = text.answer(data, dialect, sent="relay read 0")
        is_on = text.state(lines, dialect)
    except (text.TextError, text.Declined):
        return
    words = {True: {b"on", b"1", b"+1"}, False: {b"off", b"0", b"+0"}}
    bare = data.replace(b"relay read 0", b"").replace(b">", b"").strip().lower()
    assert bare in words[is_on]


@given(
    st.text(alphabet=signs, max_size=30),
    st.text(alphabet="0123456789AZ!.", max_size=12),
)
def test_only_sound_templates_are_rendered(template: str, channel: str) -> None:
    """What passes the check is one line of plain text, for every channel."""
    dialect = Dialect(coil_on=template, coil_off="off")
    try:
        text.check(dialect)
    except ValueError:
        return
    line = text.rendered(template, channel)
    assert line.isascii()
    assert line.isprintable()
    assert "{" not in line
