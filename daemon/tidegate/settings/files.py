"""Files into one tree of tables, remembering which file and line set each value."""

from __future__ import annotations

import contextlib
import re
import stat
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tidegate.errors import SettingsError, SettingsMissing
from tidegate.settings.problems import KeyPath

# A settings file is a few kilobytes; what is larger is something else.
_LARGEST_BYTES = 1 << 20
# No settings are nested half as deep, and all who walk through them go one call deeper
# a level.
_DEEPEST = 32
# Looking for the end of a value costs a parse a line; no list that a person writes by
# hand is longer. Behind one that is, keys are named without their line.
_LINES_OF_A_VALUE = 500
_AT_LINE = re.compile(r" \(at line (\d+), column (\d+)\)$")
# Where both a station and its defaults (or two files) name one of these, the later
# one says what the table is about, so the keys of the earlier one go.
_BACKENDS = ("gauge", "relay")
_MARKS = ("low", "high")
_PLANS = ("rise", "relearn")


@dataclass(frozen=True, slots=True)
class Place:
    """Where a value was set. ``key`` is the key as written there."""

    file: Path
    line: int | None
    key: KeyPath


@dataclass(frozen=True, slots=True)
class Document:
    """One file that was read. ``lines`` gives the line of each key."""

    file: Path
    tables: Mapping[str, Any]
    lines: Mapping[KeyPath, int]

    def place(self, key: KeyPath) -> Place:
        """Return where a key stands; inside a list or a table, where that begins."""
        for end in range(len(key), 0, -1):
            if key[:end] in self.lines:
                return Place(self.file, self.lines[key[:end]], key)
        return Place(self.file, None, key)


@dataclass(slots=True)
class Tree:
    """The tables of all files, laid over each other; the last value wins."""

    tables: dict[str, Any] = field(default_factory=dict)
    places: dict[KeyPath, Place] = field(default_factory=dict)

    def lay(self, document: Document) -> None:
        """Lay one more file over the tree."""
        places = {key: document.place(key) for key in _keys(document.tables)}
        _lay(self.tables, document.tables, self.places, places)

    def place(self, key: KeyPath) -> Place | None:
        """Return where a key, or else the nearest table around it, was set."""
        for end in range(len(key), 0, -1):
            if key[:end] in self.places:
                return self.places[key[:end]]
        return None


def read(file: Path, *, named_by: str = "") -> Document:
    """Return one file's tables. Errors: SettingsError, SettingsMissing."""
    data = _bytes(file, named_by)
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise SettingsError(
            f"{file}: this is not a text file (byte {error.start} is not UTF-8)",
            remedy="Name a TOML file",
        ) from error
    try:
        tables = tomllib.loads(text)
    except RecursionError as error:
        raise SettingsError(f"{file}: lists or tables are nested too deep") from error
    except ValueError as error:
        raise _not_toml(file, text, error) from error
    refuse_extremes(file, tables)
    return Document(file, tables, locate(text))


def read_all(main: Path, *, named_by: str = "") -> tuple[Document, ...]:
    """Return the main file and those of ``conf.d`` beside it, in name order."""
    documents = [read(main, named_by=named_by)]
    folder = main.parent / "conf.d"
    try:
        names = sorted(
            entry.name
            for entry in folder.iterdir()
            if entry.name.endswith(".toml") and not entry.name.startswith(".")
        )
    except (FileNotFoundError, NotADirectoryError):
        names = []  # most sites have none
    except OSError as error:
        raise SettingsError(f"{folder}: cannot be read: {_reason(error)}") from error
    return tuple(documents + [read_beside(folder / name) for name in names])


def read_beside(file: Path) -> Document:
    """Return the tables of one file of ``conf.d``.

    A pipe, socket or device there is refused: reading it could hold the daemon for
    ever. The main file may be one, for who names it means it. Errors: SettingsError.
    """
    with contextlib.suppress(OSError):  # told by who reads it
        mode = file.stat().st_mode
        if not stat.S_ISREG(mode) and not stat.S_ISDIR(mode):
            raise SettingsError(
                f"{file}: this is a pipe, a socket or a device, and no file",
                remedy="Remove it",
            )
    try:
        return read(file)
    except SettingsMissing as error:
        raise SettingsError(f"{file}: leads to no file") from error


def locate(text: str) -> dict[KeyPath, int]:
    """Return the line of each key of a valid document.

    tomllib keeps no positions, so each statement is parsed again by itself; a value
    over several lines is joined until it parses.
    """
    found: dict[KeyPath, int] = {}
    table: KeyPath = ()
    lines = text.replace("\r\n", "\n").split("\n")
    number = 0
    while number < len(lines):
        first, statement = number, lines[number]
        while (parsed := _parsed(statement)) is None and number + 1 < len(lines):
            if number - first > _LINES_OF_A_VALUE:
                return found
            number += 1
            statement += "\n" + lines[number]
            # Only a line that can end a value is worth a try.
            while number + 1 < len(lines) and not re.search(r"[]}\"']", lines[number]):
                number += 1
                statement += "\n" + lines[number]
        number += 1
        if statement.lstrip().startswith("["):
            table = max(_keys(parsed or {}), key=len, default=())
            keys: Iterable[KeyPath] = (table,)
        else:
            keys = [(*table, *key) for key in _keys(parsed or {})]
        for key in keys:
            for end in range(1, len(key) + 1):
                found.setdefault(key[:end], first + 1)
    return found


