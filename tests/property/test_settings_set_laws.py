"""Laws of the file that `settings set` writes: whatever is set or unset, in any order,
it says just that, and what a person wrote in it stays.

Source of the reader that checks it: tomllib of Python 3.11 (PEP 680), which shares no
code with tomlkit, the writer.
"""

from __future__ import annotations

import copy
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tidegate.cli.set_file import HEADER, UNSET, SetFile, edited
from tidegate.cli.set_key import key_of, value_of
from tidegate.errors import OrderRefused, SettingsError
from tidegate.settings.inline import inline

NAMES = ("hall", "north.hall", "hall.north", "7")
KEYS = ("poll", "window", "low", "relay", "on", "odd key", 'quo"te', "")
paths = st.lists(st.sampled_from(KEYS), min_size=1, max_size=3).map(tuple)
whole = st.builds(
    lambda name, rest: ("station", name, *rest), st.sampled_from(NAMES), paths
)
scalars = (
    st.integers(-(2**40), 2**40)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.booleans()
    | st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
)
values = (
    scalars
    | st.lists(scalars, max_size=3)
    | st.dictionaries(st.sampled_from(KEYS), scalars, max_size=3)
)
edits = st.lists(st.tuples(whole, values | st.just(UNSET)), max_size=8)
COMMENT = "# the hall closes at six\n"
WRITTEN = f"{HEADER}{COMMENT}[station.hall]\npoll = '1min' # quick\n"


def put(tables: dict[str, Any], path: tuple[str, ...], value: Any) -> bool:
    """Do to plain tables what is asked of the file; whether it can be done."""
    *above, last = path
    for key in above:
        inner = tables.setdefault(key, {}) if value is not UNSET else tables.get(key)
        if not isinstance(inner, dict):
            return False
        tables = inner
    if value is UNSET:
        return tables.pop(last, UNSET) is not UNSET
    tables[last] = value
    return True


def without_empty(tables: Any) -> Any:
    """Return tables without those that hold nothing: they say nothing."""
    if not isinstance(tables, dict):
        return tables
    kept = {key: without_empty(value) for key, value in tables.items()}
    return {key: value for key, value in kept.items() if value != {}}


@settings(max_examples=150, deadline=None)
@given(st.sampled_from([None, WRITTEN]), edits)
def test_the_file_says_what_was_set(before: str | None, asked: list[Any]) -> None:
    text = before
    wanted: dict[str, Any] = tomllib.loads(before or "")
    for path, value in asked:
        after = copy.deepcopy(wanted)
        if put(after, path, value):
            wanted = after
            text = edited(text, [(path, value)])
            assert without_empty(tomllib.loads(text)) == without_empty(wanted)
            assert text.startswith(HEADER)
        else:
            with pytest.raises((SettingsError, OrderRefused)):
                edited(text, [(path, value)])


@settings(max_examples=60, deadline=None)
@given(whole, values)
def test_what_is_set_can_be_unset(path: tuple[str, ...], value: Any) -> None:
    after = edited(edited(None, [(path, value)]), [(path, UNSET)])
    assert tomllib.loads(after) == {}
    assert after == HEADER


@settings(max_examples=100, deadline=None)
@given(values)
def test_a_value_is_taken_as_the_file_writes_it(value: Any) -> None:
    assert value_of(inline(value)) == value


@settings(max_examples=100, deadline=None)
@given(st.text(max_size=30))
def test_any_text_is_some_value(text: str) -> None:
    value = value_of(text)
    assert value == text or value == tomllib.loads(f"v = {text}")["v"]


@given(st.sampled_from(NAMES), st.lists(st.sampled_from(["low", "on"]), min_size=1))
def test_the_longest_name_counts(name: str, rest: list[str]) -> None:
    text = ".".join([name, *rest])
    assert key_of(text, NAMES) == ("station", name, *rest)
    assert key_of(f"station.{text}", NAMES) == ("station", name, *rest)


SETTINGS = """\
[station.hall]
gauge = { kind = "command", run = ["guide-battery"] }
relay = { kind = "serial-frame", port = "/dev/ttyUSB0", channel = 1 }
window = { low = 55, high = 65 }
"""
REAL = st.tuples(
    st.sampled_from(["window.low", "window.high", "limits.floor", "poll", "dwell.on"]),
    st.integers(0, 100) | st.sampled_from(["1min", "5min", "3 weeks", "yes"]),
)


@settings(max_examples=40, deadline=None)
@given(st.lists(REAL, min_size=1, max_size=5))
def test_a_wrong_value_leaves_the_file_untouched(
    tmp_path_factory: pytest.TempPathFactory, asked: list[tuple[str, Any]]
) -> None:
    folder: Path = tmp_path_factory.mktemp("set")
    main = folder / "tidegate.toml"
    main.write_text(SETTINGS)
    file = SetFile(main)
    for key, value in asked:
        before = file.text()
        text = edited(before, [(key_of(f"hall.{key}", ["hall"]), value)])
        try:
            found = file.settings_with(text)
        except SettingsError:
            assert file.text() == before
        else:
            assert file.write(text) == []
            assert file.text() == text
            assert "hall" in found.stations
