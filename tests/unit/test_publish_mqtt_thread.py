"""What the thread makes of brokers that cut it off, want odd pings, or meet its slips.

Source: MQTT 5.0 (OASIS), sections 3.2.2.3.14 (Server Keep Alive; 3.1.2.10: zero turns
it off), 4.13.2 (a server may close the connection over any packet).
"""

from __future__ import annotations

import io
import json
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from unittest import mock

import pytest

from support.fake_broker import FakeBroker
from tidegate import notice
from tidegate.clock import SystemClock
from tidegate.publish import messages, mqtt_thread
from tidegate.publish.mailbox import Mailbox
from tidegate.publish.messages import Note
from tidegate.publish.mqtt_link import Link
from tidegate.publish.mqtt_thread import Boxes, Speaker
from tidegate.settings.table_mqtt import MqttSettings

TOPIC = "museum/east"
ALARM = f"{TOPIC}/tower/alarm"


class Talk:
    """A speaker in its thread. ``waits_s`` are the waits before each next try."""

    def __init__(self, broker: FakeBroker) -> None:
        self.boxes = Boxes(notes=Mailbox(9), states={})
        self.waits_s: list[float] = []
        self.bell = os.eventfd(0, os.EFD_NONBLOCK)
        self.speaker = Speaker(
            settings(broker),
            topic=TOPIC,
            boxes=self.boxes,
            bell=self.bell,
            run="1",
            clock=SystemClock(),
        )

    def note(self, station: str) -> None:
        self.boxes.notes.put(
            messages.alarm(station=station, code="gauge_lost", raised=True, wall_ms=0)
        )
        os.eventfd_write(self.bell, 1)

    @contextmanager
    def going(self) -> Iterator[None]:
        def rest(speaker: Speaker) -> None:
            self.waits_s.append(speaker._wait_s)
            speaker._wait_s *= 2

        with mock.patch.object(Speaker, "_rest", rest):
            thread = threading.Thread(target=self.speaker.run, daemon=True)
            thread.start()
            try:
                yield
            finally:
                self.speaker.is_ending = True
                os.eventfd_write(self.bell, 1)
                thread.join(20)
                assert not thread.is_alive()
                os.close(self.bell)


def settings(broker: FakeBroker) -> MqttSettings:
    return MqttSettings(broker="127.0.0.1", port=broker.port, tls=False)


@pytest.fixture
def said() -> io.StringIO:
    stream = io.StringIO()
    notice.configure(stream=stream)
    return stream


def told(said: io.StringIO) -> list[str]:
    return [json.loads(line)["message"] for line in said.getvalue().splitlines()]


def test_a_message_that_a_broker_cuts_us_for_is_given_up(said: io.StringIO) -> None:
    """Else it would come back each second for ever, and keep all others waiting."""
    with FakeBroker(cuts=frozenset({ALARM})) as broker:
        talk = Talk(broker)
        talk.note("tower")
        talk.note("hall")
        with talk.going():
            assert broker.hears(f"{TOPIC}/hall/alarm")
        assert broker.heard.count(ALARM) == mqtt_thread.TRIES
        assert talk.speaker.lost == {"tower": 1}
        # Each try waits longer than the one before, though each connection was let in.
        assert talk.waits_s == sorted(set(talk.waits_s))
        assert len(talk.waits_s) == mqtt_thread.TRIES
    # Said once, and not with each connection.
    assert told(said).count("mqtt: nothing is published; control goes on") == 1
    assert told(said).count("mqtt is back") == 0


def test_a_slip_of_ours_in_one_message_ends_nothing(said: io.StringIO) -> None:
    with FakeBroker() as broker:
        talk = Talk(broker)
        odd = "ha\ud800ll"  # half a pair, which UTF-8 has no bytes for
        talk.boxes.notes.put(Note(station=odd, kind="alarm", said={}))
        talk.note("hall")
        with talk.going():
            assert broker.hears(f"{TOPIC}/hall/alarm")
        assert talk.speaker.lost == {odd: 1}
    assert told(said).count("mqtt: a fault of tidegate; control goes on") == 1


@pytest.mark.parametrize(
    ("wanted_s", "longest_s"), [(None, 20.0), (0, None), (1, 1.0), (30, 10.0)]
)
def test_it_sleeps_whatever_pings_a_broker_wants(
    wanted_s: int | None, longest_s: float | None
) -> None:
    """Zero must not become a wait of no time at all, which is a loop."""
    pings = b"" if wanted_s is None else b"\x13" + wanted_s.to_bytes(2, "big")
    bell = os.eventfd(0, os.EFD_NONBLOCK)
    with FakeBroker(connack=pings) as broker:
        link = Link(settings(broker), topic=TOPIC, note=pytest.fail)
        link.connect()
        waits_s: list[float | None] = []
        real = link._selector.select

        def select(wait_s: float | None) -> object:
            waits_s.append(wait_s)
            os.eventfd_write(bell, 1)
            return real(wait_s)

        with mock.patch.object(link._selector, "select", select):
            link.rest(bell)
        link.close()
    os.close(bell)
    assert waits_s == [longest_s]


def test_two_daemons_under_one_topic_are_told_so(said: io.StringIO) -> None:
    """They have one client id, and a broker lets the first go when the second comes.

    Source: MQTT 5.0, 3.1.4-3; reason code 0x8E, Session taken over. mosquitto 2.0.11
    only closes the connection, so something is said without the code, too.
    """
    taken_over = bytes([0xE0, 2, 0x8E, 0])
    for farewell, hint in (
        (taken_over, "somebody else publishes under this topic"),
        (b"", "another daemon publishes under this topic"),
    ):
        cuts = frozenset({ALARM})
        with FakeBroker(cuts=cuts, farewell=farewell) as broker:
            talk = Talk(broker)
            talk.note("tower")
            with talk.going():
                assert broker.hears(ALARM, times=2)
        assert hint in said.getvalue()
        assert told(said).count("mqtt is back") == 0
