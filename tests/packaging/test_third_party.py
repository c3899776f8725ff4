"""Backends of somebody else's, installed for real and found by their entry points.

Two distributions of an invented museum: one that works, and one of which a kind has a
name that is taken and another does not load. Nothing of them is on the path but what
pip has put into a folder.
"""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
THIRD_PARTY = ROOT / "tests" / "third_party"
TAKEN = (
    'gauge kind "command" of museum-cellar is not used: that of tidegate comes first'
)

pytestmark = pytest.mark.slow


@dataclass(frozen=True)
class Installed:
    """Where the distributions are, and the showcases that their driver shows."""

    site: Path
    showcases: Path

    def environ(self, folder: Path) -> dict[str, str]:
        paths = (self.site, ROOT / "daemon", ROOT / "backends")
        return {
            **os.environ,
            "PYTHONPATH": os.pathsep.join(map(str, paths)),
            "MUSEUM_SHOWCASES": str(self.showcases),
            "TIDEGATE_LOCKS": str(folder / "locks"),
            # An adb server of the machine is none of this test's business.
            "ANDROID_ADB_SERVER_PORT": "1",
        }

    def tidegate(
        self, folder: Path, *arguments: str
    ) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "tidegate", *arguments],
            env=self.environ(folder),
            capture_output=True,
            text=True,
            timeout=100,
            check=False,
        )


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Installed:
    """Both distributions, built and installed without the network."""
    folder = tmp_path_factory.mktemp("third-party")
    subprocess.run(
        [
            *(sys.executable, "-m", "pip", "install", "--quiet", "--no-index"),
            *("--no-deps", "--no-build-isolation", "--disable-pip-version-check"),
            *("--root-user-action", "ignore", "--target", str(folder / "site")),
            *(str(THIRD_PARTY / name) for name in ("museum-showcase", "museum-cellar")),
        ],
        env={**os.environ, "PIP_NO_CACHE_DIR": "1"},
        check=True,
        timeout=100,
    )
    showcase = folder / "showcases" / "amber-room"
    showcase.mkdir(parents=True)
    (showcase / "meter").write_text("61.5 % fed\n")
    (showcase / "coil").write_text("0\n")
    (folder / "showcases" / "empty-case").mkdir()
    return Installed(folder / "site", folder / "showcases")


def settings(installed: Installed, folder: Path) -> Path:
    """One station on the museum's backends, one whose relay does not load, and one
    on the built-in kind whose name is taken.
    """
    showcase = installed.showcases / "amber-room"
    file = folder / "tidegate.toml"
    file.write_text(
        f"""
[log]
path = "{folder / "cycles.db"}"

[defaults]
window = {{ low = 55, high = 65 }}
poll = "1s"

[station.amber-room]
gauge = {{ kind = "showcase-meter", showcase = "{showcase}" }}
relay = {{ kind = "showcase-latch", showcase = "{showcase}" }}

[station.cellar]
gauge = {{ kind = "showcase-meter", showcase = "{showcase}" }}
relay = {{ kind = "cellar-crane" }}

[station.office]
gauge = {{ kind = "command", run = ["echo", '{{"soc_percent": 60}}'] }}
"""
    )
    return file


def test_settings_know_the_kinds_and_say_what_is_wrong(
    installed: Installed, tmp_path: Path
) -> None:
    file = settings(installed, tmp_path)

    done = installed.tidegate(
        tmp_path, "settings", "check", "--json", "--config", str(file)
    )

    assert done.returncode == 1, done.stderr
    found = json.loads(done.stdout)
    stations = {each["station"]: each for each in found["stations"]}
    assert stations["amber-room"]["relay"] == "showcase-latch"
    assert stations["amber-room"]["unsupported"] is None
    assert (
        "relay cellar-crane: the backend of museum-cellar does not load"
        in (stations["cellar"]["unsupported"])
    )
    assert TAKEN in found["warnings"]


