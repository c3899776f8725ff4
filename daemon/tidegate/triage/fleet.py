"""Many devices in one CSV: its rows, and what is wrong with which cell.

Columns are the keys of the form, ``station``, and ``log`` and ``inspection`` with paths
from the folder of the CSV; they stand between commas, or between semicolons if the first
line does. A cell that cannot be read loses its row, but for a row with a sign of danger:
that sign is never lost for another cell, and it holds for every row of its station.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from tidegate.errors import LogError
from tidegate.triage.form import FormAbsent, FormError, read_form, unknown_key
from tidegate.triage.inspection import KEYS, SIGNS, Inspection, Told
from tidegate.triage.questions import QUESTION, NotThis
from tidegate.words import visible

LARGEST_BYTES: Final = 1 << 24
LOG: Final = "log"
FORM: Final = "inspection"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """What is wrong with a row. ``column`` is empty where it is the row as a whole."""

    line: int
    column: str
    station: str
    text: str

    def __str__(self) -> str:
        where = f"line {self.line}"
        if self.column:
            where += f", column {self.column}"
        return visible(f"{where}: {self.text}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """A row that can be judged; ``faults`` are those of its other cells."""

    line: int
    station: str
    log: Path | None
    inspection: Inspection
    faults: tuple[Fault, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Lost:
    """A row that cannot be judged, and why."""

    faults: tuple[Fault, ...]


def read_fleet(path: Path) -> list[Device | Lost]:
    """Return a device or what is wrong, row by row.

    Errors: FormAbsent; FormError for a file that is no such list at all; OSError.
    """
    reading = _Reading(path)
    return _shared(list(reading.rows()))


def _shared(rows: list[Device | Lost]) -> list[Device | Lost]:
    """Return the rows with each sign in every row of its station."""
    seen: dict[str, dict[str, Any]] = {}
    for row in rows:
        if isinstance(row, Device):
            signs = dict.fromkeys(row.inspection.signs(), Told.YES)
            seen.setdefault(row.station, {}).update(signs)
    return [
        replace(row, inspection=replace(row.inspection, **seen[row.station]))
        if isinstance(row, Device)
        else row
        for row in rows
    ]


class _Reading:
    """One pass over the file."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._text = _text(path)
        self._names: dict[str, int] = {}

    def rows(self) -> Iterator[Device | Lost]:
        """Yield what each row is. Errors: FormError."""
        # Strict: a quote that is left open would swallow the devices after it.
        rows = csv.reader(
            io.StringIO(self._text, newline=""),
            delimiter=_delimiter(self._text),
            skipinitialspace=True,
            strict=True,
        )
        columns: list[str] | None = None
        while True:
            try:
                row = next(rows)
            except StopIteration:
                break
            except csv.Error as error:
                raise FormError(
                    f"{self._path}:{rows.line_num}: {error}",
                    remedy="Write it as RFC 4180 has it: commas, and quotes in pairs",
                ) from error
            cells = [cell.strip() for cell in row]
            if not any(cells):
                continue
            if columns is None:
                columns = self._columns(cells, rows.line_num)
            else:
                yield self._row(cells, columns, rows.line_num)
        if columns is None:
            raise FormError(
                f"{self._path} is empty", remedy="Name its columns in the first line"
            )

    def _columns(self, names: list[str], line: int) -> list[str]:
        for name in names:
            where = f"{self._path}:{line}: column {name[:60] or '(empty)'}"
            if names.count(name) > 1:
                raise FormError(f"{where}: it stands there twice")
            if name not in (*KEYS, LOG, FORM):
                raise FormError(f"{where}: {unknown_key(name, LOG, FORM)}")
        if "station" not in names:
            raise FormError(
                f"{self._path}:{line}: there is no column station",
                remedy="Name each device in it",
            )
        return names

    def _row(self, cells: list[str], columns: list[str], line: int) -> Device | Lost:
        found = dict(zip(columns, cells, strict=False))
        station = found.get("station", "")
        row = _Row(line, station, self._path.parent)
        if len(cells) != len(columns):
            # What says yes to a sign is taken as it stands, even out of its place.
            text = f"{len(cells)} cells, the first line names {len(columns)}"
            row.fault("", text)
        for column, cell in found.items():
            if "\n" in cell or "\r" in cell:
                row.fault(column, "a cell has a line break: is a quote left open?")
            elif "\0" in cell:
                row.fault(column, "a cell has a character that is no text")
        if not station:
            row.fault("station", "a device needs a name")
        elif station in self._names:
            row.fault("station", f"{station} stands in line {self._names[station]} too")
        else:
            self._names[station] = line
        return row.made(found)


