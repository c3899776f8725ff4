"""The world of an adb gauge's fault: a real adb server, a device, the real daemon.

Gauge, client text and server are the real ones; the device is ``support.adbd``. The
daemon lives in virtual time, where no process can be awaited, so the one function that
runs a program is replaced: ``RunsInline`` runs the real adb at one instant, and where
it hangs kills it after a moment of real time and lets the limit pass in virtual time.
What becomes of real processes is checked in real time, apart.
"""

from __future__ import annotations

import asyncio
import os
import subprocess
from collections.abc import Callable, Coroutine, Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any, Final, Self
from unittest import mock

from faults.rigs import Site
from support.adbd import Adbd, AdbServer, adb_server
from support.dumps import dump
from support.peers import need
from tidegate.virtual import run
from tidegate_backends.adb.client import Hung, Said
from tidegate_backends.adb.turns import Turn
from tidegate_backends.programs import Programs

# How long a healthy call may take, and after how long one is known to hang.
HEALTHY_S: Final = 20.0
HANGING_S: Final = 0.05


class RunsInline:
    """Stands for ``adb.client.execute``. ``told`` holds the words of each call."""

    def __init__(self, before: Callable[[], None], device: Adbd) -> None:
        self.told: list[tuple[str, ...]] = []
        self.lasted_s: list[float] = []
        self._before = before
        self._device = device
        self._known: dict[tuple[str, ...], Said] = {}
        self.repeats = False

    async def __call__(
        self,
        argv: Sequence[str],
        environment: Mapping[str, str],
        *,
        programs: Programs,
        limit_s: float,
        turn: Turn | None = None,
    ) -> Said:
        del programs
        self._before()
        words = tuple(argv[3:])
        self.told.append(words)
        if self.repeats and words in self._known:
            return self._known[words]
        is_hanging = words[-1].startswith("dumpsys") and self._device.manner == "hangs"
        try:
            done = subprocess.run(  # noqa: ASYNC221 - at one instant, as meant
                argv,
                env=dict(environment),
                stdin=subprocess.DEVNULL,
                capture_output=True,
                timeout=HANGING_S if is_hanging else HEALTHY_S,
                check=False,
            )
        except subprocess.TimeoutExpired as error:
            assert is_hanging, f"adb hangs at {words}"
            began_s = asyncio.get_running_loop().time()
            try:
                async with asyncio.timeout(limit_s):
                    await asyncio.Event().wait()
            except TimeoutError:
                raise Hung(gave_way=False) from error
            finally:
                self.lasted_s.append(asyncio.get_running_loop().time() - began_s)
        said = Said(
            done.stdout.decode(errors="replace"), done.stderr.decode(errors="replace")
        )
        self._known[words] = said
        return said

    def steps(self) -> list[tuple[str, ...]]:
        """Return the calls that were no reading and no preparation of one."""
        usual = ("shell", "version", "start-server", "connect")
        return [each for each in self.told if not set(usual) & set(each)]


class AdbSite(Site):
    """A station whose gauge is adb.

    Over ``usb-switched`` the device is gone from adb while it has no power, and back
    ``returns_after_s`` of virtual time after it has power again.
    """

    def __init__(
        self,
        folder: Path,
        *,
        soc: int = 60,
        over: str = "usb",
        gauge: Mapping[str, Any] | None = None,
        **station: Any,
    ) -> None:
        self.device = Adbd(shell_v2=False)
        self.adb_server = AdbServer(need("adb"), folder / "home")
        self.runs = RunsInline(self._settle, self.device)
        self.dumped: dict[str, Any] = {}
        self.text: str | None = None
        self.is_blind = over == "usb-switched"
        self.returns_after_s = 0.0
        self._back_ms: int | None = None
        super().__init__(folder, soc=soc, **station)
        self._station["gauge"] = {
            "kind": "adb",
            "over": over,
            "program": self.adb_server.program,
            "server_port": self.adb_server.port,
            "home": str(self.adb_server.home),
            **(gauge or {}),
        }
        self._stack = ExitStack()

    def __enter__(self) -> Self:
        self.adb_server.start()
        self.device.plug_in()
        self._station["gauge"].setdefault("serial", self.device.serial)
        self.adb_server.connect(self.device)
        # For a server that the product starts.
        apart = mock.patch.dict(os.environ, self.adb_server.environment)
        self._stack.enter_context(apart)
        self._stack.enter_context(
            mock.patch("tidegate_backends.adb.client.execute", self.runs)
        )
        return super().__enter__()

    def __exit__(self, *error: object) -> None:
        self._stack.close()
        self.adb_server.stop()
        self.device.unplug()
        super().__exit__(*error)

    def show(self) -> None:
        """Let the device say what its battery service would say now."""
        fed = self.mains and self.powered
        facts = {
            "level": self.values["capacity"],
            "USB_powered": fed,
            "status": 2 if fed else 3,
            **self.dumped,
        }
        self.device.dump = dump(**facts) if self.text is None else self.text

    def say(self, text: str | None = None, **dumped: Any) -> None:
        """Change what the device prints: a text of its own, or facts of the dump."""
        self.text, self.dumped = text, dumped
        self.show()

    def _settle(self) -> None:
        """Let the device leave or join the adb server, before it is asked."""
        fed = self.mains and self.powered
        if not self.is_blind or fed == self.is_attached:
            self._back_ms = None
        elif not fed:
            self.leave()
        elif self._back_ms is None:
            self._back_ms = self.clock.boot_ms() + round(self.returns_after_s * 1_000)
        if self._back_ms is not None and self.clock.boot_ms() >= self._back_ms:
            self._back_ms = None
            self.join()

    @property
    def is_attached(self) -> bool:
        return self.device.serial in self.adb_server.states()

    def leave(self) -> None:
        """Unplug: the serial leaves the list, as that of a USB device does."""
        self.device.unplug()
        self.adb_server.adb("disconnect", self.device.serial)

    def join(self) -> None:
        """Plug in again."""
        self.device.plug_in()
        self.adb_server.connect(self.device)

    def errors(self) -> list[str]:
        """Return what was said of the failing gauge."""
        return [line["error"] for line in self.said("gauge") if "error" in line]

    def notes(self) -> list[str]:
        """Return the gauge's notes."""
        return [line["note"] for line in self.said("gauge") if "note" in line]


def lives(site: AdbSite, life: Callable[[AdbSite], Coroutine[Any, Any, None]]) -> None:
    """Let a site live in virtual time."""
    with site:
        run(life(site), clock=site.clock)


__all__ = ["AdbSite", "RunsInline", "adb_server", "lives"]
