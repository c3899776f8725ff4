"""One coil of a Modbus unit, on a serial bus (RTU) or over TCP.

The coil is written by function 05, with FF00 or 0000 and nothing else, and read back
by function 01. A board that cannot read its coils still repeats what it was told:
``readback = false``, and a unit that says "illegal function" to the first read is
taken for one. The latch tells what the coil was told, never whether the supply
followed.

All relays on one bus, or behind one address, share one link: opened once, one request
at a time, each with its own limit. A unit that does not reply leaves the link to the
others. Opening never fails for the unit's sake, only for the link's: to a unit that
can hear and not speak, an "on" is still sent. While all are told on at once, each
silent unit costs those behind it two limits; `tidegate restore` tells those that were
late again, one by one, for 35 s in all. On a long bus keep ``limit`` short.

A unit mostly has a power supply of its own. It then holds its coils whatever becomes of
the host or the cable, and a normally-closed contact alone returns nothing: a relay here
fails to on by a timer, or if the unit gets its power from this host
(``powered_by_host``).

``timer`` makes the unit's own watchdog or timed output the relay's dead-man timer, see
``modbus/timer.py``. Its registers are read at open and written only where they differ,
since many units keep them in memory that wears. It counts as a dead-man timer once the
unit took it; a unit that does not is used without, and a note says so.

Source: Modbus Application Protocol Specification V1.1b3, sections 6.1 and 6.5; frames
and their sources are in ``wire/modbus.py``, the links in ``modbus/``.
"""

from __future__ import annotations

import os
from typing import Annotated, Final, Literal, Self

from pydantic import Field, field_validator, model_validator

