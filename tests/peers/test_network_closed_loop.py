"""The daemon as a process of its own, and network sockets that vanish and come back."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from support.evidence import intents, outcomes, rows, sound
from support.http_socket import HttpSocket
from support.live_world import Daemon
from support.mosquitto import DO, IS, THERE, Mosquitto, MqttSocket
from support.network_world import NetworkWorld
from tidegate.cyclelog.rows import AlarmRow
from tidegate.errors import LogError

pytestmark = [pytest.mark.peer, pytest.mark.slow, pytest.mark.timeout(240)]

PASSWORD = "Swordfish-7"


def secret_file(folder: Path) -> Path:
    file = folder / "socket.secret"
    file.write_text(f"curator:{PASSWORD}\n")
    file.chmod(0o600)
    return file


def http_table(folder: Path, base: str, *, timer: str = "") -> str:
    seconds = ', "for_s": {seconds}' if timer else ""
    return (
        f'{{ kind = "http", base = "{base}", credentials = "{secret_file(folder)}", '
        f"{timer}"
        """on = { method = "PUT", url = "/outlet/1", body = '{"supply": "on"}' }, """
        f"""off = {{ method = "PUT", url = "/outlet/1", """
        f"""body = '{{"supply": "off"{seconds}}}' }}, """
        'read = { url = "/outlet/1", state = '
        '{ pointer = "/outlets/0/on", on = true, off = false } } }'
    )


def mqtt_table(folder: Path, broker: Mosquitto) -> str:
    return (
        f'{{ kind = "mqtt", broker = "127.0.0.1", port = {broker.port}, '
        f'ca = "{broker.ca}", credentials = "{secret_file(folder)}", '
        f'command = {{ topic = "{DO}" }}, state = {{ topic = "{IS}" }}, '
        f'availability = {{ topic = "{THERE}" }} }}'
    )


def relay_is_lost(world: NetworkWorld) -> bool:
    """Whether the log says that the relay is not reached."""
    try:
        entries = rows(world.log, "lobby")
    except LogError:
        return False  # the file is there, its tables are being made
    return any(
        isinstance(entry.row, AlarmRow)
        and entry.row.raised
        and entry.row.code == "relay_failed"
        for entry in entries
    )


def moves(world: NetworkWorld, on: Callable[[], bool], daemon: Daemon) -> None:
    """Wait for an off and the on after it."""
    world.wait_until(lambda: not on(), 60, lambda: f"an off, {daemon.said}")
    world.wait_until(on, 60, lambda: f"an on, {daemon.said}")


def check_log(world: NetworkWorld) -> None:
    """The log is sound, tells of failed calls, and of marks that were kept."""
    entries = sound(world.log, "lobby")
    done = outcomes(entries)
    reached = {
        (row.reason, done[row_id].succeeded)
        for row_id, row in intents(entries)
        if row_id in done
    }
    assert ("at_high_mark", True) in reached
    assert ("at_low_mark", True) in reached


def check_no_secret(world: NetworkWorld, daemon: Daemon) -> None:
    """Not in the messages, not in the cycle log, not in what `settings show` prints."""
    paths = os.pathsep.join(path for path in sys.path if path)
    shown = subprocess.run(
        [
            *(sys.executable, "-m", "tidegate", "settings", "show"),
            *("--config", str(world.folder / "tidegate.toml")),
        ],
        env={**os.environ, "PYTHONPATH": paths},
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    files = [each.read_bytes() for each in world.folder.glob("cycles.db*")]
    assert "lobby" in shown.stdout
    assert PASSWORD not in daemon.said
    assert PASSWORD not in shown.stdout + shown.stderr
    assert files
    assert not any(PASSWORD.encode() in each for each in files)


def test_an_http_socket_vanishes_while_off_and_comes_back(tmp_path: Path) -> None:
    """Its own timer turns the supply on while nobody can reach it."""
    with HttpSocket(user=f"curator:{PASSWORD}") as peer:
        table = http_table(tmp_path, peer.base, timer='timer = "10s", ')
        world = NetworkWorld(tmp_path, lambda: peer.on, relay=table)
        with world, Daemon(world, {}) as daemon:
            world.wait_until(lambda: not peer.on, 60, lambda: f"off, {daemon.said}")
            peer.unplug()
            world.wait_until(lambda: relay_is_lost(world), 60, lambda: daemon.said)
            world.wait_until(lambda: peer.on, 30, lambda: "the socket's own timer")
            peer.plug_in()
            moves(world, lambda: peer.on, daemon)
            assert daemon.stop() == 0, daemon.said
        assert peer.on
    check_log(world)
    check_no_secret(world, daemon)
    assert min(world.trace) > 20
    assert "not reachable (connection refused" in daemon.said


def test_an_http_socket_without_a_timer_is_told_on_when_it_is_back(
    tmp_path: Path,
) -> None:
    """It stays off while it is away; the on is said again until it is heard."""
    with HttpSocket(user=f"curator:{PASSWORD}") as peer:
        table = http_table(tmp_path, peer.base)
        world = NetworkWorld(tmp_path, lambda: peer.on, relay=table)
        with world, Daemon(world, {}) as daemon:
            world.wait_until(lambda: not peer.on, 60, lambda: f"off, {daemon.said}")
            peer.unplug()
            world.wait_until(lambda: relay_is_lost(world), 60, lambda: daemon.said)
            world.wait_until(
                lambda: world.soc_percent < 54, 60, lambda: "under the low mark"
            )
            peer.plug_in()
            world.wait_until(lambda: peer.on, 60, lambda: f"an on, {daemon.said}")
            moves(world, lambda: peer.on, daemon)
            assert daemon.stop() == 0, daemon.said
        assert peer.on
    entries = sound(world.log, "lobby")
    failed = [row for row in outcomes(entries).values() if row.error == "unavailable"]
    assert failed, daemon.said


def test_an_mqtt_socket_and_its_broker_vanish_and_come_back(tmp_path: Path) -> None:
    users = {"curator": PASSWORD, "lobby": "socket"}
    with Mosquitto(tmp_path, users=users, tls=True) as broker:
        peer = MqttSocket(broker, user="lobby", password="socket")
        table = mqtt_table(tmp_path, broker)
        world = NetworkWorld(tmp_path, lambda: peer.on, relay=table)
        with peer, world, Daemon(world, {}) as daemon:
            world.wait_until(lambda: not peer.on, 60, lambda: f"off, {daemon.said}")
            peer.unplug()
            world.wait_until(lambda: relay_is_lost(world), 60, lambda: daemon.said)
            peer.plug_in()
            world.wait_until(lambda: peer.on, 60, lambda: f"an on, {daemon.said}")
            world.wait_until(lambda: not peer.on, 60, lambda: f"off, {daemon.said}")
            peer.unplug()
            broker.stop()
            world.wait_until(
                lambda: "not reachable (connection refused" in daemon.said,
                60,
                lambda: daemon.said,
            )
            broker.start()
            peer.plug_in()
            world.wait_until(lambda: peer.on, 60, lambda: f"an on, {daemon.said}")
            moves(world, lambda: peer.on, daemon)
            assert daemon.stop() == 0, daemon.said
            assert peer.on
    check_log(world)
    check_no_secret(world, daemon)
    assert "offline" in daemon.said
