"""`tidegate settings set` where somebody else is at the settings, or at their folder.

The lock is flock(2) on the folder, which whoever may read it can take; exit codes are
those of sysexits.h.
"""

from __future__ import annotations

import fcntl
import os
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from unittest import mock

import pytest

from tidegate.cli import set_file
from tidegate.cli.main import run
from tidegate.control.client import Client
from tidegate.errors import OrderRefused

FILE = """\
[control]
socket = "/nonexistent/control.sock"

[station.hall]
gauge = { kind = "command", run = ["guide-battery"] }
relay = { kind = "serial-frame", port = "/dev/ttyUSB0", channel = 1 }
window = { low = 55, high = 65 }
"""
LOW = ("settings", "set", "hall.window.low")


@pytest.fixture
def main(tmp_path: Path) -> Path:
    path = tmp_path / "tidegate.toml"
    path.write_text(FILE)
    return path


@contextmanager
def locked(folder: Path) -> Iterator[int]:
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield descriptor
    finally:
        os.close(descriptor)


def test_a_lock_that_is_never_given_back_is_not_waited_for_for_ever(
    main: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(set_file, "HELD_LIMIT_S", 0.2)
    with locked(main.parent):
        assert run([*LOW, "50", "--config", str(main)]) == os.EX_TEMPFAIL
    said = capsys.readouterr()
    assert said.out == ""
    assert "somebody else changes the settings in" in said.err
    assert "lslocks shows the process" in said.err
    assert not (main.parent / "conf.d").exists()


def test_who_had_to_wait_says_only_what_they_changed_themselves(
    main: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The one before sets poll and lets go while this one waits."""
    with locked(main.parent) as descriptor:

        def others_end(_: float) -> None:
            ours = main.parent / "conf.d" / "90-set.toml"
            ours.parent.mkdir()
            ours.write_text('[station.hall]\npoll = "10s"\n')
            fcntl.flock(descriptor, fcntl.LOCK_UN)

        monkeypatch.setattr(time, "sleep", others_end)
        assert run([*LOW, "50", "--config", str(main)]) == os.EX_OK
    said = capsys.readouterr()
    assert "station.hall.window.low: 55 -> 50" in said.out
    assert "poll" not in said.out
    text = (main.parent / "conf.d" / "90-set.toml").read_text()
    assert 'poll = "10s"' in text
    assert "low = 50" in text


class Refusing:
    """A daemon that refuses, on a machine whose disk is full from then on."""

    def __enter__(self) -> Refusing:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def ask(self, name: str, **arguments: Any) -> Mapping[str, Any]:
        raise OrderRefused("station tower is out for commissioning")


def test_a_file_that_cannot_be_put_back_hides_not_why_it_was_refused(
    main: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run([*LOW, "52", "--config", str(main)]) == os.EX_OK
    full = OSError(28, "No space left on device")
    with (
        mock.patch.object(Client, "connect", return_value=Refusing()),
        # Two calls for the file and its folder, then the disk is full.
        mock.patch("os.fsync", side_effect=[None, None, full]),
    ):
        assert run([*LOW, "50", "--config", str(main)]) == 1
    said = capsys.readouterr().err
    assert "could not be put back" in said
    assert "No space left on device" in said
    assert "station tower is out for commissioning" in said
    assert "low = 50" in (main.parent / "conf.d" / "90-set.toml").read_text()


@pytest.mark.parametrize("what", ["a file", "a link that leads nowhere"])
def test_a_conf_d_that_is_no_folder_is_said(
    main: Path, what: str, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = main.parent / "conf.d"
    if what == "a file":
        folder.write_text("")
    else:
        folder.symlink_to(main.parent / "nowhere")
    assert run([*LOW, "50", "--config", str(main)]) == 1
    assert f"{folder} is no folder" in capsys.readouterr().err
    assert os.path.lexists(folder)
