"""Runs a file of scenarios in a process of its own under umockdev-wrapper."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

from support.peers import need


def names_in(scenarios: Path) -> list[str]:
    """Return the scenarios of a file, in their order."""
    text = scenarios.read_text(encoding="utf-8")
    return re.findall(r"(?m)^(?:async )?def (test_\w+)", text)


def outcomes_of(scenarios: Path, folder: Path, *, timeout_s: float) -> dict[str, str]:
    """Return what became of each scenario: an empty text for one that passed."""
    wrapper = need("umockdev-wrapper")
    report = folder / "report.xml"
    command = [wrapper, sys.executable, "-m", "pytest", "-q", str(scenarios)]
    command += [f"--junitxml={report}", "-p", "no:cacheprovider", "-m", ""]
    paths = os.pathsep.join(path for path in sys.path if path)
    run = subprocess.run(
        command,
        env={**os.environ, "PYTHONPATH": paths},
        capture_output=True,
        text=True,
        timeout=timeout_s,
        check=False,
    )
    assert report.exists(), run.stdout + run.stderr
    return {
        case.attrib["name"]: "".join(
            part.text or part.attrib.get("message", "") for part in case
        )
        for case in ElementTree.parse(report).iter("testcase")
    }
