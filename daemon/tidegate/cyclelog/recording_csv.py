"""A recording as a CSV file: what ``tidegate log export`` writes, or made by hand.

The first line names the columns. ``time`` must be there, as RFC 3339 or in seconds
from any beginning, and never runs back (in an export, whose wall clock may have been
set back, ``boot_ms`` says how long it was); so must ``soc_percent``. Any other quantity
of ``tidegate read --json`` may be there under its own name. An empty cell is a
quantity that the gauge did not give. Numbers have a point, flags are parted by blanks.

Two columns are about the line: ``station``, where a file holds several, and ``lasts_s``,
for how long equal readings went on from there.
"""

from __future__ import annotations

import csv
import difflib
import io
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Any, Final, TypeVar

from tidegate.core.reading import BatteryStatus, ExternalPower, Flag, Sample, WhyNot
from tidegate.cyclelog.recording import Taken
from tidegate.errors import Malformed

E = TypeVar("E", bound=StrEnum)

# A year of minutes is half of it. What is larger would crowd out the other stations.
BYTES_AT_MOST: Final = 64 * 1024 * 1024
_TEXT_AT_MOST: Final = 200
# No quantity of a battery and no moment in ms comes near it, and whatever is reckoned
# with smaller ones stays finite.
_NUMBER_AT_MOST: Final = 1e15
_YES: Final = {"true": True, "1": True, "false": False, "0": False}
TIME: Final = "time"
STATION: Final = "station"
LASTS: Final = "lasts_s"
BOOT: Final = "boot_ms"
_EXAMPLE: Final = "The least is: time,soc_percent and lines such as 0,61.5"


class _NotThis(ValueError):
    """A cell is not what its column wants."""


