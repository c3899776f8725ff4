"""A network socket that takes HTTP requests: one for on, one for off, one that tells.

``on`` and ``off`` mean the supply, whatever the socket does to bring it about. Each
call is a connection of its own, with one limit on all of it and on the answer's
size; redirects are not followed, and a call that is given up closes its connection.

A network socket keeps what it was told, so a device that feeds on it goes flat when
nobody says on any more. Many take "off for so many seconds": with ``{seconds}`` in
the request for off and ``timer`` set, that is the dead-man timer, and the request is
said again while the supply shall stay off, unless a hand or the timer turned it on
meanwhile. Without ``read`` a hand is not noticed by that.

Source: RFC 9110 and RFC 9112 (HTTP), RFC 6901 (JSON pointer), RFC 7617 and RFC 6750
(credentials).
"""

from __future__ import annotations

import hashlib
import ipaddress
import socket
import ssl
from typing import Final, Literal, Self

from pydantic import Field, model_validator

from tidegate.contract import (
    Backend,
    Host,
    Readback,
    Relay,
    RelayFacts,
    SharedLink,
    Target,
)
from tidegate.core.reading import Supply
from tidegate.errors import Malformed, Refused, Unavailable, Unsupported
from tidegate_backends.network import credentials, tls
from tidegate_backends.network.answers import LOGIN, Judge
from tidegate_backends.network.credentials import FilePath
from tidegate_backends.network.line import Line, Terms, resolve
from tidegate_backends.network.requests import (
    NO_TIMER,
    SECONDS,
    Address,
    Read,
    Request,
    as_bytes,
    missing,
    place,
)
from tidegate_backends.network.socket_settings import SocketSettings
from tidegate_backends.network.told import Told
from tidegate_backends.notes import Notes
from tidegate_backends.wire import http1

# A small socket on wireless: engineering choice, no source.
LATENCY_S: Final = 1.0


class Settings(SocketSettings):
    """The requests of one socket."""

    kind: Literal["http"] = "http"
    base: Address | None = Field(
        default=None, description='what paths stand under: "https://socket.example"'
    )
    on: Request = Field(description="turns the supply on")
    off: Request = Field(description="turns the supply off")
    read: Read | None = Field(default=None, description="tells whether it is on")
    credentials: FilePath | None = Field(
        default=None, description="file with user:password or a bearer token"
    )
    name: str | None = Field(
        default=None,
        pattern=r"^[A-Za-z0-9.:-]+$",
        description="the name in its certificate, where it is not that of the address",
    )

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.base and set("?#{}") & set(self.base):
            raise ValueError("base ends before any ?, and nothing is filled in there")
        places = [place(each.url, self.base) for each in self.requests()]
        if len({each.origin for each in places}) > 1:
            raise ValueError("on, off and read go to different hosts, allowed is one")
        if any(each.wants_secrets for each in self.requests()) and not self.credentials:
            raise ValueError("a request wants a secret, and credentials is not set")
        if self.off.has_seconds != (self.timer is not None):
            raise ValueError(
                f"allowed is timer together with {SECONDS} in the request for off, or "
                "neither"
            )
        if any(each.has_seconds for each in self.requests() if each is not self.off):
            raise ValueError(f"{SECONDS} stands in the request for off only")
        encrypted = places[0].scheme == "https"
        if not encrypted and (self.ca or self.certificate or self.name):
            raise ValueError("ca, certificate and name are for https:// only")
        return self

    def requests(self) -> tuple[Request, ...]:
        """Return all requests, the one for on first."""
        return (self.on, self.off, *((self.read,) if self.read else ()))

    def target(self) -> Target:
        # The same request for on moves the same contact.
        on = place(self.on.url, self.base)
        path, _, query = on.path.partition("?")
        rest = f"{query}\0{self.on.body}"
        digest = hashlib.sha256(rest.encode()).hexdigest()[:8]
        only = query == "" and self.on.body is None
        return Target(on.origin, path if only else f"{path}~{digest}")


