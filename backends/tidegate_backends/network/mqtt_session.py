"""One connection to an MQTT 5 broker, for one call: connect, ask or tell, leave.

A client library that lives on would send again what it could not deliver, hours
later. So each session has a client of its own that is thrown away, with a session at
the broker that ends with the connection. All of them have the same client id: when a
new one is let in, the broker has closed the one before, and nothing that may still
be under way in that one is carried out any more.

paho-mqtt is used by itself, and not through aiomqtt, which also needs it: aiomqtt
drops the reason code of a publication, so that one that the broker denies looks done,
and it connects in the event loop's default executor, where a few brokers that hang
keep every other station waiting. Here connecting has the backend's thread; everything
else is in the event loop, so a session that is given up sends nothing more.

Source: MQTT 5.0 (OASIS), sections 3.1.3.1 and 3.1.4 (client id), 4.6 (order),
3.3.2.3.3 (message expiry), 2.4 (reason codes); paho-mqtt 2.1.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl
from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType
from typing import TYPE_CHECKING, Any, Final, Self

from tidegate.contract import Host
from tidegate.errors import BackendError, Malformed, Refused, Unavailable, Unsupported
from tidegate_backends.network import endings, tls
from tidegate_backends.network.credentials import Credentials

if TYPE_CHECKING:
    from paho.mqtt.client import Client

PACKET_AT_MOST: Final = 64 * 1024
_KEEP_ALIVE_S: Final = 60
_FAILS: Final = 0x80
_NO_SUBSCRIBERS: Final = 0x10
_WRONG_VERSION: Final = 0x84
# Server unavailable, busy, shutting down, another took over, quota, rate.
_LATER: Final = frozenset({0x88, 0x89, 0x8B, 0x8E, 0x97, 0x9F})
_TAKEN_OVER: Final = 0x8E
_PROTOCOL: Final = frozenset({0x81, 0x82})


@dataclass(frozen=True, slots=True, kw_only=True)
class Broker:
    """How to reach a broker, and as whom."""

    host: str
    port: int
    client_id: str
    context: ssl.SSLContext | None
    credentials: Credentials | None
    limit_s: float
    target: str


def library(target: str) -> Any:
    """Return paho's client module. Errors: Unsupported."""
    try:
        from paho.mqtt import client
    except ImportError as error:
        raise Unsupported(
            "paho-mqtt is not installed (extra `mqtt`)",
            target=target,
            remedy="Install it: pip install 'tidegate[mqtt]'",
        ) from error
    return client


