"""A listener that is no part of the daemon: it keeps all that a broker tells it.

paho-mqtt in a thread of its own, subscribed to everything. Source: MQTT 5.0 (OASIS),
sections 3.3.1.3 (retain), 3.3.2.3 (properties), 3.8.3.1 (retain as published).
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Self

from paho.mqtt import client as paho
from paho.mqtt.subscribeoptions import SubscribeOptions

WAIT_S = 20.0


@dataclass(frozen=True)
class Heard:
    """One message. ``expires_s``: what is left of its life, ``None`` for ever."""

    topic: str
    payload: bytes
    qos: int
    retained: bool
    expires_s: int | None
    content_type: str | None
    schema: str | None

    @property
    def document(self) -> dict[str, Any]:
        found = json.loads(self.payload)
        assert isinstance(found, dict)
        return found


@dataclass
class Witness:
    """Listens between enter and exit; comes back by itself when the broker does."""

    port: int
    user: str | None = None
    password: str | None = None
    heard: list[Heard] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._changed = threading.Condition()
        self._is_listening = threading.Event()

    def __enter__(self) -> Self:
        self._client = paho.Client(
            paho.CallbackAPIVersion.VERSION2,
            client_id="museum-witness",
            protocol=paho.MQTTv5,
        )
        if self.user is not None:
            self._client.username_pw_set(self.user, self.password)
        self._client.reconnect_delay_set(min_delay=1, max_delay=1)
        self._client.on_connect = self._connected
        self._client.on_subscribe = lambda *_: self._is_listening.set()
        self._client.on_message = self._message
        self._client.connect("127.0.0.1", self.port)
        self._client.loop_start()
        assert self._is_listening.wait(WAIT_S)
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _connected(self, client: Any, *_: object) -> None:
        as_published = SubscribeOptions(qos=1, retainAsPublished=True)
        client.subscribe("#", options=as_published)

    def _message(self, client: Any, userdata: Any, message: Any) -> None:
        said = message.properties
        users = dict(getattr(said, "UserProperty", []))
        with self._changed:
            self.heard.append(
                Heard(
                    topic=message.topic,
                    payload=message.payload,
                    qos=message.qos,
                    retained=message.retain,
                    expires_s=getattr(said, "MessageExpiryInterval", None),
                    content_type=getattr(said, "ContentType", None),
                    schema=users.get("schema"),
                )
            )
            self._changed.notify_all()

    def on(self, topic: str) -> list[Heard]:
        with self._changed:
            return [each for each in self.heard if each.topic == topic]

    def hears(
        self,
        topic: str,
        holds: Callable[[Heard], bool] = lambda _: True,
        *,
        within_s: float = WAIT_S,
    ) -> Heard:
        """Return the first message on a topic of which something holds; wait for it."""
        with self._changed:
            assert self._changed.wait_for(
                lambda: any(map(holds, self.on(topic))), timeout=within_s
            ), f"nothing of the kind on {topic}: {self.heard}"
            return next(each for each in self.on(topic) if holds(each))
