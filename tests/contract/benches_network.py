"""Benches of the network sockets: an HTTP server, and a device behind a real broker."""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from pathlib import Path
from typing import Any

import trustme

from contract.entry import Entry, awaitable, fault
from support.http_socket import HttpSocket
from support.mosquitto import DO, IS, THERE, Mosquitto, MqttSocket
from tidegate.clock import SystemClock
from tidegate.contract import Contact, Relay
from tidegate.core.reading import Supply
from tidegate.errors import BackendError, Malformed, Refused, Unavailable, Unsupported
from tidegate.host import Machine
from tidegate.testing import Fault, RelayBench, Stall
from tidegate_backends.relays import http, mqtt

MakeBench = Callable[[Path], AbstractAsyncContextManager[RelayBench]]

USERS = {"curator": "open sesame", "lobby": "socket"}
READS = {
    "url": "/outlet/1",
    "state": {"pointer": "/outlets/0/on", "on": True, "off": False},
}


def put(supply: str, **more: object) -> dict[str, Any]:
    """The request that turns the invented socket on or off."""
    extra = "".join(f', "{key}": {value}' for key, value in more.items())
    return {
        "method": "PUT",
        "url": "/outlet/1",
        "body": f'{{"supply": "{supply}"{extra}}}',
        "expect": {"pointer": "/outlets/0/on", "equals": supply == "on"},
    }


def _http(table: Mapping[str, Any], *, encrypted: bool = False) -> MakeBench:
    @asynccontextmanager
    async def bench(tmp_path: Path) -> AsyncIterator[RelayBench]:
        secret = tmp_path / "socket.secret"
        secret.write_text("curator:open sesame\n")
        secret.chmod(0o600)
        given: dict[str, Any] = {**table, "credentials": str(secret), "limit": "5s"}
        context = None
        if encrypted:
            context = _server_side(tmp_path / "ca.pem")
            given["ca"] = str(tmp_path / "ca.pem")
        machine = Machine(SystemClock())
        host = machine.host("lobby", hint=lambda: None)
        with HttpSocket(user="curator:open sesame", tls=context) as peer:
            yield _http_bench(peer, host, {**given, "base": peer.base}, secret)
        await host.close()
        machine.workers.close()

    return bench


def _server_side(ca_file: Path) -> ssl.SSLContext:
    authority = trustme.CA()
    authority.cert_pem.write_to_path(ca_file)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("127.0.0.1").configure_cert(context)
    return context


def _http_bench(
    peer: HttpSocket, host: Any, table: Mapping[str, Any], secret: Path
) -> RelayBench:
    def make(contact: Contact) -> Relay:
        settings = http.Settings.model_validate({**table, "contact": contact})
        return http.HttpRelay(settings, host)

    async def supply_becomes(contact: Contact, supply: Supply) -> bool:
        return peer.on is (supply is Supply.ON)

    async def reached() -> None:
        assert await asyncio.to_thread(peer.hears)

    def begin() -> None:
        peer.forget()
        peer.feel("held")

    held = Stall(
        begin=awaitable(begin),
        reached=reached,
        end=awaitable(lambda: peer.feel("sound")),
    )
    return RelayBench(
        make=make,
        supply_becomes=supply_becomes,
        stall=held,
        get_stall=held if "read" in table else None,
        faults=_http_faults(peer, secret, reads="read" in table),
    )


def _http_faults(peer: HttpSocket, secret: Path, *, reads: bool) -> tuple[Fault, ...]:
    away = secret.with_name("away")

    def feels(mood: str, during: str, error: type[BackendError]) -> Fault:
        return fault(
            mood, during, error, lambda: peer.feel(mood), lambda: peer.feel("sound")
        )

    faults = [
        fault("unplugged", "set", Unavailable, peer.unplug, peer.plug_in),
        fault(
            "the credentials file is missing",
            "open",
            Unavailable,
            lambda: secret.rename(away),
            lambda: away.rename(secret),
        ),
        fault(
            "the credentials file is empty",
            "open",
            Unsupported,
            lambda: secret.write_text(""),
            lambda: secret.write_text("curator:open sesame\n"),
        ),
        feels("error", "set", Unavailable),
        feels("closes", "set", Unavailable),
        feels("missing", "set", Refused),
        feels("elsewhere", "set", Refused),
        feels("other-state", "set", Refused),
        feels("garbage", "set", Malformed),
        feels("cut", "set", Malformed),
        feels("huge", "set", Malformed),
        feels("not-json", "set", Malformed),
        feels("other-json", "set", Malformed),
    ]
    if reads:
        faults += [
            fault("unplugged", "get", Unavailable, peer.unplug, peer.plug_in),
            feels("other-json", "get", Malformed),
            feels("busy", "get", Unavailable),
        ]
    return tuple(faults)


