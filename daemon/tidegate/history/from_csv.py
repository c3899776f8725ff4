"""The trusted readings in a CSV, made by hand or by ``tidegate log export``."""

from __future__ import annotations

import statistics
from itertools import pairwise
from pathlib import Path
from typing import Final

from tidegate.audit.given import Set
from tidegate.core.plausibility import judge
from tidegate.core.policy import MINUTE_MS, Policy
from tidegate.core.reading import ExternalPower, Sample
from tidegate.cyclelog.recording import Taken
from tidegate.cyclelog.recording_csv import begins_ms, csv_text, stations, taken
from tidegate.errors import LogAbsent, LogEmpty, LogError, LogUnreadable, Malformed
from tidegate.history.series import Point, Series

# Nobody looked where a reading is missing for so many of the usual steps, and for so
# long; choices, the first that of a cycle log.
_GAP_STEPS: Final = 4
_GAP_MS: Final = 10 * MINUTE_MS
_FED: Final = {ExternalPower.YES: True, ExternalPower.NO: False}


def stations_of_csv(path: Path) -> tuple[str, ...]:
    """Return the stations that a CSV names; none where it has no such column.

    Errors: LogUnreadable with line and column, LogError.
    """
    try:
        return stations(path, csv_text(path))
    except Malformed as error:
        raise LogUnreadable(error.what, remedy=error.remedy) from error
    except OSError as error:
        raise _unread(path, error) from error


def from_csv(path: Path, station: str | None) -> Series:
    """Return the readings of a station, or all of them where the file names none.

    Nothing is known of any settings, so those are the defaults.
    Errors: LogUnreadable with line and column, LogEmpty, LogError.
    """
    try:
        return _Read(path, csv_text(path), station).series()
    except Malformed as error:
        raise LogUnreadable(error.what, remedy=error.remedy) from error
    except OSError as error:
        raise _unread(path, error) from error


class _Read:
    """The points so far, and after which of them nothing is missing."""

    def __init__(self, path: Path, text: str, station: str | None) -> None:
        self._path = path
        self._text = text
        self._station = station
        self._asked = station if stations(path, text) else None
        self._begin_ms = begins_ms(path, text, station=self._asked)
        self._points: list[Point] = []
        self._packs: list[str | None] = []
        # Places whose point is the last of a run that began with the one before it.
        self._ends: set[int] = set()
        self._signs: list[bool] = []
        self._sensor: str | None = None

    def series(self) -> Series:
        """Return what the file holds. Errors: LogEmpty, Malformed."""
        found = taken(self._path, self._text, station=self._asked, with_ends=True)
        for each in found:
            self._take(each)
        if not self._points:
            raise self._empty()
        steps_ms = self._steps_ms()
        step_ms = statistics.median(steps_ms) if steps_ms else 0
        return Series(
            station=self._station or "",
            path=self._path,
            points=tuple(self._points),
            breaks=self._breaks(most_ms=max(_GAP_STEPS * step_ms, _GAP_MS)),
            is_whole=all(point.soc_percent.is_integer() for point in self._points),
            # A sign that was not trusted once may be wrong in any of them.
            sign_is_trusted=bool(self._signs) and all(self._signs),
            is_calendar=self._begin_ms is not None,
            is_log=False,
            step_s=step_ms / 1000,
            given=Set(policy=Policy()),
            sensor=self._sensor,
        )

    def _take(self, each: Taken) -> None:
        assert each.sample is not None
        at_ms = each.at_ms + (self._begin_ms or 0)
        reading = judge(each.sample, at_ms=at_ms, wall_ms=at_ms)
        sample = reading.sample
        if reading.why_not is not None or sample.soc_percent is None:
            return
        if sample.current_a is not None:
            self._signs.append(sample.current_sign_trusted)
        if sample.temperature_c is not None:
            self._sensor = sample.temperature_sensor or self._sensor
        point = _point(at_ms, sample)
        place = len(self._points) - 1
        if place in self._ends and self._points[place].at_ms == at_ms:
            # The last of a run, told apart.
            self._points[place] = point
            return
        self._add(point, sample.pack)
        if each.lasts_ms:
            self._ends.add(len(self._points))
            self._add(point._replace(at_ms=at_ms + each.lasts_ms), sample.pack)

    def _add(self, point: Point, pack: str | None) -> None:
        self._points.append(point)
        self._packs.append(pack)

    def _steps_ms(self) -> list[int]:
        """Return the times from one read to the next; a run is many of them."""
        pairs = enumerate(pairwise(self._points), 1)
        steps = (
            after.at_ms - before.at_ms
            for place, (before, after) in pairs
            if place not in self._ends
        )
        return [each for each in steps if each > 0]

    def _breaks(self, *, most_ms: float) -> tuple[int, ...]:
        found = []
        pack = self._packs[0]
        for place in range(1, len(self._points)):
            now = self._packs[place]
            is_other = now is not None and pack not in (None, now)
            pack = now or pack
            step_ms = self._points[place].at_ms - self._points[place - 1].at_ms
            if is_other or (step_ms > most_ms and place not in self._ends):
                found.append(place)
        return tuple(found)

    def _empty(self) -> LogEmpty:
        if self._asked is None:
            return LogEmpty(
                f"{self._path} holds no reading that can be trusted",
                remedy="Look at its lines: soc_percent is from 0 to 100.",
            )
        return LogEmpty(
            f"{self._path} holds no trusted reading of a station {self._station!r}",
            remedy="Name a station of that file.",
        )


def _unread(path: Path, error: OSError) -> LogError:
    if isinstance(error, FileNotFoundError):
        return LogAbsent(
            f"there is no file at {path}", remedy="Name a cycle log or a CSV file."
        )
    return LogError(
        f"{path} cannot be read: {error.strerror}",
        remedy="Name a cycle log or a CSV file that you may read.",
    )


def _point(at_ms: int, sample: Sample) -> Point:
    assert sample.soc_percent is not None
    return Point(
        at_ms=at_ms,
        soc_percent=sample.soc_percent,
        voltage_v=sample.voltage_v,
        current_a=sample.current_a,
        temperature_c=sample.temperature_c,
        charge_ah=sample.charge_ah,
        is_fed=_FED.get(sample.external_power),
        status=sample.battery_status,
    )
