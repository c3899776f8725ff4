"""The commissioning run of one station while the daemon goes on with the others.

Imported only once somebody orders one: a daemon that nobody asks does not carry it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from tidegate.errors import OrderRefused
from tidegate.prove import Commissioning, Order, Result, Within
from tidegate.prove.timer import Ask
from tidegate.service.turnover import Out
from tidegate.station.shell import Station

if TYPE_CHECKING:
    from tidegate.service.root import Service

OUT_FOR: Final = "commissioning"
STOPPED: Final = "the daemon was stopped"


class Run:
    """One commissioning run of a station of this service.

    ``say`` takes lines for a person, ``ask`` puts a question to one.
    """

    def __init__(
        self,
        service: Service,
        station: Station,
        order: Order,
        *,
        say: Callable[[str], None],
        ask: Ask,
    ) -> None:
        self._service = service
        self._station = station
        self._order = order
        self._plan = station.plan
        self._within = Within(
            station.name,
            writer=service.writer,
            busy=self._busy,
            poisoned=self._poisoned,
        )
        self._commissioning = Commissioning(
            service.settings,
            station.plan,
            order,
            machine=service.machine,
            say=say,
            ask=ask,
            within=self._within,
        )

    def end(self, why: str) -> None:
        """End it early; the supply goes on first."""
        self._commissioning.end(why)

    async def run(self, told: Callable[[Result], None]) -> Result:
        """Take the station out, prove it, and let the daemon look after it again.

        ``told`` gets the result as soon as there is one. The end of the daemon ends the
        run; to the end of that the supply is on, even if the caller is cancelled.
        Errors: OrderRefused where another station is in such a run, or this one cannot
        be taken out; Busy, LogError as ``Commissioning.run``.
        """
        refused = self._commissioning.refusal()
        if refused is not None:
            told(refused)
            return refused
        self._check_alone()
        station, order = self._station, self._order
        async with self._service.turnover.out(station.name, why=OUT_FOR) as out:
            station.log.info("commissioning", by=order.by, peer=order.peer)
            result = await self._proven(out)
            station.log.info("commissioning over", verdict=result.verdict.value)
            told(result)
        return result

    def _check_alone(self) -> None:
        """Of two runs in step each would pass with the contacts exchanged."""
        for name, why in self._service.turnover.names.items():
            if why == OUT_FOR and name != self._station.name:
                raise OrderRefused(
                    f"station {name} is out for {OUT_FOR}, and two runs at once could "
                    "not tell whose relay moves whose supply",
                    remedy="Wait until that is over",
                )

    async def _proven(self, out: Out) -> Result:
        service = self._service
        if service.is_ending:
            raise OrderRefused("the daemon is stopping; the supply goes on everywhere")
        self._within.knows(out.past.state)
        out.link_is_gone = self._commissioning.link_is_gone
        stopping = asyncio.get_running_loop().create_task(self._end_with_daemon())
        try:
            return await self._commissioning.run()
        finally:
            stopping.cancel()
            out.link_is_gone = None
            out.past = replace(out.past, state=self._within.state)

    async def _end_with_daemon(self) -> None:
        await self._service.ended()
        self._commissioning.end(STOPPED, in_haste=True)

    def _busy(self) -> None:
        """A call on a shared link clouds what the others on it observe."""
        # Those that stop with the daemon have written their last state by then.
        if not self._service.is_ending:
            self._service.link_is_busy(self._plan)

    def _poisoned(self) -> None:
        self._service.link_is_gone(self._plan)
