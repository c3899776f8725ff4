"""The replay gauge: readings that were taken once, at the pace they were taken.

For rehearsing settings without a device, and for going through a fault again. What is
played are the readings of one station in a cycle log, or a CSV file
(``tidegate.cyclelog.recording_csv``). A recording does not follow the relay: what is
switched now changes nothing of what was measured then.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Annotated, Final, Literal

from pydantic import AwareDatetime, Field

from tidegate.contract import Backend, Gauge, GaugeFacts, GaugeSettings, Host
from tidegate.core.reading import Sample
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.recording import (
    NOT_RECORDED,
    OVER,
    Playback,
    Recording,
    Taken,
    is_log,
    logged,
)
from tidegate.cyclelog.recording_csv import QUANTITIES, read_csv, stations, taken
from tidegate.errors import LogError, LogUnreadable, Malformed, Refused, Unavailable
from tidegate.settings.durations import Between

# The first read goes through all of a CSV file, or through a log up to its beginning.
_FIRST_READ_S: Final = 60.0
_REMEDIES: Final = {
    OVER: "Set `repeat = true` to play it again, or an earlier `begin`",
    NOT_RECORDED: "Wait for its next reading, or raise `gap`",
}
_NO_QUANTITIES: Final = frozenset({"flags", "took_s", "why_not"})


class ReplaySettings(GaugeSettings):
    """The recording, and how it is played."""

    kind: Literal["replay"] = "replay"
    path: Path = Field(description="a cycle log, or a CSV file of readings")
    station: str | None = Field(
        default=None,
        min_length=1,
        description="whose readings; may be left out where there is one station only",
    )
    begin: AwareDatetime | None = Field(
        default=None,
        description='play from here on, such as "2026-03-02T06:00:00Z"; '
        "by default from the first reading",
    )
    repeat: bool = Field(
        default=False,
        description="begin again at the end, where the level may leap; "
        "by default the gauge is unavailable from then on",
    )
    speed: float = Field(
        default=1.0,
        gt=0,
        le=1000,
        description="how much faster than it was taken; dwell and limits do not follow",
    )
    gap: Annotated[int, Between("1s", "24h")] = Field(
        default=300_000,  # 2.5 of the longest polls
        description="a reading counts for so long; what follows until the next one "
        "was not recorded",
    )


class ReplayGauge(Gauge):
    """A recording, from its beginning at the first read after ``open``.

    Errors: Unavailable (no such file or station, nothing recorded at this moment, a
    read that failed then), Refused (the file may not be read), Malformed (it is
    neither a cycle log nor a good CSV file).
    """

    def __init__(self, settings: ReplaySettings, host: Host) -> None:
        self._settings, self._host = settings, host
        self._target = f"replay of {settings.path}"
        self._is_open = False
        self._playback: Playback | None = None
        self._began_ms: int | None = None

    @property
    def facts(self) -> GaugeFacts:
        return GaugeFacts(
            needs_supply=False,
            host_is_device=False,
            latency_s=0.0,
            answers_within_s=_FIRST_READ_S,
            gives=QUANTITIES - _NO_QUANTITIES,
        )

    async def open(self) -> None:
        self._is_open = True

    async def close(self) -> None:
        self._is_open = False
        self._playback = self._began_ms = None

    async def read(self) -> Sample:
        if not self._is_open:
            raise self._unavailable("the gauge is not open", "Open it before a read")
        worker = self._host.worker(self._target)
        # Kept only by a read that ends: the next one takes up a fresh one else, and
        # none that a call given up is still moving.
        playback, self._playback = self._playback, None
        if playback is None:
            playback = await worker.call(self._loaded)
        if self._began_ms is None:
            self._began_ms = self._host.boot_ms()
        passed_ms = self._host.boot_ms() - self._began_ms
        now_ms = round(passed_ms * self._settings.speed)
        found = await worker.call(self._played, playback, now_ms)
        if not self._is_open:
            raise self._unavailable("the gauge was closed", "Open it again")
        self._playback = playback
        if found.sample is None:
            remedy = _REMEDIES.get(found.why, "It is played as it was recorded")
            raise self._unavailable(found.why, remedy)
        return found.sample

    def _loaded(self) -> Playback:
        """Return the recording at its beginning. Runs in a thread."""
        with self._translated():
            gap_ms, is_repeated = self._settings.gap, self._settings.repeat
            return Playback(self._recording(), gap_ms=gap_ms, is_repeated=is_repeated)

    def _played(self, playback: Playback, now_ms: int) -> Taken:
        with self._translated():
            return playback.at(now_ms)

    def _recording(self) -> Recording:
        path, begin = self._settings.path, self._settings.begin
        begin_wall_ms = None if begin is None else round(begin.timestamp() * 1000)
        if is_log(path):
            with Reader(path) as reader:
                station = self._chosen(reader.stations()) or ""
            return partial(logged, path, station, begin_wall_ms=begin_wall_ms)
        text = read_csv(path)
        chosen = self._chosen(stations(path, text))
        return partial(taken, path, text, station=chosen, begin_wall_ms=begin_wall_ms)

    def _chosen(self, known: tuple[str, ...]) -> str | None:
        """Return whose readings are played, ``None`` where no station is named."""
        named = self._settings.station
        if named in known or (named is None and not known):
            return named
        if named is None and len(known) == 1:
            return known[0]
        what = "it holds several stations"
        if named is not None:
            what = f'it holds no station "{named}"'
        there = ", ".join(known) or "none"
        raise self._unavailable(what, f"Give `station`; there are: {there}")

    @contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except LogUnreadable as error:
            raise Malformed(
                error.what, target=self._target, remedy=error.remedy
            ) from error
        except LogError as error:
            raise self._unavailable(error.what, error.remedy) from error
        except PermissionError as error:
            raise Refused(
                "this user may not read it",
                target=self._target,
                remedy="Make the file readable for the service's user",
            ) from error
        except OSError as error:
            said = error.strerror or str(error)
            raise self._unavailable(said, "Give `path` a file that is there") from error

    def _unavailable(self, what: str, remedy: str) -> Unavailable:
        return Unavailable(what, target=self._target, remedy=remedy)


BACKEND: Backend[Gauge] = Backend(
    kind="replay", settings=ReplaySettings, make=ReplayGauge
)
