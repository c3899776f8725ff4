"""The Debian package, built once for all tests of a session, whoever asks first."""

from __future__ import annotations

import fcntl
import os
import re
import subprocess
from pathlib import Path

import pytest

from support.peers import need

ROOT = Path(__file__).resolve().parents[2]


def session_folder(made: pytest.TempPathFactory) -> Path:
    """Return the folder that all workers of this session share."""
    base = made.getbasetemp()
    return base.parent if "PYTEST_XDIST_WORKER" in os.environ else base


def built_deb(made: pytest.TempPathFactory) -> Path:
    """Return the package, built by ``packaging/deb/build`` when nobody did before.

    Several workers may ask at the same time: the first builds, the others wait.
    """
    need("dpkg-deb")
    folder = session_folder(made) / "deb"
    folder.mkdir(exist_ok=True)
    with (folder / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (folder / "path").exists():
            (folder / "path").write_text(str(build_into(folder)))
    return Path((folder / "path").read_text())


def build_into(folder: Path, **environment: str) -> Path:
    """Build the package into a folder and return its path."""
    done = subprocess.run(
        [str(ROOT / "packaging" / "deb" / "build"), str(folder)],
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    # The last line is the path: stdout is data, stderr is talk.
    return Path(done.stdout.splitlines()[-1])


def newer_deb(package: Path, folder: Path, *, without: str) -> Path:
    """Return the package as version 99.0, with one module less."""
    tree = _unpacked(package, folder / "newer")
    next((tree / "opt").glob(f"venvs/*/lib/*/site-packages/{without}")).unlink()
    return _packed(tree, folder, "99.0")


def older_deb(package: Path, folder: Path) -> Path:
    """Return the package as version 0.0.1."""
    return _packed(_unpacked(package, folder / "older"), folder, "0.0.1")


def _unpacked(package: Path, tree: Path) -> Path:
    subprocess.run([need("dpkg-deb"), "-R", str(package), str(tree)], check=True)
    return tree


def _packed(tree: Path, folder: Path, version: str) -> Path:
    control = tree / "DEBIAN" / "control"
    control.write_text(
        re.sub(r"(?m)^Version: .*$", f"Version: {version}", control.read_text())
    )
    made = folder / f"tidegate_{version}.deb"
    subprocess.run(
        ["dpkg-deb", "--root-owner-group", "-Znone", "--build", str(tree), str(made)],
        check=True,
        capture_output=True,
    )
    return made