class Session:
    """A connection; made, entered and left for one call.

    ``said`` holds the last payload of each topic, ``news`` the topics that something
    new came on since the last publication; ``is_connecting`` that its thread is busy,
    perhaps for nobody any more; ``is_shut_out`` that TLS or the broker did not let us
    in. Errors of every call: Unavailable, Refused, Malformed, Unsupported;
    TimeoutError at the limit, which is on all of it.
    """

    def __init__(self, broker: Broker, host: Host, *, worker: str) -> None:
        self.said: dict[str, bytes] = {}
        self.news: set[str] = set()
        self._broker = broker
        self._host = host
        self._worker = worker
        self._client = _made(broker)
        self._changed = asyncio.Event()
        self._acks: dict[int, int] = {}
        self._accepted: int | None = None
        self._lost: int | None = None
        self.is_connecting = False
        self.is_shut_out = False
        self._given_up = False
        self._detach: Callable[[], None] = lambda: None
        self._ends_at_s = asyncio.get_running_loop().time() + broker.limit_s

    async def __aenter__(self) -> Self:
        try:
            async with asyncio.timeout_at(self._ends_at_s):
                await self._connected()
            await self.until(lambda: self._accepted is not None)
        except OSError as error:
            self.give_up()
            if isinstance(error, TimeoutError):
                raise  # said by whoever knows what was waited for
            failed = tls.failure(error, target=self._broker.target)
            self.is_shut_out = isinstance(failed, Refused)
            raise failed from error
        except BaseException:
            self.give_up()
            raise
        assert self._accepted is not None
        if self._accepted >= _FAILS:
            self.give_up()
            self.is_shut_out = True
            raise self._denied("the broker does not let us in", self._accepted)
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if error is None and self._lost is None:
            self._detach()
            self._client.disconnect()
            plug = self._client.socket()
            if isinstance(plug, socket.socket):
                endings.send_the_rest(plug)
        self.give_up()

    def give_up(self) -> None:
        """Close at once; what the broker has not got by now it never gets."""
        self._given_up = True
        self._detach()
        self._lost = 0 if self._lost is None else self._lost
        self._changed.set()
        if not self.is_connecting:  # else its thread will do it, when it can
            _cut(self._client)

    async def subscribe(self, *topics: str) -> None:
        """Ask for topics; what is retained there comes soon after."""
        _, mid = self._client.subscribe([(topic, 1) for topic in topics])
        assert mid is not None
        code = await self._acknowledged(mid)
        if code >= _FAILS:
            raise self._denied(f"no subscription to {' and '.join(topics)}", code)

    async def publish(self, topic: str, payload: bytes, *, expires_s: int) -> None:
        """Publish, not retained, and return when the broker has it.

        ``expires_s``: it is not delivered later than that.
        """
        properties = _properties("PUBLISH", MessageExpiryInterval=expires_s)
        self.news.clear()
        sent = self._client.publish(topic, payload, qos=1, properties=properties)
        code = await self._acknowledged(sent.mid)
        if code == _NO_SUBSCRIBERS:
            raise Unavailable(
                f"nobody listens to {topic}",
                target=self._broker.target,
                remedy="Check the socket's power and network, and the topic's name.",
            )
        if code >= _FAILS:
            raise self._denied(f"the broker does not take {topic}", code)

    async def until(self, holds: Callable[[], bool]) -> None:
        """Wait until something holds, which only what comes in can change.

        Raises TimeoutError at the session's limit.
        """
        async with asyncio.timeout_at(self._ends_at_s):
            while not holds():
                if self._lost is not None:
                    raise self._gone(self._lost)
                self._changed.clear()
                await self._changed.wait()

    async def _connected(self) -> None:
        self.is_connecting = True
        await self._host.worker(self._worker).call(self._connect)
        if self._given_up:
            raise self._gone(0)
        self._listen()

    # --- in the backend's thread ------------------------------------------------------

    def _connect(self) -> None:
        properties = _properties(
            "CONNECT", SessionExpiryInterval=0, MaximumPacketSize=PACKET_AT_MOST
        )
        try:
            self._client.connect(
                self._broker.host,
                self._broker.port,
                _KEEP_ALIVE_S,
                clean_start=True,
                properties=properties,
            )
        finally:
            # First this, then the look: ``give_up`` does it the other way round, so
            # one of the two closes the connection.
            self.is_connecting = False
        if self._given_up:
            _cut(self._client)
            return
        plug = self._client.socket()
        if isinstance(plug, socket.socket):
            endings.drop_the_rest(plug)
            # Small packets one after another; waiting to fill one costs 40 ms each.
            plug.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    # --- in the event loop ------------------------------------------------------------

    def _listen(self) -> None:
        client, plug = self._client, self._client.socket()
        if plug is None:
            raise self._gone(0)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_publish = self._on_publish
        client.on_message = self._on_message
        self._detach = self._host.attach(plug.fileno(), self._ready)

    def _ready(self) -> None:
        """Read all there is; paho takes one packet a call."""
        while self._lost is None:
            plug = self._client.socket()
            # What is not MQTT it answers with the end, and `_on_disconnect` says why.
            self._client.loop_read()
            # Bytes that TLS has taken in already do not wake the loop again.
            if not isinstance(plug, ssl.SSLSocket) or not _pending(plug):
                break
        if self._client.socket() is None:
            self._lost = 0 if self._lost is None else self._lost
        if self._lost is not None:
            self._detach()
            self._changed.set()

    def _on_connect(self, _c: Any, _d: Any, _f: Any, code: Any, _p: Any) -> None:
        self._accepted = code.value
        self._changed.set()

    def _on_disconnect(self, _c: Any, _d: Any, _f: Any, code: Any, _p: Any) -> None:
        self._lost = code.value
        self._changed.set()

    def _on_subscribe(self, _c: Any, _d: Any, mid: int, codes: Any, _p: Any) -> None:
        self._acks[mid] = max(code.value for code in codes)
        self._changed.set()

    def _on_publish(self, _c: Any, _d: Any, mid: int, code: Any, _p: Any) -> None:
        self._acks[mid] = code.value
        self._changed.set()

    def _on_message(self, _c: Any, _d: Any, message: Any) -> None:
        self.said[message.topic] = message.payload
        if not message.retain:
            self.news.add(message.topic)
        self._changed.set()

    async def _acknowledged(self, mid: int) -> int:
        await self.until(lambda: mid in self._acks)
        return self._acks.pop(mid)

    def _denied(self, what: str, code: int) -> BackendError:
        target, said = self._broker.target, f"{what} ({_name(code)})"
        if code == _WRONG_VERSION:
            return Unsupported(
                said,
                target=target,
                remedy="It takes a broker that speaks MQTT 5, for only there a command "
                "expires.",
            )
        if code in _LATER:
            return Unavailable(said, target=target, remedy="Look at the broker's log.")
        return Refused(
            said,
            target=target,
            remedy="Check the file of credentials, and the broker's rules for this "
            "user, client id and topic.",
        )

    def _gone(self, code: int) -> BackendError:
        if code in _PROTOCOL:
            return Malformed(
                "it does not speak MQTT 5",
                target=self._broker.target,
                remedy="Check broker, port and `tls`; a broker needs MQTT 5.",
            )
        if self._given_up:
            what, remedy = "the call was given up", "Open the relay anew."
        elif code == _TAKEN_OVER:
            what, remedy = (
                "another client came with the same client id",
                "Leave client_id out, or give every station its own; one tidegate only "
                "may command a socket.",
            )
        else:
            what = "the broker closed the connection"
            remedy = "Check broker, port and `tls`; look at the broker's log."
        return Unavailable(what, target=self._broker.target, remedy=remedy)


