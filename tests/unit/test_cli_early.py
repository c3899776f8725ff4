"""Whose signals are held early: the daemon's, and those of nothing else.

Source: Python's "Command line and environment", -m: ``sys.argv[0]`` is "-m" while the
module is being located, then its file.
"""

from __future__ import annotations

import sys

import pytest

from tidegate.cli import early

UNIT = ["/opt/venv/bin/python", "-m", "tidegate.cli.daemon", "--config", "a.toml"]


@pytest.mark.parametrize(
    ("argv", "whole", "is_daemon"),
    [
        (["/usr/bin/tidegate", "run", "--config", "a.toml"], [], True),
        (["tidegate", "run"], [], True),
        (["/opt/venv/lib/tidegate/__main__.py", "run"], [], True),
        (["-m", "--config", "a.toml"], UNIT, True),
        (["-m"], ["python", "-Wd", "-mtidegate.cli.daemon"], True),
        (["/usr/bin/tidegate", "status"], [], False),
        (["/usr/bin/tidegate", "--help"], [], False),
        (["/usr/bin/tidegate", "override", "run"], [], False),
        (["/usr/bin/tidegate"], [], False),
        (["/opt/other/__main__.py", "run"], [], False),
        (["/usr/bin/nottidegate", "run"], [], False),
        (["-m", "run"], ["python", "-m", "pytest", "run"], False),
        (["-c", "run"], ["python", "-c", "import tidegate.cli.daemon", "run"], False),
        ([""], ["python"], False),
        ([], [], False),
    ],
)
def test_only_what_becomes_the_daemon_holds_signals(
    monkeypatch: pytest.MonkeyPatch,
    argv: list[str],
    whole: list[str],
    *,
    is_daemon: bool,
) -> None:
    held: list[bool] = []
    monkeypatch.setattr(sys, "argv", argv)
    monkeypatch.setattr(sys, "orig_argv", whole)
    monkeypatch.setattr(early, "hold", lambda: held.append(True))
    early.hold_for_daemon()
    assert bool(held) is is_daemon
