"""A relay on Bluetooth LE: a signal of the Automation IO service, or bytes of your own.

The device is connected for each call and let go after it, which frees it for a phone
and survives a restart of bluetoothd; a write is always one with response, and what it
did is read back before the device is let go. By default a
bond is wanted: without one, anybody in reach can move the contact.

A relay that is fed by the very supply that it switches vanishes with its first off and
can never be told on again: give it power of its own.

Source: Bluetooth SIG, Automation IO Service 1.0, as in ``wire/automation_io.py``.
"""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Annotated, Any, Final, Literal, Self

from pydantic import Field, model_validator

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
from tidegate.errors import BackendError, Malformed, Refused
from tidegate_backends.bluetooth.naming import (
    AdapterName,
    Address,
    Octets,
    Uuid,
    brief,
)
from tidegate_backends.bluetooth.peer import Characteristic, Peer, connected
from tidegate_backends.bluetooth.radio import Access, Call
from tidegate_backends.bluetooth.survey import survey
from tidegate_backends.notes import Notes
from tidegate_backends.seconds import Seconds
from tidegate_backends.wire import automation_io
from tidegate_backends.wire.automation_io import DIGITAL, NUMBER_OF_DIGITALS, Signal

# Finding and connecting to a device that advertises once a second, and the contact:
# engineering choice, no source.
LATENCY_S: Final = 3.0

# So long may what was read right after a write answer one question. Our own choice.
FRESH_MS: Final = 1_000
_LOOK_LIMIT_S: Final = 1.0

_OPEN_DOOR: Final = (
    "bonded = false: anybody in radio range can switch this supply, and nobody will "
    "know who it was. Pair the device and leave `bonded` out."
)


class Settings(RelaySettings):
    """One signal of a Digital characteristic, or any characteristic with its bytes."""

    kind: Literal["ble"] = "ble"
    address: Address = Field(description="the device's Bluetooth address")
    adapter: AdapterName | None = Field(
        default=None, description="such as hci0; the first that is on if left out"
    )
    characteristic: Uuid = Field(
        default=DIGITAL,
        validate_default=True,
        description="what is written to; Automation IO's Digital if left out",
    )
    number: int = Field(
        default=1,
        ge=1,
        le=32,
        description="which of several writable characteristics with this UUID, in the "
        "order of their handles",
    )
    signal: int = Field(
        default=0,
        ge=0,
        lt=automation_io.MOST_SIGNALS,
        description="which two-bit value of a Digital, from 0",
    )
    on: Octets | None = Field(
        default=None, description="bytes that drive the coil, where it is no Digital"
    )
    off: Octets | None = Field(default=None, description="bytes that release it")
    reads_on: Octets | None = Field(
        default=None, description="what is read back while driven, if that can be read"
    )
    reads_off: Octets | None = Field(
        default=None, description="what is read back while released"
    )
    bonded: bool = Field(
        default=True, description="only speak to a device that is paired for good"
    )
    readback: bool = Field(
        default=True,
        description="ask for the state at every second poll, each time a connection; "
        "false connects for switchings only",
    )
    limit: Annotated[Seconds, Field(gt=0, le=30)] = Field(
        default=8.0, description="how long one call may take, connecting included"
    )

    @model_validator(mode="after")
    def _bytes_where_they_are_due(self) -> Self:
        given = [
            name
            for name in ("on", "off", "reads_on", "reads_off")
            if getattr(self, name) is not None
        ]
        if self.characteristic == DIGITAL:
            if given:
                raise ValueError(
                    f"found {', '.join(given)}, which belongs to another characteristic "
                    "than a Digital: name it, or choose a signal"
                )
            return self
        if self.on is None or self.off is None or self.on == self.off:
            raise ValueError(
                f"{brief(self.characteristic)} is no Digital, so `on` and `off` are "
                f"wanted and must differ; found {self.on} and {self.off}"
            )
        if (self.reads_on is None) != (self.reads_off is None) or (
            self.reads_on is not None and self.reads_on == self.reads_off
        ):
            raise ValueError(
                "`reads_on` and `reads_off` go together and must differ; found "
                f"{self.reads_on} and {self.reads_off}"
            )
        if "signal" in self.model_fields_set:
            raise ValueError("`signal` belongs to a Digital; found it beside bytes")
        return self

    def target(self) -> Target:
        what = f"{brief(self.characteristic)}.{self.number}"
        if self.characteristic == DIGITAL:
            what += f".{self.signal}"
        else:
            # A board of several contacts takes the bytes of all in one place; the same
            # pair moves the same contact, whichever of the two is called on.
            pair = "/".join(sorted((self.on or "", self.off or "")))
            what += f"~{hashlib.sha256(pair.encode()).hexdigest()[:8]}"
        return Target(f"ble:{self.address}", what)

    @property
    def queue(self) -> str:
        """The adapter: it serves one device at a time."""
        return f"ble adapter {self.adapter or ''}"