class HttpRelay(Relay):
    """One outlet. Errors: Unavailable, Refused, Malformed; at open also Unsupported."""

    def __init__(self, settings: Settings, host: Host) -> None:
        self._settings = settings
        self._host = host
        self._target = str(settings.target())
        self._key = f"http:{settings.target().link}"
        self._place = place(settings.on.url, settings.base)
        self._line: Line | None = None
        self._context: ssl.SSLContext | None = None
        self._credentials: credentials.Credentials | None = None
        self._notes = Notes()
        # Whether what was read at opening lets us in no more: it may be out of date.
        self._is_shut_out = False
        self._told = Told()

    @property
    def facts(self) -> RelayFacts:
        settings = self._settings
        readback = Readback.NONE
        if settings.read is not None:
            readback = Readback.LATCH
        elif settings.on.expect.proves and settings.off.expect.proves:
            readback = Readback.ECHO
        return RelayFacts(
            readback=readback,
            reopen_disturbs=False,
            latency_s=LATENCY_S,
            # Its turn, the call itself, and a little more for our own words.
            answers_within_s=2 * settings.limit + 0.5,
            fails_on=settings.timer is not None,
            dead_man_s=settings.timer,
        )

    def take_notes(self) -> list[str]:
        return self._notes.take()

    async def open(self) -> None:
        if self._line is not None:
            return
        worker = self._host.worker(self._key)
        if self._place.scheme == "https":
            self._context = await worker.call(self._tls)
        await self._know_credentials()
        self._line = await self._host.share(self._key, self._open_line)
        if self._settings.timer is None:
            self._notes.add(NO_TIMER)

    async def close(self) -> None:
        line, self._line = self._line, None
        self._credentials = None
        self._is_shut_out = False
        if line is not None:
            await self._host.release(self._key)

    async def set(self, supply: Supply) -> None:
        if supply is Supply.OFF:
            await self._tell_off()
        else:
            self._told.on()
            await self._ask(self._settings.on)

    async def get(self) -> Supply | None:
        read = self._settings.read
        if read is None:
            self._opened()
            return None
        said, judge = await self._ask(read)
        return judge.supply(said, read.state)

    async def refresh(self) -> None:
        if self._settings.timer is None or self._told.supply is Supply.ON:
            return
        if self._settings.read is not None:
            is_off = await self.get() is Supply.OFF
        else:
            is_off = self._told.keeps_off(self._host.boot_ms())
        # One that is on again is no timer to refresh: the core judges about that.
        if is_off:
            await self._tell_off()

    async def _tell_off(self) -> None:
        sent_ms = self._host.boot_ms()
        await self._ask(self._settings.off)
        self._told.off(sent_ms=sent_ms, timer_s=self._settings.timer)

    # --- opening ----------------------------------------------------------------------

    def _opened(self) -> Line:
        if self._line is None:
            raise Unavailable(
                "the relay is not open", target=self._target, remedy="Open it first."
            )
        return self._line

    async def _open_line(self) -> SharedLink[Line]:
        host, port = self._place.host, self._place.port
        try:
            version = ipaddress.ip_address(host).version
        except ValueError:
            worker = self._host.worker(self._key)
            found = await worker.call(lambda: resolve(host, port, target=self._target))
        else:
            family = socket.AF_INET6 if version == 6 else socket.AF_INET
            found = ((family, (host, port)),)
        line = Line(found)
        return SharedLink(line, line.close)

    def _tls(self) -> ssl.SSLContext:
        settings = self._settings
        return tls.context(
            ca=settings.ca,
            certificate=settings.certificate,
            key=settings.certificate_key,
            target=self._target,
        )

    async def _know_credentials(self) -> None:
        path = self._settings.credentials
        if path is None:
            return
        worker = self._host.worker(self._key)
        held, notes = await worker.call(
            lambda: credentials.read(path, target=self._target)
        )
        for request in self._settings.requests():
            if lacking := missing(request, held.places()):
                raise Unsupported(
                    f"the credentials file holds nothing for {' and '.join(lacking)}",
                    target=self._target,
                    remedy="user:password fills {user} and {password}, a bearer token "
                    "fills {token}.",
                )
        self._credentials = held
        for note in notes:
            self._notes.add(note)
        if self._place.scheme == "http":
            self._notes.add(
                "the credentials go over the network without TLS: use https://"
            )

    # --- asking -----------------------------------------------------------------------

    async def _ask(self, request: Request) -> tuple[http1.Answer, Judge]:
        """Send a request; return its answer, which is as expected, and who read it."""
        line = self._opened()
        if self._is_shut_out:
            # Password, CA or address may have been changed since.
            await self.close()
            await self.open()
            line = self._opened()
        held = self._credentials
        where = place(request.url, self._settings.base)
        judge = Judge(
            target=self._target,
            what=f"{request.method} {where.path.partition('?')[0]}",
            hide=held.hide if held is not None else str,
        )
        terms = Terms(
            context=self._context,
            name=self._settings.name or self._place.host,
            limit_s=self._settings.limit,
            target=self._target,
        )
        data = as_bytes(request, where, held=held, timer_s=self._settings.timer)
        try:
            said = await line.exchange(data, terms, _whole)
        except Refused:
            self._is_shut_out = True  # by TLS, for nothing else was said yet
            raise
        except http1.NotHttp as error:
            raise Malformed(
                f"what came back is not HTTP: {error}",
                target=self._target,
                remedy="Check address and port; https:// and http:// are two things.",
            ) from error
        if said.status in LOGIN:
            self._is_shut_out = True
        judge.check(said, request.expect)
        return said, judge


def _whole(data: bytes, is_all: bool) -> http1.Answer | None:
    return http1.answer(data, is_all=is_all)


BACKEND = Backend(kind="http", settings=Settings, make=HttpRelay)
