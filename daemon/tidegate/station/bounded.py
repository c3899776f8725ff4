"""Limits that hold against work that does not let itself be cancelled, and work that
whoever cancels must wait for.
"""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from typing import Any, Final, TypeVar

T = TypeVar("T")

# What work may take to tidy up once it was told to end.
GRACE_S: Final = 0.5
# Work left behind, kept so that it is not collected half done.
_left: set[asyncio.Task[Any]] = set()


async def bounded(work: Coroutine[Any, Any, T], *, limit_s: float) -> T:
    """Return what the work yields; TimeoutError at its limit, whatever it does then.

    ``asyncio.timeout`` waits for ever for a backend that swallows its cancellation, or
    that tidies up by a call that hangs too; such work is left behind here.
    """
    task = asyncio.get_running_loop().create_task(work)
    try:
        await _ended(task, limit_s)
        if not task.done():
            task.cancel()
            await _ended(task, GRACE_S)
            leave(task)
            raise TimeoutError
    except asyncio.CancelledError:
        task.cancel()
        leave(task)
        raise
    return task.result()


async def _ended(task: asyncio.Task[Any], limit_s: float) -> None:
    """Wait for a task, at most so long; ``asyncio.wait`` for one, at half its cost."""
    loop = asyncio.get_running_loop()
    waiter: asyncio.Future[None] = loop.create_future()

    def wake(_: object = None) -> None:
        if not waiter.done():
            waiter.set_result(None)

    task.add_done_callback(wake)
    timer = loop.call_later(limit_s, wake)
    try:
        await waiter
    finally:
        timer.cancel()


async def to_its_end(work: Coroutine[Any, Any, T]) -> T:
    """Return what the work yields; whoever cancels waits for its end too."""
    task = asyncio.get_running_loop().create_task(work)
    cancelled: asyncio.CancelledError | None = None
    while not task.done():
        try:
            await asyncio.wait({task})
        except asyncio.CancelledError as error:
            cancelled = error
    if cancelled is not None:
        leave(task)
        raise cancelled
    return task.result()


def leave(task: asyncio.Task[Any]) -> None:
    """Let a task end by itself; what becomes of it interests nobody any more."""
    if task.done():
        _forget(task)
        return
    _left.add(task)
    task.add_done_callback(_forget)


def _forget(task: asyncio.Task[Any]) -> None:
    _left.discard(task)
    if not task.cancelled():
        task.exception()  # else asyncio complains that nobody asked
