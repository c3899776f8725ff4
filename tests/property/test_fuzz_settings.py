"""Whatever stands in a settings file, it is settings or an error that names the file."""

from __future__ import annotations

import contextlib
import math
import tomllib
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any
from unittest import mock

import pytest
from hypothesis import strategies as st
from pydantic import BaseModel

from support.fuzz import (
    HOSTILE,
    calls,
    depths,
    hold,
    is_told,
    peak_bytes,
    spoiled,
    spoiled_text,
)
from tidegate.contract import GaugeFacts
from tidegate.errors import SettingsError
from tidegate.registry import ROLES
from tidegate.settings import Settings, load
from tidegate.settings import files as settings_files
from tidegate.settings.control_alone import control_alone
from tidegate.settings.durations import duration_ms
from tidegate.settings.files import locate
from tidegate.settings.load import OWN_TABLES
from tidegate.settings.models import StationSettings
from tidegate.settings.policy import policy
from tidegate.settings.wording import keys_of

CONFIG = Path(__file__).parents[2] / "config"
EXAMPLES = [path.read_bytes() for path in sorted(CONFIG.glob("*.toml"))]
# Of an invented museum.
MAIN = """\
[station.hall]
gauge.kind = "command"
gauge.run = ["/usr/bin/true"]
relay.kind = "command"
relay.on = ["/usr/bin/true"]
relay.off = ["/usr/bin/false"]
window.low = 55
window.high = 65
"""
GAUGE = GaugeFacts(needs_supply=False, host_is_device=True, latency_s=1.0)
VALUES = st.recursive(
    st.sampled_from(
        [
            *("0", "-0", "-1", "1", "50", "1e400", "-1e308", "nan", "-inf", "0.0005"),
            *("9" * 400, "-9223372036854775809", "0x" + "f" * 5_000, "0b1", "1_000"),
            *("true", "false", "1979-05-27T07:32:00Z", "07:32:00", "1979-05-27"),
            *('""', '"on"', '"90s"', '"999999999d"', '"0.001s"', '"\\u0000"', '"\\n"'),
            *(
                '"/"',
                '"/dev/null"',
                '"http://a:b@c"',
                '"\\U0010FFFF"',
                '"x"',
                '"[::1]:0"',
            ),
            *('"sysfs"', '"command"', '"twin"', '"٤s"', "'%s'" % ("x" * 3_000)),
        ]
    ),
    lambda inner: (
        st.lists(inner, max_size=3).map(lambda found: f"[{', '.join(found)}]")
        | st.dictionaries(
            st.sampled_from(["kind", "low", "high", "path", "on", "run", '""']),
            inner,
            max_size=3,
        ).map(lambda held: f"{{ {', '.join(f'{k} = {v}' for k, v in held.items())} }}")
    ),
    max_leaves=4,
)


def keys_below(model: type[BaseModel], path: str) -> Iterator[str]:
    """Yield each key of a table and of the tables in it, as the file spells it."""
    for key, info in keys_of(model):
        yield f"{path}.{key}"
        kind = info.annotation
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            yield from keys_below(kind, f"{path}.{key}")


def all_keys() -> list[str]:
    found = ["station", "station.hall", "defaults", "log", "nothing", '""."."']
    found += ['"\\u0000"', '"a\\nb"', '"\\u001b[2J".x', f"station.{'x' * 5_000}.poll"]
    for name, model in OWN_TABLES.items():
        found += [name, *keys_below(model, name)]
    for path in ("station.hall", "defaults"):
        found += keys_below(StationSettings, path)
        for role, kinds in ROLES.items():
            for kind in (
                "command",
                "sysfs",
                "http",
                "mqtt",
                "modbus",
                "twin",
                "replay",
            ):
                if kind in kinds.known():
                    found += keys_below(kinds.find(kind).settings, f"{path}.{role}")
    return sorted(set(found))


def are_plain(value: Any) -> None:
    """Law: numbers that come out of settings are finite and of their type."""
    if isinstance(value, float):
        assert math.isfinite(value), value
    elif is_dataclass(value):
        for field in fields(value):
            are_plain(getattr(value, field.name))
    elif isinstance(value, tuple | list | frozenset):
        for each in value:
            are_plain(each)


def load_law(folder: Path) -> Settings | None:
    """Law: a folder of files is settings, or each line of the error names a file."""
    main = folder / "tidegate.toml"
    try:
        found = load(main)
    except SettingsError as error:
        lines = error.what.split("\n")
        assert all(str(folder) in line for line in lines), lines
        size = sum(each.stat().st_size for each in folder.rglob("*.toml"))
        assert all(len(line) < size + 4_000 for line in lines), lines
        return None
    finally:
        with contextlib.suppress(SettingsError):
            control_alone(main)
    for station in found.stations.values():
        are_plain(policy(station, GAUGE, None))
    return found


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "conf.d").mkdir()
    (tmp_path / "tidegate.toml").write_text(MAIN)
    return tmp_path


