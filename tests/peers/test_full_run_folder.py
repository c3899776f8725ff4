"""Where locks and the control socket belong nothing can be written any more.

A log that somebody writes to a run folder fills it, and a run folder is small; a disk
that fails is made read-only. No device goes dark of that. Sources: open(2) and write(2),
ENOSPC and EROFS; tmpfs(5), ``size`` and ``nr_inodes``. The museum is invented.
"""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from peers.test_run_process import Place, ended, no_traceback
from support.cyclelog_faults import crowded, filled, read_only, small_disk

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


@pytest.mark.parametrize("was_used", [False, True], ids=["empty", "used before"])
def test_a_read_only_lock_folder_keeps_nobody_from_the_relay(
    tmp_path: Path, *, was_used: bool
) -> None:
    place, locks = Place(tmp_path), tmp_path / "locks"
    locks.mkdir()
    if was_used:
        assert place.call("restore")[0] == 0
        place.contact.write_text("off\n")
    with read_only(locks):
        code, said, _ = place.call("restore")
        assert (code, place.supply()) == (0, "on"), said
        assert ("no lock file can be made" in said) == (not was_used)
        with place.daemon() as process:
            place.until(place.started, 15, "the first on")
            code, said, _ = ended(process, signal.SIGTERM)
        assert code == 0
        unlocked = "another tidegate would not be kept away from the relay"
        assert (unlocked in said) == (not was_used)