def _number(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise _NotThis("a number is wanted")
    if abs(value) > _NUMBER_AT_MOST:
        raise _NotThis(f"a number of at most {_NUMBER_AT_MOST:g} is wanted")
    return value


def _count(text: str) -> int:
    try:
        value = int(text)
    except ValueError as error:
        raise _NotThis("a whole number is wanted") from error
    if abs(value) > _NUMBER_AT_MOST:
        raise _NotThis(f"a whole number of at most {_NUMBER_AT_MOST:g} is wanted")
    return value


def _claim(text: str) -> bool:
    if text.lower() not in _YES:
        raise _NotThis("true or false is wanted")
    return _YES[text.lower()]


def _word(text: str) -> str:
    return text[:_TEXT_AT_MOST]


def _one_of(words: type[E]) -> Callable[[str], E]:
    def convert(text: str) -> E:
        try:
            return words(text)
        except ValueError as error:
            raise _NotThis(f"one of {', '.join(words)} is wanted") from error

    return convert


def _flags(text: str) -> frozenset[Flag]:
    return frozenset(_one_of(Flag)(word) for word in text.split())


def _seconds_ms(text: str) -> int:
    return round(_number(text) * 1000)


def _wall_ms(text: str) -> int:
    try:
        found = datetime.fromisoformat(text)
    except ValueError as error:
        raise _NotThis("seconds or a time such as 2026-03-02T06:00:00Z") from error
    if found.tzinfo is None:
        raise _NotThis("a time with its zone is wanted, such as 2026-03-02T06:00:00Z")
    return round(found.timestamp() * 1000)


_QUANTITIES: Final[Mapping[str, Callable[[str], Any]]] = {
    "soc_percent": _number,
    "battery_status": _one_of(BatteryStatus),
    "external_power": _one_of(ExternalPower),
    "present": _claim,
    "voltage_v": _number,
    "current_a": _number,
    "current_sign_trusted": _claim,
    "temperature_c": _number,
    "temperature_sensor": _word,
    "charge_ah": _number,
    "full_charge_ah": _number,
    "design_charge_ah": _number,
    "cycle_count": _count,
    "health": _word,
    "pack": _word,
    "uptime_s": _count,
    "took_s": _number,
    "flags": _flags,
    "why_not": _one_of(WhyNot),
}
QUANTITIES: Final = frozenset(_QUANTITIES)
# What else an export has of a reading; none of it is part of a sample.
_BESIDE: Final = frozenset(
    {
        "id",
        BOOT,
        "wall_ms",
        "reads",
        "wall_slip_s",
        "longest_gap_s",
        "same_reads",
        "same_span_s",
        "last_soc_percent",
        "last_voltage_v",
        "last_current_a",
        "last_temperature_c",
        "last_charge_ah",
        "last_uptime_s",
        "raw",
    }
)

# Of those, what the last of a run of equal readings may have of its own.
_LASTS: Final = {
    name: f"last_{name}"
    for name in ("voltage_v", "current_a", "temperature_c", "charge_ah")
}


@dataclass(frozen=True, slots=True)
class _Line:
    """One line of the file, split; what it makes wrong is told with its place."""

    path: Path
    number: int
    cells: Mapping[str, str]

    def value(self, column: str, convert: Callable[[str], Any]) -> Any:
        text = self.cells[column]
        try:
            return convert(text)
        except _NotThis as error:
            said = f"{error}, found {text[:60]!r}"
            raise _malformed(self.path, said, self.number, column) from error

    def taken(self, at_ms: int) -> Taken:
        lasts_ms = 0
        if self.cells.get(LASTS):
            lasts_ms = max(0, self.value(LASTS, _seconds_ms))
        return Taken(at_ms=at_ms, lasts_ms=lasts_ms, sample=self.sample())

    def last(self, run: Taken) -> Iterator[Taken]:
        """Yield the last of a run of equal readings, where the line tells it apart."""
        told = {
            name: self.value(column, _number)
            for name, column in _LASTS.items()
            if self.cells.get(column)
        }
        if run.lasts_ms and told:
            assert run.sample is not None
            sample = replace(run.sample, **told)
            yield Taken(at_ms=run.until_ms, sample=sample)

    def sample(self) -> Sample:
        values = {
            column: self.value(column, convert)
            for column, convert in _QUANTITIES.items()
            if self.cells.get(column)
        }
        why_not = values.pop("why_not", None)
        claims = None if why_not is WhyNot.JUMP else why_not
        return Sample(**values, claims=claims)


class _Times:
    """When the lines of one station are, on a line of time that never runs back."""

    def __init__(self) -> None:
        self._last_ms: int | None = None
        self._boot_ms: int | None = None
        self._offset_ms = 0

    def placed(self, line: _Line, found_ms: int) -> int:
        """Return when a line is whose ``time`` is found to be ``found_ms``.

        A wall clock that was set back is bridged by the boot clock, if the line has
        it; of a boot that began meanwhile, no one knows how long that took.
        """
        boot_ms = line.value(BOOT, _count) if line.cells.get(BOOT) else None
        at_ms = found_ms + self._offset_ms
        if self._last_ms is not None and at_ms < self._last_ms:
            if boot_ms is None or self._boot_ms is None:
                said = "it is before the line above"
                raise _malformed(line.path, said, line.number, TIME)
            bridged_ms = self._last_ms + max(0, boot_ms - self._boot_ms)
            self._offset_ms += bridged_ms - at_ms
            at_ms = bridged_ms
        self._last_ms, self._boot_ms = at_ms, boot_ms
        return at_ms


def read_csv(path: Path) -> str:
    """Return the text of a file whose every line was found good.

    Errors: Malformed with line and column, OSError.
    """
    text = csv_text(path)
    for _ in taken(path, text):
        pass
    return text


def csv_text(path: Path) -> str:
    """Return the text of a file that names its columns and has a line; no more of it
    was looked at.

    Errors: Malformed, OSError.
    """
    size = path.stat().st_size
    if size > BYTES_AT_MOST:
        what = f"{size / 1e6:.0f} MB, at most {BYTES_AT_MOST / 1e6:.0f} MB are read"
        raise Malformed(what, target=str(path), remedy="Cut it into parts")
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = error.object.count(b"\n", 0, error.start) + 1
        raise _malformed(path, "the text is not UTF-8", line) from error
    if next(_lines(path, text), None) is None:
        raise _malformed(path, "there is no line after the names of the columns", 1)
    return text


def stations(path: Path, text: str) -> tuple[str, ...]:
    """Return the stations that the lines name, by name; none without such a column."""
    names = {line.cells.get(STATION, "") for line in _lines(path, text)}
    return tuple(sorted(names - {""}))


def taken(
    path: Path,
    text: str,
    *,
    station: str | None = None,
    begin_wall_ms: int | None = None,
    with_ends: bool = False,
) -> Iterator[Taken]:
    """Yield what the lines hold, of all stations or of one, from the first line or
    from ``begin_wall_ms``. ``with_ends``: the last of a run of equal readings follows
    its first, where an export tells what it has of its own.

    Errors: Malformed with line and column.
    """
    first_ms: int | None = None
    times: dict[str, _Times] = {}
    clock: Callable[[str], int] | None = None
    for line in _lines(path, text):
        clock = clock or _clock_of(line.cells[TIME])
        found_ms = line.value(TIME, clock)
        if begin_wall_ms is not None and clock is _seconds_ms:
            said = "it is in seconds, so no one knows where `begin` is"
            raise _malformed(path, said, line.number, TIME)
        name = line.cells.get(STATION, "")
        if station not in (None, name):
            continue
        at_ms = times.setdefault(name, _Times()).placed(line, found_ms)
        if at_ms < (begin_wall_ms or at_ms):
            continue
        first_ms = at_ms if first_ms is None else first_ms
        found = line.taken(at_ms - first_ms)
        yield found
        if with_ends:
            yield from line.last(found)


def begins_ms(path: Path, text: str, *, station: str | None = None) -> int | None:
    """Return when the first line is, of all stations or of one, in UTC ms.

    ``None`` where the file tells seconds only. Errors: Malformed.
    """
    for line in _lines(path, text):
        if _clock_of(line.cells[TIME]) is _seconds_ms:
            return None
        if station in (None, line.cells.get(STATION, "")):
            return int(line.value(TIME, _wall_ms))
    return None


def _clock_of(text: str) -> Callable[[str], int]:
    """Return how this file tells the time, as its first line does."""
    try:
        _number(text)
    except _NotThis:
        return _wall_ms
    return _seconds_ms


def _lines(path: Path, text: str) -> Iterator[_Line]:
    rows = csv.reader(io.StringIO(text, newline=""), skipinitialspace=True, strict=True)
    columns: list[str] | None = None
    try:
        for row in rows:
            cells = [cell.strip() for cell in row]
            if not any(cells):
                continue
            if columns is None:
                columns = _columns(path, cells, rows.line_num)
                continue
            if len(cells) != len(columns):
                said = f"{len(cells)} cells, the first line names {len(columns)}"
                raise _malformed(path, said, rows.line_num)
            yield _Line(path, rows.line_num, dict(zip(columns, cells, strict=True)))
    except csv.Error as error:
        raise _malformed(path, str(error), rows.line_num) from error


def _columns(path: Path, names: list[str], number: int) -> list[str]:
    for name in names:
        if names.count(name) > 1:
            raise _malformed(path, "it stands there twice", number, name)
        known = [TIME, STATION, LASTS, *_QUANTITIES]
        if name not in known and name not in _BESIDE:
            near = difflib.get_close_matches(name, known, n=1, cutoff=0.0)
            said = f"no such column, the nearest known is {near[0]}"
            raise _malformed(path, said, number, name[:60])
    for column in (TIME, "soc_percent"):
        if column not in names:
            raise _malformed(path, f"there is no column {column}", number)
    return names


def _malformed(path: Path, what: str, line: int, column: str = "") -> Malformed:
    where = f"line {line}, column {column}" if column else f"line {line}"
    return Malformed(f"{where}: {what}", target=str(path), remedy=_EXAMPLE)
