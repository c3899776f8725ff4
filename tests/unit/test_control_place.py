"""Where the socket is: a daemon and its commands agree, and strangers do not fool them.

Sources: the XDG Base Directory Specification, ``$XDG_RUNTIME_DIR``; unix(7), 108 bytes
of path.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tidegate.control import place
from tidegate.host import locks


@pytest.fixture
def system(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The run folder of the system, not there yet; the person's folder is tmp_path."""
    folder = tmp_path / "run-of-the-system"
    monkeypatch.setattr(place, "SYSTEM", folder)
    monkeypatch.setattr(locks, "_SYSTEM", folder)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    return folder


@contextmanager
def listening(path: Path) -> Iterator[socket.socket]:
    path.parent.mkdir(parents=True, exist_ok=True)
    with socket.socket(socket.AF_UNIX) as server, place.short(path) as short:
        server.bind(short)
        server.listen(4)
        yield server


def environments(folder: Path) -> list[dict[str, str]]:
    return [
        {},
        {"XDG_RUNTIME_DIR": str(folder / "user")},
        {"TIDEGATE_LOCKS": str(folder / "locks")},
        {"TIDEGATE_LOCKS": str(folder / "locks"), "XDG_RUNTIME_DIR": str(folder)},
    ]


@pytest.mark.parametrize("number", range(4))
@pytest.mark.parametrize("is_there", [True, False])
def test_a_command_finds_the_daemon_that_the_same_person_runs(
    tmp_path: Path, system: Path, number: int, *, is_there: bool
) -> None:
    environ = environments(tmp_path)[number]
    if is_there:
        system.mkdir()
    where = place.daemon_place(environ)
    assert where in place.candidates(environ)
    with listening(where):
        assert place.client_place(environ) == where


def test_a_person_finds_the_daemon_of_the_system(tmp_path: Path, system: Path) -> None:
    environ = {"XDG_RUNTIME_DIR": str(tmp_path / "user")}
    with listening(system / place.NAME):
        assert place.client_place(environ) == system / place.NAME


def test_what_a_dead_daemon_left_hides_no_living_one(
    tmp_path: Path, system: Path
) -> None:
    environ = {"XDG_RUNTIME_DIR": str(tmp_path / "user")}
    own = tmp_path / "user" / "tidegate" / place.NAME
    with listening(own):
        pass
    assert own.exists()
    with listening(system / place.NAME):
        assert place.client_place(environ) == system / place.NAME


def test_without_any_daemon_the_likeliest_place_is_named(
    tmp_path: Path, system: Path
) -> None:
    environ = {"XDG_RUNTIME_DIR": str(tmp_path / "user")}
    assert place.client_place(environ).parent.parent == tmp_path / "user"
    system.mkdir()
    assert place.client_place(environ) == system / place.NAME


@pytest.mark.skipif(os.getuid() != 0, reason="only root can give a folder away")
def test_a_folder_of_a_stranger_is_not_trusted(tmp_path: Path, system: Path) -> None:
    environ = {"XDG_RUNTIME_DIR": str(tmp_path / "user")}
    foreign = tmp_path / "user" / "tidegate" / place.NAME
    with listening(foreign), listening(system / place.NAME):
        os.chown(foreign.parent, 4711, 4711)
        assert place.client_place(environ) == system / place.NAME


def test_a_name_longer_than_an_address_serves_too(tmp_path: Path) -> None:
    """A daemon moves its socket to any name; unix(7) has 108 bytes for an address."""
    path = tmp_path / f"{'s' * 200}.sock"
    assert not place.answers(path)
    with listening(tmp_path / "new"):
        (tmp_path / "new").rename(path)
        assert place.answers(path)
    assert not place.answers(path)


def test_a_path_longer_than_an_address_serves_too(tmp_path: Path) -> None:
    path = tmp_path / ("deep" * 40) / place.NAME
    assert len(os.fsencode(path)) > 108
    with listening(path) as server, socket.socket(socket.AF_UNIX) as client:
        place.connect(client, path)
        accepted, _ = server.accept()
        with accepted:
            client.send(b"x")
            assert accepted.recv(1) == b"x"
    assert path.is_socket()
