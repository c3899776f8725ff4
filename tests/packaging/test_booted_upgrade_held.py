"""An upgrade in a real systemd while the daemon holds a supply off.

As an integrator's script does it on many machines: nobody answers questions, the
settings are edited, and what goes wrong has to show in what apt says. Steps build on
each other, so they are one test. The museum is invented. Sources: Debian Policy 6.6
(what is called when), 9.3 and 10.7.3; dpkg(1); sysexits.h.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from support.booted import Machine, booted, check_can_boot
from support.booted_museum import SITE, UNIT, Contact, Museum
from support.deb_package import built_deb, newer_deb, older_deb

pytestmark = [pytest.mark.peer, pytest.mark.slow, pytest.mark.timeout(1200)]

SETTINGS = "/etc/tidegate/tidegate.toml"
TOLD = f"{SITE}/told"
RELAY = """\
kind = "command"
on = ["/usr/local/bin/hall-contact", "on"]
off = ["/usr/local/bin/hall-contact", "off"]
read = ["/usr/local/bin/hall-contact", "read"]
"""
# The contact keeps when it was told what, so that it can be held against the files.
CONTACT = f"""\
#!/bin/sh
set -e
cd {SITE}
case "$1" in
on | off) echo "$1" >contact; echo "$(date +%s.%N) $1" >>{TOLD} ;;
read) cat contact ;;
esac
"""
LATER = "# A comment of the integrator.\n"
# What the package's scripts ask systemd for.
ASKED = "/opt/asked"
NOTED = f"""\
#!/bin/sh
echo "$@" >>{ASKED}
exec /usr/bin/systemctl "$@"
"""


@dataclass
class Hall:
    """The machine, and the hall's contact on it."""

    machine: Machine
    museum: Museum

    @property
    def contact(self) -> str:
        return self.machine.inside(f"{SITE}/contact").read_text().strip()

    @property
    def state(self) -> str:
        return self.machine.shown(UNIT, "ActiveState")

    @property
    def package(self) -> str:
        wanted = ("-f", "${Status} ${Version}", "-W", "tidegate")
        return self.machine.says("dpkg-query", *wanted)

    def told(self) -> list[tuple[float, str]]:
        """Return when the contact was told what."""
        lines = self.machine.inside(TOLD).read_text().splitlines()
        return [(float(at), supply) for at, supply in map(str.split, lines)]

    def held_off(self, why: str) -> None:
        self.machine.until(lambda: self.state == "active", why, within_s=60)
        self.museum.until(on=False, why=why)

    def install(self, package: Path) -> str:
        """Install with apt, as a script does: nobody is there and nothing is forced."""
        self.machine.inside(f"/opt/{package.name}").write_bytes(package.read_bytes())
        done = self.machine.run(
            *("apt-get", "install", "-y", "--reinstall", f"/opt/{package.name}"),
            limit_s=240,
        )
        return done.stdout + done.stderr


@pytest.fixture
def hall(tmp_path: Path) -> Iterator[Hall]:
    check_can_boot()
    with booted(tmp_path) as machine:
        # Where this machine is an image itself, it may forbid services to start.
        machine.inside("/usr/sbin/policy-rc.d").unlink(missing_ok=True)
        yield Hall(machine, Museum(machine, tmp_path))


def test_an_upgrade_of_a_machine_that_holds_its_supply_off(
    hall: Hall, tmp_path_factory: pytest.TempPathFactory, tmp_path: Path
) -> None:
    package = built_deb(tmp_path_factory)
    _lives_with_the_older(hall, older_deb(package, tmp_path))
    _asks_nobody_and_gives_the_supply_back(hall, package)
    newer = newer_deb(package, tmp_path, without="tidegate/demo.py")
    _comes_back_after_an_upgrade_that_was_broken_off(hall, newer)
    _waits_for_no_unit_that_somebody_masked(hall)
    _says_that_settings_are_wrong_and_ends_well(hall, newer)