def test_a_reading_comes_from_the_museums_gauge(
    installed: Installed, tmp_path: Path
) -> None:
    file = settings(installed, tmp_path)

    done = installed.tidegate(
        tmp_path, "read", "amber-room", "--json", "--config", str(file)
    )

    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert (found["gauge"], found["soc_percent"]) == ("showcase-meter", 61.5)
    assert found["external_power"] == "yes"


def test_find_lists_what_the_museums_backends_see(
    installed: Installed, tmp_path: Path
) -> None:
    done = installed.tidegate(tmp_path, "find", "--json", "--limit", "5s")

    assert done.returncode == 0, done.stderr
    assert f"warning: {TAKEN}" in done.stderr
    document = json.loads(done.stdout)
    showcase = str(installed.showcases / "amber-room")
    tables = [each["table"] for each in document["found"] if each["where"] == showcase]
    assert tables == [
        {"kind": "showcase-meter", "showcase": showcase},
        {"kind": "showcase-latch", "showcase": showcase},
    ]
    empty = str(installed.showcases / "empty-case")
    whys = [each["why_not"] for each in document["found"] if each["where"] == empty]
    assert whys == ["it has no meter", "it has no coil"]
    crane = next(s for s in document["sources"] if s["kind"] == "cellar-crane")
    assert (crane["state"], crane["distribution"]) == ("missing", "museum-cellar")
    assert crane["remedy"].endswith("--force-reinstall museum-cellar")
    command = next(
        s for s in document["sources"] if (s["role"], s["kind"]) == ("gauge", "command")
    )
    assert command["distribution"] == "tidegate"


def test_the_daemon_runs_them_and_writes_down_whose_they_are(
    installed: Installed, tmp_path: Path
) -> None:
    """The station whose relay does not load stays out; the others are controlled."""
    file = settings(installed, tmp_path)
    showcase = installed.showcases / "amber-room"
    said = tmp_path / "said.txt"
    with said.open("wb") as stream:
        daemon = subprocess.Popen(
            [sys.executable, "-m", "tidegate", "run", "--config", str(file)],
            env=installed.environ(tmp_path),
            stdout=stream,
            stderr=stream,
        )
    try:
        (showcase / "meter").write_text("70.0 % fed\n")
        wait_until(daemon, lambda: bool(rows(tmp_path, "intent")), said)
    finally:
        daemon.send_signal(signal.SIGTERM)
        code = daemon.wait(timeout=30)
        (showcase / "meter").write_text("61.5 % fed\n")
    assert code == 0, said.read_text()
    assert (showcase / "coil").read_text() == "0\n", "normally-closed: supply on"
    assert "station cannot run" in said.read_text()
    ((backends,),) = rows(tmp_path, "run", "backends")
    assert ["showcase-latch", "museum-showcase", "1.4.2"] in json.loads(backends)
    assert ["showcase-meter", "museum-showcase", "1.4.2"] in json.loads(backends)
    assert {kind for kind, *_ in json.loads(backends)} == {
        "command",
        "showcase-latch",
        "showcase-meter",
    }
    stations = {name for (name,) in rows(tmp_path, "settings", "station")}
    assert stations == {"amber-room", "office"}


def rows(folder: Path, table: str, columns: str = "*") -> list[tuple[object, ...]]:
    """Return rows of the cycle log, none where there is none yet."""
    path = folder / "cycles.db"
    if not path.exists():
        return []
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as log:
        try:
            return log.execute(f"SELECT {columns} FROM {table}").fetchall()
        except sqlite3.OperationalError:
            return []  # the tables are not made yet


def wait_until(daemon: subprocess.Popen[bytes], holds: object, said: Path) -> None:
    end_s = time.monotonic() + 30
    tick = threading.Event()
    while not holds():  # type: ignore[operator]
        assert daemon.poll() is None, said.read_text()
        assert time.monotonic() < end_s, said.read_text()
        tick.wait(0.05)