from tidegate.contract import (
    Backend,
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
from tidegate.errors import Malformed, Refused, Unavailable
from tidegate_backends.modbus.link import OF_THE_UNIT, Link, User
from tidegate_backends.modbus.rtu import RtuLink
from tidegate_backends.modbus.share import LinkShare
from tidegate_backends.modbus.tcp import TcpLink
from tidegate_backends.modbus.timer import Address, Timer
from tidegate_backends.modbus.upkeep import Upkeep
from tidegate_backends.notes import Notes
from tidegate_backends.seconds import Seconds
from tidegate_backends.wire import modbus as wire

# From the end of the frame to the settled contact: engineering choice, no source.
LATENCY_S: Final = 0.1
# What the shell allows a relay with a link of its own, and what a queue on a bus full
# of dead units may take: engineering choices, no source.
_LEAST_S: Final = 5.0
_MOST_S: Final = 60.0

# The exception of a unit that does not know a function.
_NO_SUCH: Final = 0x01
_ONLY_RTU: Final = frozenset({"baud", "parity", "stop_bits"})


class Settings(RelaySettings):
    """One coil, and the way to its unit: ``port``, or ``host``."""

    kind: Literal["modbus"] = "modbus"
    port: str | None = Field(
        default=None,
        pattern=r"^/.",
        description="serial port of the bus; best one of /dev/serial/by-path",
    )
    baud: int = Field(default=9600, ge=300, le=4_000_000)
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    host: str | None = Field(
        default=None, pattern=r"^[^\s/\[\]]+$", description="name or address, for TCP"
    )
    tcp_port: int = Field(default=502, ge=1, le=65535)
    unit: int = Field(default=1, description="1 to 247; over TCP also 255")
    coil: Address = Field(description="counted from 0, as on the wire")
    powered_by_host: bool = Field(
        default=False,
        description="the unit loses its power with this host, and its coils drop",
    )
    readback: bool = Field(
        default=True, description="false for a board that cannot read its coils"
    )
    limit: Annotated[Seconds, Field(ge=0.05, le=2)] = Field(
        default=0.5, description="how long to wait for a reply"
    )
    timer: Timer | None = Field(
        default=None, description="the unit's own timer as the dead-man timer"
    )

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if (self.port is None) == (self.host is None):
            raise ValueError("either `port` (a serial bus) or `host` (TCP) is wanted")
        strange = _ONLY_RTU if self.port is None else frozenset({"tcp_port"})
        if odd := sorted(strange & self.model_fields_set):
            raise ValueError(f"`{odd[0]}` has no meaning on this way to the unit")
        if self.host is None and self.unit == wire.TCP_UNIT:
            raise ValueError(f"unit {self.unit} is for TCP only, not for a bus")
        return self

    @field_validator("host")
    @classmethod
    def _no_port_in_it(cls, host: str | None) -> str | None:
        # An IPv6 address has two colons at least.
        if host is not None and host.count(":") == 1:
            raise ValueError("a name or an address only, the port is `tcp_port`")
        return host

    @field_validator("unit")
    @classmethod
    def _one_unit(cls, unit: int) -> int:
        if unit == wire.BROADCAST:
            raise ValueError(
                "unit 0 is for all units at once and nobody replies, allowed is 1 to "
                f"{wire.LAST_UNIT}"
            )
        if not wire.FIRST_UNIT <= unit <= wire.LAST_UNIT and unit != wire.TCP_UNIT:
            raise ValueError(f"allowed is 1 to {wire.LAST_UNIT}")
        return unit

    @model_validator(mode="after")
    def _timer_ends_on(self) -> Self:
        timer = self.timer
        if timer is not None:
            timer.check_contact(self.contact)
            if timer.function == 5 and timer.address == self.coil:
                raise ValueError("the timer's address is the coil's own")
        return self

    def target(self) -> Target:
        return Target(self.link(), f"{self.unit}/{self.coil}")

    @property
    def timer_s(self) -> float | None:
        return None if self.timer is None else self.timer.time

    def link(self) -> str:
        """Return what the bus or connection is called."""
        if self.port is not None:
            # Not resolved: what a by-path name points to changes with every re-plug.
            return os.path.normpath(self.port)
        assert self.host is not None
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{host}:{self.tcp_port}".lower()

    def new_link(self) -> Link:
        """Return the bus or connection, not yet open."""
        if self.port is not None:
            return RtuLink(
                self.port,
                baud=self.baud,
                parity=self.parity,
                stop_bits=self.stop_bits,
            )
        assert self.host is not None
        return TcpLink(self.host, self.tcp_port)


class ModbusRelay(Relay):
    """One coil. Errors: Unavailable, Refused, Malformed; at open also Busy,
    Unsupported.
    """

    def __init__(self, settings: Settings, host: Host) -> None:
        self._settings = settings
        self._host = host
        self._share = LinkShare(
            host,
            f"modbus:{settings.link()}",
            settings.new_link,
            unit=settings.unit,
            limit_s=settings.limit,
            target=str(settings.target()),
        )
        self._ask = self._share.ask
        self._reads = settings.readback
        # False for a unit that was silent at open, and so has no timer yet.
        self._is_met = True
        # What was wanted last, and when an off was last confirmed.
        self._wanted: Supply | None = None
        self._off_at_ms: int | None = None
        self._notes = Notes()
        self._upkeep = (
            Upkeep(settings.timer, self._ask, self._notes.add)
            if settings.timer
            else None
        )

    @property
    def facts(self) -> RelayFacts:
        timer = self._settings.timer
        counts = self._upkeep is not None and self._upkeep.is_accepted
        dead_man_s = timer.time if timer is not None and counts else None
        return RelayFacts(
            readback=Readback.LATCH if self._reads else Readback.ECHO,
            # DTR goes nowhere on a bus, but a board may sit on the adapter itself.
            reopen_disturbs=self._settings.port is not None,
            latency_s=LATENCY_S,
            fails_on=self._falls_back or dead_man_s is not None,
            dead_man_s=dead_man_s,
            answers_within_s=max(_LEAST_S, min(self._share.turn_s, _MOST_S)),
        )

    @property
    def _falls_back(self) -> bool:
        """Whether the contact closes by itself when this host dies."""
        settings = self._settings
        return settings.powered_by_host and settings.contact == "normally-closed"

    async def open(self) -> None:
        if self._share.is_taken:
            return
        await self._share.take(self._user())
        try:
            await self._meet()
        except BaseException:
            await self.close()
            raise

    async def close(self) -> None:
        # What was wanted stays: an on that failed must not see its off prolonged.
        self._off_at_ms = None
        self._reads = self._settings.readback
        if self._upkeep is not None:
            self._upkeep.forget()
        await self._share.give_back()

    async def set(self, supply: Supply) -> None:
        self._share.check()
        self._wanted = supply
        timer = self._settings.timer
        driven = energised(supply, self._settings.contact)
        request = wire.write_coil(self._settings.coil, driven=driven)
        if supply is Supply.OFF and timer is not None and self._upkeep is not None:
            await self._upkeep.before_off()
            if timer.style == "timed":
                request = timer.off_request()
        await self._ask(request)
        self._off_at_ms = self._host.boot_ms() if supply is Supply.OFF else None

    async def get(self) -> Supply | None:
        self._share.check()
        if not self._reads:
            return None
        driven = bool(await self._ask(wire.read_coil(self._settings.coil)))
        if not self._is_met:
            await self._arm()
        return supply_of(driven, self._settings.contact)

    async def refresh(self) -> None:
        self._share.check()
        timer = self._settings.timer
        if timer is None or self._upkeep is None:
            return
        if timer.style == "watchdog":
            read = wire.read_coil(self._settings.coil) if self._reads else None
            await self._upkeep.feed(read)
        elif await self._off_stands(timer):
            await self._ask(timer.off_request())
            self._off_at_ms = self._host.boot_ms()

    def take_notes(self) -> list[str]:
        return self._notes.take()

    async def _off_stands(self, timer: Timer) -> bool:
        """Return whether there is an off to prolong.

        None when an on was wanted, whatever became of it. One whose time ran out is over: the supply came on, and to take it away again
        is a switching of its own, which only the shell may order.
        """
        if self._wanted is Supply.ON:
            return False
        if self._reads:
            return await self.get() is Supply.OFF
        if self._off_at_ms is None:
            return False
        return self._host.boot_ms() - self._off_at_ms < timer.time * 1000

    async def _meet(self) -> None:
        """Find out whether the coil can be read and the line echoes; set the timer.

        Whatever the unit makes of it, writing goes on to be possible.
        """
        try:
            await self._ask(wire.read_coil(self._settings.coil))
        except (Unavailable, Refused, Malformed) as error:
            cause = error.__cause__
            if not isinstance(cause, OF_THE_UNIT):
                raise
            if isinstance(cause, wire.ExceptionReply) and cause.code == _NO_SUCH:
                self._reads = False
            elif self._settings.readback:
                self._is_met = False
                return  # it would not take its timer either
        await self._arm()

    async def _arm(self) -> None:
        """Set the timer; a unit that does not reply to that is used without, for now."""
        self._is_met = True
        if self._upkeep is None:
            return
        try:
            await self._upkeep.arm()
        except (Unavailable, Malformed) as error:
            if not isinstance(error.__cause__, OF_THE_UNIT):
                raise
            self._notes.add(f"the timer is not set ({error.what})")

    def _user(self) -> User:
        settings = self._settings
        registers = () if settings.timer is None else settings.timer.registers
        # The coil, and in turn each register, or what shows that we are there; each
        # asked twice at worst, after a late reply was waited for.
        requests = 1 + (0 if settings.timer is None else 1 + len(registers))
        return User(
            call_s=3 * requests * settings.limit,
            registers={(settings.unit, each.address): each.value for each in registers},
        )


BACKEND = Backend(kind="modbus", settings=Settings, make=ModbusRelay, extra="modbus")
