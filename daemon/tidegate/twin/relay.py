"""The twin's relay: a contact in the supply of the simulated device."""

from __future__ import annotations

import os
from typing import Literal

from pydantic import Field, NonNegativeFloat, PositiveFloat

from tidegate.contract import (
    Backend,
    Contact,
    Host,
    Readback,
    Relay,
    RelayFacts,
    RelaySettings,
    Target,
    energised,
    supply_of,
)
from tidegate.core.reading import Supply
from tidegate.errors import Unavailable
from tidegate.twin.bench import Bench, key, opener


class TwinRelaySettings(RelaySettings):
    """The relay of a twin.

    ``device`` names the twin, by default the station. ``wired`` is how the contact
    really sits in the supply, by default as ``contact`` says. ``dead_man_s`` gives
    the relay a timer of its own that returns the supply to on.
    """

    kind: Literal["twin"] = "twin"
    device: str | None = Field(default=None, min_length=1)
    channel: int = Field(default=1, ge=1)
    readback: Readback = Readback.LATCH
    wired: Contact | None = None
    latency_s: NonNegativeFloat = 0.05
    dead_man_s: PositiveFloat | None = None

    def target(self) -> Target:
        # A twin lives in the memory of one process, so another process with a twin of
        # the same name holds another relay and must not be told that ours is busy.
        # A station's name is not known here: two stations that both leave
        # ``device`` out look like one target, so name the device then.
        return Target(f"{key(self.device or '')}@{os.getpid()}", str(self.channel))


class TwinRelay(Relay):
    """One contact. Errors: Unavailable, when the twin's events say so.

    What it reports is its latch; only readback grade 3 looks at the contact itself.
    """

    def __init__(self, settings: TwinRelaySettings, host: Host) -> None:
        self._settings, self._host = settings, host
        self._key = key(settings.device or host.station)
        self._bench: Bench | None = None
        self._echo: Supply | None = None
        self._facts = RelayFacts(
            readback=settings.readback,
            reopen_disturbs=False,
            latency_s=settings.latency_s,
            fails_on=settings.contact == "normally-closed"
            or settings.dead_man_s is not None,
            dead_man_s=settings.dead_man_s,
        )

    @property
    def facts(self) -> RelayFacts:
        return self._facts

    async def open(self) -> None:
        if self._bench is None:
            bench: Bench = await self._host.share(self._key, opener())
            dead_man_s = self._settings.dead_man_s
            bench.wire(
                self._settings.wired or self._settings.contact,
                dead_man_ms=None if dead_man_s is None else round(dead_man_s * 1000),
                boot_ms=self._host.boot_ms(),
            )
            self._bench = bench

    async def close(self) -> None:
        if self._bench is not None:
            self._bench = None
            await self._host.release(self._key)

    async def set(self, supply: Supply) -> None:
        driven = energised(supply, self._settings.contact)
        self._reached().drive(driven=driven, boot_ms=self._host.boot_ms())
        self._echo = supply

    async def get(self) -> Supply | None:
        bench = self._reached()
        match self._settings.readback:
            case Readback.NONE:
                return None
            case Readback.ECHO:
                return self._echo
            case Readback.LATCH:
                off = energised(Supply.OFF, self._settings.contact)
                return Supply.OFF if bench.contact.driven is off else Supply.ON
            case Readback.SENSED:
                # A board senses where its armature is; what that means for the supply
                # it knows from its settings, be they right or wrong.
                return supply_of(bench.contact.armature, self._settings.contact)

    async def refresh(self) -> None:
        self._reached().contact.refresh(self._host.boot_ms())

    def _reached(self) -> Bench:
        if self._bench is None:
            raise self._unavailable("the relay is not open")
        self._bench.advance_to(self._host.boot_ms())
        if not self._bench.relay_answers():
            raise self._unavailable("the twin's relay does not answer")
        return self._bench

    def _unavailable(self, what: str) -> Unavailable:
        return Unavailable(
            what, target=self._key, remedy="The twin's events decide this"
        )


BACKEND: Backend[Relay] = Backend(
    kind="twin", settings=TwinRelaySettings, make=TwinRelay
)
