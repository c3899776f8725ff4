"""What the Debian package is made from, without building it.

Sources: Debian Policy 4.6, chapters 6 (maintainer scripts) and 10.7 (settings files).
"""

from __future__ import annotations

import re
import subprocess
import tomllib
from pathlib import Path

import pytest

from tidegate.errors import SettingsError
from tidegate.settings import load

ROOT = Path(__file__).parents[2]
DEB = ROOT / "packaging" / "deb"
CARRIED = ("serial", "modbus", "gpio", "hid", "mqtt", "sign")


@pytest.mark.parametrize("name", ["postinst", "prerm", "postrm"])
def test_maintainer_scripts_end_at_the_first_failure(name: str) -> None:
    """Policy 10.4: scripts for /bin/sh that end with `set -e`."""
    text = (DEB / name).read_text()
    assert text.startswith("#!/bin/sh\n")
    assert re.search(r"^set -e$", text, re.M)
    subprocess.run(["sh", "-n", str(DEB / name)], check=True, timeout=10)


def test_the_settings_as_installed_name_no_station(tmp_path: Path) -> None:
    """Nothing is switched before somebody said what."""
    file = tmp_path / "tidegate.toml"
    file.write_text((DEB / "tidegate.toml").read_text())
    with pytest.raises(SettingsError, match="there is no station"):
        load(file)


def test_the_example_in_them_is_right_once_it_is_uncommented(tmp_path: Path) -> None:
    text = (DEB / "tidegate.toml").read_text()
    file = tmp_path / "tidegate.toml"
    # What can be uncommented has no blank after the sign.
    file.write_text(re.sub(r"^#(?=[\w\[])", "", text, flags=re.M))
    found = load(file)
    assert list(found.stations) == ["entrance-guide"]
    assert found.stations["entrance-guide"].relay is not None


def pins(name: str) -> set[str]:
    text = (ROOT / "packaging" / name).read_text()
    return set(re.findall(r"^([a-z0-9-]+==[^ ]+)", text, re.M))


def test_the_package_carries_what_the_tests_tested_and_nothing_heavy() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    carried = pins("requirements-deb.txt")
    assert carried <= pins("requirements-test.txt")
    names = {each.split("==")[0] for each in carried}
    wanted = project["dependencies"] + [
        each for extra in CARRIED for each in project["optional-dependencies"][extra]
    ]
    assert {re.split(r"[<>=]", each)[0] for each in wanted} <= names
    assert not names & {"duckdb", "numba", "numpy", "rich", "pytest"}
