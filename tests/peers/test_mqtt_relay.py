"""The `mqtt` relay, a real broker, and a device that listens to it."""

from __future__ import annotations

import asyncio
import subprocess
import sys
import threading
import time
import traceback
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import pytest
import trustme

from support.mosquitto import DO, IS, THERE, Mosquitto, MqttSocket
from support.raw_peer import HeldWire, RawPeer
from tidegate.clock import SystemClock
from tidegate.core.reading import Supply
from tidegate.errors import BackendError, Malformed, Refused, Unavailable, Unsupported
from tidegate.host import Machine
from tidegate_backends.network import mqtt_session
from tidegate_backends.relays import mqtt

pytestmark = pytest.mark.peer

STATE: dict[str, Any] = {"state": {"topic": IS}}
PRESENCE: dict[str, Any] = {"availability": {"topic": THERE}}


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path) as made:
        yield made


@pytest.fixture
def peer(broker: Mosquitto) -> Iterator[MqttSocket]:
    with MqttSocket(broker) as made:
        yield made


@pytest.fixture
async def machine() -> AsyncIterator[Machine]:
    made = Machine(SystemClock())
    yield made
    made.workers.close()


def make(machine: Machine, port: int, **table: Any) -> mqtt.MqttRelay:
    given = {
        **{"broker": "127.0.0.1", "port": port, "tls": False, "limit": "5s"},
        **{"command": {"topic": DO}, **table},
    }
    settings = mqtt.Settings.model_validate(given)
    return mqtt.MqttRelay(settings, machine.host("lobby", hint=lambda: None))


# --- what the device says ----------------------------------------------------------------


async def test_the_retained_state_is_read_back(
    machine: Machine, broker: Mosquitto, peer: MqttSocket
) -> None:
    async with make(machine, broker.port, **STATE, **PRESENCE) as relay:
        await relay.set(Supply.OFF)
        assert not peer.on, "done when it reports, not when the broker has it"
        peer.turn(on=True)
        peer.broker.until_retained(IS, b"ON", None, None)
        assert await relay.get() is Supply.ON, "a hand moved it"
    assert peer.heard == [("OFF", False)], "a command is never retained"


async def test_a_report_in_json(machine: Machine, broker: Mosquitto) -> None:
    state = {"topic": IS, "pointer": "/outlet/on", "on": True, "off": False}
    with MqttSocket(broker, as_json=True) as peer:
        async with make(machine, broker.port, state=state) as relay:
            for supply in (Supply.OFF, Supply.ON):
                await relay.set(supply)
                assert peer.on is (supply is Supply.ON)
                assert await relay.get() is supply


async def test_one_that_does_not_do_what_it_is_told(
    machine: Machine, broker: Mosquitto, peer: MqttSocket
) -> None:
    peer.feel("stubborn")
    async with make(machine, broker.port, **STATE, limit="0.6s") as relay:
        with pytest.raises(Refused, match="told off and reports on"):
            await relay.set(Supply.OFF)


async def test_a_report_from_another_time_is_not_judged(
    machine: Machine, broker: Mosquitto, peer: MqttSocket
) -> None:
    """What was retained before the command; the report that follows counts."""
    peer.feel("words")
    peer.broker.until_retained(IS, b"maybe", None, None)
    with peer.changed:
        peer.mood = "sound"  # without another report
    async with make(machine, broker.port, **STATE) as relay:
        await relay.set(Supply.OFF)
        assert await relay.get() is Supply.OFF


async def test_reports_without_presence_are_a_thing_to_know(machine: Machine) -> None:
    for more, count in (({}, 2), (PRESENCE, 1)):
        async with make(machine, 1, **STATE, **more) as relay:
            assert len(relay.take_notes()) == count


async def test_one_that_is_silent(
    machine: Machine, broker: Mosquitto, peer: MqttSocket
) -> None:
    peer.feel("silent")
    async with make(machine, broker.port, **STATE, limit="0.4s") as relay:
        with pytest.raises(Unavailable, match="does not report on hall/lobby/is"):
            await relay.set(Supply.OFF)


async def test_no_state_is_retained(machine: Machine, broker: Mosquitto) -> None:
    async with make(machine, broker.port, **STATE, limit="0.3s") as relay:
        with pytest.raises(Unavailable, match=r"no answer within 0\.3 s"):
            await relay.get()


async def test_nobody_listens(machine: Machine, broker: Mosquitto) -> None:
    """PUBACK 0x10, no matching subscribers (MQTT 5.0, section 3.4.2.1)."""
    async with make(machine, broker.port) as relay:
        for supply in Supply:
            with pytest.raises(Unavailable, match="nobody listens"):
                await relay.set(supply)


