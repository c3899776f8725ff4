"""One connection to an MQTT 5 broker; all of it blocks and is for a thread of its own.

Errors: TidegateError with a remedy where a person must do something; ``Lost`` where
the connection ended or did not answer in time.

Source: MQTT 5.0 (OASIS), sections 3.1 (CONNECT), 3.3 (PUBLISH), 3.14 (DISCONNECT),
3.2.2.3.4 to 6 (Maximum QoS, Retain Available, Maximum Packet Size), 3.2.2.3.14 (Server
Keep Alive), 2.4 (reason codes).
"""

from __future__ import annotations

import errno
import hashlib
import selectors
import socket
import ssl
import time
from collections.abc import Callable
from dataclasses import dataclass
from math import inf
from typing import Any, Final

from tidegate.errors import TidegateError
from tidegate.publish import credentials
from tidegate.settings.table_mqtt import MqttSettings

# Engineering choices, no source.
KEEP_ALIVE_S: Final = 60
CONNECT_S: Final = 10.0
ANSWER_S: Final = 20.0
LEAST_REST_S: Final = 1.0
PACKET_AT_MOST: Final = 16 * 1024
_FAILS: Final = 0x80
_TAKEN_OVER: Final = 0x8E
_TOO_LARGE: Final = 0x95
_NO_RETAIN, _NO_QOS_1 = 0x9A, 0x9B


class Lost(Exception):
    """The connection ended, or the broker does not answer. Try again later."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One publication. ``expires_s``: how long a broker may keep it, ``None`` for ever."""

    topic: str
    payload: bytes
    station: str = ""
    schema: str = ""
    is_retained: bool = False
    expires_s: int | None = None


def presence(topic: str, word: str) -> Message:
    """Return the retained word of whether the daemon is there."""
    return Message(topic=f"{topic}/there", payload=word.encode(), is_retained=True)


