"""One radio of this machine: one call at a time, and none without an end.

Two connections at once make BlueZ say "in progress", and bleak then asks again every
10 ms without an end (3.1, reads and writes) or waits for something that may not come
(connecting). So every call has a limit, and a call past it is cancelled: its device is
disconnected, which also takes back what was asked of it. bleak tidies up without a
limit of its own, so what does not end within ``TIDY_S`` is cancelled once more.

A caller has its answer as soon as there is one; the device is let go after that, and
only then has the next call its turn.
"""

from __future__ import annotations

import asyncio
from collections import defaultdict
from collections.abc import Callable, Coroutine, Mapping
from typing import Any, Final, Generic, TypeVar
from weakref import WeakKeyDictionary

from tidegate.contract import Host, SharedLink
from tidegate.errors import Unavailable
from tidegate_backends.bluetooth import bluez, failures

T = TypeVar("T")

# BlueZ waits 2 s before it disconnects (DISCONNECT_TIMER of its src/device.c, from
# memory), and the link takes a little.
TIDY_S: Final = 4.0
# The shell waits 2 s for a relay to close, of which a call under way may have this; the
# rest goes on behind its back.
_RETIRED_WITHIN_S: Final = 1.4
# A device whose answer is there is only let go, which BlueZ was told already; whoever
# restores a supply and ends has no time to see that through.
_LET_GO_WITHIN_S: Final = 0.2

# An adapter's turns hold for whoever shares it, before and after a link is poisoned.
_turns: WeakKeyDictionary[asyncio.AbstractEventLoop, defaultdict[str, asyncio.Lock]] = (
    WeakKeyDictionary()
)


class Call(Generic[T]):
    """One call: how far it came, for the sentence that says where it stopped, and
    its answer.
    """

    def __init__(self) -> None:
        self.doing = "begin"
        self.answered: asyncio.Future[T] = asyncio.get_running_loop().create_future()

    def answer(self, value: T) -> None:
        """Give the caller its answer; what follows is tidying up."""
        if not self.answered.done():
            self.answered.set_result(value)


Work = Callable[[Call[T]], Coroutine[Any, Any, None]]


class Radio:
    """The turns of one adapter, shared by all stations that use it."""

    def __init__(self, adapter: str) -> None:
        locks = _turns.setdefault(asyncio.get_running_loop(), defaultdict(asyncio.Lock))
        self._turn = locks[adapter]
        self._calls: dict[asyncio.Task[None], Call[Any]] = {}
        self.retired = False

    async def carry(self, work: Work[T], *, limit_s: float, target: str) -> T:
        """Return what the work answers, when its turn has come.

        Errors: those of ``work``; Unavailable past the limit or when given up.
        """
        await self._my_turn(limit_s, target)
        call: Call[T] = Call()
        task = asyncio.get_running_loop().create_task(work(call))
        self._calls[task] = call
        task.add_done_callback(self._ended)
        awaited: set[asyncio.Future[Any]] = {task, call.answered}
        try:
            await asyncio.wait(
                awaited,
                timeout=limit_s,
                return_when=asyncio.FIRST_COMPLETED,
            )
        finally:
            # Reached too when the caller is cancelled while the work is under way.
            if not call.answered.done():
                _end(task)
        if call.answered.done():
            return call.answered.result()
        if not task.done():
            raise failures.out_of_reach(target, call.doing, limit_s)
        if task.cancelled():
            raise _given_up(target)
        task.result()
        raise AssertionError("a call ended without an answer and without an error")

    async def retire(self) -> None:
        """End the call under way, and let none begin any more."""
        self.retired = True
        if under_way := _end_unanswered(self._calls):
            await asyncio.wait(under_way, timeout=_RETIRED_WITHIN_S)
        if self._calls:
            await asyncio.wait(self._calls, timeout=_LET_GO_WITHIN_S)

    async def _my_turn(self, limit_s: float, target: str) -> None:
        try:
            # As long as a device that hangs has its turn, with letting it go.
            async with asyncio.timeout(limit_s + TIDY_S):
                await self._turn.acquire()
        except TimeoutError as error:
            raise Unavailable(
                "the adapter was busy with other devices all the time",
                target=target,
                remedy="Devices that are away use their limit up: look for them first; "
                "or poll less often, or use a second adapter.",
            ) from error
        if self.retired:
            self._turn.release()
            raise _given_up(target)

    def _ended(self, task: asyncio.Task[None]) -> None:
        self._calls.pop(task, None)
        self._turn.release()
        if not task.cancelled():
            task.exception()  # asyncio complains if nobody asks


