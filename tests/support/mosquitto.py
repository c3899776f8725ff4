"""A real MQTT broker with a configuration of its own, and a socket that listens to it.

with Mosquitto(tmp_path, users={"curator": "open sesame"}) as broker:
    with MqttSocket(broker, user="lobby", password="x") as peer:
        ...

``MqttSocket`` plays an invented device with paho-mqtt: it obeys ``hall/lobby/do``,
keeps ``hall/lobby/is`` retained, and ``hall/lobby/there`` with a last will. It was
written from the standard (MQTT 5.0, OASIS) and shares no code with ours.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import ssl
import subprocess
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

import trustme
from paho.mqtt import client as paho
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from support.peers import need
from support.ports import free_port

DO, IS, THERE = "hall/lobby/do", "hall/lobby/is", "hall/lobby/there"
WAIT_S = 20.0


class Mosquitto:
    """The broker. ``users``: nobody else is let in. ``acl``: lines of its acl_file."""

    def __init__(
        self,
        folder: Path,
        *,
        users: dict[str, str] | None = None,
        acl: str = "",
        tls: bool = False,
        extra: str = "",
    ) -> None:
        self.folder = folder
        self.port = free_port()
        self.tls = tls
        self.ca = folder / "ca.pem"
        self._program = need("mosquitto")
        self._process: subprocess.Popen[bytes] | None = None
        self._config = folder / "mosquitto.conf"
        lines = [
            f"listener {self.port} 127.0.0.1",
            f"allow_anonymous {_word(not users)}",
            "set_tcp_nodelay true",
        ]
        if os.geteuid() == 0:
            lines.append("user root")  # else it could not read this folder
        if users:
            lines.append(f"password_file {self._passwords(users)}")
        if acl:
            (folder / "acl").write_text(acl)
            lines.append(f"acl_file {folder / 'acl'}")
        if tls:
            lines += self._certificates()
        self._config.write_text("\n".join([*lines, extra, ""]))

    def _passwords(self, users: dict[str, str]) -> Path:
        file = self.folder / "passwords"
        file.touch(mode=0o600)
        for name, password in users.items():
            command = [need("mosquitto_passwd"), "-b", str(file), name, password]
            subprocess.run(command, check=True, timeout=30, capture_output=True)
        return file

    def _certificates(self) -> list[str]:
        authority = trustme.CA()
        authority.cert_pem.write_to_path(self.ca)
        own = authority.issue_cert("127.0.0.1")
        own.private_key_pem.write_to_path(self.folder / "broker.key")
        own.cert_chain_pems[0].write_to_path(self.folder / "broker.pem")
        return [
            f"certfile {self.folder / 'broker.pem'}",
            f"keyfile {self.folder / 'broker.key'}",
        ]

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def start(self) -> None:
        """Begin, at the same port as before, and wait until it takes connections."""
        with (self.folder / "mosquitto.log").open("ab") as log:
            self._process = subprocess.Popen(
                [self._program, "-c", str(self._config)], stdout=log, stderr=log
            )
        deadline_s = time.monotonic() + WAIT_S
        tick = threading.Event()
        while True:
            try:
                with socket.create_connection(("127.0.0.1", self.port), timeout=1):
                    assert self._process.poll() is None, self.log
                    return
            except OSError:
                assert self._process.poll() is None, self.log
                assert time.monotonic() < deadline_s, self.log
                tick.wait(0.02)

    def stop(self) -> None:
        """End the process that this object began; its clients see it go."""
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.wait(timeout=WAIT_S)

    def freeze(self) -> None:
        """Let it answer nothing more; the system goes on to take connections for it."""
        self._signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Go on, beginning with what came meanwhile."""
        self._signal(signal.SIGCONT)

    def has_unread(self, *, within_s: float = WAIT_S) -> bool:
        """Wait until something was sent to the frozen broker; return whether it was."""
        deadline_s = time.monotonic() + within_s
        tick = threading.Event()
        while time.monotonic() < deadline_s:
            if any(_unread(self.port)):
                return True
            tick.wait(0.01)
        return False

    def _signal(self, number: int) -> None:
        assert self._process is not None
        self._process.send_signal(number)

    @property
    def is_running(self) -> bool:
        """Whether it was started and not stopped."""
        return self._process is not None

    def until_retained(
        self, topic: str, payload: bytes, user: str | None, password: str | None
    ) -> None:
        """Wait until this is what is retained on a topic."""
        client = paho.Client(
            paho.CallbackAPIVersion.VERSION2, client_id="witness", protocol=paho.MQTTv5
        )
        if user is not None:
            client.username_pw_set(user, password)
        if self.tls:
            client.tls_set_context(_trusting(self.ca))
        came: list[bytes] = []
        client.on_connect = lambda client, *_: client.subscribe(topic, qos=1)
        client.on_message = lambda _c, _d, message: came.append(message.payload)
        client.connect("127.0.0.1", self.port)
        deadline_s = time.monotonic() + WAIT_S
        while payload not in came[-1:]:
            assert time.monotonic() < deadline_s, f"{topic} is {came}"
            client.loop(timeout=0.05)
        client.disconnect()

    def lets_in(self, **users: str) -> None:
        """Let in these users and nobody else, from the next start on."""
        (self.folder / "passwords").unlink()
        self._passwords(users)

    @property
    def log(self) -> str:
        return (self.folder / "mosquitto.log").read_text(errors="replace")


