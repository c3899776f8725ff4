"""What brings a daemon's documents to ``watch``, before daemons that fall silent.

The daemon is a socket of the test's own: unix(7). A process that is stopped (SIGSTOP)
is connected to by the kernel and answers nothing, and so does this one.
"""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from queue import SimpleQueue
from typing import Any

import pytest

from tidegate.cli import watch_feed
from tidegate.cli.main import run
from tidegate.cli.watch_feed import Feed
from tidegate.errors import DaemonAbsent, Unavailable

LIMIT_S = 20.0
SOON_S = 0.2


@pytest.fixture(autouse=True)
def _impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(watch_feed, "ANSWER_LIMIT_S", SOON_S)
    monkeypatch.setattr(watch_feed, "SILENT_MOST_S", SOON_S)
    monkeypatch.setattr(watch_feed, "AGAIN_S", SOON_S)


@contextmanager
def daemon(path: Path, *answers: list[dict[str, Any]]) -> Iterator[None]:
    """Answer each peer in turn with so many documents, then say nothing more."""
    peers: list[socket.socket] = []

    def serve() -> None:
        for documents in answers:
            peer, _ = listening.accept()
            peers.append(peer)
            assert json.loads(peer.recv(65_536))["ask"] == "watch"
            for each in documents:
                line = json.dumps({"tidegate": 1, "more": each}).encode()
                peer.sendall(line + b"\n")

    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listening:
        listening.bind(str(path))
        listening.listen()
        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        try:
            yield
            thread.join(LIMIT_S)
            assert not thread.is_alive(), "not all answers were asked for"
        finally:
            for peer in peers:
                peer.close()


def fed(path: Path, *, again: bool) -> SimpleQueue[Any]:
    news: SimpleQueue[Any] = SimpleQueue()
    Feed(path, {}, news).start(again=again)
    return news


def test_a_daemon_that_never_answers_is_not_waited_for_for_ever(tmp_path: Path) -> None:
    path = tmp_path / "control.sock"
    with daemon(path, []):
        found = fed(path, again=False).get(timeout=LIMIT_S)
    assert isinstance(found, Unavailable)
    assert "did not answer in time" in str(found)


def test_one_that_fell_silent_is_asked_anew_before_anything_is_said(
    tmp_path: Path,
) -> None:
    path = tmp_path / "control.sock"
    with daemon(path, [{"n": 1}, {"n": 2}], [{"n": 3}], []):
        news = fed(path, again=False)
        heard = [news.get(timeout=LIMIT_S) for _ in range(4)]
    assert heard[:3] == [{"n": 1}, {"n": 2}, {"n": 3}]
    assert isinstance(heard[3], Unavailable)


def test_on_a_screen_it_is_looked_for_as_long_as_it_takes(tmp_path: Path) -> None:
    path = tmp_path / "control.sock"
    with daemon(path, [], [{"n": 1}], []):
        news = fed(path, again=True)
        assert isinstance(news.get(timeout=LIMIT_S), Unavailable)
        assert news.get(timeout=LIMIT_S) == {"n": 1}
        assert isinstance(news.get(timeout=LIMIT_S), Unavailable)
    path.unlink()
    while not isinstance(found := news.get(timeout=LIMIT_S), DaemonAbsent):
        assert isinstance(found, Unavailable)


def test_a_watch_that_nobody_reads_any_more_ends(tmp_path: Path) -> None:
    """`watch | head -1` must not hold its connection until something happens."""
    settings, path = tmp_path / "tidegate.toml", tmp_path / "control.sock"
    settings.write_text(f'[control]\nsocket = "{path}"\n')
    words = [sys.executable, "-m", "tidegate", "watch", "--json"]
    environ = {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    with (
        daemon(path, [{"n": 1}]),
        subprocess.Popen(
            [*words, "--config", str(settings)],
            env=environ,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        ) as watch,
    ):
        assert watch.stdout is not None
        assert watch.stderr is not None
        try:
            assert json.loads(watch.stdout.readline()) == {"n": 1}
            watch.stdout.close()
            assert watch.wait(LIMIT_S) == os.EX_IOERR
            assert watch.stderr.read() == ""
        finally:
            watch.kill()


@pytest.mark.parametrize("hours", ["nan", "0", "48.1", "inf", "-1", "six"])
def test_hours_that_are_none_are_wrong_usage(
    tmp_path: Path, hours: str, capsys: pytest.CaptureFixture[str]
) -> None:
    settings = tmp_path / "tidegate.toml"
    settings.write_text(f'[control]\nsocket = "{tmp_path / "control.sock"}"\n')
    words = ["watch", "--hours", hours, "--config", str(settings)]
    assert run(words) == os.EX_USAGE
    assert "--hours" in capsys.readouterr().err