def _end(task: asyncio.Task[Any]) -> None:
    """Cancel a call, and once more if its tidying up hangs."""
    if not task.done():
        task.cancel()
        again = asyncio.get_running_loop().call_later(TIDY_S, task.cancel)
        task.add_done_callback(lambda _: again.cancel())


def _end_unanswered(
    calls: Mapping[asyncio.Task[Any], Call[Any]],
) -> list[asyncio.Task[Any]]:
    """Cancel the calls that have no answer yet, and return them."""
    found = [task for task, call in calls.items() if not call.answered.done()]
    for task in found:
        _end(task)
    return found


def _given_up(target: str) -> Unavailable:
    return Unavailable(
        "the call was given up", target=target, remedy="It is tried again."
    )


class Access:
    """A station's way to the radio that its device is on."""

    def __init__(
        self, host: Host, *, adapter: str | None, address: str, limit_s: float
    ) -> None:
        self.target = f"ble:{address}"
        self.address = address
        self.adapter = adapter
        self._host = host
        self._limit_s = limit_s
        self._on = self._moves_to = ""
        self._radio: Radio | None = None
        self._held: list[str] = []
        self._calls: dict[asyncio.Task[Any], Call[Any]] = {}
        self._times_closed = 0

    @property
    def answers_within_s(self) -> float:
        """A little more than a call may take, and the wait for its turn before it."""
        return 2 * self._limit_s + TIDY_S + 1.0

    async def open(self, *, bonded: bool) -> None:
        """Look whether radio and bond are there; nothing is sent by radio.

        Errors: Unavailable, Unsupported, Refused.
        """
        if self._radio is not None:
            return
        _check_library(self.target)
        adapter = await bluez.look(
            self.adapter, target=self.target, address=self.address
        )
        if bonded:
            self.check_bond(adapter)
        self._moves_to = adapter.name
        await self._take(None)

    async def close(self) -> None:
        """End this station's calls and give the radio back."""
        self._radio = None
        self._times_closed += 1
        _end_unanswered(self._calls)
        await self._give_back()

    async def _give_back(self) -> None:
        while self._held:
            await self._host.release(self._held.pop())

    async def _take(self, instead_of: Radio | None) -> None:
        """Share the radio of the adapter to use now, unless closed meanwhile."""
        times_closed = self._times_closed
        await self._give_back()
        on = self._moves_to
        key = f"bluetooth:{on}"
        radio = await self._host.share(key, lambda: _new_radio(on))
        if self._radio is not instead_of or self._times_closed != times_closed:
            await self._host.release(key)  # closed, or taken by another call
            return
        self._radio, self._on = radio, on
        self._held.append(key)

    def check_adapter(self, adapter: bluez.Adapter) -> None:
        """Raise Unavailable where another adapter took the place of ours.

        It has turns of its own, which the next call takes.
        """
        if adapter.name != self._on:
            self._moves_to = adapter.name
            raise Unavailable(
                f"the adapter in use was {self._on} and is {adapter.name} now",
                target=self.target,
                remedy="The next call uses it; name one with `adapter` to stay with it.",
            )

    def check_bond(self, adapter: bluez.Adapter) -> None:
        """Raise Refused for a device that is not bonded with this machine."""
        device = adapter.device(self.address)
        if device is None or not device.bonded:
            raise failures.not_bonded(
                self.target, self.address, known=device is not None
            )

    def check_open(self) -> Radio:
        """Return the radio. Errors: Unavailable while not open."""
        if self._radio is None:
            raise Unavailable("not open", target=self.target, remedy="Open it first.")
        return self._radio

    async def carry(self, work: Work[T]) -> T:
        """Return what the work yields. Errors: those of ``work``; Unavailable."""
        radio = self.check_open()
        if radio.retired or self._moves_to != self._on:
            # Somebody who shares it gave it up; there is nothing in it to mend.
            await self._take(radio)
            radio = self.check_open()
        times_closed = self._times_closed

        async def mine(call: Call[T]) -> None:
            task = asyncio.current_task()
            assert task is not None
            if self._times_closed != times_closed:
                raise _given_up(self.target)  # closed while it waited for its turn
            self._calls[task] = call
            try:
                await work(call)
            finally:
                del self._calls[task]

        return await radio.carry(mine, limit_s=self._limit_s, target=self.target)


async def _new_radio(adapter: str) -> SharedLink[Radio]:
    radio = Radio(adapter)
    return SharedLink(radio, radio.retire)


def _check_library(target: str) -> None:
    try:
        import bleak  # noqa: F401 - only whether it is there
    except ImportError as error:
        raise failures.no_library(target) from error
