"""What the clauses of the conformance kit are made of."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Coroutine
from dataclasses import dataclass
from typing import Any, Final, Literal

from tidegate.errors import BackendError

# What the shell gives a backend to close before it leaves its threads behind.
CLOSE_LIMIT_S: Final = 2.0
# What a backend that is closed by then may take to act again, its old call still held.
# Only one that runs calls side by side can; any other waits, which is as good.
AGAIN_LIMIT_S: Final = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """A way in which the peer can fail, and the error that must come of it.

    ``provoke`` brings it about and ``mend`` ends it; ``during`` says which call meets
    it. For ``open`` it is provoked before, else between ``open`` and the call.
    """

    name: str
    during: Literal["open", "set", "get", "read"]
    error: type[BackendError]
    provoke: Callable[[], Awaitable[None]]
    mend: Callable[[], Awaitable[None]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stall:
    """A way to hold a call half-way: the peer took it and does not answer.

    ``reached`` returns once the peer has it.
    """

    begin: Callable[[], Awaitable[None]]
    reached: Callable[[], Awaitable[None]]
    end: Callable[[], Awaitable[None]]


def expect(holds: bool, otherwise: str) -> None:
    """Raise ``AssertionError`` with a sentence, unless it holds.

    Not an assert statement: those are gone under ``python -O``, and only a test
    framework makes them readable.
    """
    if not holds:
        raise AssertionError(otherwise)


async def expect_error(
    call: Awaitable[object], error: type[BackendError], *, when: str
) -> None:
    """Await a call that must fail with just this error, naming target and remedy."""
    try:
        await call
    except BackendError as raised:
        expect(
            type(raised) is error,
            f"{when}: {error.__name__} is due, {type(raised).__name__} came: {raised}",
        )
        expect(bool(raised.target), f"{when}: the error names no target")
        expect(bool(raised.remedy), f"{when}: the error has no remedy: {raised}")
    except Exception as raised:
        raise AssertionError(
            f"{when}: {type(raised).__name__} left the backend; only errors of "
            f"tidegate.errors may: {raised}"
        ) from raised
    else:
        raise AssertionError(f"{when}: {error.__name__} is due, nothing was raised")


async def no_error(call: Awaitable[object], *, when: str) -> None:
    """Await a call that must not raise."""
    try:
        await call
    except Exception as raised:
        raise AssertionError(f"{when}: {type(raised).__name__}: {raised}") from raised


async def cancelled(call: Coroutine[Any, Any, object], stall: Stall | None) -> None:
    """Begin a call and cancel it half-way; the cancellation must come through.

    Without a ``stall`` it is cancelled at its first suspension; a call that never
    suspends cannot be cancelled, and is over by then.
    """
    if stall is not None:
        await stall.begin()
    try:
        task = asyncio.ensure_future(call)
        if stall is None:
            await asyncio.sleep(0)
        else:
            await stall.reached()
            expect(not task.done(), "the call did not wait for its peer's answer")
        was_cancelled = task.cancel()
        await asyncio.wait([task])
        expect(
            task.cancelled() or not was_cancelled,
            "a cancelled call hid its cancellation",
        )
        if not task.cancelled():
            task.result()
    finally:
        if stall is not None:
            await stall.end()


async def closed_under_way(
    call: Coroutine[Any, Any, object],
    close: Callable[[], Awaitable[None]],
    stall: Stall | None,
    *,
    what: str,
    again: Callable[[], Coroutine[Any, Any, object]] | None = None,
) -> bool:
    """Begin a call and close its backend half-way; neither may hang or raise wildly.

    The closing may wait for the call, as that of a blocking library must. The call
    may yet be carried out, or end with an error of ``tidegate.errors``. ``again`` is
    begun once it is closed and the call still held; returns whether that was done.
    """
    is_done = False
    if stall is not None:
        await stall.begin()
    try:
        task = asyncio.ensure_future(call)
        if stall is None:
            await asyncio.sleep(0)
        else:
            await stall.reached()
            expect(not task.done(), f"the {what} did not wait for its peer's answer")
        closing = asyncio.ensure_future(close())
        await asyncio.wait({closing}, timeout=CLOSE_LIMIT_S)
        if again is not None and closing.done() and not task.done():
            is_done = await _done_soon(again())
    finally:
        if stall is not None:
            await stall.end()
    await no_error(closing, when=f"close during a {what}")
    await asyncio.wait({task})
    error = None if task.cancelled() else task.exception()
    expect(
        error is None or isinstance(error, BackendError),
        f"a {what} under way at close: {type(error).__name__} left the backend; only "
        f"errors of tidegate.errors may: {error}",
    )
    expect(not task.cancelled(), f"close cancelled the caller of a {what} under way")
    return is_done


async def _done_soon(call: Coroutine[Any, Any, object]) -> bool:
    """Return whether a call gets through while another is held; else it is dropped."""
    try:
        await asyncio.wait_for(call, AGAIN_LIMIT_S)
    except (BackendError, TimeoutError):
        return False
    return True


async def within(limit_s: float, clause: Awaitable[None], *, name: str) -> None:
    """Await a clause; one that hangs, or lets any error out, has failed."""
    try:
        async with asyncio.timeout(limit_s) as time:
            await clause
    except AssertionError as error:
        raise AssertionError(f"{name}: {error}") from error
    except Exception as error:
        if time.expired():
            raise AssertionError(f"{name}: not done within {limit_s:g} s") from error
        raise AssertionError(f"{name}: {type(error).__name__}: {error}") from error
