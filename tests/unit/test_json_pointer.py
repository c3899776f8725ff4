"""JSON pointers find what RFC 6901 says they find."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tidegate_backends.wire.json_pointer import NoSuchValue, resolve, same, tokens

# RFC 6901, section 5: the document and all of its examples.
DOCUMENT: Any = json.loads(
    r"""
    {
      "foo": ["bar", "baz"],
      "": 0,
      "a/b": 1,
      "c%d": 2,
      "e^f": 3,
      "g|h": 4,
      "i\\j": 5,
      "k\"l": 6,
      " ": 7,
      "m~n": 8
    }
    """
)


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("", DOCUMENT),
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_the_examples_of_the_standard(pointer: str, value: object) -> None:
    assert resolve(DOCUMENT, pointer) == value


def test_tilde_one_is_not_a_slash() -> None:
    """Section 4: ~01 becomes ~1, never a slash."""
    assert resolve({"~1": "here"}, "/~01") == "here"


@pytest.mark.parametrize(
    "pointer",
    [
        pytest.param("/nothing", id="no such key"),
        pytest.param("/foo/2", id="past the end"),
        pytest.param("/foo/-", id="the element after the last, section 4"),
        pytest.param("/foo/00", id="leading zeros, section 4"),
        pytest.param("/foo/x", id="no index"),
        pytest.param("/foo/0/0", id="into a text"),
        pytest.param("/a/b", id="an unescaped slash"),
    ],
)
def test_what_is_not_there(pointer: str) -> None:
    with pytest.raises(NoSuchValue, match=pointer):
        resolve(DOCUMENT, pointer)


@pytest.mark.parametrize("pointer", ["foo", "#/foo", "/a~b", "/a~2", "/~"])
def test_what_is_no_pointer(pointer: str) -> None:
    """Section 3: it is empty or begins with a slash; ~ is followed by 0 or 1."""
    with pytest.raises(ValueError, match=r"allowed|must be"):
        tokens(pointer)


@pytest.mark.parametrize(
    ("one", "other", "are_same"),
    [
        (True, True, True),
        (True, 1, False),
        (0, False, False),
        (1, 1.0, True),
        ("1", 1, False),
        ("on", "on", True),
        (None, False, False),
        ([1], [1], True),
    ],
)
def test_values_are_equal_by_their_json_type(
    one: object, other: object, are_same: bool
) -> None:
    assert same(one, other) is are_same