def _lives_with_the_older(hall: Hall, older: Path) -> None:
    hall.install(older)
    machine = hall.machine
    machine.write("/usr/local/bin/hall-contact", CONTACT, mode=0o755)
    machine.write(f"{SITE}/contact", "on\n")
    machine.write(TOLD, "")
    contact = Contact("hall", RELAY, lambda: hall.contact == "on")
    hall.museum.furnish(("command",), "", contact)
    with machine.inside(SETTINGS).open("a") as settings:
        settings.write(LATER)
    machine.run("systemctl", "enable", "--now", UNIT)
    hall.held_off("off at the high mark")


def _asks_nobody_and_gives_the_supply_back(hall: Hall, package: Path) -> None:
    """The settings are edited, and they are no others in the new package."""
    machine = hall.machine
    before, pid = len(hall.told()), machine.shown(UNIT, "MainPID")
    hall.install(package)
    assert hall.package.startswith("install ok installed")
    assert machine.inside(SETTINGS).read_text().endswith(LATER)
    since = hall.told()[before:]
    exchanged = machine.says("stat", "-c", "%.9Z", "/opt/venvs/tidegate/bin/tidegate")
    assert since[0][1] == "on"
    assert since[0][0] < float(exchanged), "files were exchanged while it was off"
    hall.held_off("off again under the new one")
    assert machine.shown(UNIT, "MainPID") != pid
    machine.run("tidegate", "log", "verify")


def _comes_back_after_an_upgrade_that_was_broken_off(hall: Hall, newer: Path) -> None:
    """dpkg was killed once the daemon was stopped: what began anew found it so."""
    prerm = "/var/lib/dpkg/info/tidegate.prerm"
    # Its /run is a file system of its own, which is not seen from outside.
    before = hall.machine.own_view / "run/tidegate.before"
    hall.machine.run(prerm, "upgrade", "99.0")
    assert (hall.state, hall.contact) == ("inactive", "on")
    assert before.exists()
    hall.install(newer)
    hall.held_off("off again after an upgrade in two attempts")
    assert not before.exists()


def _waits_for_no_unit_that_somebody_masked(hall: Hall) -> None:
    """systemctl(1): what is masked cannot be started, so nothing is to be seen of it."""
    machine = hall.machine
    machine.run("/var/lib/dpkg/info/tidegate.prerm", "upgrade", "99.0")
    machine.run("systemctl", "mask", UNIT)
    machine.write("/opt/noting/systemctl", NOTED, mode=0o755)
    path = "PATH=/opt/noting:/usr/sbin:/usr/bin:/sbin:/bin"
    postinst = "/var/lib/dpkg/info/tidegate.postinst"
    said = machine.says("env", path, postinst, "configure", "99.0")
    machine.run("systemctl", "unmask", UNIT)
    asked = machine.inside(ASKED).read_text()
    assert "is masked" in said
    assert "--no-block start" in asked
    assert "ExecMainStatus" not in asked
    assert (hall.state, hall.contact) == ("inactive", "on")
    machine.run("systemctl", "start", UNIT)
    hall.held_off("off again once it is not masked")


def _says_that_settings_are_wrong_and_ends_well(hall: Hall, newer: Path) -> None:
    """78 is EX_CONFIG; systemd does not try again what cannot help."""
    wrong = hall.machine.inside(SETTINGS).read_text().replace("low =", "lowest =")
    hall.machine.write(SETTINGS, wrong)
    said = hall.install(newer)
    assert "it does not start with these settings; nothing is controlled" in said
    assert hall.package.startswith("install ok installed")
    machine = hall.machine
    machine.until(lambda: hall.state == "failed", "failed")
    assert hall.contact == "on"
    assert machine.shown(UNIT, "ExecMainStatus") == "78"
    assert machine.shown(UNIT, "NRestarts") == "0"
    assert "did you mean" in machine.says("journalctl", "-u", UNIT, "-n", "20")
