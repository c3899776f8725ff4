"""The Debian package in a real systemd: installed, started, killed, reloaded, removed.

One life of an invented museum on one machine: the hall's battery is a tree of files as
the kernel's class power_supply has it, its relay a script that writes what the contact
does; the cellar's gauge is a third party's, which can stop the daemon. Steps build on
each other, so they are one test. What systemd does is in systemd.service(5) and
systemd.exec(5); what sd_notify tells it in sd_notify(3).
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator

import pytest

from support import blocking_gauge
from support.booted import Machine, booted, check_can_boot
from support.deb_package import built_deb
from tidegate.notice.journal import ALARM_ID, SWITCHING_ID

UNIT = "tidegate.service"
SITE = "/var/lib/tidegate/site"
SUPPLIES = f"{SITE}/class/power_supply"
LOG = "/var/lib/tidegate/cycles.db"
SETTINGS = f"""\
[station.hall]
gauge = {{ kind = "sysfs", root = "{SITE}" }}
window = {{ low = 55, high = 65 }}
dwell = {{ on = "5s", off = "5s" }}
budget = {{ per_hour = 30, per_day = 60 }}
poll = "1s"

[station.hall.relay]
kind = "command"
on = ["/usr/local/bin/hall-contact", "on"]
off = ["/usr/local/bin/hall-contact", "off"]
read = ["/usr/local/bin/hall-contact", "read"]
accept_dead_lock = true

[station.cellar]
gauge = {{ kind = "blocking", folder = "{SITE}" }}
poll = "1s"
"""
# The contact, with the supply that follows it.
CONTACT = f"""\
#!/bin/sh
set -e
cd {SITE}
case "$1" in
on) [ ! -e welded ]; echo on >contact; echo 1 >{SUPPLIES}/AC/online ;;
off) [ ! -e slow ] || {{ touch begun; sleep 2; }}; echo off >contact; echo 0 >{SUPPLIES}/AC/online ;;
read) cat contact ;;
esac
"""
# Shorter than in the field, so that a test need not wait for minutes.
SHORT = "[Service]\nWatchdogSec=4s\nRestartSec=1s\n"
DROP_INS = "/etc/systemd/system/tidegate.service.d"

pytestmark = [pytest.mark.peer, pytest.mark.slow, pytest.mark.timeout(1200)]


class Museum:
    """The machine with what an integrator put on it."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine

    def furnish(self) -> None:
        """Write battery, contact, settings, drop-ins and the third party's gauge."""
        machine = self.machine
        machine.write("/usr/local/bin/hall-contact", CONTACT, mode=0o755)
        for name, value in {"type": "Mains", "online": 1}.items():
            machine.write(f"{SUPPLIES}/AC/{name}", f"{value}\n")
        machine.write(f"{SUPPLIES}/BAT0/type", "Battery\n")
        self.charged(60)
        machine.write(f"{SITE}/contact", "on\n")
        machine.write(f"{SITE}/soc", "50\n")
        machine.run("chown", "-R", "tidegate:tidegate", SITE)
        self.settings(SETTINGS)
        shipped = "/usr/share/tidegate/drop-ins/command.conf"
        machine.run("mkdir", "-p", DROP_INS)
        machine.run("ln", "-s", shipped, DROP_INS)
        machine.write(f"{DROP_INS}/short.conf", SHORT)
        self._install_the_third_partys_gauge()
        machine.run("systemctl", "daemon-reload")

    def _install_the_third_partys_gauge(self) -> None:
        found = self.machine.says(
            "sh", "-c", "echo /opt/venvs/tidegate/lib/*/site-packages"
        )
        packages = self.machine.inside(found)
        shutil.copy(blocking_gauge.__file__, packages / "museum_blocking.py")
        about = packages / "museum_blocking-1.0.dist-info"
        about.mkdir()
        (about / "METADATA").write_text(
            "Metadata-Version: 2.1\nName: museum-blocking\nVersion: 1.0\n"
        )
        (about / "entry_points.txt").write_text(
            "[tidegate.gauges]\nblocking = museum_blocking:BACKEND\n"
        )

    def settings(self, text: str) -> None:
        self.machine.write("/etc/tidegate/tidegate.toml", text)

    def charged(self, soc: int) -> None:
        """Let the hall's battery say this level."""
        self.machine.write(
            f"{SUPPLIES}/BAT0/uevent",
            "POWER_SUPPLY_NAME=BAT0\nPOWER_SUPPLY_TYPE=Battery\nPOWER_SUPPLY_PRESENT=1\n"
            f"POWER_SUPPLY_STATUS=Unknown\nPOWER_SUPPLY_CAPACITY={soc}\n"
            "POWER_SUPPLY_VOLTAGE_NOW=3900000\nPOWER_SUPPLY_TEMP=251\n",
        )

    def ordered(self, order: str, *, on: bool) -> None:
        """Give the cellar's gauge or the contact an order, or take it back."""
        place = self.machine.inside(f"{SITE}/{order}")
        if on:
            place.touch()
        else:
            place.unlink()

    @property
    def contact(self) -> str:
        return self.machine.inside(f"{SITE}/contact").read_text().strip()

    @property
    def status(self) -> str:
        return self.machine.shown(UNIT, "StatusText")

    @property
    def state(self) -> str:
        return self.machine.shown(UNIT, "ActiveState")

    @property
    def pid(self) -> str:
        return self.machine.shown(UNIT, "MainPID")

    @property
    def restarts(self) -> int:
        return int(self.machine.shown(UNIT, "NRestarts"))

    def until(self, wanted: str, what: str, *, within_s: float = 30.0) -> None:
        """Wait for the contact: ``on`` or ``off``."""
        self.machine.until(lambda: self.contact == wanted, what, within_s=within_s)

    def runs(self) -> None:
        self.machine.until(
            lambda: self.state == "active", f"active: {self.status}", within_s=40
        )

    def switched_off(self) -> None:
        """Let the hall go off at its high mark: no further from 60 than a jump is."""
        self.runs()
        self.machine.until(lambda: "1 in its window" in self.status, "in its window")
        self.charged(65)
        self.until("off", "off at the high mark")


