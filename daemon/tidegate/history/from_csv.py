"""The trusted readings in a CSV, made by hand or by ``tidegate log export``."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Final

from tidegate.audit.given import Set
from tidegate.core.plausibility import judge
from tidegate.core.policy import MINUTE_MS, Policy
from tidegate.core.reading import ExternalPower, Sample
from tidegate.cyclelog.recording_csv import begins_ms, read_csv, stations, taken
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
    return stations(path, _text(path))


def from_csv(path: Path, station: str | None) -> Series:
    """Return the readings of a station, or all of them where the file names none.

    Nothing is known of any settings, so those are the defaults.
    Errors: LogUnreadable with line and column, LogEmpty, LogError.
    """
    text = _text(path)
    named = stations(path, text)
    asked = station if named else None
    begin_ms = begins_ms(path, text, station=asked)
    points: list[Point] = []
    packs: list[str | None] = []
    ends: set[int] = set()
    is_trusted = False
    for each in taken(path, text, station=asked):
        assert each.sample is not None
        at_ms = each.at_ms + (begin_ms or 0)
        reading = judge(each.sample, at_ms=at_ms, wall_ms=at_ms)
        if reading.why_not is not None or reading.sample.soc_percent is None:
            continue
        is_trusted = reading.sample.current_sign_trusted
        point = _point(at_ms, reading.sample)
        points.append(point)
        packs.append(reading.sample.pack)
        if each.lasts_ms:
            ends.add(len(points))
            points.append(point._replace(at_ms=at_ms + each.lasts_ms))
            packs.append(reading.sample.pack)
    if not points:
        raise LogEmpty(
            f"{path} holds no trusted reading of a station {station!r}",
            remedy="Name a station of that file.",
        )
    step_ms = _usual_step_ms(points)
    return Series(
        station=station or "",
        path=path,
        points=tuple(points),
        breaks=tuple(
            place
            for place in _breaks(
                points, packs, most_ms=max(_GAP_STEPS * step_ms, _GAP_MS)
            )
            # Equal readings went on between the two.
            if place not in ends
        ),
        is_whole=all(point.soc_percent.is_integer() for point in points),
        sign_is_trusted=is_trusted,
        is_calendar=begin_ms is not None,
        is_log=False,
        step_s=step_ms / 1000,
        given=Set(policy=Policy()),
    )


def _text(path: Path) -> str:
    try:
        return read_csv(path)
    except Malformed as error:
        raise LogUnreadable(error.what, remedy=error.remedy) from error
    except FileNotFoundError as error:
        raise LogAbsent(
            f"there is no file at {path}", remedy="Name a cycle log or a CSV file."
        ) from error
    except OSError as error:
        raise LogError(
            f"{path} cannot be read: {error.strerror}",
            remedy="Name a cycle log or a CSV file that you may read.",
        ) from error


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


def _usual_step_ms(points: Sequence[Point]) -> float:
    steps = [after.at_ms - before.at_ms for before, after in pairwise(points)]
    return statistics.median([each for each in steps if each > 0] or [0])


def _breaks(
    points: Sequence[Point], packs: Sequence[str | None], *, most_ms: float
) -> tuple[int, ...]:
    found = []
    pack = packs[0]
    for place in range(1, len(points)):
        is_other = packs[place] is not None and pack not in (None, packs[place])
        pack = packs[place] or pack
        if is_other or points[place].at_ms - points[place - 1].at_ms > most_ms:
            found.append(place)
    return tuple(found)
