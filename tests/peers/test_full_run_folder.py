"""Where locks and the control socket belong there is no room left.

A log that somebody writes to a run folder fills it, and a run folder is small. No
device goes dark of that. Sources: open(2) and write(2), ENOSPC; tmpfs(5), ``size`` and
``nr_inodes``. The museum is invented.
"""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from peers.test_run_process import Place, ended, no_traceback
from support.cyclelog_faults import crowded, filled, small_disk

pytestmark = pytest.mark.peer


@contextmanager
def full_place(folder: Path, lacking: str) -> Iterator[Place]:
    """A place whose contact is off, with a full lock folder."""
    place = Place(folder)
    fill = {"blocks": filled, "files": crowded}[lacking]
    with small_disk(folder / "locks", size_kib=64, files=16) as locks, fill(locks):
        yield place


@pytest.mark.parametrize("lacking", ["blocks", "files"])
def test_restore_tells_the_relay_all_the_same(tmp_path: Path, lacking: str) -> None:
    with full_place(tmp_path, lacking) as place:
        code, said, _ = place.call("restore")
        assert (code, place.supply()) == (0, "on"), said
    assert ("no room for a lock file" in said) == (lacking == "files")


@pytest.mark.parametrize("lacking", ["blocks", "files"])
def test_the_daemon_tells_the_relay_all_the_same(tmp_path: Path, lacking: str) -> None:
    with full_place(tmp_path, lacking) as place, place.daemon() as process:
        place.until(lambda: place.supply() == "on", 15, "the supply is on")
        code, said, _ = ended(process, signal.SIGTERM)
    assert code == 0
    assert no_traceback(said)
    unlocked = "another tidegate would not be kept away from the relay"
    assert (unlocked in said) == (lacking == "files")
