"""Keeps a unit's timer set and fed, and knows whether the unit took it.

A register is read first and written only where it differs: many units keep their
registers in memory that wears, and one that restarted has lost them.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from tidegate.errors import Refused
from tidegate_backends.modbus.timer import Register, Timer
from tidegate_backends.wire import modbus as wire
from tidegate_backends.wire.modbus import Request


class Upkeep:
    """The timer of one relay. Errors of its calls: those of ``ask``.

    ``is_accepted``: the unit has it, and the relay may call it a dead-man timer. A
    timed off needs no setting up: there is no other off than the one with its time.
    """

    def __init__(
        self,
        timer: Timer,
        ask: Callable[[Request], Awaitable[int]],
        note: Callable[[str], None],
    ) -> None:
        self._timer = timer
        self._ask = ask
        self._note = note
        self._mute: set[int] = set()
        self.is_accepted = False
        self._is_declined = False

    def forget(self) -> None:
        """Forget what the unit has: the link is closed, and it may be another one."""
        self.is_accepted = self._is_declined = False
        self._mute.clear()

    async def arm(self) -> None:
        """Set the timer unless that is done, or the unit said no."""
        if self.is_accepted or self._is_declined:
            return
        for each in self._timer.registers:
            if not await self._stands(each) and not await self._set(each):
                self._is_declined = True
                return
        self.is_accepted = True

    async def before_off(self) -> None:
        """Make ready for an off: a timer that ran out while on would undo it."""
        await self.arm()
        await self._show_alive()

    async def feed(self, read: Request | None) -> None:
        """Show the unit that we are there, and see that it still has its timer.

        ``read`` is traffic for a unit whose registers cannot be read.
        """
        await self._show_alive()
        readable = [e for e in self._timer.registers if e.address not in self._mute]
        for each in readable:
            if not await self._stands(each):
                self._note("the unit had lost its timer; it was set again")
                self.is_accepted = False
                await self.arm()
                return
        if self._timer.alive is None and not readable:
            time = self._timer.registers[-1]
            await self._ask(read or wire.write_register(time.address, time.value))

    async def _show_alive(self) -> None:
        alive = self._timer.alive
        if alive is not None:
            await self._ask(wire.write_register(alive.address, alive.value))

    async def _stands(self, wanted: Register) -> bool:
        """Return whether the register holds this, as far as can be seen."""
        if wanted.address in self._mute:
            return False
        try:
            found = await self._ask(wire.read_register(wanted.address))
        except Refused:
            self._mute.add(wanted.address)
            return False
        return found == wanted.value

    async def _set(self, wanted: Register) -> bool:
        """Write the register; return whether the unit took it."""
        place = f"register {wanted.address}"
        try:
            await self._ask(wire.write_register(wanted.address, wanted.value))
        except Refused as error:
            self._note(f"the unit does not take its timer, {place}: {error.what}")
            return False
        if wanted.address in self._mute:
            self._note(f"{place} of the timer cannot be read back; `prove` tests it")
            return True
        if await self._stands(wanted):
            return True
        self._note(f"the unit does not keep its timer, {place} holds another value")
        return False
