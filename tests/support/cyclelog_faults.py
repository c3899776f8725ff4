"""Real faults of a disk, for tests of the cycle log; each skips visibly if it cannot.

A full and a read-only disk are small file systems in memory, so root meets them too.
"""

from __future__ import annotations

import os
import sqlite3
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


def _mount(*arguments: str) -> None:
    done = subprocess.run(
        ["mount", *arguments], capture_output=True, text=True, check=False
    )
    if done.returncode:
        pytest.skip(f"no small file system here: {done.stderr.strip()}")


@contextmanager
def small_disk(folder: Path, *, size_kib: int, files: int = 0) -> Iterator[Path]:
    """Give a file system of this size, as large as it gets, for so many files."""
    folder.mkdir()
    most = f"size={size_kib}k" + (f",nr_inodes={files}" if files else "")
    _mount("-t", "tmpfs", "-o", most, "tmpfs", str(folder))
    try:
        yield folder
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=True)


@contextmanager
def filled(folder: Path) -> Iterator[None]:
    """Leave no block free on the file system of this folder, until the end."""
    ballast = folder / "ballast"
    with ballast.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(b"\0" * 4096)
        except OSError:
            pass  # full, which is what was wanted
    try:
        yield
    finally:
        ballast.unlink()


@contextmanager
def crowded(folder: Path) -> Iterator[None]:
    """Leave no file free on the file system of this folder, until the end."""
    made = [folder / f"crowd{n}" for n in range(os.statvfs(folder).f_ffree)]
    for file in made:
        file.touch()
    try:
        yield
    finally:
        for file in made:
            file.unlink()


@contextmanager
def read_only(folder: Path) -> Iterator[None]:
    """Make a mounted folder read-only, for root too, until the end."""
    subprocess.run(["mount", "--bind", str(folder), str(folder)], check=True)
    subprocess.run(["mount", "-o", "remount,ro,bind", str(folder)], check=True)
    try:
        yield
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=True)


def garble(path: Path, *, at: int, length: int = 64) -> None:
    """Write noise over a part of a file."""
    with path.open("r+b") as file:
        file.seek(at)
        file.write(os.urandom(length))


def garble_tables(path: Path) -> None:
    """Write noise over every page but the first, as a worn card does."""
    for at in range(4096, path.stat().st_size, 4096):
        garble(path, at=at)


def tampered(path: Path, change: Callable[[sqlite3.Connection], object]) -> None:
    """Change a closed log with SQLite itself, as somebody with an editor would."""
    with sqlite3.connect(path) as database:
        change(database)
    database.close()
