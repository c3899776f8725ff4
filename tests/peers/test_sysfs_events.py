"""The sysfs gauge with real udev events: scenarios run under umockdev-wrapper."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest

from support.peers import need

SCENARIOS = Path(__file__).with_name("umockdev_sysfs_events.py")
NAMES = re.findall(r"(?m)^async def (test_\w+)", SCENARIOS.read_text(encoding="utf-8"))

pytestmark = pytest.mark.peer


@pytest.fixture(scope="module")
def outcomes(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """What became of each scenario, run once in a process of its own."""
    wrapper = need("umockdev-wrapper")
    report = tmp_path_factory.mktemp("umockdev") / "report.xml"
    command = [wrapper, sys.executable, "-m", "pytest", "-q", str(SCENARIOS)]
    command += [f"--junitxml={report}", "-p", "no:cacheprovider"]
    paths = os.pathsep.join(path for path in sys.path if path)
    run = subprocess.run(
        command,
        env={**os.environ, "PYTHONPATH": paths},
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
    )
    assert report.exists(), run.stdout + run.stderr
    return {
        case.attrib["name"]: "".join(
            part.text or part.attrib.get("message", "") for part in case
        )
        for case in ElementTree.parse(report).iter("testcase")
    }


@pytest.mark.parametrize("name", NAMES)
def test_scenario(name: str, outcomes: dict[str, str]) -> None:
    assert outcomes.get(name, "it did not run") == ""
