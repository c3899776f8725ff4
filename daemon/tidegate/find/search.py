"""One survey under way, in a thread and an event loop of its own."""

from __future__ import annotations

import asyncio
import queue
import threading
import time
import tomllib
from collections.abc import Mapping
from contextlib import aclosing, nullcontext
from dataclasses import dataclass, field, replace
from typing import Any

from pydantic import ValidationError

from tidegate.clock import SystemClock
from tidegate.contract import Backend, Found
from tidegate.errors import TidegateError
from tidegate.find.outcome import Role, Source, State, Thing, shown, told
from tidegate.host import Machine
from tidegate.registry import Kinds


@dataclass(eq=False, slots=True)
class Search:
    """One survey; what it found until it ends or is given up counts."""

    source: Source
    backend: Backend[Any]
    roles: Mapping[str, Kinds[Any]]
    probe: str | None = None
    _found: list[Found] = field(default_factory=list)
    _error: BaseException | None = None
    _began_s: float = 0.0
    _took_s: float | None = None
    _is_cut: bool = False
    _loop: asyncio.AbstractEventLoop | None = None
    _task: asyncio.Task[None] | None = None

    def again(self, probe: str) -> Search:
        """Return the same search, which also opens and asks what ``probe`` names."""
        return Search(self.source, self.backend, self.roles, probe)

    def start(self, ended: queue.SimpleQueue[Search]) -> None:
        """Begin; puts itself into the queue when it has ended by itself."""
        self._began_s = time.monotonic()
        name = f"tidegate find {self.source.role} {self.source.kind}"
        threading.Thread(
            target=self._run, args=(ended,), name=name, daemon=True
        ).start()

    def cut(self) -> None:
        """Give it up; what it found until now counts."""
        self._is_cut = True
        if self._loop is not None and self._task is not None:
            try:
                self._loop.call_soon_threadsafe(self._task.cancel)
            except RuntimeError:
                return  # it ended this very moment

    def result(self, limit_s: float) -> Source:
        """Return how it went, so far."""
        took_s = self._took_s
        if took_s is None:
            took_s = time.monotonic() - self._began_s
        source = replace(self.source, took_s=round(took_s, 3))
        things, error = self._things()
        if error is not None:
            source = told(source, error)
        elif self._is_cut:
            source = replace(
                source,
                state=State.CUT,
                why=f"given up after {limit_s:g} s; what it found until then counts",
                remedy="Look again with a longer --limit",
            )
        return replace(source, things=things)

    def _things(self) -> tuple[tuple[Thing, ...], BaseException | None]:
        """Return what can be shown, and the error that stopped it or spoils one."""
        error = self._error
        things = []
        for found in tuple(self._found):
            try:
                things.append(self._thing(found))
            except (TypeError, ValueError, TidegateError) as spoilt:
                error = error or spoilt
        return tuple(things), error

    def _thing(self, found: Found) -> Thing:
        """Return what was found under the kind that it is for.

        Raises TypeError or ValueError unless its line to paste would load.
        """
        if not isinstance(found, Found):
            raise TypeError(f"it yields {type(found).__name__}, not Found")
        role, backend = self.source.role, self.backend
        if found.table is not None and found.table.get("kind") != backend.kind:
            role, backend = self._offered(found.table.get("kind"))
        thing = Thing(role=role, kind=backend.kind, found=_readable(found))
        if (line := thing.line) is None:
            return thing
        try:
            backend.settings.model_validate(tomllib.loads(line)[role])
        except ValidationError as error:
            raise ValueError(f"{line} does not load: {error}") from error
        return thing

    def _offered(self, kind: object) -> tuple[Role, Backend[Any]]:
        """Return a kind that is not the survey's own: one scan may serve several."""
        mine = self.roles[self.source.role]
        for kinds in (mine, *self.roles.values()):
            if isinstance(kind, str) and kind in kinds.known():
                return kinds.role, kinds.find(kind)
        raise ValueError(f"it offers the kind {kind!r}, which there is not")

    # What follows runs in the thread.

    def _run(self, ended: queue.SimpleQueue[Search]) -> None:
        try:
            asyncio.run(self._walk())
        except asyncio.CancelledError:
            pass  # given up, as it was told
        except (Exception, SystemExit) as error:  # noqa: BLE001 - told as one line
            self._error = error
        self._took_s = time.monotonic() - self._began_s
        ended.put(self)

    async def _walk(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._task = asyncio.current_task()
        assert self.backend.survey is not None
        machine = Machine(SystemClock())
        host = machine.host("find", hint=lambda: None)
        try:
            walk: Any = self.backend.survey(host, self.probe)
            closes = hasattr(walk, "aclose")  # an iterator need not be a generator
            async with aclosing(walk) if closes else nullcontext():
                async for found in walk:
                    if self._is_cut:
                        break  # too late: it is told already what counts
                    self._found.append(found)
        finally:
            await host.close()
            machine.workers.close()


def _readable(found: Found) -> Found:
    """Return what was found in texts that can be shown; its table escapes its own."""
    return replace(
        found,
        what=shown(found.what),
        where=shown(found.where),
        why_not=shown(found.why_not),
        remedy=shown(found.remedy),
    )