@pytest.fixture
def museum(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Museum]:
    check_can_boot()
    package = built_deb(tmp_path_factory)
    with booted(tmp_path_factory.mktemp("machine")) as machine:
        shutil.copy(package, machine.inside("/opt") / "tidegate.deb")
        # Images that machines are built from forbid services here; a machine does not.
        machine.inside("/usr/sbin/policy-rc.d").unlink(missing_ok=True)
        yield Museum(machine)


def test_a_life_under_systemd(museum: Museum) -> None:
    steps = (
        _installs_with_apt_alone,
        _is_sound,
        _is_ready_once_all_were_read,
        _runs_as_nobody_in_particular,
        _switches_and_tells_the_journal,
        _leaves_the_supply_on_when_killed,
        _is_killed_by_the_watchdog_and_comes_back,
        _goes_on_when_a_reload_is_wrong,
        _leaves_the_supply_on_when_stopped,
        _lets_a_command_end_when_stopped,
        _leaves_the_supply_on_when_killed_with_wrong_settings,
        _does_not_hide_a_restore_that_failed,
        _does_not_try_wrong_settings_again,
        _says_at_a_removal_that_a_relay_did_not_follow,
        _leaves_the_log_when_purged,
    )
    for step in steps:
        step(museum)


def _installs_with_apt_alone(museum: Museum) -> None:
    """The machine has no network but loopback."""
    machine = museum.machine
    done = machine.run("apt-get", "install", "-y", "/opt/tidegate.deb", limit_s=180)
    assert "switches nothing" in done.stdout
    assert machine.shown(UNIT, "UnitFileState") == "disabled"
    museum.furnish()


def _is_sound(museum: Museum) -> None:
    """`systemd-analyze verify` looks for programs, man pages and units they name too."""
    machine = museum.machine
    assert machine.says("systemd-analyze", "verify", UNIT) == ""
    machine.run("sh", "-c", f"ln -sf /usr/share/tidegate/drop-ins/*.conf {DROP_INS}")
    machine.run("systemctl", "daemon-reload")
    after = machine.shown(UNIT, "After").split()
    assert {"network.target", "modprobe@usbserial.service"} <= set(after)
    assert machine.says("systemd-analyze", "verify", UNIT) == ""
    linked = (DROP_INS, "-type", "l", "!", "-name", "command.conf")
    machine.run("find", *linked, "-delete")
    machine.run("systemctl", "daemon-reload")


