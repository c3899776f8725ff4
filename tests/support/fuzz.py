"""Hostile input for whatever reads it, and bounds on what that may cost.

A corpus is a few sound inputs, real ones where there are some; ``spoiled`` makes of
them what a cable, a worn card or somebody with a grudge would. Costs are counted in
calls and bytes, never in seconds, so that a slow machine proves nothing wrong.
"""

from __future__ import annotations

import os
import sys
import tracemalloc
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from types import FrameType
from typing import Any, Final, TypeVar

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from tidegate.errors import BackendError

T = TypeVar("T")

# What breaks readers of numbers and of text.
HOSTILE: Final = (
    b"\0",
    b"\xff\xfe",
    b"\xef\xbb\xbf",  # a byte order mark
    b"\xed\xa0\x80",  # half of a surrogate pair, as UTF-8 must not have it
    b"\r\n",
    b"\n\n",
    b"\t",
    b" " * 50,
    b"-0",
    b"-1",
    b"+5",
    b"1e400",
    b"-1e308",
    b"NaN",
    b"inf",
    b"1_000",
    b"0x7fffffff",
    b"-2147483648",
    b"65535",
    b"18446744073709551616",
    b"9" * 30,
    b"9" * 5_000,  # more digits than Python's own limit
    "٤٢".encode(),  # digits to `int` and to `\d`
    "²".encode(),
    b"\xe2\x80\xa8",  # ends a line to `str.splitlines`
    b"'",
    b'"',
    b"\\",
    b"[",
    b"{",
    b"=",
    b":",
    b"\x1b[2J",
    b"true",
    b"null",
)
DEEP: Final = 20


def depths(few: int) -> pytest.MarkDecorator:
    """Give a test ``examples``: few by default, ``DEEP`` times as many in `make check`."""
    deep = pytest.param(few * DEEP, marks=pytest.mark.slow, id="deep")
    return pytest.mark.parametrize("examples", [pytest.param(few, id="few"), deep])


def hold(
    law: Callable[[T], object],
    inputs: st.SearchStrategy[T],
    *,
    examples: int,
    known: Iterable[T] = (),
) -> None:
    """Fail unless a law holds for ``known`` inputs, such as those of bugs, and for
    so many others.
    """

    def check(given_input: T) -> None:
        law(given_input)

    check = given(inputs)(check)
    for each in known:
        check = example(each)(check)
    settings(
        max_examples=examples,
        deadline=None,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )(check)()


@st.composite
def spoiled(draw: st.DrawFn, corpus: Sequence[bytes]) -> bytes:
    """Return one of the inputs after up to four accidents."""
    data = draw(st.sampled_from(corpus))
    for _ in range(draw(st.integers(0, 4))):
        at = draw(st.integers(0, len(data)))
        end = draw(st.integers(at, min(at + 64, len(data))))
        match draw(st.sampled_from(_ACCIDENTS)):
            case "flip":
                bit = 1 << draw(st.integers(0, 7))
                data = (
                    data[:at]
                    + bytes(b ^ bit for b in data[at : at + 1])
                    + data[at + 1 :]
                )
            case "cut":
                data = data[:at]
            case "lose":
                data = data[:at] + data[end:]
            case "repeat":
                times = draw(st.sampled_from((2, 3, 100)))
                data = data[:at] + data[at:end] * times + data[end:]
            case "splice":
                other = draw(st.sampled_from(corpus))
                data = data[:at] + other[draw(st.integers(0, len(other))) :]
            case "insert":
                data = data[:at] + draw(st.sampled_from(HOSTILE)) + data[at:]
            case "replace":
                data = data[:at] + draw(st.sampled_from(HOSTILE)) + data[end:]
    return data


_ACCIDENTS: Final = ("flip", "cut", "lose", "repeat", "splice", "insert", "replace")


def spoiled_text(corpus: Sequence[str]) -> st.SearchStrategy[str]:
    """Return texts as our readers get them: bytes that are no UTF-8 are replaced."""
    raw = spoiled([text.encode() for text in corpus])
    return raw.map(lambda data: data.decode("utf-8", errors="replace"))


def captured(kind: str) -> list[bytes]:
    """Return the dumps of one kind where a captures folder is named, else none."""
    folder = os.environ.get("TIDEGATE_CAPTURES")
    files = sorted(Path(folder, kind).glob("*.txt")) if folder else []
    return [each.read_bytes() for each in files]


# What JSON can hold, with the numbers and texts that a program in another language
# may send.
WORDS: Final = st.sampled_from(
    ["", "on", "ON", "off", "hall", "\ud800", "\0", "a\nb", "x" * 300, "1e400", "٤٢"]
)
LEAVES: Final = (
    st.none()
    | st.booleans()
    | st.integers(-(10**20), 10**20)
    | st.sampled_from([10**400, -(10**400), 2**63, 2**64, 65_535, 0, -0.0, 1e308])
    | st.floats(allow_nan=False)
    | WORDS
)
JSON: Final = st.recursive(
    LEAVES,
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(WORDS, inner, max_size=3)
    ),
    max_leaves=8,
)


def is_told(
    error: Exception, *, most: int = 1_000, names: str = "", hides: str = ""
) -> None:
    """Fail unless an error says what is wrong in not too many words, and what to do if it
    is one of a device's; ``names`` is among them and ``hides`` is not.
    """
    said = str(error)
    assert 0 < len(said) < most, said[:200]
    assert names in said
    assert not (hides and hides in said)
    assert not isinstance(error, BackendError) or error.remedy


def calls(work: Callable[[], object]) -> int:
    """Return how many functions are called to do some work, Python's and C's."""
    count = 0

    def seen(frame: FrameType, event: str, argument: Any) -> None:
        nonlocal count
        count += event in ("call", "c_call")

    before = sys.getprofile()
    sys.setprofile(seen)
    try:
        work()
    finally:
        sys.setprofile(before)
    return count


def peak_bytes(work: Callable[[], object]) -> int:
    """Return the most memory that some work held beyond what was there before."""
    was_tracing = tracemalloc.is_tracing()
    if not was_tracing:
        tracemalloc.start()
    try:
        before, _ = tracemalloc.get_traced_memory()
        tracemalloc.reset_peak()
        work()
        return tracemalloc.get_traced_memory()[1] - before
    finally:
        if not was_tracing:
            tracemalloc.stop()