def _mqtt(table: Mapping[str, Any], *, tls: bool = False) -> MakeBench:
    @asynccontextmanager
    async def bench(tmp_path: Path) -> AsyncIterator[RelayBench]:
        secret = tmp_path / "broker.secret"
        secret.write_text("curator:open sesame\n")
        secret.chmod(0o600)
        machine = Machine(SystemClock())
        host = machine.host("lobby", hint=lambda: None)
        with (
            Mosquitto(tmp_path, users=USERS, tls=tls) as broker,
            MqttSocket(broker, user="lobby", password="socket") as peer,
        ):
            given = {
                **{"broker": "127.0.0.1", "port": broker.port, "tls": tls},
                **({"ca": str(broker.ca)} if tls else {}),
                **{"credentials": str(secret), "limit": "5s", **table},
            }
            yield _mqtt_bench(broker, peer, host, given, secret)
        await host.close()
        machine.workers.close()

    return bench


def _mqtt_bench(
    broker: Mosquitto,
    peer: MqttSocket,
    host: Any,
    table: Mapping[str, Any],
    secret: Path,
) -> RelayBench:
    def make(contact: Contact) -> Relay:
        settings = mqtt.Settings.model_validate({**table, "contact": contact})
        return mqtt.MqttRelay(settings, host)

    async def supply_becomes(contact: Contact, supply: Supply) -> bool:
        # A blind command is on its way when set returns.
        return await asyncio.to_thread(peer.until, supply is Supply.ON)

    async def reached() -> None:
        assert await asyncio.to_thread(broker.has_unread)

    frozen = Stall(
        begin=awaitable(broker.freeze), reached=reached, end=awaitable(broker.thaw)
    )
    reads = "state" in table
    return RelayBench(
        make=make,
        supply_becomes=supply_becomes,
        stall=_silent(peer) if reads else frozen,
        get_stall=frozen if reads else None,
        faults=_mqtt_faults(broker, peer, secret, reads=reads),
    )


def _silent(peer: MqttSocket) -> Stall:
    async def reached() -> None:
        assert await asyncio.to_thread(peer.hears)

    def begin() -> None:
        peer.heard.clear()
        peer.feel("silent")

    return Stall(
        begin=awaitable(begin),
        reached=reached,
        end=awaitable(lambda: peer.feel("sound")),
    )


def _mqtt_faults(
    broker: Mosquitto, peer: MqttSocket, secret: Path, *, reads: bool
) -> tuple[Fault, ...]:
    def lets_in(**users: str) -> None:
        peer.unplug()
        broker.stop()
        broker.lets_in(**users)
        broker.start()
        peer.plug_in()

    def back() -> None:
        peer.unplug()
        broker.start()
        peer.plug_in()

    faults = [
        fault("the broker is gone", "set", Unavailable, broker.stop, back),
        fault("the socket is gone", "set", Unavailable, peer.unplug, peer.plug_in),
        fault(
            "the user is not known any more",
            "set",
            Refused,
            lambda: lets_in(lobby="socket"),
            lambda: lets_in(**USERS),
        ),
        fault(
            "the credentials file holds a token",
            "open",
            Unsupported,
            lambda: secret.write_text("0123456789abcdef"),
            lambda: secret.write_text("curator:open sesame\n"),
        ),
    ]
    if reads:
        faults += [
            fault("the broker is gone", "get", Unavailable, broker.stop, back),
            fault("the socket is gone", "get", Unavailable, peer.unplug, peer.plug_in),
            fault(
                "the socket reports neither on nor off",
                "get",
                Malformed,
                lambda: peer.feel("words"),
                lambda: peer.feel("sound"),
            ),
        ]
    return tuple(faults)


_ON, _OFF = put("on"), put("off")
_TOPICS = {
    "command": {"topic": DO},
    "state": {"topic": IS},
    "availability": {"topic": THERE},
}

ENTRIES: Mapping[str, Entry] = {
    "tidegate_backends.relays.http": Entry(
        table={"kind": "http", "base": "http://192.0.2.7", "on": _ON, "off": _OFF},
        benches={
            "reads": _http({"on": _ON, "off": _OFF, "read": READS}),
            "tls": _http({"on": _ON, "off": _OFF, "read": READS}, encrypted=True),
            "echo": _http({"on": _ON, "off": _OFF}),
            "timer": _http(
                {
                    "on": _ON,
                    "off": put("off", for_s="{seconds}"),
                    "read": READS,
                    "timer": "120s",
                }
            ),
        },
    ),
    "tidegate_backends.relays.mqtt": Entry(
        table={"kind": "mqtt", "broker": "192.0.2.7", **_TOPICS},
        benches={
            "state": _mqtt(_TOPICS, tls=True),
            "blind": _mqtt(
                {
                    "command": {"topic": DO, "off": "OFF {seconds}"},
                    "timer": "120s",
                }
            ),
        },
    ),
}