def _is_ready_once_all_were_read(museum: Museum) -> None:
    machine = museum.machine
    museum.ordered("wait", on=True)
    machine.run("systemctl", "start", "--no-block", UNIT)
    machine.until(lambda: "cellar has not answered yet" in museum.status, "a status")
    assert museum.state == "activating"
    museum.ordered("wait", on=False)
    museum.runs()
    told = "2 stations: 1 in its window, 1 only measures"
    machine.until(lambda: museum.status == told, f"{told}: {museum.status}")


def _runs_as_nobody_in_particular(museum: Museum) -> None:
    said = museum.machine.says("cat", f"/proc/{museum.pid}/status")
    fields = dict(line.split(":\t", 1) for line in said.splitlines() if ":\t" in line)
    uid = museum.machine.says("id", "-u", "tidegate")
    assert set(fields["Uid"].split()) == {uid}
    assert int(fields["CapEff"], 16) == int(fields["CapBnd"], 16) == 0
    assert fields["NoNewPrivs"] == "1"
    assert fields["Seccomp"] == "2"


def _switches_and_tells_the_journal(museum: Museum) -> None:
    museum.switched_off()
    machine = museum.machine
    machine.until(lambda: "hall supply off because" in museum.status, "a status")
    found = machine.journal(f"MESSAGE_ID={SWITCHING_ID}", "TIDEGATE_SUPPLY=off")
    assert found
    entry = found[-1]
    assert entry["TIDEGATE_STATION"] == "hall"
    assert entry["TIDEGATE_REASON"] == "at_high_mark"
    assert (entry["PRIORITY"], entry["SYSLOG_IDENTIFIER"]) == ("6", "tidegate")
    assert entry["_SYSTEMD_UNIT"] == UNIT
    assert entry["MESSAGE"].startswith(
        "hall: supply off: the charge is at the high mark"
    )


def _leaves_the_supply_on_when_killed(museum: Museum) -> None:
    before = museum.restarts
    assert museum.contact == "off"
    machine = museum.machine
    machine.run("systemctl", "kill", "--kill-whom=main", "--signal=KILL", UNIT)
    museum.until("on", "on after a kill")
    machine.until(lambda: museum.restarts == before + 1, "started again")
    museum.charged(60)
    museum.runs()
    told = "restarted once within the hour after a kill or a fault"
    machine.until(lambda: told in museum.status, told)


def _is_killed_by_the_watchdog_and_comes_back(museum: Museum) -> None:
    museum.switched_off()
    machine = museum.machine
    before = museum.restarts
    museum.ordered("block", on=True)
    museum.until("on", "on after the watchdog")
    museum.ordered("block", on=False)
    machine.until(lambda: museum.restarts > before, "started again")
    museum.charged(60)
    museum.runs()
    found = machine.journal(f"UNIT={UNIT}")
    assert any("Watchdog timeout" in entry["MESSAGE"] for entry in found)
    said = machine.says("journalctl", "-u", UNIT, "-o", "cat", "--no-pager")
    assert "Fatal Python error: Aborted" in said, "where it hung is not told"
    assert "museum_blocking.py" in said
    machine.until(lambda: "restarted 2 times" in museum.status, "counted")


def _goes_on_when_a_reload_is_wrong(museum: Museum) -> None:
    machine, pid = museum.machine, museum.pid
    museum.settings(SETTINGS.replace("low = 55", "low = 75"))
    done = machine.run("systemctl", "reload", UNIT, check=False)
    assert done.returncode != 0, "a reload with wrong settings passed"
    said = machine.says("journalctl", "-u", UNIT, "-o", "cat", "-n", "50", "--no-pager")
    assert re.search(r"tidegate\.toml:3\b.*low = 75", said), said
    assert (museum.state, museum.pid) == ("active", pid)
    museum.settings(SETTINGS.replace("high = 65", "high = 64"))
    machine.run("systemctl", "reload", UNIT)
    assert (museum.state, museum.pid) == ("active", pid)
    museum.settings(SETTINGS)
    machine.run("systemctl", "reload", UNIT)


def _leaves_the_supply_on_when_stopped(museum: Museum) -> None:
    museum.switched_off()
    museum.machine.run("systemctl", "stop", UNIT)
    assert museum.contact == "on"
    assert museum.state == "inactive"
    assert museum.machine.shown(UNIT, "Result") == "success"


