"""A network socket behind an MQTT broker: a topic that it obeys, one where it reports.

``on`` and ``off`` mean the supply, whatever the socket does to bring it about. With a
``state`` topic, which the socket keeps retained, a command is done when the socket
says so; with an ``availability`` topic a socket that is away is told nothing but on.
Without it a report that is retained from another time is believed.

A late off cannot come after an on. A command is never retained, and the broker drops
an off that it cannot deliver within its limit (message expiry, MQTT 5); an on may
wait for the socket. Both go by the same client id, one after the other, and each in
a connection of its own: ``network/mqtt_session`` says why that keeps them in order.
A connection that stays would wake this machine every second, for pings and checks;
one that is made anew costs 2 ms once a poll, and has nothing left over from before.

Source: MQTT 5.0 (OASIS), sections 3.3.2.3.3, 4.6; RFC 6901 for ``pointer``.
"""

from __future__ import annotations

import contextlib
import hashlib
import math
import ssl
from collections.abc import AsyncIterator
from typing import Final, Literal, Self

from pydantic import Field, model_validator

from tidegate.contract import (
    Backend,
    Host,
    Readback,
    Relay,
    RelayFacts,
    Target,
)
from tidegate.core.reading import Supply
from tidegate.errors import BackendError, Malformed, Refused, Unavailable
from tidegate_backends.network import credentials, tls
from tidegate_backends.network.credentials import FilePath
from tidegate_backends.network.mqtt_session import Broker, Session, library
from tidegate_backends.network.requests import NO_TIMER, SECONDS
from tidegate_backends.network.socket_settings import SocketSettings
from tidegate_backends.network.told import Told
from tidegate_backends.network.topics import Availability, Command, State
from tidegate_backends.notes import Notes

# A small socket on wireless, and its broker: engineering choice, no source.
LATENCY_S: Final = 1.0
NO_PRESENCE: Final = (
    "a report that the broker keeps is believed even when the socket is gone: set "
    "`availability`, where it has such a topic"
)
# Longer than the five minutes after which an on that had no effect is said again.
ON_EXPIRES_S: Final = 600


class Settings(SocketSettings):
    """One socket, and the broker that it listens to."""

    kind: Literal["mqtt"] = "mqtt"
    broker: str = Field(
        pattern=r"^[A-Za-z0-9.:_-]+$", description="name or address of the broker"
    )
    port: int | None = Field(
        default=None, ge=1, le=65_535, description="not set: 8883, or 1883 without TLS"
    )
    tls: bool = Field(default=True, description="false: in clear, secrets included")
    credentials: FilePath | None = Field(
        default=None, description="file with user:password"
    )
    client_id: str | None = Field(
        default=None,
        pattern=r"^[!-~]{1,200}$",
        description="not set: made from the command topic; else one of its own for "
        "every station",
    )
    command: Command
    state: State | None = Field(default=None, description="where the socket reports")
    availability: Availability | None = Field(
        default=None, description="where it stands whether the socket is there"
    )

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        topics = [self.command.topic]
        topics += [self.state.topic] if self.state else []
        topics += [self.availability.topic] if self.availability else []
        if len(set(topics)) < len(topics):
            raise ValueError("command, state and availability are topics of their own")
        if self.command.on == self.command.off:
            raise ValueError("the commands for on and off are the same")
        if (SECONDS in self.command.off) != (self.timer is not None):
            raise ValueError(
                f"allowed is timer together with {SECONDS} in the command for off, or "
                "neither"
            )
        if SECONDS in self.command.on:
            raise ValueError(f"{SECONDS} stands in the command for off only")
        if not self.tls and (self.ca or self.certificate):
            raise ValueError("ca and certificate are for tls = true only")
        return self

    def reached_port(self) -> int:
        """Return the port, set or usual."""
        return self.port or (8_883 if self.tls else 1_883)

    def target(self) -> Target:
        host = f"[{self.broker}]" if ":" in self.broker else self.broker
        link = f"{'mqtts' if self.tls else 'mqtt'}://{host}:{self.reached_port()}"
        return Target(link.lower(), self.command.topic)

    def known_as(self) -> str:
        """Return the client id: always the same, and at most 23 plain characters."""
        if self.client_id is not None:
            return self.client_id
        digest = hashlib.sha256(str(self.target()).encode()).hexdigest()
        return f"tidegate{digest[:15]}"


