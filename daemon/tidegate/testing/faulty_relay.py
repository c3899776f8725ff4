"""A relay that misbehaves on order, around any real one."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass, field
from typing import TypeVar

from tidegate.contract import Readback, Relay, RelayFacts
from tidegate.core.reading import Supply
from tidegate.errors import BackendError, Unavailable
from tidegate.testing.faulty_gauge import SOUND, Absent, Break, Sound
from tidegate.testing.script import Script

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Dead:
    """Fails, as a relay does that was unplugged."""

    error: type[BackendError] = Unavailable


@dataclass(frozen=True, slots=True)
class Stuck:
    """Takes orders, and the contact does not move.

    Its latch follows the order all the same; a sensed contact (readback grade 3)
    does not.
    """


@dataclass(frozen=True, slots=True)
class Slow:
    """Carries an order out only when ``released``; ``reached`` tells that it hangs.

    A call that is given up meanwhile is never carried out.
    """

    released: asyncio.Event = field(default_factory=asyncio.Event)
    reached: asyncio.Event = field(default_factory=asyncio.Event)


@dataclass(frozen=True, slots=True)
class Reversed:
    """Wired the wrong way round: does the opposite of what it reads back.

    The wires are crossed behind the contact, so one that senses its contact does not
    know either.
    """


@dataclass(frozen=True, slots=True)
class Bounce:
    """The contact moves as ordered and back so many times before it stays.

    Each move is one of the relay inside, also for an order that changes nothing.
    """

    times: int

    def __post_init__(self) -> None:
        assert self.times > 0, "a bounce of no times"


@dataclass(frozen=True, slots=True)
class Late:
    """Carries an order out so much later, even if the caller gave up meanwhile.

    So does a link that buffers. Closing the relay empties it, and so does a
    brown-out: whoever still waits is told so with ``Unavailable``.
    """

    seconds: float


@dataclass(frozen=True, slots=True)
class Unheard:
    """Does as ordered, and its answer is lost on the way: the call fails."""

    error: type[BackendError] = Unavailable


RelayMood = (
    Sound | Dead | Absent | Stuck | Slow | Reversed | Bounce | Late | Break | Unheard
)


class FaultyRelay(Relay):
    """A relay with a script of faults; the n-th set meets the n-th mood.

    Between two sets the mood of the last one holds, for get and refresh too.
    ``order`` puts every later call into one mood. ``orders`` lists what was asked for.
    ``moved_by_a_stranger`` and ``browned_out`` happen without any order.
    """

    def __init__(self, inner: Relay, script: Iterable[tuple[int, RelayMood]] = ()):
        self._inner = inner
        self._script: Script[RelayMood] = Script(script, sound=SOUND)
        # What it reports in place of the relay inside, which knows better.
        self._report: tuple[Supply | None] | None = None
        self._late: set[asyncio.Task[None]] = set()
        self._is_open = False
        # The relay inside is asked one thing at a time; each opening has its own turn.
        self._turn = asyncio.Lock()
        self.orders: list[Supply] = []

    @property
    def facts(self) -> RelayFacts:
        return self._inner.facts

    def order(self, mood: RelayMood) -> None:
        """Put every later call into this mood; the rest of the script is void."""
        self._script.order(mood)

    async def open(self) -> None:
        mood = self._script.mood
        if isinstance(mood, Absent):
            raise _dead(mood.error)
        await self._inner.open()
        self._is_open = True
        if isinstance(mood, Reversed) and self._report is None:
            # It was wired so before, and the board knows only of its own contact.
            told = await self._in_turn(self._inner.get)
            self._report = None if told is None else (told.other,)

    async def close(self) -> None:
        self._is_open = False
        self._turn = asyncio.Lock()
        try:
            await self._forget_the_late()
        finally:
            await self._inner.close()

    async def set(self, supply: Supply) -> None:
        self.orders.append(supply)
        moves: tuple[Supply, ...] = (supply,)
        match self._script.next():
            case Dead(error) | Absent(error):
                raise _dead(error)
            case Break(error):
                raise error.with_traceback(None)
            case Stuck():
                self._report = (supply,)
                return
            case Slow(released, reached):
                reached.set()
                await released.wait()
            case Reversed():
                await self._move(supply.other)
                self._report = (supply,)
                return
            case Bounce(times):
                moves = (supply, supply.other) * times + moves
            case Late(seconds):
                await self._set_late(supply, seconds)
                return
            case Unheard(error):
                await self._move_unheard(supply)
                raise _unheard(error)
        await self._move(*moves)
        self._report = None

    async def get(self) -> Supply | None:
        self._raise_if_mute()
        told = await self._told()
        if isinstance(self._script.mood, Unheard):
            raise _unheard(self._script.mood.error)
        return told

    async def refresh(self) -> None:
        self._raise_if_mute()
        await self._in_turn(self._inner.refresh)
        if isinstance(self._script.mood, Unheard):
            raise _unheard(self._script.mood.error)

    def take_notes(self) -> list[str]:
        return self._inner.take_notes()

    async def moved_by_a_stranger(self, supply: Supply) -> None:
        """Move the contact as somebody does who uses the same relay.

        No order of ours: a latch and a sensed contact tell it, an echo does not. Not
        even a stuck contact resists. Errors: Unavailable, where it is not open.
        """
        self._expect_open()
        await self._move_unheard(supply)

    async def browned_out(self, rest: Supply) -> None:
        """Let the relay lose its power for a moment: the contact falls to ``rest``.

        What it was told is forgotten: an order that is late never comes, a latch is
        at rest, an echo is none. A stuck contact stays. Errors: Unavailable, where it
        is not open.
        """
        self._expect_open()
        await self._forget_the_late()
        if isinstance(self._script.mood, Stuck):
            self._report = (rest,)
        else:
            await self._move(rest)
            self._report = self._misled_by(rest)
        if self.facts.readback is Readback.ECHO:
            self._report = (None,)

    # ---- what it reports

    def _raise_if_mute(self) -> None:
        match self._script.mood:
            case Dead(error) | Absent(error):
                raise _dead(error)
            case Break(error):
                raise error.with_traceback(None)

    async def _told(self) -> Supply | None:
        """Return what it reports when it is asked."""
        told = await self._in_turn(self._inner.get)
        if self._report is None:
            return told
        misled = {Readback.ECHO, Readback.LATCH}
        if isinstance(self._script.mood, Reversed):
            misled.add(Readback.SENSED)
        return self._report[0] if self.facts.readback in misled else told

    def _misled_by(self, supply: Supply) -> tuple[Supply] | None:
        """Return what a board that is wired the wrong way round says of a supply."""
        return (supply.other,) if isinstance(self._script.mood, Reversed) else None

    # ---- moving the contact

    async def _move(self, *supplies: Supply) -> None:
        """Have the relay inside set these, one after the other."""

        async def move() -> None:
            for supply in supplies:
                await self._inner.set(supply)

        await self._in_turn(move)

    async def _move_unheard(self, supply: Supply) -> None:
        """Move the contact without an answer that an echo could be made of."""
        is_echo = self.facts.readback is Readback.ECHO
        before = await self._told() if is_echo else None
        await self._move(supply)
        self._report = (before,) if is_echo else self._misled_by(supply)

    async def _set_late(self, supply: Supply, seconds: float) -> None:
        """Order now, and wait until it is carried out; giving up changes nothing."""

        async def deliver() -> None:
            await asyncio.sleep(seconds)
            await self._move(supply)
            self._report = None

        task = asyncio.create_task(deliver())
        self._late.add(task)
        task.add_done_callback(self._end_late)
        await asyncio.wait({task})
        if task.cancelled():
            raise _unavailable("the relay forgot an order that was late")
        task.result()

    def _end_late(self, task: asyncio.Task[None]) -> None:
        self._late.discard(task)
        if not task.cancelled():
            task.exception()  # read, for whoever gave up; a caller who waits has it

    async def _forget_the_late(self) -> None:
        """Let no order that is still under way reach the relay inside."""
        late = set(self._late)
        for task in late:
            task.cancel()
        if late:
            await asyncio.wait(late)

    async def _in_turn(self, call: Callable[[], Awaitable[T]]) -> T:
        """Ask the relay inside, after whatever it is asked already."""
        turn = self._turn
        async with turn:
            if turn is not self._turn:
                raise _unavailable("the relay was closed meanwhile")
            return await call()

    def _expect_open(self) -> None:
        if not self._is_open:
            raise _unavailable("the relay is not open")


def _dead(error: type[BackendError]) -> BackendError:
    return error("the relay is dead by order", target="faulty relay", remedy="None.")


def _unheard(error: type[BackendError]) -> BackendError:
    return error("the answer is lost by order", target="faulty relay", remedy="None.")


def _unavailable(what: str) -> Unavailable:
    return Unavailable(what, target="faulty relay", remedy="Open it.")
