"""What metrics and messages cost the control loop, against a daemon without them.

Two daemons side by side in one run; what is compared is the main thread of each, where
control lives: voluntary context switches (proc_pid_status(5)) are its wake-ups, the
time that it ran is in schedstat. Nothing may wake it for a file or a message. Then a
flood of requests: what it takes of a core, and that control goes on beside it.
"""

from __future__ import annotations

import socket
import threading
import time
from contextlib import ExitStack, suppress
from pathlib import Path

import pytest
from table import Figures, Part

from support.live_world import Battery, Daemon, LiveWorld
from support.mosquitto import Mosquitto
from support.ports import free_port

pytestmark = [pytest.mark.slow, pytest.mark.peer]

POLLS = 20
FLOOD_S = 3.0


def publishing(folder: Path, *, port: int, broker: int) -> str:
    return (
        f'[metrics]\ntextfile = "{folder}/tidegate.prom"\nevery = "1s"\n'
        f'listen = "127.0.0.1:{port}"\n'
        f'[mqtt]\nbroker = "127.0.0.1"\nport = {broker}\ntls = false\n'
        'topic = "museum/bench"\nevery = "5s"\n'
    )


def wake_ups(pid: int, thread: int | None = None) -> int:
    """Return the voluntary switches of one thread, the main one unless named."""
    lines = Path(f"/proc/{pid}/task/{thread or pid}/status").read_text().splitlines()
    (count,) = (int(x.split()[1]) for x in lines if x.startswith("voluntary"))
    return count


def ran_ms(pid: int) -> float:
    return int(Path(f"/proc/{pid}/task/{pid}/schedstat").read_text().split()[0]) / 1e6


def threads(pid: int) -> list[int]:
    return [int(task.name) for task in Path(f"/proc/{pid}/task").iterdir()]


def all_wake_ups(pid: int) -> int:
    return sum(wake_ups(pid, thread) for thread in threads(pid))


def test_nothing_wakes_the_control_loop(tmp_path: Path, figures: Figures) -> None:
    with ExitStack() as stack:
        broker = stack.enter_context(Mosquitto(tmp_path))
        daemons: list[Daemon] = []
        for name in ("without", "with"):
            folder = tmp_path / name
            folder.mkdir()
            battery = Battery("BAT0", soc_percent=60.0, rate_percent_s=0.0)
            world = stack.enter_context(LiveWorld(folder, battery))
            extra = publishing(folder, port=free_port(), broker=broker.port)
            world.settings(extra if name == "with" else "")
            daemons.append(stack.enter_context(world.daemon()))
            world.wait_until(lambda w=world: bool(w.board.heard()), 20, "a frame")
        tick = threading.Event()
        tick.wait(8)
        pids = [daemon.process.pid for daemon in daemons]
        before = [(wake_ups(p), all_wake_ups(p), ran_ms(p)) for p in pids]
        tick.wait(POLLS)
        after = [(wake_ups(p), all_wake_ups(p), ran_ms(p)) for p in pids]
        (without, with_) = [
            tuple((x - y) / POLLS for x, y in zip(a, b, strict=True))
            for a, b in zip(after, before, strict=True)
        ]
        extra_threads = len(threads(pids[1])) - len(threads(pids[0]))
        assert [daemon.stop() for daemon in daemons] == [0, 0]
    for what, unit, ours, bare in zip(
        ("main thread's wake-ups", "all threads' wake-ups", "main thread's time"),
        ("switches", "switches", "ms"),
        with_,
        without,
        strict=True,
    ):
        figures.row(
            Part.BESIDE,
            f"metrics and MQTT: {what} a poll",
            ours,
            unit,
            beside=("without them", bare),
        )
    assert with_[0] <= 1.3 * without[0] + 0.3
    assert extra_threads == 2


def test_a_flood_of_requests_costs_little(tmp_path: Path, figures: Figures) -> None:
    port = free_port()
    battery = Battery("BAT0", soc_percent=60.0, rate_percent_s=0.0)
    with LiveWorld(tmp_path, battery) as world:
        world.settings(f'[metrics]\nlisten = "127.0.0.1:{port}"\n')
        with world.daemon() as daemon:
            world.wait_until(lambda: bool(world.board.heard()), 20, "a frame")
            threading.Event().wait(5)
            pid = daemon.process.pid
            quiet_ms = ran_ms(pid)
            threading.Event().wait(FLOOD_S)
            quiet_ms = ran_ms(pid) - quiet_ms
            flooded_ms = ran_ms(pid)
            asked, answered = flood(port)
            flooded_ms = ran_ms(pid) - flooded_ms
            assert daemon.stop() == 0, daemon.said
    share = (flooded_ms - quiet_ms) / (FLOOD_S * 1_000)
    figures.row(Part.BESIDE, "flood of metrics requests: of one core", 100 * share, "%")
    assert answered < asked
    assert share < 0.2


def flood(port: int) -> tuple[int, int]:
    """Connect and ask as fast as possible from a few threads; return how often."""
    end_s, counts, lock = time.monotonic() + FLOOD_S, [0, 0], threading.Lock()

    def ask() -> None:
        while time.monotonic() < end_s:
            answered = 0
            with (
                suppress(OSError),
                socket.create_connection(("127.0.0.1", port), timeout=0.2) as plug,
            ):
                plug.sendall(b"GET /metrics HTTP/1.0\r\n\r\n")
                answered = bool(plug.recv(100))
            with lock:
                counts[0] += 1
                counts[1] += answered

    tasks = [threading.Thread(target=ask) for _ in range(16)]
    for task in tasks:
        task.start()
    for task in tasks:
        task.join()
    return counts[0], counts[1]
