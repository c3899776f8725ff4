"""The container image's recipe: whom it runs as, and that it calls what there is.

No test builds the image: that downloads a base and its packages each time. Source:
Containerfile(5).
"""

from __future__ import annotations

import json
import re
import subprocess
import tomllib
from pathlib import Path

import pytest

from tidegate.cli.exits import Code
from tidegate.cli.main import COMMANDS

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "packaging" / "container"


def instructions() -> dict[str, list[str]]:
    """Return what follows each instruction, in order, comments left out."""
    text = re.sub(r"^#.*\n", "", (FOLDER / "Containerfile").read_text(), flags=re.M)
    found: dict[str, list[str]] = {}
    for line in re.sub(r"\\\n\s*", "", text).splitlines():
        if line:
            name, _, rest = line.partition(" ")
            found.setdefault(name, []).append(rest)
    return found


def test_it_runs_as_the_static_user_of_the_package() -> None:
    said = instructions()
    assert said["USER"] == ["tidegate"]
    order = list(said)
    assert order.index("USER") > order.index("RUN")
    assert json.loads(said["ENTRYPOINT"][0]) == ["/usr/bin/tidegate"]
    assert said["STOPSIGNAL"] == ["SIGTERM"]


def test_what_it_calls_is_a_command_of_ours() -> None:
    said = instructions()
    [check] = said["HEALTHCHECK"]
    assert check[check.index("tidegate ") :].split()[1] in COMMANDS
    assert json.loads(said["CMD"][0])[0] in COMMANDS


@pytest.mark.parametrize(
    ("code", "is_healthy"),
    [(int(Code.DONE), True), (int(Code.NO), True), (69, False), (127, False)],
)
def test_an_alarm_does_not_make_the_container_ill(
    tmp_path: Path, code: int, is_healthy: bool
) -> None:
    """Dockerfile reference, HEALTHCHECK: 0 is healthy, 1 unhealthy, others reserved."""
    [check] = instructions()["HEALTHCHECK"]
    command = tmp_path / "tidegate"
    command.write_text(f"#!/bin/sh\nexit {code}\n")
    command.chmod(0o755)
    done = subprocess.run(
        json.loads(check[check.index("[") :]),
        env={"PATH": f"{tmp_path}:/usr/bin:/bin"},
        timeout=20,
    )
    assert done.returncode in (0, 1)
    assert (done.returncode == 0) is is_healthy


def test_it_installs_our_package_and_names_no_host() -> None:
    text = (FOLDER / "Containerfile").read_text()
    assert "COPY tidegate_*.deb" in text
    # A base image by its short name: where it comes from is the operator's to say.
    assert instructions()["FROM"] == ["$BASE"]
    assert not re.search(r"[a-z0-9-]+\.(?:io|com|org)\b", text)


def test_a_stop_gets_the_time_that_the_unit_gives_it() -> None:
    """A container that is killed earlier has nothing that sets the supply on."""
    unit = (ROOT / "packaging" / "systemd" / "tidegate.service").read_text()
    [limit_s] = re.findall(r"^TimeoutStopSec=(\d+)s$", unit, flags=re.M)
    for name in ("Containerfile", "README.md"):
        text = (FOLDER / name).read_text()
        assert set(re.findall(r"--stop-timeout (\d+)", text)) == {limit_s}, name


def test_the_paths_that_stay_are_those_of_the_daemon() -> None:
    [volume] = instructions()["VOLUME"]
    assert volume == "/var/lib/tidegate"
    annotated = tomllib.loads((ROOT / "config" / "annotated.toml").read_text())
    assert Path(annotated["log"]["path"]).parent == Path(volume)
