"""What a bench is made of: an entry for a backend, and plain calls as faults."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Awaitable, Callable, Mapping
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tidegate.errors import BackendError
from tidegate.testing import Fault, GaugeBench, RelayBench, Stall

AnyBench = RelayBench | GaugeBench
MakeBench = Callable[[Path], AbstractAsyncContextManager[AnyBench]]


@dataclass(frozen=True, kw_only=True)
class Entry:
    """A table as an operator writes it, and the benches that the clauses run on."""

    table: Mapping[str, Any]
    benches: Mapping[str, MakeBench]


def fault(
    name: str,
    during: Any,
    error: type[BackendError],
    provoke: Callable[[], object],
    mend: Callable[[], object],
) -> Fault:
    """A fault whose beginning and end are plain calls."""
    return Fault(
        name=name,
        during=during,
        error=error,
        provoke=awaitable(provoke),
        mend=awaitable(mend),
    )


def awaitable(call: Callable[[], object]) -> Callable[[], Awaitable[None]]:
    async def awaited() -> None:
        call()

    return awaited


class Pipe:
    """A pipe in the place of a file: who reads it hangs until it is put back."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._kept = path.with_name(path.name + ".kept")
        self._writer: int | None = None

    def stall(self) -> Stall:
        return Stall(
            begin=awaitable(self._begin),
            reached=self._reached,
            end=awaitable(self._end),
        )

    def _begin(self) -> None:
        self._path.rename(self._kept)
        os.mkfifo(self._path)

    async def _reached(self) -> None:
        # Opening for writing returns when somebody has opened for reading.
        self._writer = await asyncio.to_thread(os.open, self._path, os.O_WRONLY)

    def _end(self) -> None:
        # Lets go of our own opening, should nobody have come to read.
        os.close(os.open(self._path, os.O_RDONLY | os.O_NONBLOCK))
        self._kept.rename(self._path)
        if self._writer is not None:
            os.close(self._writer)
            self._writer = None
