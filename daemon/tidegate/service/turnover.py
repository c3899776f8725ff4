"""Stations out of the running daemon and in again, while the others go on.

For a commissioning run, and for settings that name another gauge or relay. Out means:
supply on, backends closed, lock given back, the state written down. It comes back as
it would after a stop of the whole daemon.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Iterable, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from tidegate.assembly import plan_of, wiring
from tidegate.errors import OrderRefused
from tidegate.settings import StationSettings
from tidegate.station.bounded import to_its_end
from tidegate.station.plan import Past, Plan

if TYPE_CHECKING:
    from tidegate.service.root import Service


@dataclass(slots=True, kw_only=True)
class Out:
    """A station that is out. What stands here when it comes back is what it gets.

    ``settings`` of ``None``: it does not come back. ``past`` is what it knew.
    """

    name: str
    why: str
    plan: Plan
    settings: StationSettings | None
    past: Past
    is_stopped: bool = False
    # Whether its relay did what the last on told it, as far as the relay says.
    was_told_on: bool = True
    # Told when a station on the same link closed it.
    link_is_gone: Callable[[], None] | None = None


class Turnover:
    """Takes stations of one service out and puts them in again, each by itself."""

    def __init__(self, service: Service) -> None:
        self._service = service
        self._out: dict[str, Out] = {}
        # Those that did not come back, as they were; a slow log knows it later.
        self._gone: dict[str, Out] = {}
        self._none_is_out = asyncio.Event()
        self._none_is_out.set()
        self._only_for: str | None = None

    @property
    def names(self) -> dict[str, str]:
        """The stations that are out, each with the reason in a word or two."""
        return {name: out.why for name, out in self._out.items()}

    def is_leaving(self, name: str) -> bool:
        """Whether the station is being stopped from here at this moment."""
        return name in self._out and not self._out[name].is_stopped

    @contextmanager
    def only_for(self, why: str) -> Iterator[None]:
        """Let nobody take a station out for anything else, as long as this lasts.

        Whoever did would bring it back with the settings of before.
        """
        self._only_for = why
        try:
            yield
        finally:
            self._only_for = None

    def link_is_gone(self, plan: Plan) -> None:
        """Tell those who have a station that is out that its link was closed."""
        for name, out in self._out.items():
            mine = out.plan.target
            if name == plan.name or mine is None or plan.target is None:
                continue
            if out.link_is_gone is not None and mine.link == plan.target.link:
                out.link_is_gone()

    def gone(self, name: str) -> Out | None:
        """Return how a station of this run was that went and did not come back."""
        return self._gone.get(name)

    async def all_in(self) -> None:
        """Wait until no station is out."""
        await self._none_is_out.wait()

    @asynccontextmanager
    async def out(self, name: str, *, why: str) -> AsyncIterator[Out]:
        """Stop a station, let the caller work with what it leaves, start it again.

        Once the daemon ends it is not started again; its supply is on then. A caller
        that is cancelled leaves no station half way.
        Errors: OrderRefused where there is no such station, it is out already, or it
        did not stop in good order.
        """
        self.claim((name,), why=why)
        try:
            yield await self.take_out(name)
        finally:
            await self.bring_back(name)

    # --- step by step, for whoever turns several over ---------------------------------

    def claim(self, names: Iterable[str], *, why: str) -> None:
        """Keep stations for what follows, all of them or none; they still run.

        Each must go through ``bring_back``, whatever happens.
        Errors: OrderRefused where one is not running, or is out already.
        """
        service = self._service
        claimed: dict[str, Out] = {}
        for name in names:
            if name in self._out:
                raise OrderRefused(
                    f"station {name} is out for {self._out[name].why}",
                    remedy="Wait until that is over",
                )
            station = service.stations.get(name)
            if station is None or service.is_ending:
                raise OrderRefused(f"no station {name} is running")
            if not station.was_started:
                raise OrderRefused(
                    f"station {name} is only just starting", remedy="Ask again in 5 s"
                )
            if self._only_for not in (None, why):
                raise OrderRefused(
                    f"station {name} cannot be taken out now, because of "
                    f"{self._only_for}",
                    remedy="Ask again in 10 s",
                )
            claimed[name] = Out(
                name=name,
                why=why,
                plan=station.plan,
                settings=service.settings.stations.get(name),
                past=Past(),
            )
        self._out.update(claimed)
        if claimed:
            self._none_is_out.clear()

    async def take_out(self, name: str) -> Out:
        """Stop a station that was claimed; to the end, even if the caller is cancelled.

        Errors: OrderRefused where it did not stop in good order; the daemon then ends.
        """
        return await to_its_end(self._stop(self._out[name]))

    async def _stop(self, out: Out) -> Out:
        service, name = self._service, out.name
        station = service.stations[name]
        try:
            await station.stop()
        except Exception as error:
            # It stays among the stations, so that the end stops it once more.
            _our_bug(f"station {name} did not stop in good order", error)
            raise OrderRefused(
                f"station {name} did not stop in good order, so the daemon ends",
                remedy="The messages hold the traceback; please report it",
            ) from error
        del service.stations[name]
        out.past = Past(state=station.state, same_boot=True, was_closed=True)
        out.was_told_on = station.state is None or not station.state.drive.on_failed
        out.is_stopped = True
        return out

    async def bring_back(self, name: str) -> None:
        """Start a claimed station again if it was stopped and may come back."""
        await to_its_end(self._start(self._out[name]))

    async def _start(self, out: Out) -> None:
        try:
            if out.is_stopped and out.settings is not None:
                await self.put_in(out.name, out.settings, out.past, before=out.plan)
        finally:
            del self._out[out.name]
            if out.is_stopped and out.settings is None:
                self._gone[out.name] = out
            if not self._out:
                self._none_is_out.set()

    async def put_in(
        self,
        name: str,
        settings: StationSettings,
        past: Past,
        *,
        before: Plan | None = None,
        turn: int = 0,
    ) -> None:
        """Start a station in the running daemon; ``before`` is what it was made of.

        Nothing happens once the daemon ends. What goes wrong on our side ends it: a
        station that nobody looks after would not be noticed.
        """
        if self._service.is_ending:
            return
        self._gone.pop(name, None)
        try:
            plan = replace(plan_of(name, settings), turn=turn)
            if before is not None:
                is_other = wiring(before.given) != wiring(plan.given)
                changed = past.relay_changed or is_other
                past = replace(past, relay_changed=changed)
                plan = replace(plan, turn=turn or before.turn)
            station = self._service.make_station(plan, past)
            self._service.stations[name] = station
            await station.start()
        except Exception as error:  # noqa: BLE001 - said by the handler, which ends us
            _our_bug(f"station {name} did not start", error)


def _our_bug(what: str, error: Exception) -> None:
    asyncio.get_running_loop().call_exception_handler(
        {"message": what, "exception": error}
    )