class MqttRelay(Relay):
    """One socket. Errors: Unavailable, Refused, Malformed, Unsupported."""

    def __init__(self, settings: Settings, host: Host) -> None:
        self._settings = settings
        self._host = host
        self._target = str(settings.target())
        self._worker = f"mqtt:{self._target}"
        self._is_open = False
        self._context: ssl.SSLContext | None = None
        self._credentials: credentials.Credentials | None = None
        self._sessions: set[Session] = set()
        # Those that were given up while their thread was connecting.
        self._left: set[Session] = set()
        self._notes = Notes()
        # Whether what was read at opening lets us in no more: it may be out of date.
        self._is_shut_out = False
        self._told = Told()

    @property
    def facts(self) -> RelayFacts:
        settings = self._settings
        return RelayFacts(
            readback=Readback.LATCH if settings.state else Readback.NONE,
            reopen_disturbs=False,
            latency_s=LATENCY_S,
            # A little more, so that our own words about the limit come first.
            answers_within_s=settings.limit + 0.5,
            fails_on=settings.timer is not None,
            dead_man_s=settings.timer,
        )

    def take_notes(self) -> list[str]:
        return self._notes.take()

    async def open(self) -> None:
        if self._is_open:
            return
        library(self._target)
        await self._read_files()
        if self._settings.timer is None:
            self._notes.add(NO_TIMER)
        if self._settings.state and not self._settings.availability:
            self._notes.add(NO_PRESENCE)
        self._is_open = True

    async def close(self) -> None:
        self._is_open = False
        self._credentials = None
        for session in self._sessions:
            session.give_up()
        self._left = {session for session in self._left if session.is_connecting}
        if self._left:
            # A thread that hangs keeps whoever closes waiting, who then leaves it.
            with contextlib.suppress(BackendError):
                await self._host.worker(self._worker).call(_nothing)

    async def set(self, supply: Supply) -> None:
        self._check_open()
        if supply is Supply.ON:
            self._told.on()
            await self._tell_on()
        else:
            await self._tell_off()

    async def get(self) -> Supply | None:
        self._check_open()
        state = self._settings.state
        if state is None:
            return None
        async with self._session() as session:
            await session.subscribe(*self._reports())
            await self._is_present(session)
            await session.until(lambda: state.topic in session.said)
            return state.supply(session.said[state.topic], target=self._target)

    async def refresh(self) -> None:
        if self._settings.timer is None or self._told.supply is Supply.ON:
            return
        self._check_open()
        if self._settings.state is not None:
            is_off = await self.get() is Supply.OFF
        else:
            is_off = self._told.keeps_off(self._host.boot_ms())
        # One that is on again is no timer to refresh: the core judges about that.
        if is_off:
            await self._tell_off()

    # --- telling ----------------------------------------------------------------------

    async def _tell_on(self) -> None:
        """Say on before anything else, whatever the socket or its topics are like."""
        command = self._settings.command
        async with self._session() as session:
            await session.publish(
                command.topic, command.on.encode(), expires_s=ON_EXPIRES_S
            )
            if self._reports():
                await session.subscribe(*self._reports())
                await self._is_present(session)
                await self._follows(session, Supply.ON)

    async def _tell_off(self) -> None:
        """Say off to a socket that is there, and to no other."""
        settings = self._settings
        timer = "" if settings.timer is None else str(round(settings.timer))
        payload = settings.command.off.replace(SECONDS, timer).encode()
        sent_ms = self._host.boot_ms()
        async with self._session() as session:
            if self._reports():
                await session.subscribe(*self._reports())
                await self._is_present(session)
            await session.publish(
                settings.command.topic,
                payload,
                expires_s=max(1, math.ceil(settings.limit)),
            )
            await self._follows(session, Supply.OFF)
        self._told.off(sent_ms=sent_ms, timer_s=settings.timer)

    async def _is_present(self, session: Session) -> None:
        """Return when the socket is online. Errors: Unavailable, Malformed."""
        where = self._settings.availability
        if where is None:
            return
        await session.until(lambda: where.topic in session.said)
        where.check(session.said[where.topic], target=self._target)

    async def _follows(self, session: Session, supply: Supply) -> None:
        """Return when the socket reports what it was told. Errors: Refused."""
        state = self._settings.state
        if state is None:
            return

        def reports_it() -> bool:
            raw = session.said.get(state.topic)
            if raw is None:
                return False
            try:
                return state.supply(raw, target=self._target) is supply
            except Malformed:
                return False  # from another time, or followed by the one that counts

        try:
            await session.until(reports_it)
        except TimeoutError as error:
            if state.topic in session.news:
                state.supply(session.said[state.topic], target=self._target)
                raise Refused(
                    f"the socket was told {supply.value} and reports {supply.other.value}",
                    target=self._target,
                    remedy="It does not do what it is told: look at it, or check the "
                    "words of command and state.",
                ) from error
            raise Unavailable(
                f"the socket does not report on {state.topic} within "
                f"{self._settings.limit:g} s",
                target=self._target,
                remedy="Check its power and network; a slow one needs more `limit`.",
            ) from error

    # --- reaching ---------------------------------------------------------------------

    @contextlib.asynccontextmanager
    async def _session(self) -> AsyncIterator[Session]:
        settings = self._settings
        if self._is_shut_out:
            await self._read_files()
            self._is_shut_out = False
        broker = Broker(
            host=settings.broker,
            port=settings.reached_port(),
            client_id=settings.known_as(),
            context=self._context,
            credentials=self._credentials,
            limit_s=settings.limit,
            target=self._target,
        )
        session = Session(broker, self._host, worker=self._worker)
        self._sessions.add(session)
        try:
            async with session:
                yield session
        except TimeoutError as error:
            raise Unavailable(
                f"no answer within {settings.limit:g} s",
                target=self._target,
                remedy="Check the broker, and that its topics of state and "
                "availability are retained.",
            ) from error
        finally:
            self._is_shut_out = session.is_shut_out
            self._sessions.discard(session)
            if session.is_connecting:
                self._left.add(session)

    async def _read_files(self) -> None:
        worker = self._host.worker(self._worker)
        if self._settings.tls:
            self._context = await worker.call(self._tls)
        if self._settings.credentials is not None:
            self._credentials = await worker.call(self._read_credentials)

    def _reports(self) -> tuple[str, ...]:
        """Return the topics that the socket reports on."""
        parts = (self._settings.state, self._settings.availability)
        return tuple(part.topic for part in parts if part is not None)

    def _check_open(self) -> None:
        if not self._is_open:
            raise Unavailable(
                "the relay is not open", target=self._target, remedy="Open it first."
            )

    # --- in the backend's thread ------------------------------------------------------

    def _tls(self) -> ssl.SSLContext:
        return tls.context(
            ca=self._settings.ca,
            certificate=self._settings.certificate,
            key=self._settings.certificate_key,
            target=self._target,
        )

    def _read_credentials(self) -> credentials.Credentials:
        assert self._settings.credentials is not None
        held, notes = credentials.read_user(
            self._settings.credentials, target=self._target
        )
        for note in notes:
            self._notes.add(note)
        if not self._settings.tls:
            self._notes.add(
                "the credentials go over the network without TLS: use tls = true"
            )
        return held


def _nothing() -> None:
    """What a thread does that is free again."""


BACKEND = Backend(kind="mqtt", settings=Settings, make=MqttRelay, extra="mqtt")
