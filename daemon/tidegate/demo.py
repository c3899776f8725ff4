"""The real daemon on a twin, in virtual time: how well was the window kept?

Nothing here controls: the service, its cycle log and its settings are those of
``tidegate run``. Only clock, device and weather are simulated.
"""

from __future__ import annotations

import asyncio
import fcntl
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

from tidegate.core.effects import Reason
from tidegate.core.policy import DAY_MS, MINUTE_MS, Marks
from tidegate.cyclelog.disk import aside_files, past_files, side_files
from tidegate.errors import Busy
from tidegate.host import Machine, Workers
from tidegate.host.locks import Locks
from tidegate.host.workers import InlineWorker
from tidegate.report.story import Story, story
from tidegate.service import Service
from tidegate.settings import from_tables
from tidegate.twin import bench
from tidegate.twin.museum import STATION, Museum
from tidegate.twin.truth import Diary, Kept, Span
from tidegate.virtual import VirtualClock, run
from tidegate.words import alarm_text

BOOT_MS: Final = 10 * MINUTE_MS
PROGRESS_EVERY_MS: Final = DAY_MS // 8
# Time under these rules is not held against the window.
EXCUSED: Final = frozenset(
    {
        Reason.BATTERY_CRITICAL_HEAT,
        Reason.GAUGE_LOST,
        Reason.GAUGE_FROZEN,
        Reason.GAUGE_IMPLAUSIBLE,
        Reason.BATTERY_HOT,
        Reason.BATTERY_COLD,
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a demo came to: ``kept`` is the truth of the device, ``told`` what the
    cycle log tells of it.
    """

    museum: Museum
    marks: Marks
    kept: Kept
    told: Story
    log: Path

    def as_document(self, report: Path) -> dict[str, Any]:
        """Return the outcome under the stable keys of ``demo --json``."""
        kept = self.kept
        return {
            "days": self.museum.days,
            "switchings": self.told.switchings,
            "in_window_percent": round(kept.in_window_percent, 2),
            "excluded_hours": round(kept.excluded_hours, 2),
            "lowest_soc_percent": _rounded(kept.lowest_soc_percent),
            "highest_soc_percent": _rounded(kept.highest_soc_percent),
            "efc": round(kept.equivalent_full_cycles, 3),
            "alarms": [
                {
                    "code": each.label,
                    "text": alarm_text(each.label),
                    "from_wall_ms": each.from_ms,
                    "until_wall_ms": None if each.stands else each.until_ms,
                }
                for each in self.told.alarms
            ],
            "log": str(self.log),
            "report": str(report),
            "invented": True,
        }


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)


class Demo:
    """One run of the scenario into a folder."""

    def __init__(
        self, museum: Museum, log: Path, *, progress: Callable[[float], None]
    ) -> None:
        # What really happened to the device, for whoever wants to check a figure.
        self.diary = Diary()
        self._museum = museum
        self._log = log
        self._progress = progress
        self._clock = VirtualClock(boot_ms=BOOT_MS, wall_ms=museum.start_wall_ms)
        self._excused: list[Span] = []
        self._excused_since_ms: int | None = None
        self._service: Service | None = None

    def run(self) -> Outcome:
        """Run the whole scenario. Errors: LogError when the log cannot be made."""
        # A lock folder of its own: the relay is inside this process, and whoever
        # runs another demo on this machine has another one.
        with TemporaryDirectory(prefix="tidegate-demo-") as locks:
            run(self._main(Locks(Path(locks))), clock=self._clock)
        assert self._service is not None
        assert not self._service.broken, "the daemon ended early by a fault of its own"
        window = self._service.settings.stations[STATION].window
        assert window is not None
        return Outcome(
            museum=self._museum,
            marks=window.marks,
            kept=self.diary.kept(
                low_percent=window.marks.low_percent,
                high_percent=window.marks.high_percent,
                excluded=self._excused,
            ),
            told=story(self._log, STATION),
            log=self._log,
        )

    async def _main(self, locks: Locks) -> None:
        table = bench.key(STATION)
        machine = Machine(self._clock, workers=Workers(InlineWorker), locks=locks)
        shared = self._museum.bench(self._clock.boot_ms())
        lease = await machine.links.take(table, bench.opener(shared))
        assert shared.device is not None
        shared.device.observe(self.diary)
        settings = from_tables(
            {
                "log": {"path": str(self._log)},
                "station": {STATION: self._museum.station()},
            },
            name="the demo's settings",
        )
        self._service = Service(
            settings,
            clock=self._clock,
            machine=machine,
            threaded=False,
            on_cycle=self._note,
        )
        loop = asyncio.get_running_loop()
        loop.call_later(self._museum.days * DAY_MS / 1_000, self._service.end)
        self._report_progress()
        await self._service.run()
        self._close_span()
        shared.device.advance_to(self._clock.boot_ms())
        await machine.links.give_back(lease)

    def _report_progress(self) -> None:
        passed_ms = self._clock.boot_ms() - BOOT_MS
        self._progress(passed_ms / DAY_MS)
        if passed_ms < self._museum.days * DAY_MS:
            asyncio.get_running_loop().call_later(
                PROGRESS_EVERY_MS / 1_000, self._report_progress
            )

    def _note(self) -> None:
        """Keep the spans in which a rule of safety holds, from reading to reading."""
        assert self._service is not None
        state = self._service.stations[STATION].state
        if state is None:
            return
        self._close_span()
        if state.reason in EXCUSED:
            self._excused_since_ms = self._clock.boot_ms()

    def _close_span(self) -> None:
        if self._excused_since_ms is not None:
            self._excused.append((self._excused_since_ms, self._clock.boot_ms()))
        self._excused_since_ms = None


def clear(log: Path) -> None:
    """Remove the cycle log of an earlier demo: its file, side files and past years.

    Errors: Busy while another demo writes it; OSError.
    """
    lock = log.with_name(f"{log.name}.lock")
    with lock.open("a") as held:
        try:
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise Busy(
                "another demo writes this cycle log",
                target=str(log),
                remedy="Wait for its end, or name another folder.",
            ) from error
        for old in (log, *side_files(log), *past_files(log), *aside_files(log)):
            old.unlink(missing_ok=True)
