"""Time that moves only when nothing is ready: a clock and an event loop.

The same stations, log and backends that run on a machine run here, a virtual week
in seconds. A virtual world has no descriptors, sockets or child processes: asking
the loop for one raises ``NotImplementedError``. A blocking job runs inline, at one
instant. Time is a whole number of milliseconds and never drifts; a timer of less
than a millisecond is rounded up to the next one.
"""

from __future__ import annotations

import asyncio
import math
import threading
from collections.abc import Callable, Coroutine
from typing import Any, TypeVar, TypeVarTuple

T = TypeVar("T")
Ts = TypeVarTuple("Ts")

# Monday, 2 March 2026, 06:00 UTC: an arbitrary round beginning for invented worlds.
EPOCH_WALL_MS = 1_772_431_200_000

# Seconds are floats inside asyncio. One microsecond is far above their error (at
# 10 million seconds 2e-9) and far below our millisecond.
_SLACK_S = 1e-6


class VirtualClock:
    """A ``tidegate.clock.Clock`` that is told what time it is.

    Three scales: *running* time drives timers and stands still in a suspend, as
    ``CLOCK_MONOTONIC`` does; *boot* time also counts suspend; *wall* time follows
    boot time until someone steps it.
    """

    def __init__(
        self,
        *,
        boot_ms: int = 0,
        wall_ms: int = EPOCH_WALL_MS,
        boot_id: str = "virtual-boot-1",
        synchronised: bool = True,
    ) -> None:
        self._running_ms = 0
        self._boot_offset_ms = boot_ms
        self._wall_offset_ms = wall_ms
        self._boot_id = boot_id
        self._synchronised = synchronised

    def running_ms(self) -> int:
        """Return the milliseconds this world has run, suspend left out."""
        return self._running_ms

    def boot_ms(self) -> int:
        return self._running_ms + self._boot_offset_ms

    def wall_ms(self) -> int:
        return self._running_ms + self._wall_offset_ms

    def boot_id(self) -> str:
        return self._boot_id

    def synchronised(self) -> bool:
        return self._synchronised

    def advance(self, by_ms: int) -> None:
        """Let time pass. The loop does this; worlds without a loop may."""
        assert by_ms >= 0, "time runs forward"
        self._running_ms += by_ms

    def step_wall(self, by_ms: int) -> None:
        """Set the wall clock forward or back; nothing else notices."""
        self._wall_offset_ms += by_ms

    def set_synchronised(self, *, synchronised: bool) -> None:
        """Say whether the wall clock was ever set from a reference."""
        self._synchronised = synchronised

    def suspend(self, for_ms: int) -> None:
        """Let the machine sleep: boot and wall time pass, timers do not notice."""
        assert for_ms >= 0, "time runs forward"
        self._boot_offset_ms += for_ms
        self._wall_offset_ms += for_ms

    def reboot(self, boot_id: str, *, down_ms: int = 0, boot_ms: int = 0) -> None:
        """Begin another boot after ``down_ms`` without power."""
        assert down_ms >= 0, "time runs forward"
        assert boot_id != self._boot_id, "another boot has another id"
        self._boot_id = boot_id
        self._wall_offset_ms += down_ms
        self._boot_offset_ms = boot_ms - self._running_ms


class _Timers:
    """Stands where a selector stands: instead of waiting it moves the clock."""

    def __init__(self, clock: VirtualClock) -> None:
        self._clock = clock

    def select(self, timeout: float | None) -> tuple[()]:
        if timeout is None:
            raise RuntimeError(
                "deadlock in virtual time: nothing is ready, no timer is set, and "
                "what the world waits for can never come"
            )
        if timeout > 0:
            self._clock.advance(math.ceil((timeout - _SLACK_S) * 1000))
        return ()

    def close(self) -> None:
        """Nothing to let go of."""


class VirtualLoop(asyncio.BaseEventLoop):
    """An event loop on a ``VirtualClock``; deterministic, in one thread."""

    def __init__(self, clock: VirtualClock) -> None:
        super().__init__()
        self.clock = clock
        self._selector = _Timers(clock)
        self._clock_resolution = _SLACK_S
        self._thread = threading.get_ident()

    def time(self) -> float:
        return self.clock.running_ms() / 1000

    def run_in_executor(
        self,
        executor: Any,
        func: Callable[[*Ts], T],
        *args: *Ts,
    ) -> asyncio.Future[T]:
        """Run the job now and return its finished future."""
        future: asyncio.Future[T] = self.create_future()
        try:
            future.set_result(func(*args))
        except Exception as error:  # noqa: BLE001 - handed to whoever awaits it
            future.set_exception(error)
        return future

    def _write_to_self(self) -> None:
        # Reached by call_soon_threadsafe only. A signal handler of this thread may
        # use it; another thread would make the order of events a matter of luck.
        if threading.get_ident() != self._thread:
            raise RuntimeError("a virtual world has one thread; use InlineWorker")

    def _process_events(self, event_list: Any) -> None:
        assert not event_list, "no descriptor, no event"


def run(main: Coroutine[Any, Any, T], *, clock: VirtualClock) -> T:
    """Run ``main`` to its end in virtual time and return its result.

    Raises ``RuntimeError`` when the world stands still with ``main`` unfinished.
    """
    with asyncio.Runner(loop_factory=lambda: VirtualLoop(clock)) as runner:
        return runner.run(main)
