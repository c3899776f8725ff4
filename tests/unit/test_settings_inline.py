"""One line of a settings file, read back by the standard library's own TOML reader."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tidegate.settings.inline import inline

# What TOML 1.0 can say: integers of 64 bits, texts of Unicode scalar values.
TEXTS = st.text(st.characters(exclude_categories=("Cs",)))
VALUES = st.recursive(
    st.booleans()
    | st.integers(-(2**63), 2**63 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | TEXTS,
    lambda inner: st.lists(inner) | st.dictionaries(TEXTS, inner),
    max_leaves=8,
)


@given(VALUES)
def test_what_is_written_is_read_back(value: object) -> None:
    line = f"relay = {inline(value)}"

    assert line.isprintable()
    assert tomllib.loads(line) == {"relay": value}


def test_a_table_looks_as_people_write_it() -> None:
    table = {"kind": "serial-frame", "port": "/dev/ttyS0", "channel": 2, "life": 1e5}
    assert inline(table) == (
        '{ kind = "serial-frame", port = "/dev/ttyS0", channel = 2, life = 100000.0 }'
    )
    assert inline({"kind": "x", "on": ("a b", 'say "on"')}) == (
        '{ kind = "x", on = ["a b", "say \\"on\\""] }'
    )
    assert inline({"a.b": True}) == '{ "a.b" = true }'


@pytest.mark.parametrize(
    "value",
    [None, float("nan"), float("inf"), b"x", {"a": None}, [object()], {1: 2}, "\ud800"],
)
def test_what_no_settings_file_can_say_is_refused(value: object) -> None:
    with pytest.raises(TypeError):
        inline(value)