async def test_one_that_is_away_is_told_on_only(
    machine: Machine, broker: Mosquitto
) -> None:
    with MqttSocket(broker, keeps_session=True) as peer:
        peer.unplug()
        async with make(machine, broker.port, **PRESENCE) as relay:
            for supply in (Supply.OFF, Supply.ON):
                with pytest.raises(Unavailable, match="offline"):
                    await relay.set(supply)
        peer.plug_in()
        assert await asyncio.to_thread(peer.hears)
    assert [text for text, _ in peer.heard] == ["ON"]


# --- no late off --------------------------------------------------------------------------


@pytest.mark.slow
async def test_an_off_that_waited_too_long_is_dropped(
    machine: Machine, broker: Mosquitto
) -> None:
    """The device was away, its session is kept, and it comes back after the limit."""
    with MqttSocket(broker, keeps_session=True) as peer:
        peer.unplug()
        async with make(machine, broker.port, limit="1s") as relay:
            await relay.set(Supply.OFF)
        told_s = time.monotonic()
        # The broker counts whole seconds (MQTT 5.0, section 3.3.2.3.3).
        passing = threading.Event()
        while time.monotonic() < told_s + 2.1:
            await asyncio.to_thread(passing.wait, 0.1)
        peer.plug_in()
        async with make(machine, broker.port) as relay:
            await relay.set(Supply.ON)
        assert await asyncio.to_thread(peer.hears)
    assert [text for text, _ in peer.heard] == ["ON"]
    assert peer.on


async def test_one_that_comes_back_in_time_hears_the_on_last(
    machine: Machine, broker: Mosquitto
) -> None:
    """In the order in which they were said (MQTT 5.0, section 4.6)."""
    with MqttSocket(broker, keeps_session=True) as peer:
        peer.unplug()
        async with make(machine, broker.port, limit="10s") as relay:
            await relay.set(Supply.OFF)
            await relay.set(Supply.ON)
        peer.plug_in()
        assert await asyncio.to_thread(peer.hears, count=2)
    assert [text for text, _ in peer.heard] == ["OFF", "ON"]
    assert peer.on


@pytest.mark.slow
@pytest.mark.parametrize(
    ("ids", "heard"),
    [
        pytest.param((None, None), ["ON", "ON"], id="one client id"),
        # What would happen without it: this shows that the wire does keep an off.
        pytest.param(("first", "second"), ["ON", "OFF"], id="two client ids"),
    ],
)
async def test_an_off_on_a_slow_wire_is_shut_out_by_the_on(
    machine: Machine,
    broker: Mosquitto,
    peer: MqttSocket,
    ids: tuple[str | None, str | None],
    heard: list[str],
) -> None:
    """The broker closes the connection of the off as it lets the on in."""
    with HeldWire(broker.port, catch=b"OFF") as wire:
        async with make(machine, wire.port, client_id=ids[0], limit="1s") as relay:
            with pytest.raises(Unavailable):
                await relay.set(Supply.OFF)
        assert wire.caught.is_set()
        async with make(machine, wire.port, client_id=ids[1]) as relay:
            await relay.set(Supply.ON)
        assert await asyncio.to_thread(peer.hears)
        if ids[0] is None:
            assert await asyncio.to_thread(wire.cut.wait, 20)
        wire.let_go()
        if ids[0] is None:
            async with make(machine, broker.port) as relay:
                await relay.set(Supply.ON)
        assert await asyncio.to_thread(peer.hears, count=2)
    assert [text for text, _ in peer.heard] == heard
    assert peer.on is (heard[-1] == "ON")


async def test_what_the_kernel_still_holds_is_dropped(machine: Machine) -> None:
    """An off that nobody acknowledges ends with a reset, after which nothing comes."""
    with RawPeer(b"\x20\x03\x00\x00\x00") as peer:  # CONNACK: success
        async with make(machine, peer.port, limit="0.2s") as relay:
            with pytest.raises(Unavailable, match="no answer within"):
                await relay.set(Supply.OFF)
        assert await asyncio.to_thread(peer.is_reset)


# --- the timer ----------------------------------------------------------------------------


async def test_the_timer_goes_with_off_and_is_refreshed(
    machine: Machine, broker: Mosquitto, peer: MqttSocket
) -> None:
    table = {"command": {"topic": DO, "off": "OFF {seconds}"}, "timer": "2min"}
    async with make(machine, broker.port, **STATE, **table) as relay:
        await relay.refresh()
        assert peer.heard == [], "it reports on"
        await relay.set(Supply.OFF)
        await relay.refresh()
        await relay.set(Supply.ON)
        await relay.refresh()
    assert [text for text, _ in peer.heard] == ["OFF 120", "OFF 120", "ON"]


