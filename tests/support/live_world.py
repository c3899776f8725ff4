"""A real daemon between a battery and a relay board on a pseudo-terminal.

The board's contact decides whether the battery's numbers rise or fall, in real time
and fast: a point of charge takes half a second. The daemon is ``tidegate run`` as a
process of its own. With a ``Testbed`` the battery is a mock of the kernel's with its
events, which works under ``umockdev-wrapper`` only; without one it is a tree of files.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Self

from support.relay_board import RelayBoard
from support.umockdev_testbed import Testbed

TICK_S = 0.1


@dataclass
class Battery:
    """One device: a battery, its mains, and a channel of the board, normally-closed."""

    name: str
    channel: int = 1
    soc_percent: float = 60.0
    rate_percent_s: float = 2.0
    mains: bool = True
    trace: list[float] = field(default_factory=list)

    def values(self, *, powered: bool) -> dict[str, str | int]:
        return {
            "status": "Charging" if powered else "Discharging",
            "capacity": int(self.soc_percent),
            "voltage_now": 3_600_000 + int(self.soc_percent * 4_000),
            "temp": 251,
            "present": 1,
        }


class _Mock:
    """The kernel's own supplies, as udev sees them."""

    def __init__(self, bed: Testbed, battery: Battery) -> None:
        self._bed = bed
        self._battery = bed.add(battery.name, "Battery", **battery.values(powered=True))
        self._mains = bed.add("AC", "Mains", online=1)
        self.gauge = f'{{ kind = "sysfs", name = "{battery.name}" }}'

    def show(self, battery: Battery, *, powered: bool) -> None:
        self._bed.set(self._battery, **battery.values(powered=powered))
        self._bed.set(self._mains, online=int(powered))


class _Files:
    """A recorded tree that somebody goes on recording."""

    def __init__(self, root: Path, battery: Battery) -> None:
        self._root = root / "class" / "power_supply"
        self.gauge = f'{{ kind = "sysfs", name = "{battery.name}", root = "{root}" }}'
        self.held = False
        self.flowing = threading.Event()
        self.show(battery, powered=True)

    def show(self, battery: Battery, *, powered: bool) -> None:
        if self.held:
            return
        self._write(battery.name, "Battery", battery.values(powered=powered))
        self._write("AC", "Mains", {"online": int(powered)})

    def stall(
        self, battery: Battery, stalled: threading.Event, *, powered: bool
    ) -> None:
        """Answer one more read of the battery, and let the one after it wait."""
        path = self._root / battery.name / "uevent"
        values = battery.values(powered=powered)
        text = _lines(battery.name, "Battery", values).encode()
        fifo = path.with_name(".fifo")
        os.mkfifo(fifo)
        self.held = True
        fifo.rename(path)

        def serve() -> None:
            # Opening to write returns when somebody opens to read.
            with path.open("wb") as answer:
                answer.write(text)
            with path.open("wb"):
                stalled.set()
                self.flowing.wait(30)

        threading.Thread(target=serve, daemon=True).start()

    def flow(self) -> None:
        """Answer reads again."""
        self.flowing.set()
        self.held = False

    def _write(self, name: str, kind: str, values: dict[str, str | int]) -> None:
        folder = self._root / name
        folder.mkdir(parents=True, exist_ok=True)
        text = _lines(name, kind, values)
        for file, content in (("uevent", text), ("type", kind + "\n")):
            new = folder / f".{file}"
            new.write_text(content, encoding="utf-8")
            new.rename(folder / file)


def _lines(name: str, kind: str, values: dict[str, str | int]) -> str:
    lines = {"name": name, "type": kind, **values}
    return "".join(f"POWER_SUPPLY_{key.upper()}={lines[key]}\n" for key in lines)