def _made(broker: Broker) -> Client:
    paho = library(broker.target)
    client: Client = paho.Client(
        paho.CallbackAPIVersion.VERSION2,
        client_id=broker.client_id,
        protocol=paho.MQTTv5,
        reconnect_on_failure=False,
    )
    client.connect_timeout = broker.limit_s
    if broker.context is not None:
        broker.context.sslsocket_class = _Plug
        client.tls_set_context(broker.context)
    held = broker.credentials
    if held is not None and held.user is not None and held.password is not None:
        client.username_pw_set(
            held.user.get_secret_value(), held.password.get_secret_value()
        )
    return client


def _properties(packet: str, **values: int) -> Any:
    from paho.mqtt import packettypes, properties

    made: Any = properties
    found = made.Properties(getattr(packettypes.PacketTypes, packet))
    for name, value in values.items():
        setattr(found, name, value)
    return found


class _Plug(ssl.SSLSocket):
    """Closes itself when the handshake fails, which paho forgets to do."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


def _cut(client: Client) -> None:
    """Close the connection; unless it ended in order, what waits in it is dropped."""
    plug = client.socket()
    if plug is not None:
        plug.close()


def _pending(plug: ssl.SSLSocket) -> bool:
    try:
        return plug.pending() > 0
    except (ValueError, OSError):
        return False  # it was closed just now


def _name(code: int) -> str:
    """Return the standard's name of a reason code, as far as paho knows it."""
    from paho.mqtt.packettypes import PacketTypes
    from paho.mqtt.reasoncodes import ReasonCode

    for kind in (PacketTypes.CONNACK, PacketTypes.PUBACK, PacketTypes.SUBACK):
        # No reason of any packet, or none of this one.
        with contextlib.suppress(KeyError, ValueError):
            return str(ReasonCode(kind, identifier=code)).lower()
    return f"reason 0x{code:02x}"