KNOWN = [
    # A number of more digits than Python writes down.
    ("station.hall.window.low", "0x" + "f" * 5_000),
    ("station", "0x" + "f" * 5_000),
    # Deeper than those who walk through tables may call themselves.
    (".".join("a" * 1_500), "1"),
    ("log", "{a = " * 60 + "1" + "}" * 60),
    ("log.path", "[" * 200 + "]" * 200),
]


@depths(20)
def test_any_value_at_any_key_is_taken_or_told(examples: int, folder: Path) -> None:
    def law(case: tuple[str, str]) -> None:
        key, value = case
        (folder / "conf.d" / "10-odd.toml").write_text(
            f"{key} = {value}\n", encoding="utf-8", errors="surrogatepass"
        )
        load_law(folder)

    cases = st.tuples(st.sampled_from(all_keys()), VALUES)
    hold(law, cases, examples=examples, known=KNOWN)


@depths(4)
def test_any_accident_to_an_example_is_taken_or_told(
    examples: int, folder: Path
) -> None:
    def law(case: tuple[bytes, bytes]) -> None:
        (folder / "tidegate.toml").write_bytes(case[0])
        (folder / "conf.d" / "10-odd.toml").write_bytes(case[1])
        load_law(folder)

    hold(law, st.tuples(spoiled(EXAMPLES), spoiled(EXAMPLES)), examples=examples)


@depths(20)
def test_every_line_that_is_told_is_one_of_the_file(examples: int) -> None:
    def law(text: str) -> None:
        try:
            tables = tomllib.loads(text)
        except (ValueError, RecursionError):
            return
        lines = text.replace("\r\n", "\n").split("\n")
        for key, line in locate(text).items():
            assert 1 <= line <= len(lines)
            assert key[0] in tables

    texts = [each.decode() for each in EXAMPLES]
    hold(
        law, spoiled_text([MAIN, *texts]), examples=examples, known=["a = [\n[],\n]\n"]
    )


@depths(25)
def test_any_text_is_a_length_of_time_or_none(examples: int) -> None:
    def law(text: str) -> None:
        try:
            found_ms = duration_ms(text)
        except ValueError as error:
            is_told(error)
        else:
            assert 0 <= found_ms < 10**9 * 86_400_000

    known = [
        "90s",
        "5min",
        "2h",
        "30d",
        "999999999.999d",
        "1.0005s",
        "٤s",
        "-1s",
        " 1 s ",
    ]
    hold(law, spoiled_text(known), examples=examples, known=known)


def test_a_list_without_end_is_read_once_and_not_once_a_line(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The end of a value was looked for by a parse a line: a mebibyte of them took
    hours.
    """

    monkeypatch.setattr(settings_files, "_LINES_OF_A_VALUE", 100)

    def parses(lines: int) -> int:
        with mock.patch.object(
            settings_files, "_parsed", wraps=settings_files._parsed
        ) as tried:
            locate("a = [\n" + "[],\n" * lines + "]\nb = 1\n")
        return tried.call_count

    assert parses(50) > 50
    assert parses(400) == parses(800) < 120


def test_files_of_many_keys_cost_in_proportion(folder: Path) -> None:
    def cost(keys: int) -> int:
        text = "\n".join(f"a{key} = {key}" for key in range(keys))
        return calls(lambda: locate(text))

    assert cost(400) < 2.5 * cost(200)


def test_a_hostile_file_takes_no_more_than_a_multiple_of_its_size(folder: Path) -> None:
    def peak(lists: int) -> int:
        (folder / "tidegate.toml").write_text(f"a = [{'[],' * lists}]\n")
        return peak_bytes(lambda: load_law(folder))

    peak(1)  # what is imported by the first
    # The buffer for the largest file that is read is made whatever its size.
    assert peak(4_000) < 100 * 12_000 + 2**20


@pytest.mark.slow
@pytest.mark.parametrize("token", HOSTILE, ids=lambda token: repr(token[:12]))
def test_a_hostile_token_anywhere_is_taken_or_told(token: bytes, folder: Path) -> None:
    data = MAIN.encode()
    for at in range(0, len(data), 7):
        (folder / "tidegate.toml").write_bytes(data[:at] + token + data[at:])
        load_law(folder)


def test_settings_that_let_a_number_without_end_through_are_caught(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (folder / "conf.d" / "10-odd.toml").write_text(f"log.path = {KNOWN[0][1]}\n")
    load_law(folder)
    monkeypatch.setattr(settings_files, "refuse_extremes", lambda file, tables: None)
    with pytest.raises(ValueError, match="digits"):
        load_law(folder)