def inherit(tree: Tree) -> tuple[str, ...]:
    """Give every station the values of ``[defaults]`` that it does not set itself.

    A station without a relay only measures, so a window and plans of the defaults do
    not reach it. Returns the names of the stations where that is so for the window.
    """
    defaults, stations = tree.tables.get("defaults", {}), tree.tables.get("station")
    if not isinstance(defaults, dict) or not isinstance(stations, dict):
        return ()
    of_defaults, of_stations = _places_by_table(tree)
    only_measure: list[str] = []
    for name, own in stations.items():
        if not isinstance(own, dict):
            continue
        full: dict[str, Any] = {}
        places: dict[KeyPath, Place] = {}
        _lay(full, defaults, places, of_defaults)
        _lay(full, own, places, of_stations[name])
        if "window" in full and "window" not in own and "relay" not in full:
            del full["window"]
            only_measure.append(name)
        for plan in _PLANS:
            if plan not in own and "relay" not in full:
                full.pop(plan, None)
        stations[name] = full
        for key, place in places.items():
            tree.places["station", name, *key] = place
    return tuple(only_measure)


def _places_by_table(
    tree: Tree,
) -> tuple[dict[KeyPath, Place], dict[str, dict[KeyPath, Place]]]:
    of_defaults: dict[KeyPath, Place] = {}
    of_stations: dict[str, dict[KeyPath, Place]] = {}
    for key, place in tree.places.items():
        if key[0] == "defaults":
            of_defaults[key[1:]] = place
        elif key[0] == "station" and len(key) > 1:
            of_stations.setdefault(key[1], {})[key[2:]] = place
    return of_defaults, of_stations


def _lay(
    base: dict[str, Any],
    top: Mapping[str, Any],
    places: dict[KeyPath, Place],
    top_places: Mapping[KeyPath, Place],
    path: KeyPath = (),
) -> None:
    for key, value in top.items():
        here = (*path, key)
        old = base.get(key)
        both = isinstance(old, dict) and isinstance(value, dict)
        if not both or _displaces(key, old, value):
            if key in base:
                for stale in [at for at in places if at[: len(here)] == here]:
                    del places[stale]
            base[key] = {} if isinstance(value, dict) else value
        places[here] = top_places[here]
        if isinstance(value, dict):
            _lay(base[key], value, places, top_places, here)


def _displaces(key: str, old: Any, new: Mapping[str, Any]) -> bool:
    if key in _BACKENDS:
        return "kind" in new and new["kind"] != old.get("kind")
    if key == "window":
        if "hold" in new:
            return any(mark in old for mark in _MARKS)
        return "hold" in old and any(mark in new for mark in _MARKS)
    return False


def _keys(tables: Mapping[str, Any], path: KeyPath = ()) -> list[KeyPath]:
    found: list[KeyPath] = []
    for key, value in tables.items():
        found.append((*path, key))
        if isinstance(value, dict):
            found += _keys(value, (*path, key))
    return found


def refuse_extremes(file: Path, tables: Mapping[str, Any]) -> None:
    """Refuse what TOML has and no settings are: nested without end, or huge.

    A whole number is one of 64 bits: TOML 1.0, section Integer. Errors: SettingsError.
    """
    inside: list[tuple[Any, int]] = [(tables, 0)]
    while inside:
        value, depth = inside.pop()
        if isinstance(value, dict | list):
            if depth > _DEEPEST:
                raise SettingsError(f"{file}: lists or tables are nested too deep")
            held = value.values() if isinstance(value, dict) else value
            inside += [(each, depth + 1) for each in held]
        elif isinstance(value, int) and not -(2**63) <= value < 2**63:
            raise SettingsError(
                f"{file}: a whole number in it does not fit into 64 bits",
                remedy="Write the number that was meant",
            )


def _parsed(statement: str) -> dict[str, Any] | None:
    try:
        return tomllib.loads(statement)
    except tomllib.TOMLDecodeError:
        return None


def _bytes(file: Path, named_by: str) -> bytes:
    try:
        with file.open("rb") as stream:
            data = stream.read(_LARGEST_BYTES + 1)
    except IsADirectoryError as error:
        raise SettingsError(
            f"{file}: this is a folder", remedy="Name the TOML file in it"
        ) from error
    except (FileNotFoundError, NotADirectoryError) as error:
        raise SettingsMissing(
            f"{file}: there is no such settings file{named_by}",
            remedy="Name one with --config FILE",
        ) from error
    except PermissionError as error:
        raise SettingsError(
            f"{file}: reading it is not permitted",
            remedy="Run as a user who may, or change the file's mode",
        ) from error
    except OSError as error:
        raise SettingsError(f"{file}: cannot be read: {_reason(error)}") from error
    if len(data) > _LARGEST_BYTES:
        raise SettingsError(
            f"{file}: this is larger than 1 MiB, so it is no settings file",
            remedy="Name a TOML file",
        )
    return data


def _not_toml(file: Path, text: str, error: ValueError) -> SettingsError:
    said = " ".join(str(error).split())
    match = _AT_LINE.search(said)
    if match:
        line, column = match[1], f", column {match[2]}"
        said = said[: match.start()]
    else:
        line, column = str(text.rstrip().count("\n") + 1), ""
        said = said.removesuffix(" (at end of document)")
    return SettingsError(
        f"{file}:{line}: this is not TOML: {said[:1].lower()}{said[1:]}{column}",
        remedy="Write keys as key = value, tables as [name], text in quotes",
    )


def _reason(error: OSError) -> str:
    return (error.strerror or type(error).__name__).lower()
