"""Environments of their own for packages that a bench compares with."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

PINS = Path(__file__).parents[2] / "packaging"


@contextmanager
def environment(folder: Path, pins: str, *options: str) -> Iterator[Path]:
    """Yield the interpreter of a new environment that holds what ``pins`` names.

    Nothing is compiled before it is used, which is most of it never.
    """
    python = folder / "bin" / "python"
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check", "--no-cache-dir"]
    install = ["install", "-qq", "--no-compile", "--require-hashes", "-r", PINS / pins]
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", folder], check=True)
    subprocess.run([*pip, "--python", python, *install, *options], check=True)
    yield python
    shutil.rmtree(folder)