class Link:
    """Made, connected, used and closed once. ``note`` is told what a person may know."""

    def __init__(
        self, settings: MqttSettings, *, topic: str, note: Callable[[str], None]
    ) -> None:
        self._settings = settings
        self._topic = topic
        self._note = note
        self._client: Any = None
        self._selector = selectors.DefaultSelector()
        self._said: int | None = None
        self._terms: Any = None
        self._ended: int | None = None
        self._acks: dict[int, int] = {}

    def connect(self) -> None:
        """Connect with the last will; returns when the broker has let us in."""
        client = self._client = self._made()
        settings = self._settings
        # paho's plain connections raise OSError, names that are none UnicodeError.
        try:
            client.connect(
                settings.broker,
                settings.reached_port,
                KEEP_ALIVE_S,
                clean_start=True,
                properties=_properties(
                    "CONNECT", SessionExpiryInterval=0, MaximumPacketSize=PACKET_AT_MOST
                ),
            )
        except ssl.SSLCertVerificationError as error:
            raise TidegateError(
                f"the broker's certificate is not trusted: {error.verify_message}",
                remedy="Name the site's CA as `ca` in [mqtt]; check this machine's clock",
            ) from error
        except (OSError, UnicodeError) as error:
            raise _out_of_reach(error) from error
        plug = client.socket()
        if isinstance(plug, socket.socket):
            # Small packets one after another; waiting to fill one costs 40 ms each.
            plug.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        try:
            self._until(lambda: self._said is not None, time.monotonic() + CONNECT_S)
        except Lost as error:
            if self._said is not None and self._said >= _FAILS:
                raise _shut_out(self._said) from error
            raise
        # Sending it what it does not take would be a fault of ours, and is forbidden.
        if not self._term("RetainAvailable", 1):
            raise _shut_out(_NO_RETAIN)
        if not self._term("MaximumQoS", 1):
            raise _shut_out(_NO_QOS_1)

    def publish(self, message: Message, *, by_s: float | None = None) -> str | None:
        """Publish, and return when the broker has it; why not, if it does not want it."""
        properties = _properties("PUBLISH", PayloadFormatIndicator=1)
        if message.schema:
            properties.ContentType = "application/json"
            properties.UserProperty = ("schema", message.schema)
        if message.expires_s is not None:
            properties.MessageExpiryInterval = message.expires_s
        if _size(message, properties) > self._term("MaximumPacketSize", inf):
            return _name(_TOO_LARGE)
        sent = self._client.publish(
            message.topic,
            message.payload,
            qos=1,
            retain=message.is_retained,
            properties=properties,
        )
        limit_s = time.monotonic() + ANSWER_S if by_s is None else by_s
        self._until(lambda: sent.mid in self._acks, limit_s)
        code = self._acks.pop(sent.mid)
        return _name(code) if code >= _FAILS else None

    def rest(self, bell: int) -> None:
        """Return at the next ring; until then read what comes, and keep alive.

        A broker may want other pings than we offered, and none at all with 0.
        """
        self._selector.register(bell, selectors.EVENT_READ)
        apart_s = self._client.keepalive / 3
        wait_s = max(LEAST_REST_S, apart_s) if apart_s else None
        try:
            while not self._turn(wait_s, bell):
                self._check(self._client.loop_misc())
        finally:
            self._selector.unregister(bell)

    def leave(self) -> None:
        """End in good order, so that the broker forgets the will."""
        self._client.disconnect()

    def close(self) -> None:
        """Close it whatever it is like; may be called twice."""
        plug = None if self._client is None else self._client.socket()
        if plug is not None:
            plug.close()
        self._selector.close()

    # --- within -----------------------------------------------------------------------

    def _made(self) -> Any:
        from paho.mqtt import client, enums

        settings = self._settings
        made = client.Client(
            enums.CallbackAPIVersion.VERSION2,
            client_id=f"tidegate{hashlib.sha256(self._topic.encode()).hexdigest()[:15]}",
            protocol=enums.MQTTProtocolVersion.MQTTv5,
            reconnect_on_failure=False,
        )
        made.connect_timeout = CONNECT_S
        if settings.tls:
            made.tls_set_context(_context(settings))
        if settings.credentials is not None:
            user, password = credentials.read(settings.credentials, note=self._note)
            made.username_pw_set(user, password)
            if not settings.tls:
                self._note("the credentials go over the network without TLS")
        will = presence(self._topic, "offline")
        made.will_set(will.topic, will.payload, qos=1, retain=True)
        made.on_connect = self._on_connect
        made.on_disconnect = self._on_disconnect
        made.on_publish = self._on_publish
        return made

    def _until(self, holds: Callable[[], bool], limit_s: float) -> None:
        while not holds():
            left_s = limit_s - time.monotonic()
            if left_s <= 0:
                raise Lost("the broker does not answer")
            self._turn(left_s, None)

    def _turn(self, wait_s: float | None, bell: int | None) -> bool:
        """Wait for the broker or the bell and serve the broker; return whether it rang."""
        plug = self._client.socket()
        if plug is None:
            raise self._closed()
        wanted = selectors.EVENT_READ
        if self._client.want_write():
            wanted |= selectors.EVENT_WRITE
        self._selector.register(plug, wanted)
        try:
            ready = self._selector.select(wait_s)
        finally:
            self._selector.unregister(plug)
        rang = False
        for key, events in ready:
            if key.fd == bell:
                rang = True
            elif events & selectors.EVENT_WRITE:
                self._check(self._client.loop_write())
        if any(
            key.fd != bell and events & selectors.EVENT_READ for key, events in ready
        ):
            self._read(plug)
        return rang

    def _read(self, plug: Any) -> None:
        """Read all there is; bytes that TLS holds already wake nobody again."""
        self._read_once()
        while isinstance(plug, ssl.SSLSocket) and self._client.socket() is plug:
            if not plug.pending():
                break
            self._read_once()

    def _read_once(self) -> None:
        self._check(self._client.loop_read())
        # paho takes what comes, up to 256 MiB, and has no word for a limit.
        if self._client._in_packet["remaining_length"] > PACKET_AT_MOST:
            raise Lost("the broker sends a packet that is too large")

    def _term(self, name: str, usual: float) -> float:
        """Return what the broker's answer to our CONNECT says of this."""
        found: float = getattr(self._terms, name, usual)
        return found

    def _check(self, code: int) -> None:
        if code:
            raise self._closed()

    def _closed(self) -> TidegateError | Lost:
        """Return why the connection ended, as far as the broker told it."""
        if self._ended == _TAKEN_OVER:
            return TidegateError(
                "somebody else publishes under this topic, and the broker keeps one",
                remedy="Give each machine's daemon its own `topic` in [mqtt]",
            )
        told = "" if not self._ended else f" ({_name(self._ended)})"
        return Lost(f"the broker closed the connection{told}")

    def _on_connect(self, _c: Any, _d: Any, _f: Any, code: Any, terms: Any) -> None:
        self._said, self._terms = code.value, terms

    def _on_disconnect(self, _c: Any, _d: Any, flags: Any, code: Any, _p: Any) -> None:
        if flags.is_disconnect_packet_from_server:
            self._ended = code.value

    def _on_publish(self, _c: Any, _d: Any, mid: int, code: Any, _p: Any) -> None:
        self._acks[mid] = code.value


