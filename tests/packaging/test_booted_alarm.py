"""`[alarm]` in the shipped unit, in a real systemd: a script of an operator's is run.

The script is the example of config/alarm.toml, with logger(1). The museum is invented.
"""

from __future__ import annotations

import re
import shutil
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.booted import Machine, booted, check_can_boot
from support.deb_package import built_deb

UNIT = "tidegate.service"
SITE = "/var/lib/tidegate/site"
EXAMPLE = Path(__file__).parents[2] / "config" / "alarm.toml"
STATION = f"""
[station.{{name}}]
gauge = {{{{ kind = "sysfs", root = "{SITE}" }}}}
poll = "1s"
"""

pytestmark = [pytest.mark.peer, pytest.mark.slow, pytest.mark.timeout(1200)]


@pytest.fixture
def machine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machine]:
    check_can_boot()
    package = built_deb(tmp_path_factory)
    with booted(tmp_path_factory.mktemp("machine")) as machine:
        shutil.copy(package, machine.inside("/opt") / "tidegate.deb")
        machine.inside("/usr/sbin/policy-rc.d").unlink(missing_ok=True)
        machine.run("apt-get", "install", "-y", "/opt/tidegate.deb", limit_s=180)
        yield machine


def example() -> tuple[str, str]:
    """Return the table and the script of the example."""
    text = EXAMPLE.read_text()
    script = re.search(r"#   (#!/bin/sh\n(?:#   .*\n)+)", text)
    assert script is not None
    return text.partition("[station.")[0], script[1].replace("#   ", "")


def furnish(machine: Machine) -> None:
    """Put a battery there that is far too hot: 70 degrees."""
    machine.write(f"{SITE}/class/power_supply/BAT0/type", "Battery\n")
    machine.write(
        f"{SITE}/class/power_supply/BAT0/uevent",
        "POWER_SUPPLY_NAME=BAT0\nPOWER_SUPPLY_TYPE=Battery\nPOWER_SUPPLY_PRESENT=1\n"
        "POWER_SUPPLY_STATUS=Unknown\nPOWER_SUPPLY_CAPACITY=60\n"
        "POWER_SUPPLY_VOLTAGE_NOW=3900000\nPOWER_SUPPLY_TEMP=700\n",
    )
    machine.run("chown", "-R", "tidegate:tidegate", SITE)


def test_the_example_writes_to_the_system_log_without_any_drop_in(
    machine: Machine,
) -> None:
    table, script = example()
    (program,) = tomllib.loads(table)["alarm"]["run"]
    machine.write(program, script, mode=0o755)
    furnish(machine)
    machine.write("/etc/tidegate/tidegate.toml", table + STATION.format(name="hall"))
    machine.run("systemctl", "start", UNIT)
    machine.until(
        lambda: bool(machine.journal("SYSLOG_IDENTIFIER=museum-guides")), "a line"
    )
    said = machine.journal("SYSLOG_IDENTIFIER=museum-guides")[0]
    assert said["MESSAGE"].startswith("hall: battery_critical_heat raised=yes: ")
    assert said["PRIORITY"] == "4"  # warning: syslog(3)
    assert said["_UID"] == machine.says("id", "-u", "tidegate")
    assert said["_SYSTEMD_UNIT"] == UNIT
    _one_that_hangs_is_gone_after_a_stop(machine, program, table)


def _one_that_hangs_is_gone_after_a_stop(
    machine: Machine, program: str, table: str
) -> None:
    """And systemd has nothing to kill: TimeoutStopSec is 45 s."""
    # A station that nobody was told of yet.
    machine.write("/etc/tidegate/tidegate.toml", table + STATION.format(name="tower"))
    machine.write(program, "#!/bin/sh\ntrap '' TERM\nexec sleep 98765\n", mode=0o755)
    machine.run("systemctl", "restart", UNIT)
    looks = ("pgrep", "-f", "sleep 98765")
    machine.until(lambda: machine.says(*looks) != "", "it runs")
    machine.run("systemctl", "stop", UNIT, limit_s=20)
    assert machine.shown(UNIT, "Result") == "success"
    assert machine.says(*looks) == ""
