"""The file that a charge is recorded in: a line a reading, on the disk at once.

Its columns are some of those that ``tidegate.cyclelog.recording_csv`` reads. What is
there is never written over: a file is gone on with only if that is asked for.
"""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

from tidegate.errors import LogError, LogUnreadable

COLUMNS: Final = (
    "time",
    # A wall clock that is set back meanwhile is bridged by it.
    "boot_ms",
    "station",
    "soc_percent",
    "battery_status",
    "external_power",
    "voltage_v",
    "current_a",
    "current_sign_trusted",
    "temperature_c",
    "charge_ah",
)
_HEAD: Final = ",".join(COLUMNS)


def sync(descriptor: int) -> None:
    """Wait until what was written is on the disk."""
    os.fsync(descriptor)


class Book:
    """An open file; use it in a ``with``. ``count`` is of the lines added here.

    ``torn`` tells that half a line at its end was cut off, as after a power loss;
    ``is_begun`` that there are readings in it of an earlier time.
    Errors: LogError where the file is there and was not to be gone on with, or where
    the disk fails; LogUnreadable where it is no such file, or one of another station.
    """

    def __init__(self, path: Path, station: str, *, goes_on: bool) -> None:
        self.path = path
        self.count = 0
        self.torn = False
        self.is_begun = False
        self._station = station
        is_there = path.exists()
        if is_there and not goes_on:
            raise LogError(
                f"{path} is there already",
                remedy="Name another file with --to, or add --continue to go on with it",
            )
        if is_there:
            self._check()
        try:
            # Not even by a hair's breadth is a file of somebody else written to. No
            # buffer: what did not fit on the disk is not tried again at the end.
            only_new = 0 if is_there else os.O_EXCL
            self._file = open(  # noqa: SIM115 - Path.open takes no opener
                path,
                "ab",
                buffering=0,
                opener=lambda name, flags: os.open(name, flags | only_new, 0o666),
            )
            self._begin(is_new=not is_there)
        except OSError as error:
            raise _failed(path, error) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._file.close()

    def add(self, reading: Mapping[str, Any], *, boot_ms: int) -> None:
        """Write one reading, under the keys of ``read --json``. Errors: LogError."""
        values = {**reading, "time": reading["taken_at"], "boot_ms": boot_ms}
        line = _line([_said(values[column]) for column in COLUMNS])
        try:
            self._write(line)
        except OSError as error:
            raise _failed(
                self.path,
                error,
                remedy="What was read before is in it; make room and add --continue",
            ) from error
        self.count += 1

    def _begin(self, *, is_new: bool) -> None:
        try:
            if os.fstat(self._file.fileno()).st_size == 0:
                self._write(_HEAD)
        except OSError:
            self._file.close()
            if is_new:
                self.path.unlink()
            raise

    def _write(self, line: str) -> None:
        descriptor = self._file.fileno()
        before = os.fstat(descriptor).st_size
        data = line.encode() + b"\n"
        try:
            while data:
                data = data[os.write(descriptor, data) :]
            sync(descriptor)
        except OSError:
            # Half a line would keep all before it from being read.
            os.ftruncate(descriptor, before)
            raise

    def _check(self) -> None:
        """Look whether the file can be gone on with, and cut off a torn line."""
        if not self.path.is_file():
            raise self._unfit("it is no file on a disk")
        try:
            data = self.path.read_bytes()
            whole, newline, rest = data.rpartition(b"\n")
            lines = whole.decode("utf-8", errors="replace").split("\n")
            # Whatever is no file of ours is left as it is: first looked at, then cut.
            if lines[0] != _HEAD and not (_HEAD.encode().startswith(data)):
                raise self._unfit("it was not recorded by this command")
            self.is_begun = len(lines) > 1
            if self.is_begun:
                self._check_last(next(csv.reader([lines[-1]])))
            if rest:
                os.truncate(self.path, len(whole) + len(newline))
                self.torn = True
        except OSError as error:
            raise _failed(self.path, error) from error

    def _check_last(self, cells: list[str]) -> None:
        if len(cells) != len(COLUMNS) or cells[2] != self._station:
            raise self._unfit(f"it is not of the station {self._station!r}")

    def _unfit(self, what: str) -> LogUnreadable:
        return LogUnreadable(
            f"{self.path} cannot be gone on with: {what}",
            remedy="Name another file with --to",
        )


def _said(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _line(cells: list[str]) -> str:
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="").writerow(cells)
    return text.getvalue()


def _failed(
    path: Path, error: OSError, *, remedy: str = "Name a file with --to that can be"
) -> LogError:
    return LogError(f"{path} cannot be written: {error.strerror}", remedy=remedy)