class _Plug(ssl.SSLSocket):
    """Closes itself when the handshake fails, which paho forgets to do."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


def _context(settings: MqttSettings) -> ssl.SSLContext:
    """Return what verifies the broker; there is no way to switch that off."""
    path = settings.ca
    try:
        made = ssl.create_default_context(cafile=settings.ca)
        if settings.certificate is not None:
            path = settings.certificate
            # Asked for by nobody: a key with a passphrase would wait for a terminal.
            made.load_cert_chain(path, settings.certificate_key, password=lambda: "")
    except OSError as error:  # those of TLS among them
        raise TidegateError(
            f"{path} is not read as a certificate ({_reason(error)})",
            remedy="Check `ca` and `certificate` in [mqtt], and who may read them",
        ) from error
    made.sslsocket_class = _Plug
    return made


def _properties(packet: str, **values: Any) -> Any:
    from paho.mqtt import packettypes, properties

    made: Any = properties
    found = made.Properties(getattr(packettypes.PacketTypes, packet))
    for name, value in values.items():
        setattr(found, name, value)
    return found


def _out_of_reach(error: Exception) -> TidegateError | Lost:
    said = f"the broker is not reachable ({_reason(error)})"
    # RestrictAddressFamilies= and IPAddressDeny= of systemd.exec(5).
    closed = (errno.EAFNOSUPPORT, errno.EPERM)
    if not isinstance(error, ssl.SSLError) and getattr(error, "errno", 0) in closed:
        return TidegateError(
            said, remedy="As a service tidegate needs the drop-in network.conf for this"
        )
    return Lost(said)


def _size(message: Message, properties: Any) -> int:
    """Return how long the PUBLISH is; source: MQTT 5.0, sections 2.1 and 3.3."""
    rest = 2 + len(message.topic.encode()) + 2 + len(message.payload)
    rest += len(properties.pack())
    # Seven bits of its length a byte.
    return 1 + max(1, -(-rest.bit_length() // 7)) + rest


def _shut_out(code: int) -> TidegateError:
    if code in (_NO_RETAIN, _NO_QOS_1):
        return TidegateError(
            f"the broker cannot do what is needed ({_name(code)})",
            remedy="It takes a broker that keeps retained messages and speaks QoS 1",
        )
    return TidegateError(
        f"the broker does not let us in ({_name(code)})",
        remedy="Check `credentials` in [mqtt] and the broker's rules for this user; it "
        "takes a broker that speaks MQTT 5",
    )


def _reason(error: Exception) -> str:
    said = getattr(error, "reason", None) or getattr(error, "strerror", None)
    return str(said or error or type(error).__name__).lower()


def _name(code: int) -> str:
    """Return the standard's name of a reason code, as far as paho knows it."""
    from paho.mqtt.packettypes import PacketTypes
    from paho.mqtt.reasoncodes import ReasonCode

    for kind in (PacketTypes.CONNACK, PacketTypes.PUBACK, PacketTypes.DISCONNECT):
        try:
            return str(ReasonCode(kind, identifier=code)).lower()
        except (KeyError, ValueError):
            continue  # no reason of any packet, or none of this one
    return f"reason 0x{code:02x}"