class BleRelay(Relay):
    """One signal. Errors: Unavailable, Refused, Malformed; at open also Unsupported."""

    def __init__(self, settings: Settings, host: Host) -> None:
        self._settings = settings
        self._host = host
        self._target = str(settings.target())
        self._fresh: tuple[int, bytes] | None = None
        self._access = Access(
            host,
            adapter=settings.adapter,
            address=settings.address,
            limit_s=settings.limit,
        )
        self._wants_readback = settings.readback and (
            settings.characteristic == DIGITAL or settings.reads_on is not None
        )
        # Until a connection shows otherwise.
        self._readable = self._wants_readback
        self._notes = Notes()
        if not settings.bonded:
            self._notes.add(_OPEN_DOOR)

    @property
    def facts(self) -> RelayFacts:
        return RelayFacts(
            readback=Readback.LATCH if self._readable else Readback.NONE,
            reopen_disturbs=False,
            latency_s=LATENCY_S,
            fails_on=self._settings.contact == "normally-closed",
            answers_within_s=self._access.answers_within_s,
        )

    def take_notes(self) -> list[str]:
        return self._notes.take()

    async def open(self) -> None:
        await self._access.open(bonded=self._settings.bonded)

    async def close(self) -> None:
        self._fresh = None
        await self._access.close()

    async def set(self, supply: Supply) -> None:
        self._fresh = None
        driven = energised(supply, self._settings.contact)

        async def written(call: Call[None]) -> None:
            async with self._connected(call) as characteristic:
                await characteristic.write(await self._value(characteristic, driven))
                await self._look_while_there(characteristic)
                call.answer(None)

        await self._access.carry(written)

    async def get(self) -> Supply | None:
        async def told(call: Call[bool | None]) -> None:
            async with self._connected(call) as characteristic:
                can = self._readable
                call.answer(self._driven(await characteristic.read()) if can else None)

        self._access.check_open()
        fresh, self._fresh = self._fresh, None
        if not self._readable:
            return None
        if fresh is not None and self._host.boot_ms() - fresh[0] <= FRESH_MS:
            driven = self._driven(fresh[1])
        else:
            driven = await self._access.carry(told)
        if driven is None:
            return None
        return supply_of(driven, self._settings.contact)

    async def _look_while_there(self, characteristic: Characteristic) -> None:
        """Read the state back over the connection of the switching.

        Whoever asks at once after it need not wait for another connection. The write
        is done, whatever comes of this.
        """
        if not self._readable:
            return
        try:
            async with asyncio.timeout(_LOOK_LIMIT_S):
                value = await characteristic.read()
        except (BackendError, TimeoutError):
            return  # the next look says it, with a connection of its own
        self._fresh = (self._host.boot_ms(), value)

    @asynccontextmanager
    async def _connected(self, call: Call[Any]) -> AsyncIterator[Characteristic]:
        async with connected(self._access, call, bonded=self._settings.bonded) as peer:
            found = self._chosen(peer)
            self._readable = self._wants_readback and found.can("read")
            yield found

    def _chosen(self, peer: Peer) -> Characteristic:
        """Return the characteristic of the settings. Errors: Refused."""
        settings = self._settings
        named = brief(settings.characteristic)
        found = peer.characteristics(settings.characteristic)
        able = [one for one in found if one.can("write")]
        if len(able) >= settings.number:
            return able[settings.number - 1]
        what = f"offers {len(able)} characteristics {named} to write to"
        if len(found) > len(able):
            what += f", and {len(found) - len(able)} more that take no such write"
        raise Refused(
            f"the device {what}; number {settings.number} is wanted",
            target=self._target,
            remedy="Check `characteristic` and `number`. After new firmware BlueZ may "
            f"remember the old one's list: bluetoothctl remove {settings.address}, "
            "delete the device's file in /var/lib/bluetooth/*/cache, pair it again.",
        )

    async def _value(self, characteristic: Characteristic, driven: bool) -> bytes:
        """Return what to write. Errors: Unavailable, Refused, Malformed."""
        settings = self._settings
        if settings.on is not None and settings.off is not None:
            return bytes.fromhex(settings.on if driven else settings.off)
        signals = await self._signals(characteristic)
        if settings.signal >= signals:
            raise Refused(
                f"the device has {signals} signals, signal {settings.signal} is wanted",
                target=self._target,
                remedy="Signals count from 0; `number` chooses another characteristic.",
            )
        return automation_io.command(settings.signal, active=driven, signals=signals)

    async def _signals(self, characteristic: Characteristic) -> int:
        """Return how many signals a write has to name.

        A write of another length than the device's own is refused by some. Errors:
        Malformed, and those of a read.
        """
        said = await characteristic.descriptor(NUMBER_OF_DIGITALS)
        if said:
            return said[0]
        if characteristic.can("read"):
            # Four in each octet, whether or not they all mean something.
            value = await characteristic.read()
            if len(value) > automation_io.octets(automation_io.MOST_SIGNALS):
                raise self._not_understood(f"has a Digital of {len(value)} octets")
            signals = automation_io.PER_OCTET * len(value)
            return min(signals, automation_io.MOST_SIGNALS)
        return self._settings.signal + 1

    def _driven(self, value: bytes) -> bool | None:
        """Return whether the coil is driven, from what was read. Errors: Malformed."""
        settings = self._settings
        if settings.reads_on is not None and settings.reads_off is not None:
            known = {
                bytes.fromhex(settings.reads_on): True,
                bytes.fromhex(settings.reads_off): False,
            }
            if value in known:
                return known[value]
            raise self._not_understood(f"reads {_shown(value)}, which is neither state")
        try:
            signal = automation_io.state(value, settings.signal)
        except automation_io.NoSuchSignal as error:
            raise self._not_understood(str(error)) from error
        # Tri-state and unknown say nothing about the coil.
        return {Signal.ACTIVE: True, Signal.INACTIVE: False}.get(signal)

    def _not_understood(self, what: str) -> Malformed:
        return Malformed(
            f"the device {what}",
            target=self._target,
            remedy="Check `characteristic`, `signal`, `reads_on` and `reads_off` against "
            "the device's own description.",
        )


def _shown(value: bytes) -> str:
    return value[:16].hex(" ").upper() or "nothing"


BACKEND = Backend(kind="ble", settings=Settings, make=BleRelay, survey=survey)