class LiveWorld:
    """Batteries, board and clock; ``daemon()`` starts the program under test."""

    def __init__(
        self, folder: Path, *batteries: Battery, bed: Testbed | None = None
    ) -> None:
        assert bed is None or len(batteries) == 1, "one machine has one supply"
        self.bed = bed
        self.folder = folder
        self.batteries = batteries
        self.board = RelayBoard(
            folder / "relay-port", channels=max(each.channel for each in batteries)
        )
        self.lock = threading.RLock()
        self._shown = [
            _Files(folder / each.name, each) if bed is None else _Mock(bed, each)
            for each in batteries
        ]
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._failed: BaseException | None = None
        self.stalled = threading.Event()
        self._stall_at_percent: float | None = None

    def stall_at(self, soc_percent: float) -> None:
        """From this charge on: let the gauge answer once, and then no more."""
        self._stall_at_percent = soc_percent

    def flow(self) -> None:
        """Let the gauge answer again."""
        shown = self._shown[0]
        assert isinstance(shown, _Files)
        shown.flow()

    @property
    def log(self) -> Path:
        return self.folder / "cycles.db"

    def __enter__(self) -> Self:
        self.board.start()
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._ended.set()
        self._thread.join(timeout=5)
        self.board.stop()
        if self._failed is not None and error is None:
            raise self._failed

    def powered(self, battery: Battery) -> bool:
        return battery.mains and not self.board.driven(battery.channel)

    def _run(self) -> None:
        try:
            last_s = time.monotonic()
            while not self._ended.wait(TICK_S):
                now_s = time.monotonic()
                self._tick(now_s - last_s)
                last_s = now_s
        except Exception as error:  # noqa: BLE001 - raised again at the end
            self._failed = error

    def _tick(self, passed_s: float) -> None:
        with self.lock:
            for each, shown in zip(self.batteries, self._shown, strict=True):
                powered = self.powered(each)
                step = each.rate_percent_s * passed_s
                each.soc_percent += step if powered else -step
                each.soc_percent = min(100.0, max(0.0, each.soc_percent))
                each.trace.append(each.soc_percent)
                at_percent = self._stall_at_percent
                if at_percent is not None and each.soc_percent >= at_percent:
                    # Before it is shown: a read between would be one too many.
                    assert isinstance(shown, _Files)
                    self._stall_at_percent = None
                    shown.stall(each, self.stalled, powered=powered)
                else:
                    shown.show(each, powered=powered)

    # --- the program under test -------------------------------------------------------

    def settings(self, extra: str = "") -> Path:
        path = self.folder / "tidegate.toml"
        stations = "\n".join(
            f"""
[station.{each.name.lower()}]
gauge = {shown.gauge}
relay = {{ kind = "serial-frame", port = "{self.board.link}", channel = {each.channel} }}
"""
            for each, shown in zip(self.batteries, self._shown, strict=True)
        )
        path.write_text(
            f"""
[log]
path = "{self.log}"

[defaults]
poll = "1s"
window = {{ low = 55, high = 65 }}
dwell = {{ on = "5s", off = "5s" }}
limits = {{ floor = 30 }}
budget = {{ per_hour = 720, per_day = 17280 }}
settle = "2s"
stale_after = "5s"
{extra}
{stations}
""",
            encoding="utf-8",
        )
        return path

    def daemon(self, *, env: dict[str, str] | None = None) -> Daemon:
        return Daemon(self, env or {})

    def wait_until(
        self, holds: Callable[[], bool], timeout_s: float, what: str
    ) -> None:
        deadline = time.monotonic() + timeout_s
        while not holds():
            assert self._failed is None, self._failed
            assert time.monotonic() < deadline, f"not within {timeout_s} s: {what}"
            self._ended.wait(TICK_S)


class Daemon:
    """The daemon in a process of its own, as a unit starts it; it talks to ``said``."""

    def __init__(self, world: LiveWorld, env: dict[str, str]) -> None:
        paths = os.pathsep.join(path for path in sys.path if path)
        settings = world.folder / "tidegate.toml"
        if not settings.exists():
            world.settings()
        self._messages = (world.folder / "messages.txt").open("ab")
        self.messages = world.folder / "messages.txt"
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tidegate.cli.daemon", "--config", str(settings)],
            env={
                **(world.bed.environment if world.bed else os.environ),
                "PYTHONPATH": paths,
                "TIDEGATE_LOCKS": str(world.folder / "locks"),
                **env,
            },
            stdout=self._messages,
            stderr=self._messages,
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.kill()
        self._messages.close()

    @property
    def said(self) -> str:
        return self.messages.read_text(encoding="utf-8", errors="replace")

    def stop(self) -> int:
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(timeout=20)

    def kill(self) -> None:
        self.process.kill()
        self.process.wait(timeout=10)