async def test_a_hand_is_not_overruled_by_a_refresh(
    machine: Machine, broker: Mosquitto, peer: MqttSocket
) -> None:
    """Whether it shall be off again is for the core to say, not for the timer."""
    table = {"command": {"topic": DO, "off": "OFF {seconds}"}, "timer": "2min"}
    async with make(machine, broker.port, **STATE, **table) as relay:
        await relay.set(Supply.OFF)
        peer.turn(on=True)
        peer.broker.until_retained(IS, b"ON", None, None)
        await relay.refresh()
    assert peer.on
    assert [text for text, _ in peer.heard] == ["OFF 120"]


# --- the broker ---------------------------------------------------------------------------


async def test_a_broker_that_starts_again(machine: Machine, broker: Mosquitto) -> None:
    with MqttSocket(broker) as peer:
        async with make(machine, broker.port, **STATE) as relay:
            await relay.set(Supply.OFF)
            broker.stop()
            with pytest.raises(Unavailable, match="refused"):
                await relay.set(Supply.ON)
            peer.unplug()
            broker.start()
            peer.plug_in()
            await relay.set(Supply.ON)
            assert peer.on


async def test_a_publication_that_the_broker_denies(
    machine: Machine, tmp_path: Path
) -> None:
    """PUBACK 0x87; a client that does not look at it would call this done."""
    with Mosquitto(tmp_path, acl=f"topic read #\ntopic write {IS}\n") as broker:
        async with make(machine, broker.port) as relay:
            with pytest.raises(Refused, match=r"does not take .*not authorized"):
                await relay.set(Supply.ON)


async def test_a_wrong_password(machine: Machine, tmp_path: Path) -> None:
    secret = tmp_path / "broker.secret"
    secret.write_text("curator:Swordfish-7")
    secret.chmod(0o644)
    with Mosquitto(tmp_path, users={"curator": "another"}) as broker:
        relay = make(machine, broker.port, credentials=str(secret))
        async with relay:
            notes = relay.take_notes()
            with pytest.raises(Refused, match="does not let us in") as raised:
                await relay.set(Supply.ON)
            shown = [*notes, repr(relay), repr(vars(relay)), str(raised.value)]
    assert "chmod 600" in notes[0]
    assert "without TLS" in notes[1]
    shown += traceback.format_exception(raised.value)
    assert "Swordfish" not in "".join(shown)


async def test_a_changed_password_is_read_again(
    machine: Machine, tmp_path: Path
) -> None:
    secret = tmp_path / "broker.secret"
    secret.write_text("curator:old")
    users = {"curator": "new", "lobby": "socket"}
    with (
        Mosquitto(tmp_path, users=users) as broker,
        MqttSocket(broker, user="lobby", password="socket") as peer,
    ):
        async with make(machine, broker.port, credentials=str(secret)) as relay:
            with pytest.raises(Refused, match="does not let us in"):
                await relay.set(Supply.OFF)
            secret.write_text("curator:new")
            await relay.set(Supply.OFF)
        assert await asyncio.to_thread(peer.until, on=False)


async def test_a_token_is_no_login_at_a_broker(
    machine: Machine, tmp_path: Path
) -> None:
    secret = tmp_path / "broker.secret"
    secret.write_text("Swordfish-7")
    with pytest.raises(Unsupported, match="wants a user") as raised:
        await make(machine, 1, credentials=str(secret)).open()
    assert "Swordfish" not in "".join(traceback.format_exception(raised.value))


@pytest.mark.parametrize(
    ("answer", "error", "said"),
    [
        # MQTT 5.0, section 3.2.2.2: 0x84 is unsupported protocol version.
        (b"\x20\x03\x00\x84\x00", Unsupported, "MQTT 5"),
        # MQTT 3.1.1, section 3.2.2.3: return code 1, unacceptable protocol version.
        (b"\x20\x02\x00\x01", Unsupported, "MQTT 5"),
        # MQTT 5.0, section 3.2.2.2: 0x97 is quota exceeded, 0x8A banned.
        (b"\x20\x03\x00\x97\x00", Unavailable, "quota"),
        (b"\x20\x03\x00\x8a\x00", Refused, "banned"),
        # Packets of types that a server never sends, or that come too early.
        (b"\xf0\x00", Malformed, "does not speak MQTT 5"),
        (b"\x00\x00", Malformed, "does not speak MQTT 5"),
        (b"\x20\x00", Malformed, "does not speak MQTT 5"),
        (b"\x30\x03\x00\x09a", Malformed, "does not speak MQTT 5"),
        (b"\x20\xff\xff\xff\xff\x7f", Malformed, "does not speak MQTT 5"),
        (b"HTTP/1.1 400 " + b"x" * 200, Malformed, "does not speak MQTT 5"),
    ],
    ids=[
        *("version 5", "version 3", "quota", "banned"),
        *("auth", "type 0", "empty connack", "publish", "length", "http"),
    ],
)
async def test_what_else_may_answer(
    machine: Machine, answer: bytes, error: type[BackendError], said: str
) -> None:
    with RawPeer(answer) as peer:
        async with make(machine, peer.port, limit="2s") as relay:
            with pytest.raises(error, match=said):
                await relay.set(Supply.ON)


