"""What the thread makes of brokers that cut it off, want odd pings, or meet its slips.

Source: MQTT 5.0 (OASIS), sections 3.2.2.3.4 (Maximum QoS, property 0x24), 3.2.2.3.5
(Retain Available, 0x25), 3.2.2.3.6 (Maximum Packet Size, 0x27), 3.2.2.3.14 (Server Keep
Alive; 3.1.2.10: zero turns it off), 3.14.2.1 (reasons of a DISCONNECT), 4.13.2 (a
server may close the connection over any packet).
"""

from __future__ import annotations

import errno
import io
import json
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from unittest import mock

import pytest

from support.fake_broker import FakeBroker
from support.raw_peer import RawPeer
from tidegate import notice
from tidegate.clock import SystemClock
from tidegate.errors import TidegateError
from tidegate.publish import messages, mqtt_link, mqtt_thread
from tidegate.publish.mailbox import Mailbox
from tidegate.publish.messages import Note
from tidegate.publish.mqtt_link import Link, Lost
from tidegate.publish.mqtt_thread import Boxes, Speaker
from tidegate.settings.table_mqtt import MqttSettings
from unit.test_publish_text import view

TOPIC = "museum/east"
ALARM = f"{TOPIC}/tower/alarm"


class Talk:
    """A speaker in its thread. ``waits_s`` are the waits before each next try."""

    def __init__(self, broker: FakeBroker, boxes: Boxes | None = None) -> None:
        self.boxes = boxes or Boxes(notes=Mailbox(9), states={})
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


@pytest.mark.parametrize(
    ("code", "name"),
    [
        (0x8B, "server shutting down"),
        (0x8D, "keep alive timeout"),
        (0x93, "receive maximum exceeded"),
        (0x98, "administrative action"),
        (0x9C, "use another server"),
        (0xA0, "maximum connect time"),
        (0xFE, "reason 0xfe"),
    ],
)
def test_a_broker_that_says_goodbye_costs_no_message(
    code: int, name: str, said: io.StringIO
) -> None:
    """Also for a reason that no other packet has: a broker that is restarted says so."""
    farewell = bytes([0xE0, 2, code, 0])
    cuts = frozenset({ALARM})
    with FakeBroker(cuts=cuts, cuts_most=1, farewell=farewell) as broker:
        talk = Talk(broker)
        talk.note("tower")
        with talk.going():
            assert broker.acknowledges(ALARM)
        assert talk.speaker.lost == {}
    assert told(said).count("mqtt: a fault of tidegate; control goes on") == 0
    if code != 0xFE:  # paho takes one that the standard does not know for a mere end
        assert f"the broker closed the connection ({name})" in said.getvalue()


@pytest.mark.parametrize(("short_by", "comes"), [(0, True), (1, False)])
def test_a_message_longer_than_a_broker_takes_is_not_sent(
    short_by: int, comes: bool, said: io.StringIO
) -> None:
    """MQTT-3.2.2-15: a client must not. It would be cut off each time."""
    with FakeBroker() as broker:
        talk = Talk(broker)
        talk.note("tower")
        with talk.going():
            assert broker.hears(ALARM)
        most = broker.sizes[ALARM] - short_by
    with FakeBroker(connack=b"\x27" + most.to_bytes(4, "big")) as broker:
        talk = Talk(broker)
        talk.note("tower")
        talk.note("me")  # is shorter
        with talk.going():
            assert broker.hears(f"{TOPIC}/me/alarm")
        assert broker.heard.count(ALARM) == comes
        assert talk.speaker.lost == ({} if comes else {"tower": 1})
        assert broker.connections == 1
    assert ("packet too large" in said.getvalue()) is not comes


@pytest.mark.parametrize(
    ("connack", "what"),
    [(b"\x24\x00", "qos not supported"), (b"\x25\x00", "retain not supported")],
)
def test_a_broker_without_what_is_needed_is_told_apart(
    connack: bytes, what: str, said: io.StringIO
) -> None:
    """MQTT-3.2.2-11 and -14: it must get no message of that kind."""
    with FakeBroker(connack=connack) as broker:
        link = Link(settings(broker), topic=TOPIC, note=pytest.fail)
        with pytest.raises(TidegateError, match=what) as error:
            link.connect()
        link.close()
        assert broker.heard == []
    assert "keeps retained messages and speaks QoS 1" in str(error.value)
    assert said.getvalue() == ""


@pytest.mark.parametrize("code", [errno.EAFNOSUPPORT, errno.EPERM])
def test_a_network_closed_by_the_unit_is_said_with_its_remedy(code: int) -> None:
    """systemd.exec(5), RestrictAddressFamilies=; resource-control(5), IPAddressDeny=."""
    with FakeBroker() as broker:
        link = Link(settings(broker), topic=TOPIC, note=pytest.fail)
        closed = OSError(code, os.strerror(code))
        with (
            mock.patch("socket.create_connection", side_effect=closed),
            pytest.raises(TidegateError, match=r"drop-in network\.conf"),
        ):
            link.connect()
        link.close()
        assert broker.connections == 0


def test_a_broker_that_does_not_speak_tls_is_no_matter_of_the_unit() -> None:
    """The number of an error of TLS is one of OpenSSL's, and may look like EPERM."""
    with RawPeer(answer=b"this is no handshake\r\n") as peer:
        table = MqttSettings(broker="127.0.0.1", port=peer.port)
        link = Link(table, topic=TOPIC, note=pytest.fail)
        with pytest.raises(Lost, match="not reachable"):
            link.connect()
        link.close()


def test_a_packet_that_would_fill_the_memory_ends_the_connection() -> None:
    """MQTT-3.1.2-24: a broker must send none above our Maximum Packet Size."""
    endless = b"\x30\xff\xff\xff\x7f" + bytes(1_000)  # a PUBLISH of 256 MiB begins
    cuts = frozenset({f"{TOPIC}/there"})
    with FakeBroker(cuts=cuts, farewell=endless, lingers=True) as broker:
        link = Link(settings(broker), topic=TOPIC, note=pytest.fail)
        link.connect()
        with pytest.raises(Lost, match="too large"):
            link.publish(mqtt_link.presence(TOPIC, "online"))
        link.close()


def test_each_station_has_its_turn_where_the_broker_is_slow() -> None:
    """States come as fast as they are taken, and the last of them is told of too."""
    names = ("east", "hall", "tower")
    boxes = Boxes(notes=Mailbox(9), states={name: Mailbox() for name in names})
    with FakeBroker() as broker:
        talk = Talk(broker, boxes)
        os.close(talk.bell)
        told_of = []
        for _ in range(7):
            for name in names:
                boxes.states[name].put(view(station=name))
            message = talk.speaker._next()
            assert message is not None
            told_of.append(message.station)
            if len(told_of) == 5:  # the one that had its turn goes away
                boxes.states = {n: b for n, b in boxes.states.items() if n != "hall"}
                names = ("east", "tower")
    assert told_of == ["east", "hall", "tower", "east", "hall", "east", "tower"]
