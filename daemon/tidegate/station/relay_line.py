"""The way to one relay: its lock, whether it is open, and calls past their limit.

A call that passes its limit is not cancelled, because nobody could say whether it
still acts. Its link is poisoned instead: closed for every station that shares it, so
that the call can reach nothing any more, opened again, and the command repeated.
What the late call did is found out by readback, or said again when it comes back.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any, Final, Protocol, TypeVar

from tidegate.contract import Relay, RelayFacts, SharedLink, Target
from tidegate.core.reading import Supply
from tidegate.errors import BackendError, Refused, Unavailable
from tidegate.host import HeldLock, Machine, StationHost, without_file
from tidegate.station.bounded import bounded, leave

T = TypeVar("T")

OPEN_LIMIT_S: Final = 5.0
CLOSE_LIMIT_S: Final = 2.0


class Around(Protocol):
    """Whoever has a relay: a station, or a commissioning run of one."""

    @property
    def log(self) -> Any:
        """The logger of ``tidegate.notice``."""

    def facts_changed(self) -> None:
        """Take in what the relay, once open, declares."""

    def link_was_poisoned(self) -> None:
        """Tell others on the link that it was closed under them."""

    def bug(self, part: str, error: Exception) -> None:
        """Say what no backend may raise."""


class RelayHost(StationHost):
    """The host of a relay, which remembers the links that it must be able to poison."""

    def __init__(
        self, station: str, machine: Machine, hint: Callable[[], None]
    ) -> None:
        super().__init__(station, machine, hint)
        self._keys: set[str] = set()

    async def share(
        self, key: str, opener: Callable[[], Awaitable[SharedLink[T]]]
    ) -> T:
        self._keys.add(key)
        return await super().share(key, opener)

    async def poison_links(self) -> None:
        """Close every link that this relay ever used, whoever else holds it."""
        for key in self._keys:
            await self.poison(key)


class RelayLine:
    """Opens and closes a relay and carries single calls to it, each bounded.

    Errors of every call: those of the relay; Unavailable past the limit. An error
    that no backend may raise is passed on as it is, the relay closed.
    """

    def __init__(
        self,
        station: Around,
        relay: Relay,
        target: Target,
        *,
        machine: Machine,
        host: RelayHost,
        late: Callable[[Supply], Awaitable[None]],
    ) -> None:
        self.relay = relay
        self.target = target
        self.is_open = False
        self._facts: RelayFacts | None = None
        # Odd while a call may move the contact, so that a reading taken across one
        # is not believed to be on either side of it.
        self.moves = 0
        self._station = station
        self._machine = machine
        self._host = host
        self._late = late
        self._lock: HeldLock | None = None
        self._is_stale = False
        self._hanging: set[asyncio.Task[None]] = set()
        self._watching: set[asyncio.Task[None]] = set()

    # --- open and closed --------------------------------------------------------------

    def take_lock(self) -> None:
        """Become the one master of the target. Errors: Busy, Unavailable."""
        if self._lock is None:
            self._lock = self._machine.locks.take(self.target)
            if self._lock.lacking:
                says = str(without_file(self._lock))
                self._station.log.warning("relay", note=says)

    async def ensure_open(self) -> None:
        """Open the relay unless it is open."""
        if self._is_stale:
            self._is_stale = False
            await self.shut()
        if self.is_open:
            return
        self.take_lock()
        disturbs = self.relay.facts.reopen_disturbs
        self.moves += disturbs
        try:
            await bounded(self.relay.open(), limit_s=OPEN_LIMIT_S)
        except TimeoutError as error:
            await self._leave_threads()
            await self.shut()
            raise Unavailable(
                "did not open in time", target=str(self.target)
            ) from error
        except Exception:
            # Whatever it is goes on to the caller; only the link is closed first.
            await self.shut()
            raise
        finally:
            self.moves += disturbs
        self.is_open = True
        self._facts = None
        self._learn()

    def _learn(self) -> None:
        """Pass on what the relay says of itself; a call may have taught it more."""
        for note in self.relay.take_notes():
            self._station.log.warning("relay", note=note)
        facts = self.relay.facts
        if facts != self._facts:
            self._facts = facts
            self._station.facts_changed()

    async def shut(self, limit_s: float = CLOSE_LIMIT_S) -> None:
        """Close the relay; bounded, and never an error of its own."""
        self.is_open = False
        try:
            await bounded(self.relay.close(), limit_s=limit_s)
        except TimeoutError:
            self._station.log.warning("the relay did not close in time")
            await self._leave_threads()
        except Exception as error:  # noqa: BLE001 - a backend's own bug: it
            # goes on, and the traceback is written once.
            self._station.bug("relay", error)

    async def _poison(self) -> None:
        self.is_open = False
        try:
            await bounded(self._host.poison_links(), limit_s=CLOSE_LIMIT_S)
        except TimeoutError:
            # The thread that would have to close the link is the one that hangs.
            await self._leave_threads()
        self._station.link_was_poisoned()
        await self.shut()

    async def cut(self) -> None:
        """Close the link under calls that were given up, if any are left."""
        if self._hanging:
            await self._poison()

    def go_stale(self) -> None:
        """Open anew before the next call: a neighbour poisoned the link."""
        self._is_stale = self.is_open

    async def _leave_threads(self) -> None:
        """Let a new thread do what waits behind a call that does not come back."""
        for call in self._hanging:
            call.cancel()
        await asyncio.sleep(0)
        self._host.replace_workers()

    def give_up(self) -> None:
        """Wait no longer for calls that did not come back: the daemon ends."""
        for task in self._watching:
            task.cancel()

    def unlock(self) -> None:
        """Give the lock back."""
        if self._lock is not None:
            self._lock.release()
            self._lock = None

    # --- calls ------------------------------------------------------------------------

    async def tell(self, supply: Supply, *, swapped: bool) -> None:
        """Command the supply; ``swapped`` says the opposite to the relay."""
        await self.ensure_open()
        if await self._attempt(supply, swapped=swapped):
            return
        await self._poison()
        await self.ensure_open()
        if await self._attempt(supply, swapped=swapped):
            return
        await self._poison()
        raise Unavailable("does not answer", target=str(self.target))

    async def ask(self) -> Supply | None:
        """Return what the relay reports, in its own terms."""
        return await self._brief(self.relay.get)

    async def refresh(self) -> None:
        """Refresh the relay's own timer."""
        await self._brief(self.relay.refresh)

    async def _brief(self, call: Callable[[], Awaitable[T]]) -> T:
        """Return what a call yields that moves nothing, so it may be cancelled."""

        async def made() -> T:
            return await call()

        await self.ensure_open()
        try:
            answer = await bounded(made(), limit_s=self._limit_s())
        except Refused:
            raise  # it is there and understood; opening it again would not help
        except TimeoutError as error:
            await self._poison()
            raise Unavailable("does not answer", target=str(self.target)) from error
        except Exception:
            # Whatever it is goes on to the caller; only the link is closed first.
            await self.shut()
            raise
        self._learn()
        return answer

    async def _attempt(self, supply: Supply, *, swapped: bool) -> bool:
        """Tell once; false when the call is past its limit and may still act."""
        told = supply.other if swapped else supply
        self.moves += 1
        call = asyncio.get_running_loop().create_task(self.relay.set(told))
        try:
            done, _ = await asyncio.wait({call}, timeout=self._limit_s())
        except asyncio.CancelledError:
            self._watch(call, supply)
            raise
        finally:
            self.moves += 1
        if not done:
            self._watch(call, supply)
            return False
        try:
            call.result()
        except Refused:
            raise
        except Exception:
            # Whatever it is goes on to the caller; only the link is closed first.
            await self.shut()
            raise
        self._learn()
        return True

    def _limit_s(self) -> float:
        return self.relay.facts.answers_within_s

    def _watch(self, call: asyncio.Task[None], supply: Supply) -> None:
        self._hanging.add(call)
        task = asyncio.get_running_loop().create_task(self._came_late(call, supply))
        self._watching.add(task)
        task.add_done_callback(self._watching.discard)

    async def _came_late(self, call: asyncio.Task[None], supply: Supply) -> None:
        try:
            await asyncio.wait({call})
        finally:
            self._hanging.discard(call)
            leave(call)
        if call.cancelled() or call.exception() is not None:
            return
        self.moves += 2
        self._station.log.warning("a relay call came back late", to=supply.value)
        await self._late(supply)


def kind_of(error: Exception) -> str:
    """Return the word for an error in the cycle log."""
    return (
        type(error).__name__.lower()
        if isinstance(error, BackendError)
        else "unforeseen"
    )