class _Row:
    """One row on its way to a device."""

    def __init__(self, line: int, station: str, folder: Path) -> None:
        self._line = line
        self._station = station
        self._folder = folder
        self._faults: list[Fault] = []

    def fault(self, column: str, text: str) -> None:
        """Note what is wrong with a cell."""
        self._faults.append(
            Fault(line=self._line, column=column, station=self._station, text=text)
        )

    def made(self, cells: Mapping[str, str]) -> Device | Lost:
        """Return the device, or what is lost."""
        inspection = self._inspection(cells)
        if self._faults and not inspection.signs():
            return Lost(faults=tuple(self._faults))
        log = cells.get(LOG, "").replace("\0", "")
        return Device(
            line=self._line,
            station=self._station or f"(line {self._line})",
            log=self._folder / log if log else None,
            inspection=inspection,
            faults=tuple(self._faults),
        )

    def _inspection(self, cells: Mapping[str, str]) -> Inspection:
        base = self._form(cells.get(FORM, ""))
        values: dict[str, Any] = {}
        for key in KEYS:
            if not cells.get(key):
                continue
            try:
                values[key] = QUESTION[key].read(cells[key])
            except NotThis as error:
                self.fault(key, f"found {cells[key][:60]!r}, allowed is {error}")
        for key in SIGNS:
            # Whoever saw it first: a sign is not taken back by a line in a list.
            if base.told(key) is Told.YES:
                values[key] = Told.YES
        on = values.get("on")
        if on is not None and base.on is not None and not values.keys() >= {*SIGNS}:
            # Nor does the day of a list make what was seen for the form younger.
            values["on"] = min(on, base.on)
        values["station"] = self._station or None
        return replace(base, **values)

    def _form(self, name: str) -> Inspection:
        if not name:
            return Inspection()
        try:
            found = read_form(self._folder / name.replace("\0", ""))
        except (FormError, OSError) as error:
            self.fault(FORM, " ".join(str(error).split()))
            return error.seen if isinstance(error, FormError) else Inspection()
        if found.station not in (None, self._station):
            self.fault(FORM, f"{name} is of {found.station!r}")
        return found


def of_log(device: Device, error: LogError | OSError) -> Fault:
    """Return what is wrong with the log of a device."""
    return Fault(
        line=device.line,
        column=LOG,
        station=device.station,
        text=" ".join(str(error).split()),
    )


def _delimiter(text: str) -> str:
    """Return what the first line has more of; spreadsheets of some lands write ``;``."""
    first = text.lstrip().partition("\n")[0]
    return ";" if first.count(";") > first.count(",") else ","


def _text(path: Path) -> str:
    try:
        with path.open("rb") as stream:
            data = stream.read(LARGEST_BYTES + 1)
    except (FileNotFoundError, NotADirectoryError) as error:
        raise FormAbsent(
            f"there is no list of devices at {path}",
            remedy="Name a CSV with a column station",
        ) from error
    except IsADirectoryError as error:
        raise FormError(f"{path} is a folder", remedy="Name the CSV file") from error
    if len(data) > LARGEST_BYTES:
        raise FormError(f"{path} is larger than 16 MiB", remedy="Cut it into parts")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = error.object.count(b"\n", 0, error.start) + 1
        raise FormError(
            f"{path}:{line}: the text is not UTF-8", remedy="Save it as UTF-8"
        ) from error
