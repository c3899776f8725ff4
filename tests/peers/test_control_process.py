"""A real daemon, steered and attacked by real processes of other users.

The kernel says who they are: credentials(7), unix(7). The twin stands for battery and
relay. Exit codes: sysexits.h. Users and groups are numbers of nobody, invented.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest

from support import as_user
from support.control_flood import Flood
from support.evidence import intents, outcomes, rows, sound
from tidegate.core.reading import Supply
from tidegate.cyclelog.rows import EventRow, OperatorRow
from tidegate.errors import LogError

STRANGER, MEMBER = 4711, 4712
OWN_GROUP, OPERATORS = 4800, 4801
LIMIT_S = 30.0

as_root = pytest.mark.skipif(
    os.getuid() != 0, reason="only root can be somebody else; CI is root"
)


class Site:
    """A folder that everybody can look into, with settings and a daemon."""

    def __init__(self, folder: Path, **control: Any) -> None:
        self.folder = folder
        self.log = folder / "cycles.db"
        self.socket = folder / "control.sock"
        self.settings = folder / "tidegate.toml"
        keys = "".join(f"{key} = {json.dumps(each)}\n" for key, each in control.items())
        self.settings.write_text(
            f"""
[log]
path = "{self.log}"
[control]
socket = "{self.socket}"
{keys}
[station.hall]
poll = "1s"
stale_after = "5s"
settle = "2s"
gauge = {{ kind = "twin", device = "{folder.name}" }}
relay = {{ kind = "twin", device = "{folder.name}" }}
window = {{ low = 55, high = 65 }}
dwell = {{ on = "3min", off = "3min" }}
"""
        )

    @property
    def environment(self) -> dict[str, str]:
        paths = os.pathsep.join(path for path in sys.path if path)
        # Nothing of whoever runs the tests: their home, their run folder.
        kept = {key: os.environ[key] for key in ("PATH", "LANG") if key in os.environ}
        locks = str(self.folder / "locks")
        return {**kept, "PYTHONPATH": paths, "TIDEGATE_LOCKS": locks, "TZ": "UTC"}

    @contextmanager
    def daemon(self) -> Iterator[subprocess.Popen[str]]:
        words = [sys.executable, "-m", "tidegate", "run"]
        with subprocess.Popen(
            [*words, "--config", str(self.settings)],
            env=self.environment,
            stderr=subprocess.PIPE,
            text=True,
        ) as process:
            try:
                self.until(self.reads, "the daemon reads")
                yield process
                assert process.poll() is None, "the daemon ended"
            finally:
                process.send_signal(signal.SIGTERM)
                try:
                    process.wait(LIMIT_S)
                except subprocess.TimeoutExpired:
                    process.kill()

    def reads(self) -> bool:
        with suppress(LogError, sqlite3.Error):
            return self.socket.exists() and bool(rows(self.log, "hall"))
        return False

    def until(self, holds: Callable[[], bool], what: str) -> None:
        end_s = time.monotonic() + LIMIT_S
        tick = threading.Event()
        while not holds():
            assert time.monotonic() < end_s, f"not within {LIMIT_S} s: {what}"
            tick.wait(0.05)

    def call(
        self, *words: str, uid: int = 0, gid: int = 0, groups: tuple[int, ...] = ()
    ) -> subprocess.CompletedProcess[str]:
        """Run a command as somebody, root by default."""
        who = [str(uid), str(gid), ",".join(map(str, groups)), "--"]
        prefix = [as_user.__file__, *who] if os.getuid() == 0 else ["-m", "tidegate"]
        return subprocess.run(
            [sys.executable, *prefix, *words, "--config", str(self.settings)],
            env=self.environment,
            cwd="/",
            capture_output=True,
            text=True,
            timeout=LIMIT_S,
            check=False,
        )

    def operators(self) -> list[OperatorRow]:
        return [
            entry.row
            for entry in rows(self.log, "hall")
            if isinstance(entry.row, OperatorRow)
        ]

    def has_switched(self, supply: Supply) -> bool:
        entries = rows(self.log, "hall")
        done = {
            row_id for row_id, outcome in outcomes(entries).items() if not outcome.error
        }
        return any(
            intent.supply == supply and row_id in done
            for row_id, intent in intents(entries)
        )

    def events(self) -> list[str]:
        return [
            entry.row.kind
            for entry in rows(self.log, "hall")
            if isinstance(entry.row, EventRow)
        ]


@pytest.fixture
def folder() -> Iterator[Path]:
    made = Path(tempfile.mkdtemp(prefix="tidegate-hall-"))
    made.chmod(0o755)
    yield made
    shutil.rmtree(made)


ORDER = ("override", "hall", "on", "--for", "2h", "--because", "inventory")


def test_an_order_is_logged_with_who_gave_it_and_replays(folder: Path) -> None:
    site = Site(folder)
    with site.daemon():
        placed = site.call(*ORDER)
        assert placed.returncode == os.EX_OK, placed.stderr
        assert "supply on until" in placed.stdout
        assert "UTC (2 h), ordered by uid" in placed.stdout
        assert 'because "inventory"' in placed.stdout
        assert "No rule outranks it" in placed.stdout
        off = site.call("override", "hall", "off", "--for", "90min", "--json")
        document = json.loads(off.stdout)
        assert document["for_s"] == 5_400
        assert document["outranked_by"] is None
        assert document["in_force"] is True
        # The twin's switching shows that the off was carried out, dwell or not.
        site.until(lambda: site.has_switched(Supply.OFF), "an off")
        released = site.call("release", "hall", "--because", "all counted")
        assert released.returncode == os.EX_OK
        assert "is over" in released.stdout
    sound(site.log, "hall")  # the chain holds, and replay agrees with what was switched
    name = f"uid {os.getuid()}"
    acts = [(row.action, row.because, json.loads(row.args)) for row in site.operators()]
    assert acts == [
        ("override", "inventory", {"for_ms": 7_200_000, "supply": "on"}),
        ("override", "", {"for_ms": 5_400_000, "supply": "off"}),
        ("release", "all counted", {}),
    ]
    assert all(row.by.startswith(name) for row in site.operators())


@as_root
def test_a_stranger_may_ask_but_not_order_where_the_mode_lets_them_in(
    folder: Path,
) -> None:
    site = Site(folder, group=str(OPERATORS), mode="0666")
    with site.daemon():
        refused = site.call(*ORDER, uid=STRANGER, gid=STRANGER)
        assert refused.returncode == os.EX_NOPERM, refused.stderr
        assert f"uid {STRANGER} may ask but not order" in refused.stderr
        read = site.call("read", "hall", "--json", uid=STRANGER, gid=STRANGER)
        assert read.returncode == os.EX_OK, read.stderr
        assert json.loads(read.stdout)["gauge"] == "twin"
    assert site.operators() == []


@as_root
@pytest.mark.parametrize(
    ("gid", "groups"),
    [
        (MEMBER, (1, OPERATORS)),
        pytest.param(OPERATORS, (), marks=pytest.mark.slow),
        pytest.param(MEMBER, (*range(5_000, 5_400), OPERATORS), marks=pytest.mark.slow),
    ],
    ids=["supplementary", "primary", "one of hundreds"],
)
def test_a_member_can_order_and_a_stranger_cannot_even_ask(
    folder: Path, gid: int, groups: tuple[int, ...]
) -> None:
    site = Site(folder, group=str(OPERATORS))
    with site.daemon():
        refused = site.call(*ORDER, uid=STRANGER, gid=STRANGER)
        assert refused.returncode == os.EX_NOPERM, refused.stderr
        assert f"usermod -aG {OPERATORS}" in refused.stderr
        placed = site.call(*ORDER, uid=MEMBER, gid=gid, groups=groups)
        assert placed.returncode == os.EX_OK, placed.stderr
    (row,) = site.operators()
    assert row.by == f"uid {MEMBER}"


@pytest.mark.slow
@as_root
def test_another_group_may_order_than_may_ask(folder: Path) -> None:
    site = Site(folder, group=str(OWN_GROUP), operators=str(OPERATORS))
    with site.daemon():
        asks = site.call(*ORDER, uid=STRANGER, gid=OWN_GROUP)
        assert asks.returncode == os.EX_NOPERM
        assert "may ask but not order" in asks.stderr
        orders = site.call(*ORDER, uid=MEMBER, gid=OWN_GROUP, groups=(OPERATORS,))
        assert orders.returncode == os.EX_OK, orders.stderr
    assert [row.by for row in site.operators()] == [f"uid {MEMBER}"]


def test_without_a_daemon_it_says_how_to_start_one(folder: Path) -> None:
    site = Site(folder)
    absent = site.call(*ORDER)
    assert absent.returncode == os.EX_UNAVAILABLE
    assert "systemctl start tidegate" in absent.stderr
    assert str(site.socket) in absent.stderr
    read = site.call("read", "hall", "--json")
    assert json.loads(read.stdout)["trusted"] is True


def test_a_socket_that_is_switched_off_is_said(folder: Path) -> None:
    site = Site(folder, enabled=False)
    refused = site.call(*ORDER)
    assert refused.returncode == os.EX_UNAVAILABLE
    assert "enabled = true" in refused.stderr


@pytest.mark.slow
def test_the_daemon_of_other_settings_is_not_ordered(folder: Path) -> None:
    site = Site(folder)
    with site.daemon():
        shutil.copy(site.settings, folder / "other.toml")
        running, site.settings = site.settings, folder / "other.toml"
        refused = site.call(*ORDER)
        assert refused.returncode == 1
        assert f"--config {running}" in refused.stderr
        typo = site.call("override", "hal", "on", "--for", "2h")
        assert typo.returncode == 1
        site.settings = running
        typo = site.call("override", "hal", "on", "--for", "2h")
        assert "Did you mean hall?" in typo.stderr
    assert site.operators() == []


@pytest.mark.slow
def test_a_daemon_killed_leaves_a_socket_that_the_next_one_replaces(
    folder: Path,
) -> None:
    site = Site(folder)
    with site.daemon() as first:
        inode = site.socket.stat().st_ino
        first.kill()
        first.wait(LIMIT_S)
        assert site.socket.exists()
        assert site.call(*ORDER).returncode == os.EX_UNAVAILABLE
        with site.daemon():
            site.until(
                lambda: site.socket.stat().st_ino != inode, "a socket of its own"
            )
            assert site.call(*ORDER).returncode == os.EX_OK
        assert not site.socket.exists()
        first.poll = lambda: None  # type: ignore[method-assign]


@pytest.mark.parametrize(
    "takes_away",
    [
        lambda socket: socket.unlink(),
        pytest.param(
            lambda socket: (shutil.rmtree(socket.parent), socket.parent.mkdir()),
            marks=pytest.mark.slow,
        ),
    ],
    ids=["the file", "its folder"],
)
def test_a_socket_taken_away_under_a_daemon_is_made_again(
    folder: Path, takes_away: Callable[[Path], object]
) -> None:
    site = Site(folder, mode="0666")
    text = site.settings.read_text()
    site.socket = folder / "run" / "control.sock"
    site.settings.write_text(
        text.replace(str(folder / "control.sock"), str(site.socket))
    )
    with site.daemon() as process:
        before = site.socket.stat()
        takes_away(site.socket)
        assert site.call("status").returncode == os.EX_UNAVAILABLE
        site.until(site.socket.exists, "another one")
        after = site.socket.stat()
        assert (after.st_mode, after.st_gid) == (before.st_mode, before.st_gid)
        placed = site.call(*ORDER)
        assert placed.returncode == os.EX_OK, placed.stderr
        process.send_signal(signal.SIGTERM)
        assert process.wait(LIMIT_S) == 0
        process.poll = lambda: None  # type: ignore[method-assign]
    assert not site.socket.exists()
    sound(site.log, "hall")


# --- a flood --------------------------------------------------------------------------


@pytest.mark.slow
def test_a_flood_of_garbage_changes_nothing(folder: Path) -> None:
    site = Site(folder)
    with site.daemon() as process:
        for line in process.stderr or ():
            if "supply" in line:
                break
        flood = Flood(site.socket, seed=20261129)
        end_s = time.monotonic() + 3.0
        tick = threading.Event()
        while time.monotonic() < end_s:
            flood.wave(10)
            tick.wait(0.02)
        assert flood.sent > 100_000
        flood.end()
        # Nobody may be kept out once they are gone.
        site.until(
            lambda: site.call("read", "hall").returncode == os.EX_OK, "an answer again"
        )
        process.send_signal(signal.SIGTERM)
        said = (process.stderr.read() if process.stderr else "").splitlines()
        process.wait(LIMIT_S)
        process.poll = lambda: None  # type: ignore[method-assign]
    assert len(said) < 60, "not a line a connection"
    assert not [line for line in said if "Traceback" in line]
    assert site.operators() == []
    assert "override_placed" not in " ".join(site.events())
    sound(site.log, "hall")
