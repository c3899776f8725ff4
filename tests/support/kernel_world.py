"""A real daemon on a mock kernel: a battery that can be held, and ports of hubs.

Everything lies in the /sys of a ``Testbed``, so gauge and relay use their ordinary
root, and udev's events are real. A thread plays what the hardware would do with what
was written there: it charges or stops charging, and cuts the power of a port of which
both halves are off. Works under ``umockdev-wrapper`` only; all numbers are invented.
"""

from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Self

from support.umockdev_testbed import Testbed
from support.usb_tree import FakeHubs

TICK_S = 0.1
RATE_PERCENT_S = 2.0
BEHAVIOURS = ("auto", "inhibit-charge", "force-discharge")


class KernelWorld:
    """One battery on mains; ``fed_by`` is a port that feeds it, or nothing."""

    def __init__(
        self,
        folder: Path,
        bed: Testbed,
        *,
        relay: str,
        window: str,
        soc_percent: float,
        fed_by: tuple[str, ...] = (),
    ) -> None:
        self.folder, self.bed = folder, bed
        self.log = folder / "cycles.db"
        self.soc_percent = soc_percent
        self._relay, self._window = relay, window
        self._fed_by = fed_by
        self.sys = Path(bed.root) / "sys"
        self.hubs = FakeHubs(self.sys) if fed_by else None
        self.trace: list[float] = []
        self._mains = bed.add("AC", "Mains", online=1)
        self._battery: str | None = None
        self._attribute = Path()
        self.fit_battery()
        self._lock = threading.RLock()
        self._ended = threading.Event()
        self._failed: BaseException | None = None
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        self._ended.set()
        self._thread.join(timeout=5)
        if self._failed is not None and error is None:
            raise self._failed

    # --- hands ------------------------------------------------------------------------

    def fit_battery(self) -> None:
        """Let the battery's driver appear; it begins with charging allowed."""
        values = self._values(powered=True, charging=True)
        self._battery = self.bed.add("BAT0", "Battery", **values)
        self._attribute = Path(self.bed.root + self._battery) / "charge_behaviour"
        self._say("auto")
        self.bed.uevent(self._battery, "add")

    def pull_battery(self) -> None:
        """Let it vanish, as a reloaded driver does."""
        with self._lock:
            battery, self._battery = self._battery, None
            assert battery is not None
            self.bed.remove(battery)
            shutil.rmtree(self.bed.root + battery, ignore_errors=True)

    def unplug_hub(self) -> None:
        assert self.hubs is not None
        with self._lock:
            self.hubs.unplug_hub()

    def plug_hub_back(self) -> None:
        assert self.hubs is not None
        with self._lock:
            self.hubs.plug_hub_back()

    # --- looking ----------------------------------------------------------------------

    @property
    def behaviour(self) -> str | None:
        """The active word, whether or not it was put into the kernel's form."""
        try:
            words = self._attribute.read_text().split()
        except FileNotFoundError:
            return None
        active = [word.strip("[]") for word in words if word[0] == "["]
        return active[0] if active else (words[0] if words else None)

    @property
    def powered(self) -> bool:
        """Whether any half of the plug that feeds the device has power."""
        if not self._fed_by:
            return True
        return any(self._half_has_power(port) for port in self._fed_by)

    def _half_has_power(self, port: str) -> bool:
        assert self.hubs is not None
        try:
            return (self.hubs._folder(port) / "disable").read_text().strip() != "1"
        except FileNotFoundError:
            return False  # the hub is away, and the plug with it

    # --- the hardware -----------------------------------------------------------------

    def _run(self) -> None:
        try:
            last_s = time.monotonic()
            while not self._ended.wait(TICK_S):
                now_s = time.monotonic()
                with self._lock:
                    self._tick(now_s - last_s)
                last_s = now_s
        except Exception as error:  # noqa: BLE001 - raised again at the end
            self._failed = error

    def _tick(self, passed_s: float) -> None:
        if self._battery is None:
            return
        word = self.behaviour
        powered = self.powered
        charging = powered and word == "auto"
        step = RATE_PERCENT_S * passed_s
        if charging:
            self.soc_percent = min(100.0, self.soc_percent + step)
        elif not powered:
            self.soc_percent = max(0.0, self.soc_percent - step)
        self.trace.append(self.soc_percent)
        values = self._values(powered=powered, charging=charging)
        self.bed.set(self._battery, **values)
        self.bed.set(self._mains, online=int(powered))

    def _values(self, *, powered: bool, charging: bool) -> dict[str, Any]:
        idle = "Not charging" if powered else "Discharging"
        return {
            "status": "Charging" if charging else idle,
            "capacity": int(self.soc_percent),
            "voltage_now": 3_600_000 + int(self.soc_percent * 4_000),
            "temp": 251,
            "present": 1,
        }

    def _say(self, active: str) -> None:
        listed = (f"[{word}]" if word == active else word for word in BEHAVIOURS)
        self._attribute.write_text(" ".join(listed) + "\n")

    # --- the program under test -------------------------------------------------------

    def settings(self) -> Path:
        path = self.folder / "tidegate.toml"
        path.write_text(
            f"""
[log]
path = "{self.log}"

[station.bat0]
gauge = {{ kind = "sysfs" }}
relay = {self._relay}
window = {self._window}
poll = "1s"
dwell = {{ on = "5s", off = "5s" }}
limits = {{ floor = 30 }}
budget = {{ per_hour = 720, per_day = 17280 }}
settle = "2s"
stale_after = "5s"
""",
            encoding="utf-8",
        )
        return path

    def wait_until(
        self, holds: Callable[[], bool], timeout_s: float, what: str
    ) -> None:
        deadline = time.monotonic() + timeout_s
        while not holds():
            assert self._failed is None, self._failed
            assert time.monotonic() < deadline, f"not within {timeout_s} s: {what}"
            self._ended.wait(TICK_S)
