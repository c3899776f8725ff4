"""Worlds side by side: processes that live one world at a time.

A lane holds one process, which lives the worlds it is given, each in an empty folder
of its own. A world may hang, or take its process with it: its outcome then says so,
and the lane goes on with another process. What a world prints goes into a file,
whose end is shown for a world that died.
"""

from __future__ import annotations

import faulthandler
import multiprocessing
import os
import signal
import time
import traceback
from collections.abc import Generator, Iterator
from dataclasses import dataclass
from multiprocessing import resource_tracker
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from pathlib import Path
from tempfile import TemporaryDirectory
from types import TracebackType
from typing import Final, Self

from support.search.kinds import kind_at
from support.search.plan import Kind, Outcome, Plan, Tally

# How much is shown of what a dying world said.
LINES_MAX: Final = 30
READ_MAX_BYTES: Final = 20_000
# faulthandler begins so when it ends a process past its time (CPython's own source).
PAST_ITS_TIME: Final = "Timeout ("
# How the folder of a world is called in what is told.
FOLDER: Final = "FOLDER"

# New processes, so that no lane begins with what its parent had imported or opened.
CONTEXT: Final = multiprocessing.get_context("spawn")


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One world to live, at the address of its kind: whole, or as a shrunk one is."""

    address: str
    kind: str
    seed: int
    hours: float | None = None
    only: frozenset[int] | None = None

    @classmethod
    def of(cls, plan: Plan, address: str) -> Job:
        """Return the job that draws this plan again."""
        if plan.is_whole:
            return cls(address=address, kind=plan.kind, seed=plan.seed)
        return cls(
            address=address,
            kind=plan.kind,
            seed=plan.seed,
            hours=plan.hours,
            only=frozenset(each.number for each in plan.incidents),
        )

    def drawn(self, kind: Kind) -> Plan:
        """Draw the plan; incidents that it does not have are left out."""
        plan = kind.draw(self.seed)
        if self.hours is None and self.only is None:
            return plan
        numbers = {each.number for each in plan.incidents}
        kept = numbers if self.only is None else numbers & self.only
        return plan.only(kept, hours=self.hours)

    def undrawn(self) -> Plan:
        """Return the plan of a world that could not even be drawn."""
        return Plan(kind=self.kind, seed=self.seed, hours=0.0, incidents=(), of=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lived:
    """What came of a job, and what its process and its lane gave for it."""

    outcome: Outcome
    cpu_s: float
    took_s: float


class Lane:
    """One process, and one world at a time in it; use as a context manager."""

    def __init__(self, folder: Path, *, limit_s: float) -> None:
        self._folder = folder
        self._limit_s = limit_s
        self._process: BaseProcess | None = None
        self._connection: Connection | None = None
        self._job: Job | None = None
        self._plan: Plan | None = None
        self._given_s = 0.0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._end()

    @property
    def connection(self) -> Connection:
        """Return what becomes ready when the world is over, or its process."""
        assert self._connection is not None
        return self._connection

    def give(self, job: Job) -> None:
        """Let a world begin; the one before is over."""
        assert self._job is None
        if self._connection is None:
            self._begin()
        self._job, self._plan = job, job.undrawn()
        self._given_s = time.monotonic()
        self.connection.send(job)

    def hear(self) -> Lived | None:
        """Wait for the next word of the process; return what came of a world if over."""
        assert self._job is not None
        try:
            said = self.connection.recv()
        except (EOFError, ConnectionResetError):
            said = self._died(), 0.0
        if isinstance(said, Plan):
            self._plan = said
            return None
        outcome, cpu_s = said
        self._job = None
        took_s = time.monotonic() - self._given_s
        return Lived(outcome=outcome, cpu_s=cpu_s, took_s=took_s)

    def live(self, job: Job) -> Lived:
        """Live one world."""
        self.give(job)
        while True:
            over = self.hear()
            if over is not None:
                return over

    def _begin(self) -> None:
        self._folder.mkdir(exist_ok=True)
        self._connection, theirs = CONTEXT.Pipe()
        self._process = CONTEXT.Process(
            target=_work, args=(theirs, self._folder, self._limit_s), daemon=True
        )
        # The first process starts this one as well, which ends with SIGINT let through.
        resource_tracker.ensure_running()
        # Ctrl-C goes to all processes of a terminal: a lane never hears it, from its
        # first instruction on (the mask is inherited).
        before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        try:
            self._process.start()
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)
        theirs.close()

    def _end(self) -> None:
        if self._process is None:
            return
        if self._job is not None:
            self._process.kill()
            self._job = None
        self.connection.close()
        self._process.join()
        self._process.close()
        self._process = self._connection = None

    def _died(self) -> Outcome:
        assert self._process is not None
        assert self._plan is not None
        self._process.join()
        code = self._process.exitcode
        assert code is not None
        self._job = None
        self._end()
        said = _end_of(self._folder / "said")
        if any(line.startswith(PAST_ITS_TIME) for line in said):
            how = f"the world hangs: not over after {self._limit_s:g} s"
        elif code < 0:
            how = f"the world ended its process by {signal.Signals(-code).name}"
        else:
            how = f"the world ended its process with exit code {code}"
        return Outcome(
            plan=self._plan, tally=Tally(worlds=1), broken=[how], last_events=said
        )


def lived(
    jobs: Iterator[Job], folder: Path, *, lanes: int, limit_s: float
) -> Generator[Lived, None, None]:
    """Live worlds side by side; yield what came of each as it ends.

    A job is asked for when a lane is free, after all that ended before was yielded.
    Closing this early ends the processes.
    """
    crew = [Lane(folder / f"lane-{n}", limit_s=limit_s) for n in range(lanes)]
    try:
        busy: dict[Connection, Lane] = {}
        for lane in crew:
            _give_next(lane, jobs, busy)
        while busy:
            for ready in wait(list(busy)):
                assert isinstance(ready, Connection)
                over = busy[ready].hear()
                if over is not None:
                    lane = busy.pop(ready)
                    yield over
                    _give_next(lane, jobs, busy)
    finally:
        for lane in crew:
            lane.__exit__(None, None, None)


def _give_next(lane: Lane, jobs: Iterator[Job], busy: dict[Connection, Lane]) -> None:
    job = next(jobs, None)
    if job is not None:
        lane.give(job)
        busy[lane.connection] = lane


def _end_of(said: Path) -> list[str]:
    if not said.exists():
        return []
    text = said.read_bytes()[-READ_MAX_BYTES:].decode(errors="replace")
    return text.splitlines()[-LINES_MAX:]


# --- in the process of a lane ----------------------------------------------------------


def _work(connection: Connection, folder: Path, limit_s: float) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
    with (folder / "said").open("ab", buffering=0) as said:
        os.dup2(said.fileno(), 1)
        os.dup2(said.fileno(), 2)
        faulthandler.enable()
        while True:
            try:
                job = connection.recv()
            except EOFError:
                return
            os.ftruncate(said.fileno(), 0)
            # A thread in C, which needs no lock of the interpreter: it ends even a
            # world that hangs outside of Python.
            faulthandler.dump_traceback_later(limit_s, exit=True)
            _live(job, connection, folder)
            faulthandler.cancel_dump_traceback_later()


def _live(job: Job, connection: Connection, folder: Path) -> None:
    began_s = time.process_time()
    plan = job.undrawn()
    try:
        kind = kind_at(job.address)
        plan = job.drawn(kind)
        connection.send(plan)
        with TemporaryDirectory(dir=folder) as own:
            outcome = _placeless(kind.live(plan, Path(own)), own)
    except Exception as error:  # noqa: BLE001 - a fault of ours, told as a broken promise
        outcome = _raised(plan, error)
    connection.send((outcome, time.process_time() - began_s))


def _placeless(outcome: Outcome, own: str) -> Outcome:
    """Take the name of the folder out of what is told: it is another each time."""
    outcome.broken = [each.replace(own, FOLDER) for each in outcome.broken]
    outcome.last_events = [each.replace(own, FOLDER) for each in outcome.last_events]
    return outcome


def _raised(plan: Plan, error: Exception) -> Outcome:
    last = traceback.format_exception_only(error)[-1].strip()
    lines = "".join(traceback.format_exception(error)).splitlines()
    return Outcome(
        plan=plan,
        tally=Tally(worlds=1),
        broken=[f"the world raised {last}"],
        last_events=lines[-LINES_MAX:],
    )