def _lets_a_command_end_when_stopped(museum: Museum) -> None:
    """Of a unit's programs only the first is told to end. Source: systemd.kill(5)."""
    machine = museum.machine
    museum.charged(60)
    machine.run("systemctl", "start", UNIT)
    museum.runs()
    machine.until(lambda: "1 in its window" in museum.status, "in its window")
    museum.ordered("slow", on=True)
    museum.charged(65)
    begun = machine.inside(f"{SITE}/begun")
    machine.until(begun.exists, "an off is under way")
    machine.run("systemctl", "stop", UNIT)
    museum.ordered("slow", on=False)
    assert museum.contact == "on"
    assert machine.shown(UNIT, "Result") == "success"
    said = machine.says("journalctl", "-u", UNIT, "-o", "cat", "--no-pager")
    assert "ended by signal" not in said


def _leaves_the_supply_on_when_killed_with_wrong_settings(museum: Museum) -> None:
    """No daemon starts with them, so it is the stop action that must."""
    machine = museum.machine
    museum.charged(60)
    machine.run("systemctl", "start", UNIT)
    museum.switched_off()
    museum.settings(SETTINGS.replace("low = 55", "low = 75"))
    machine.run("systemctl", "kill", "--kill-whom=main", "--signal=KILL", UNIT)
    museum.until("on", "on in spite of wrong settings")
    machine.until(lambda: museum.state == "failed", "failed")
    assert machine.shown(UNIT, "ExecMainStatus") == "78"
    museum.settings(SETTINGS)
    machine.run("systemctl", "reset-failed", UNIT)


def _does_not_hide_a_restore_that_failed(museum: Museum) -> None:
    museum.charged(60)
    museum.machine.run("systemctl", "start", UNIT)
    museum.switched_off()
    museum.ordered("welded", on=True)
    museum.machine.run("systemctl", "stop", UNIT, check=False)
    assert museum.contact == "off"
    assert museum.state == "failed"
    alarms = museum.machine.journal(f"MESSAGE_ID={ALARM_ID}")
    assert "relay_failed" in [entry["TIDEGATE_ALARM"] for entry in alarms]
    museum.ordered("welded", on=False)
    museum.machine.run("runuser", "-u", "tidegate", "--", "tidegate", "restore")
    assert museum.contact == "on"


def _does_not_try_wrong_settings_again(museum: Museum) -> None:
    """RestartPreventExitStatus; 78 is EX_CONFIG of sysexits.h."""
    machine = museum.machine
    museum.settings(SETTINGS.replace("low = 55", "low = 75"))
    machine.run("systemctl", "reset-failed", UNIT)
    machine.run("systemctl", "start", UNIT, check=False)
    machine.until(lambda: museum.state == "failed", "failed")
    assert machine.shown(UNIT, "ExecMainStatus") == "78"
    assert museum.restarts == 0
    museum.settings(SETTINGS)
    museum.charged(60)
    machine.run("systemctl", "start", UNIT)
    museum.runs()


def _says_at_a_removal_that_a_relay_did_not_follow(museum: Museum) -> None:
    """There is no `restore` any more that somebody could try again."""
    machine = museum.machine
    museum.switched_off()
    museum.ordered("welded", on=True)
    done = machine.run("apt-get", "remove", "-y", "tidegate", limit_s=120)
    assert museum.contact == "off"
    assert "a supply may be off" in done.stdout + done.stderr
    museum.ordered("welded", on=False)
    machine.run("apt-get", "install", "-y", "/opt/tidegate.deb", limit_s=180)
    museum.charged(60)
    machine.run("systemctl", "start", UNIT)
    museum.runs()


def _leaves_the_log_when_purged(museum: Museum) -> None:
    machine = museum.machine
    museum.switched_off()
    done = machine.run("apt-get", "purge", "-y", "tidegate", limit_s=120)
    assert museum.contact == "on"
    assert "the cycle log is evidence and stays in /var/lib/tidegate" in done.stdout
    assert "a supply may be off" not in done.stdout + done.stderr
    assert machine.inside(LOG).exists()
    # What the third party put into the venv is not the package's to remove.
    for gone in ("/etc/tidegate", "/opt/venvs/tidegate/bin", "/usr/bin/tidegate"):
        assert not machine.inside(gone).exists(), gone
    assert machine.shown(UNIT, "LoadState") == "not-found"
