"""Commands and the daemon where standard streams were closed before they began.

Source: POSIX.1-2017, Shell 2.7.6 (``>&-``), System Interfaces 2.14 (the lowest number
that is free is taken).
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

CLOSED = ["<&-", ">&-", "2>&-", "<&- >&- 2>&-"]


def lived(program: str, closed: str, *arguments: str) -> int:
    done = subprocess.run(
        [
            *("/bin/sh", "-c", f'exec "$@" {closed}', "sh"),
            *(sys.executable, "-c", program),
            *arguments,
        ],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
        capture_output=True,
        check=False,
        timeout=60,
    )
    return done.returncode


@pytest.mark.parametrize("closed", CLOSED)
def test_no_file_takes_the_place_of_a_stream(closed: str, tmp_path: Path) -> None:
    log = tmp_path / "log"
    program = (
        "import os, subprocess, sys\n"
        "from tidegate.cli.streams import open_the_closed\n"
        "open_the_closed()\n"
        "log = open(sys.argv[1], 'w')\n"
        "assert log.fileno() > 2\n"
        "print('said', flush=True)\n"
        "print('said', file=sys.stderr, flush=True)\n"
        "sys.stdin.read()\n"
        "subprocess.run(['/bin/sh', '-c', 'echo said; echo said >&2'], check=True)"
    )
    assert lived(program, closed, str(log)) == 0
    assert log.read_text() == ""


@pytest.mark.parametrize("closed", CLOSED)
@pytest.mark.parametrize(
    ("start", "command"),
    [
        ("from tidegate.cli.main import main; main()", "status"),
        ("from tidegate.cli import daemon; sys.exit(daemon.main(sys.argv[1:]))", ""),
    ],
)
def test_the_code_is_what_it_is_otherwise(
    start: str, command: str, closed: str, tmp_path: Path
) -> None:
    """66: there is no such settings file (sysexits.h, EX_NOINPUT)."""
    missing = tmp_path / "none.toml"
    words = [word for word in (command, "--config", str(missing)) if word]
    assert lived(f"import sys; {start}", closed, *words) == os.EX_NOINPUT
