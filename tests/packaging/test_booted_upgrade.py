"""An upgrade in a real systemd leaves the service as it was: running, or not.

Source: Debian Policy 9.3 (services around an upgrade), invoke-rc.d(8).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from support.booted import Machine, booted, check_can_boot
from support.deb_package import built_deb, newer_deb

pytestmark = [pytest.mark.peer, pytest.mark.slow, pytest.mark.timeout(1200)]

UNIT = "tidegate.service"
# A simulated battery, measured only: what runs is the service itself.
SETTINGS = '[station.hall]\ngauge = { kind = "twin" }\n'


@pytest.fixture
def machine(tmp_path: Path) -> Iterator[Machine]:
    check_can_boot()
    with booted(tmp_path) as found:
        # Where this machine is an image itself, it may forbid services to start.
        found.inside("/usr/sbin/policy-rc.d").unlink(missing_ok=True)
        yield found


def install(machine: Machine, package: Path) -> str:
    machine.inside(f"/opt/{package.name}").write_bytes(package.read_bytes())
    return machine.run(
        *("apt-get", "install", "-y", "-o", "Dpkg::Options::=--force-confold"),
        f"/opt/{package.name}",
        limit_s=180,
    ).stdout


def is_active(machine: Machine) -> bool:
    return machine.says("systemctl", "is-active", UNIT) == "active"


def test_a_service_is_after_an_upgrade_what_it_was_before(
    machine: Machine, tmp_path_factory: pytest.TempPathFactory, tmp_path: Path
) -> None:
    package = built_deb(tmp_path_factory)
    newer = newer_deb(package, tmp_path, without="tidegate/demo.py")
    install(machine, package)
    assert not is_active(machine)
    machine.inside("/etc/tidegate/tidegate.toml").write_text(SETTINGS)

    # Started and not enabled: it runs on, in another process.
    machine.run("systemctl", "start", UNIT)
    before = machine.shown(UNIT, "MainPID")
    install(machine, newer)
    machine.until(lambda: is_active(machine), "it runs after the upgrade")
    assert machine.shown(UNIT, "MainPID") != before

    # Enabled and stopped by its operator: it stays so.
    machine.run("systemctl", "enable", UNIT)
    machine.run("systemctl", "stop", UNIT)
    machine.run("apt-get", "install", "-y", "--reinstall", f"/opt/{newer.name}")
    assert not is_active(machine)

    # A policy may forbid a start, never the stop: none may run without its files.
    machine.run("systemctl", "start", UNIT)
    machine.write("/usr/sbin/policy-rc.d", "#!/bin/sh\nexit 101\n", mode=0o755)
    said = machine.run("apt-get", "install", "-y", "--reinstall", f"/opt/{newer.name}")
    assert "policy-rc.d forbids it" in said.stderr + said.stdout
    assert not is_active(machine)
    machine.inside("/usr/sbin/policy-rc.d").unlink()

    # Removed, and installed again: what is enabled starts.
    machine.run("apt-get", "remove", "-y", "tidegate")
    install(machine, newer)
    machine.until(lambda: is_active(machine), "it runs after it was installed again")
