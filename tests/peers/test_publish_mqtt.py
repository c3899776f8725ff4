"""What a real broker gets from a real daemon, whatever becomes of either of them.

mosquitto 2.0 of the system; a witness with paho-mqtt hears all of it. Source: MQTT 5.0
(OASIS), sections 3.1.2.5 (last will), 3.3.1.3 (retain), 3.3.2.3 (properties).
"""

from __future__ import annotations

import sys
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from support.live_world import Battery, LiveWorld
from support.mosquitto import Mosquitto
from support.mqtt_witness import Heard, Witness

pytestmark = pytest.mark.peer
TOPIC = "museum/east"
THERE, STATE = f"{TOPIC}/there", f"{TOPIC}/bat0/state"
SWITCHING, ALARM = f"{TOPIC}/bat0/switching", f"{TOPIC}/bat0/alarm"


def settings(world: LiveWorld, port: int, extra: str = "tls = false") -> None:
    world.settings(
        f'[mqtt]\nbroker = "127.0.0.1"\nport = {port}\ntopic = "{TOPIC}"\n'
        f'every = "5s"\n{extra}\n'
    )


def is_off(heard: Heard) -> bool:
    return heard.document["supply"] == "off"


@pytest.mark.slow
def test_states_switchings_and_a_clean_stop(tmp_path: Path) -> None:
    with (
        Mosquitto(tmp_path) as broker,
        Witness(broker.port) as witness,
        LiveWorld(tmp_path, Battery("BAT0", soc_percent=64.0)) as world,
    ):
        settings(world, broker.port)
        with world.daemon() as daemon:
            assert witness.hears(THERE).payload == b"online"
            assert witness.hears(THERE).retained
            check_state(witness.hears(STATE))
            check_switching(witness.hears(SWITCHING, is_off))
            # A switching is followed by the state that it led to, not only at `every`.
            witness.hears(STATE, is_off)
            assert daemon.stop() == 0, daemon.said
        witness.hears(THERE, lambda heard: heard.payload == b"offline")
        last = witness.on(SWITCHING)[-1].document
        assert (last["supply"], last["reason"]) == ("on", "stop")
        ids = [heard.document["id"] for heard in witness.on(SWITCHING)]
        assert len(set(ids)) == len(ids)
        # Whoever comes later hears what is retained: it is known that nobody is there.
        broker.until_retained(THERE, b"offline", None, None)


def check_state(heard: Heard) -> None:
    assert heard.retained
    assert heard.qos == 1
    assert heard.content_type == "application/json"
    assert heard.schema == "tidegate state 1"
    assert heard.expires_s is not None
    assert 50 <= heard.expires_s <= 60
    said = heard.document
    assert said["station"] == "bat0"
    assert said["window"] == {"low_percent": 55, "high_percent": 65}
    assert 60 <= said["soc_percent"] <= 80
    assert said["external_power"] == "yes"
    assert said["override"] is None
    # A board on a pseudo-terminal and a battery read here: this host is the device.
    assert said["alarms"] == []


def check_switching(heard: Heard) -> None:
    assert not heard.retained
    assert heard.qos == 1
    assert heard.schema == "tidegate switching 1"
    said = heard.document
    assert (said["reason"], said["carried_out"]) == ("at_high_mark", True)
    assert said["reason_text"] == "the charge is at the high mark"
    assert 0 <= said["took_s"] < 10


@pytest.mark.slow
def test_an_alarm_and_the_last_will_of_a_daemon_that_is_killed(tmp_path: Path) -> None:
    battery = Battery("BAT0", rate_percent_s=0.0)
    with (
        Mosquitto(tmp_path) as broker,
        Witness(broker.port) as witness,
        LiveWorld(tmp_path, battery) as world,
    ):
        settings(world, broker.port)
        with world.daemon() as daemon:
            witness.hears(STATE)
            with world.lock:
                battery.mains = False
            said = witness.hears(ALARM).document
            assert (said["code"], said["raised"]) == ("supply_absent", True)
            assert said["text"].startswith("On is commanded and no power comes")
            (alarm,) = witness.hears(STATE, lambda h: h.document["alarms"]).document[
                "alarms"
            ]
            assert alarm["code"] == "supply_absent"
            # Each reads the clock for itself.
            since, at = map(datetime.fromisoformat, (alarm["since"], said["at"]))
            assert abs(since - at) <= timedelta(milliseconds=10)
            daemon.kill()
        assert witness.hears(THERE, lambda heard: heard.payload == b"offline").retained


