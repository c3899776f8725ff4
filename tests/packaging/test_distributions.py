"""Wheel and sdist, built as for a release, and used as whoever gets them would.

Sources: the specifications of binary and source distributions (packaging.python.org);
pip's manual on --require-hashes.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

from tidegate import __version__

pytestmark = [pytest.mark.slow, pytest.mark.timeout(400)]

ROOT = Path(__file__).parents[2]


def run(*command: str | Path, at: Path, **environment: str) -> str:
    """Run a command and return what it printed, or fail with all that it said."""
    left_out = ("PYTHONPATH", "PYTEST_ADDOPTS", "PYTEST_XDIST_WORKER")
    kept = {name: each for name, each in os.environ.items() if name not in left_out}
    done = subprocess.run(
        [str(each) for each in command],
        cwd=at,
        env={**kept, **environment},
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def built(source: Path, folder: Path) -> Path:
    # The backend itself, as an installer calls it, in the environment that the pins
    # of the build requirements made: nothing is fetched.
    run(sys.executable, "-m", "hatchling", "build", "-d", folder, at=source)
    return folder


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return built(ROOT, tmp_path_factory.mktemp("dist"))


@pytest.fixture(scope="module")
def source(made: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sdist, unpacked."""
    folder = tmp_path_factory.mktemp("source")
    with tarfile.open(made / f"tidegate-{__version__}.tar.gz") as archive:
        archive.extractall(folder, filter="data")
    return folder / f"tidegate-{__version__}"


def wheel_in(folder: Path) -> Path:
    return folder / f"tidegate-{__version__}-py3-none-any.whl"


def test_the_wheel_runs_in_a_fresh_venv_with_the_hashed_requirements(
    made: Path, tmp_path: Path
) -> None:
    python = tmp_path / "venv" / "bin" / "python"
    run(sys.executable, "-m", "venv", tmp_path / "venv", at=tmp_path)
    pip = (python, "-m", "pip", "install", "--quiet", "--no-cache-dir")
    pins = ROOT / "packaging" / "requirements.txt"
    run(*pip, "--require-hashes", "-r", pins, at=tmp_path)
    run(*pip, "--no-deps", "--no-index", wheel_in(made), at=tmp_path)
    # pip says nothing is missing or of a wrong version.
    run(python, "-m", "pip", "check", at=tmp_path)
    tool = python.parent / "tidegate"
    assert run(tool, "--version", at=tmp_path) == f"tidegate {__version__}\n"
    run(tool, "demo", "--days", "1", at=tmp_path)
    [log] = (tmp_path / "demo").glob("*.db")
    run(tool, "log", "verify", "--log", log, at=tmp_path)


def test_the_wheel_holds_the_two_packages_and_their_types(made: Path) -> None:
    names = zipfile.ZipFile(wheel_in(made)).namelist()
    tops = {name.split("/")[0] for name in names}
    assert tops == {
        *("tidegate", "tidegate_backends", f"tidegate-{__version__}.dist-info"),
    }
    for package, folder in (("tidegate", "daemon"), ("tidegate_backends", "backends")):
        ours = ROOT / folder
        expected = {
            str(each.relative_to(ours))
            for each in (ours / package).rglob("*")
            if each.is_file() and "__pycache__" not in each.parts
        }
        assert expected == {n for n in names if n.split("/")[0] == package}
        assert f"{package}/py.typed" in names


def test_a_wheel_of_the_sdist_is_that_of_the_repository(
    made: Path, source: Path, tmp_path: Path
) -> None:
    again = built(source, tmp_path)
    assert wheel_in(again).read_bytes() == wheel_in(made).read_bytes()


def test_what_make_needs_is_in_the_sdist(source: Path) -> None:
    """All suites are collected there, and the tests of its layout hold."""
    for needed in ("Makefile", "packaging/requirements-test.txt", ".ci/run"):
        assert (source / needed).is_file()
    pytest_ = (sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider")
    said = run(*pytest_, "--collect-only", "-m", "slow or not slow", at=source)
    assert "error" not in said.splitlines()[-1]
    of_the_house = (
        "tests/packaging/test_house.py",
        "-k",
        "top_level or script or target",
    )
    assert " passed" in run(*pytest_, *of_the_house, at=source).splitlines()[-1]