async def test_one_that_closes_at_once(machine: Machine) -> None:
    with RawPeer(closes=True) as peer:
        async with make(machine, peer.port) as relay:
            with pytest.raises(Unavailable, match=r"closed|reset"):
                await relay.set(Supply.ON)


@pytest.mark.parametrize("tls", [False, True], ids=["clear", "tls"])
async def test_one_that_never_answers(machine: Machine, *, tls: bool) -> None:
    with RawPeer() as peer:
        async with make(machine, peer.port, tls=tls, limit="0.2s") as relay:
            began_s = time.monotonic()
            with pytest.raises(Unavailable, match=r"within 0\.2 s|timed out"):
                await relay.set(Supply.ON)
            assert time.monotonic() - began_s < 10


async def test_a_thread_that_hangs_is_left_behind(machine: Machine) -> None:
    """Closing waits for it, which tells the shell to begin a new one."""
    with RawPeer() as silent, RawPeer(b"\x20\x03\x00\x97\x00") as other:
        relay = make(machine, silent.port, tls=True, limit="10s")
        host = machine.host("lobby", hint=lambda: None)
        await relay.open()
        call = asyncio.ensure_future(relay.set(Supply.OFF))
        assert await asyncio.to_thread(silent.hears)
        call.cancel()
        await asyncio.wait([call])
        closing = asyncio.ensure_future(relay.close())
        await asyncio.wait([closing], timeout=0.2)
        assert not closing.done()
        host.worker(f"mqtt:mqtts://127.0.0.1:{silent.port}#{DO}")
        host.replace_workers()
        await closing
        assert not bytes(silent.heard).endswith(b"OFF")
        async with make(machine, other.port) as again:
            with pytest.raises(Unavailable, match="quota"):
                await again.set(Supply.ON)


async def test_a_certificate_that_is_not_trusted(
    machine: Machine, tmp_path: Path
) -> None:
    stranger = tmp_path / "stranger.pem"
    trustme.CA().cert_pem.write_to_path(stranger)
    with Mosquitto(tmp_path, tls=True) as broker:
        async with make(machine, broker.port, tls=True, ca=str(stranger)) as relay:
            with pytest.raises(Refused, match="certificate is not trusted"):
                await relay.set(Supply.ON)


async def test_a_ca_that_was_changed_is_read_again(
    machine: Machine, tmp_path: Path
) -> None:
    ca = tmp_path / "trusted.pem"
    trustme.CA().cert_pem.write_to_path(ca)
    with Mosquitto(tmp_path, tls=True) as broker, MqttSocket(broker) as peer:
        async with make(machine, broker.port, tls=True, ca=str(ca)) as relay:
            with pytest.raises(Refused, match="certificate is not trusted"):
                await relay.set(Supply.OFF)
            ca.write_bytes(broker.ca.read_bytes())
            await relay.set(Supply.OFF)
        assert await asyncio.to_thread(peer.until, on=False)


async def test_tls_to_a_broker_without(machine: Machine, broker: Mosquitto) -> None:
    async with make(machine, broker.port, tls=True) as relay:
        with pytest.raises((Malformed, Unavailable)):
            await relay.set(Supply.ON)


async def test_without_the_library(
    machine: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "paho.mqtt", None)
    with pytest.raises(Unsupported, match=r"pip install 'tidegate\[mqtt\]'"):
        await make(machine, 1).open()


def test_the_library_is_imported_only_when_it_is_used() -> None:
    """In a process of its own: this one has it already."""
    code = (
        "import sys, tidegate_backends.relays.mqtt, tidegate_backends.relays.http; "
        "sys.exit(any(name.startswith(('paho', 'aiomqtt')) for name in sys.modules))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={"PYTHONPATH": ":".join(path for path in sys.path if path)},
        check=False,
        timeout=60,
    )
    assert done.returncode == 0


@pytest.mark.parametrize(
    ("code", "name"),
    [
        (0x87, "not authorized"),
        # MQTT 5.0, table 2-6: only a DISCONNECT may have this one.
        (0x8B, "reason 0x8b"),
        (0x03, "reason 0x03"),
    ],
)
def test_a_reason_that_does_not_belong_here_has_its_number(
    code: int, name: str
) -> None:
    assert mqtt_session._name(code) == name
