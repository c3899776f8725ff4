"""The scripts of the runit service, without runit: what they call, and when they wait.

How runsv runs them is in ``tests/peers/test_runit.py``.
"""

from __future__ import annotations

import os
import stat
import subprocess
from pathlib import Path

import pytest

SERVICE = Path(__file__).parents[2] / "packaging" / "runit" / "tidegate"


@pytest.mark.parametrize("name", ["run", "finish", "log/run"])
def test_the_script_can_be_run_by_any_shell(name: str) -> None:
    script = SERVICE / name
    assert script.stat().st_mode & stat.S_IXUSR
    assert script.read_text().startswith("#!/bin/sh\n")
    subprocess.run(["sh", "-n", str(script)], check=True, timeout=10)


def called(
    folder: Path, name: str, *arguments: str, environment: str = ""
) -> list[str]:
    """Return what a script calls, with a `tidegate` and a `sleep` that only note it.

    Without an ``environment`` of its own, that file names the place of the two.
    """
    tools, place, notes = folder / "bin", folder / "service", folder / "notes"
    for each in (tools, place):
        each.mkdir()
    for tool in ("tidegate", "sleep"):
        (tools / tool).write_text(f'#!/bin/sh\necho "{tool} $*" >> {notes}\n')
        (tools / tool).chmod(0o755)
    named = f'export PATH="{tools}:$PATH"\n'
    (place / "environment").write_text(environment or named)
    path = f"{tools}:{os.environ['PATH']}" if environment else os.environ["PATH"]
    subprocess.run(
        [str(SERVICE / name), *arguments],
        cwd=place,
        env={**os.environ, "PATH": path},
        check=True,
        timeout=20,
    )
    return notes.read_text().splitlines()


def test_run_becomes_the_daemon_in_its_environment(tmp_path: Path) -> None:
    assert called(tmp_path, "run") == ["tidegate run"]


def test_a_hang_up_does_not_end_what_is_to_become_the_daemon(tmp_path: Path) -> None:
    """POSIX.1-2017, Shell 2.14 trap, and exec(3): what is ignored stays ignored."""
    text = f'export PATH="{tmp_path}/bin:$PATH"\nkill -HUP $$\n'
    assert called(tmp_path, "run", environment=text) == ["tidegate run"]


@pytest.mark.parametrize(
    ("code", "calls"),
    [
        pytest.param("0", ["tidegate restore"], id="stopped in good order"),
        pytest.param("-1", ["tidegate restore"], id="killed"),
        pytest.param("70", ["tidegate restore", "sleep 20"], id="our bug"),
        pytest.param("1", ["tidegate restore", "sleep 20"], id="a venv that is broken"),
        pytest.param("127", ["tidegate restore", "sleep 20"], id="no such program"),
        pytest.param("75", ["sleep 20"], id="another tidegate has the relay"),
        pytest.param("66", ["tidegate restore", "sleep 20"], id="no settings"),
        pytest.param("69", ["tidegate restore", "sleep 20"], id="nothing can run"),
        pytest.param("78", ["tidegate restore", "sleep 20"], id="settings wrong"),
    ],
)
def test_finish_restores_whatever_ended_it(
    tmp_path: Path, code: str, calls: list[str]
) -> None:
    assert called(tmp_path, "finish", code, "0") == calls


@pytest.mark.parametrize(
    "text",
    [
        pytest.param('export A="never closed\n', id="a quote"),
        pytest.param("exit 3\n", id="an exit"),
    ],
)
def test_a_mistake_in_the_environment_does_not_keep_the_supply_off(
    tmp_path: Path, text: str
) -> None:
    assert called(tmp_path, "finish", "2", "0", environment=text) == [
        "tidegate restore",
        "sleep 20",
    ]


def test_an_environment_whose_last_line_is_false_counts(tmp_path: Path) -> None:
    notes = tmp_path / "notes"
    text = f'echo "it counts" >> {notes}\n[ -e /nowhere ] && export A=1\n'
    done = called(tmp_path, "finish", "0", "0", environment=text)
    # Once to see whether it is sound, and once for good.
    assert done == ["it counts", "it counts", "tidegate restore"]