@pytest.mark.slow
def test_a_broker_that_hangs_and_comes_back(tmp_path: Path) -> None:
    with (
        Mosquitto(tmp_path) as broker,
        Witness(broker.port) as witness,
        LiveWorld(tmp_path, Battery("BAT0", soc_percent=64.0)) as world,
    ):
        settings(world, broker.port)
        with world.daemon() as daemon:
            witness.hears(STATE)
            broker.freeze()
            try:
                world.wait_until(lambda: world.board.driven(), 30, "off meanwhile")
                world.wait_until(lambda: not world.board.driven(), 30, "on meanwhile")
            finally:
                broker.thaw()
            witness.hears(SWITCHING, is_off)
            witness.hears(SWITCHING, lambda h: h.document["reason"] == "at_low_mark")
            assert daemon.stop() == 0, daemon.said


@pytest.mark.slow
def test_a_broker_that_comes_later_hears_what_happened(tmp_path: Path) -> None:
    broker = Mosquitto(tmp_path)
    with LiveWorld(tmp_path, Battery("BAT0", soc_percent=64.0)) as world:
        settings(world, broker.port)
        with world.daemon() as daemon:
            world.wait_until(lambda: world.board.driven(), 30, "off, and no broker")
            assert "the broker is not reachable (connection refused)" in daemon.said
            with broker, Witness(broker.port) as witness:
                witness.hears(SWITCHING, is_off)
                witness.hears(STATE)
                assert daemon.stop() == 0, daemon.said
            assert "mqtt is back" in daemon.said


@pytest.mark.slow
def test_a_broker_that_is_down_does_not_delay_the_stop(tmp_path: Path) -> None:
    broker = Mosquitto(tmp_path)
    with LiveWorld(tmp_path, Battery("BAT0", rate_percent_s=0.0)) as world:
        settings(world, broker.port)
        with world.daemon() as daemon:
            world.wait_until(lambda: "not reachable" in daemon.said, 20, "it tried")
            assert daemon.stop() == 0
            assert "did not end in time" not in daemon.said


@pytest.mark.slow
def test_tls_and_a_password_and_what_is_said_without(tmp_path: Path) -> None:
    secret = tmp_path / "broker.secret"
    secret.write_text("curator:open sesame\n")
    secret.chmod(0o600)
    users = {"curator": "open sesame", "cleaner": "broom"}
    with (
        Mosquitto(tmp_path, users=users, tls=True) as broker,
        LiveWorld(tmp_path, Battery("BAT0", rate_percent_s=0.0)) as world,
    ):
        extra = f'credentials = "{secret}"\n'
        settings(world, broker.port, extra)
        with world.daemon() as daemon:
            said = "the broker's certificate is not trusted"
            world.wait_until(lambda: said in daemon.said, 20, "whom to trust")
            assert daemon.stop() == 0
        settings(world, broker.port, f'{extra}ca = "{broker.ca}"\n')
        with world.daemon() as daemon:
            broker.until_retained(THERE, b"online", "curator", "open sesame")
            assert daemon.stop() == 0
        secret.write_text("curator:wrong words\n")
        with world.daemon() as daemon:
            said = "the broker does not let us in (not authorized)"
            world.wait_until(lambda: said in daemon.said, 20, "that it is shut out")
            assert daemon.stop() == 0
            assert "sesame" not in daemon.said
            assert "wrong words" not in daemon.said


@pytest.mark.slow
def test_without_the_library_a_sentence_and_control_goes_on(tmp_path: Path) -> None:
    """A module of that name that cannot be imported is as good as none."""
    empty = tmp_path / "site"
    (empty / "paho").mkdir(parents=True)
    (empty / "paho" / "__init__.py").write_text("raise ImportError('not here')\n")
    paths = ":".join([str(empty), *(path for path in sys.path if path)])
    with LiveWorld(tmp_path, Battery("BAT0", rate_percent_s=0.0)) as world:
        settings(world, 1883)
        with world.daemon(env={"PYTHONPATH": paths}) as daemon:
            world.wait_until(lambda: bool(world.board.heard()), 20, "the first frame")
            assert daemon.stop() == 0
        assert "pip install 'tidegate[mqtt]'" in daemon.said
        assert "Traceback" not in daemon.said
