"""A booted machine with the service on it, which stations are given to and taken from.

``Museum.lives`` is the life of an operator's service as far as a sandbox decides it.
The museum is invented. Sources: systemd.service(5), systemd.exec(5).
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from support.booted import Machine
from support.booted_peers import battery, mains

UNIT = "tidegate.service"
SITE = "/var/lib/tidegate/site"
DROP_INS = "/etc/systemd/system/tidegate.service.d"
# Over the high mark, so that the supply goes off as soon as the dwell lets it.
SOC = 66
DEFAULTS = """\
[defaults]
window = { low = 55, high = 65 }
dwell = { on = "5s", off = "5s" }
budget = { per_hour = 30, per_day = 60 }
poll = "1s"
"""
# Shorter than in the field, so that a test need not wait.
SHORT = "[Service]\nRestartSec=1s\n"
# Words of the kernel, of systemd and of D-Bus for what a sandbox refuses.
REFUSED = re.compile(
    r"not permitted|permission denied|read-only file system|31/SYS|seccomp|bad system"
    r"|AccessDenied|address family not supported|Traceback",
    re.I,
)


@dataclass
class Contact:
    """A station's relay in the settings, and how its peer sees the supply.

    ``gauge``: a tree of files of its own if left out; external power follows there.
    """

    station: str
    relay: str
    is_on: Callable[[], bool]
    gauge: str | None = None

    def settings(self) -> str:
        gauge = self.gauge or f'{{ kind = "sysfs", root = "{SITE}/{self.station}" }}'
        return f"""
[station.{self.station}]
gauge = {gauge}
[station.{self.station}.relay]
{self.relay}
accept_dead_lock = true
"""


class Museum:
    """The machine with what an integrator put on it."""

    def __init__(self, machine: Machine, folder: Path) -> None:
        self.machine = machine
        self.folder = folder
        self._contacts: tuple[Contact, ...] = ()
        self._cursor = ""

    def furnish(self, drop_ins: tuple[str, ...], more: str, *contacts: Contact) -> None:
        """Let the unit do what these drop-ins let it, and give it these stations."""
        machine = self.machine
        self._contacts = contacts
        shutil.rmtree(machine.inside(DROP_INS), ignore_errors=True)
        machine.write(f"{DROP_INS}/short.conf", SHORT)
        for name in drop_ins:
            shipped = machine.inside(f"/usr/share/tidegate/drop-ins/{name}.conf")
            machine.write(f"{DROP_INS}/{name}.conf", shipped.read_text())
        machine.run("systemctl", "daemon-reload")
        for each in contacts:
            supplies = machine.inside(f"{SITE}/{each.station}/class/power_supply")
            battery(supplies / "BAT0", soc=SOC)
            mains(supplies / "AC", online=True)
        machine.run("chown", "-R", "tidegate:tidegate", SITE)
        stations = "".join(each.settings() for each in contacts)
        machine.write("/etc/tidegate/tidegate.toml", DEFAULTS + more + stations)
        self._cursor = self._last_cursor()

    def _last_cursor(self) -> str:
        said = self.machine.says("journalctl", "-n0", "--show-cursor")
        return said.rpartition("-- cursor: ")[2]

    def follow(self) -> None:
        """Let external power go where the contacts are."""
        for each in self._contacts:
            place = f"{SITE}/{each.station}/class/power_supply/AC/online"
            online = self.machine.inside(place)
            online.write_text(f"{int(each.is_on())}\n")

    def until(self, *, on: bool, why: str) -> None:
        """Wait until all contacts are as said."""

        def all_are() -> bool:
            self.follow()
            return all(each.is_on() is on for each in self._contacts)

        stations = ", ".join(each.station for each in self._contacts)
        self.machine.until(all_are, f"{why}: {stations}", within_s=40)

    def shown(self, name: str) -> str:
        return self.machine.shown(UNIT, name)

    def said(self) -> str:
        """Return what the unit, and systemd about it, said since it was furnished."""
        self.machine.run("journalctl", "--sync")
        since = f"--after-cursor={self._cursor}"
        return self.machine.says("journalctl", "-u", UNIT, since, "-o", "cat")

    def lives(self, meanwhile: Callable[[], None] = lambda: None) -> None:
        """Start, go off, be killed, come back, go off, be stopped; nothing refused."""
        machine = self.machine
        machine.run("systemctl", "start", UNIT)
        assert self.shown("ActiveState") == "active"
        self.until(on=False, why="off at the high mark")
        meanwhile()
        machine.run("systemctl", "kill", "--kill-whom=main", "--signal=KILL", UNIT)
        self.until(on=True, why="on after a kill")
        machine.until(lambda: self.shown("NRestarts") == "1", "started again")
        self.until(on=False, why="off once more")
        machine.run("systemctl", "stop", UNIT)
        for each in self._contacts:
            assert each.is_on(), f"{each.station} is off after a stop"
        assert self.shown("Result") == "success"
        self.nothing_was_refused()

    def nothing_was_refused(self) -> None:
        said = self.said()
        refused = [line for line in said.splitlines() if REFUSED.search(line)]
        assert refused == [], said