@dataclass
class MqttSocket:
    """The device. Everything public may be used from any thread.

    Moods: ``sound``; ``silent`` hears and does nothing; ``stubborn`` does nothing and
    reports that; ``words`` reports neither on nor off; ``mute`` moves and reports
    nothing. ``keeps_session``: the broker keeps for it what it misses.
    """

    broker: Mosquitto
    user: str | None = None
    password: str | None = None
    mood: str = "sound"
    keeps_session: bool = False
    as_json: bool = False
    heard: list[tuple[str, bool]] = field(default_factory=list)  # payload, retained

    def __post_init__(self) -> None:
        self.changed = threading.Condition(threading.RLock())
        self.on = True
        self._client: paho.Client | None = None
        self._thread: threading.Thread | None = None
        self._ended = threading.Event()
        self._wants_to_report = threading.Event()
        self._has_reported = threading.Event()
        self._is_ready = False

    def __enter__(self) -> Self:
        self.plug_in()
        return self

    def __exit__(self, *_: object) -> None:
        self.unplug()

    # ---- life

    def plug_in(self) -> None:
        """Come to the broker; returns when it listens and has reported."""
        self._is_ready = False
        client = paho.Client(
            paho.CallbackAPIVersion.VERSION2,
            client_id="lobby-socket",
            protocol=paho.MQTTv5,
        )
        if self.user is not None:
            client.username_pw_set(self.user, self.password)
        if self.broker.tls:
            client.tls_set_context(_trusting(self.broker.ca))
        client.will_set(THERE, "offline", qos=1, retain=True)
        client.on_connect = self._connected
        client.on_subscribe = self._subscribed
        client.on_message = self._message
        expiry = Properties(PacketTypes.CONNECT)
        expiry.SessionExpiryInterval = 3_600 if self.keeps_session else 0
        clean = not self.keeps_session
        client.connect(
            "127.0.0.1", self.broker.port, 60, clean_start=clean, properties=expiry
        )
        _quick(client)
        self._client = client
        self._ended.clear()
        self._thread = threading.Thread(target=self._run, args=(client,), daemon=True)
        self._thread.start()
        with self.changed:
            assert self.changed.wait_for(lambda: self._is_ready, timeout=WAIT_S)

    def unplug(self) -> None:
        """Go without a word, as when the plug is pulled: the broker sends the will.

        Returns when that is so, as far as there is a broker.
        """
        client, self._client = self._client, None
        if client is None:
            return
        self._ended.set()
        assert self._thread is not None
        self._thread.join(timeout=WAIT_S)
        plug = client.socket()
        if plug is not None:
            plug.close()
        if self.broker.is_running:
            self.broker.until_retained(THERE, b"offline", self.user, self.password)

    def _run(self, client: paho.Client) -> None:
        """Read what comes; a lost connection is tried again ten times a second."""
        while not self._ended.is_set():
            if self._wants_to_report.is_set():
                self._wants_to_report.clear()
                self._report(client)
                self._has_reported.set()
            if client.loop(timeout=0.02) == paho.MQTT_ERR_SUCCESS:
                continue
            with contextlib.suppress(OSError):
                client.reconnect()
                _quick(client)
            self._ended.wait(0.1)

    def _connected(self, client: Any, *_: object) -> None:
        client.subscribe(DO, qos=1)

    def _subscribed(self, client: Any, *_: object) -> None:
        client.publish(THERE, "online", qos=1, retain=True)
        self._report(client)
        with self.changed:
            self._is_ready = True
            self.changed.notify_all()

    # ---- what it does

    def _message(self, client: Any, userdata: Any, message: Any) -> None:
        text = message.payload.decode()
        with self.changed:
            self.heard.append((text, message.retain))
            if self.mood not in ("silent", "stubborn"):
                self.on = text.partition(" ")[0] == "ON"  # "OFF 120" is for two minutes
            self.changed.notify_all()
            if self.mood not in ("silent", "mute"):
                self._report(client)

    def until(self, on: bool, *, within_s: float = WAIT_S) -> bool:
        """Wait until the supply is as said; return whether it is."""
        with self.changed:
            return self.changed.wait_for(lambda: self.on is on, timeout=within_s)

    def hears(self, *, count: int = 1, within_s: float = WAIT_S) -> bool:
        """Wait until so many commands were heard; return whether they were."""
        with self.changed:
            return self.changed.wait_for(
                lambda: len(self.heard) >= count, timeout=within_s
            )

    def feel(self, mood: str) -> None:
        """Behave like this from now on, and report."""
        with self.changed:
            self.mood = mood
        self.report()

    def turn(self, *, on: bool) -> None:
        """Move the contact by hand, and report."""
        with self.changed:
            self.on = on
            self.changed.notify_all()
        self.report()

    def report(self) -> None:
        """Say what it is, retained; returns when that is on its way.

        Only the device's own thread may use its connection.
        """
        if self._client is None:
            return
        self._has_reported.clear()
        self._wants_to_report.set()
        assert self._has_reported.wait(WAIT_S)

    def _report(self, client: paho.Client) -> None:
        word = "maybe" if self.mood == "words" else ("ON" if self.on else "OFF")
        payload = json.dumps({"outlet": {"on": word == "ON"}}) if self.as_json else word
        client.publish(IS, payload, qos=1, retain=True)


class _Closing(ssl.SSLSocket):
    """paho forgets to close one whose handshake fails, as when the broker just ends."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


def _trusting(ca: Path) -> ssl.SSLContext:
    context = ssl.create_default_context(cafile=ca)
    context.sslsocket_class = _Closing
    return context


def _quick(client: paho.Client) -> None:
    plug = client.socket()
    assert isinstance(plug, socket.socket)
    plug.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def _word(is_so: bool) -> str:
    return "true" if is_so else "false"


def _unread(port: int) -> list[bool]:
    """Return for each connection to a port whether bytes wait to be read.

    Source: Linux Documentation/networking/proc_net_tcp.rst.
    """
    lines = Path("/proc/net/tcp").read_text(encoding="ascii").splitlines()[1:]
    fields = [line.split() for line in lines]
    return [
        int(each[4].partition(":")[2], 16) > 0
        for each in fields
        if int(each[1].partition(":")[2], 16) == port and each[3] != "0A"
    ]
