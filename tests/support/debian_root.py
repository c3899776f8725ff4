"""A bare Debian, to install packages in with apt and without a network.

mmdebstrap makes it once a session, with nothing but what the package depends on. Every
test works in an overlay of its own, so nothing that it does stays.
"""

from __future__ import annotations

import fcntl
import os
import re
import subprocess
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import pytest

from support.deb_package import session_folder
from support.peers import need

# Where the bare system keeps packages that a test brings.
BROUGHT = "/srv"


class DebianRoot:
    """A root folder, and what is run in it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def run(
        self, *command: str, fails: bool = False
    ) -> subprocess.CompletedProcess[str]:
        """Run a command inside, without any network."""
        done = subprocess.run(
            ["unshare", "-n", "chroot", str(self.folder), *command],
            env={
                "PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
                "DEBIAN_FRONTEND": "noninteractive",
                "LC_ALL": "C.UTF-8",
                "HOME": "/srv",
            },
            cwd="/",
            capture_output=True,
            text=True,
            timeout=120,
        )
        assert fails or done.returncode == 0, done.stdout + done.stderr
        return done

    def apt(self, *arguments: str) -> str:
        """Run apt-get and return all that it said."""
        done = self.run("apt-get", "-y", "-o", "Dpkg::Use-Pty=0", *arguments)
        return done.stdout + done.stderr

    def install(self, package: Path, *options: str) -> str:
        """Install a package file and return what was said."""
        brought = f"{BROUGHT}/{package.name}"
        self.path(brought).write_bytes(package.read_bytes())
        return self.apt("install", *options, brought)

    def path(self, inside: str) -> Path:
        return self.folder / inside.lstrip("/")

    def exists(self, inside: str) -> bool:
        """Whether it is there, a link to nothing too."""
        return os.path.lexists(self.path(inside))

    def owner(self, inside: str) -> str:
        """Return mode, owner and group as ``640 root:tidegate``."""
        return self.run("stat", "-c", "%a %U:%G", inside).stdout.strip()


def depends_of(package: Path) -> list[str]:
    """Return the names that a package depends on."""
    said = subprocess.run(
        [need("dpkg-deb"), "-f", str(package), "Depends"],
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    return list(dict.fromkeys(re.findall(r"(?:^|, )([a-z0-9.+-]+)", said)))


def bare_debian(made: pytest.TempPathFactory, package: Path) -> Path:
    """Return the folder of a minimal system with the dependencies of a package."""
    if os.geteuid() != 0:
        message = "a bare Debian can be made by root only"
        if os.environ.get("CI") == "true":
            pytest.fail(message)
        pytest.skip(message)
    folder = session_folder(made) / "bare-debian"
    folder.mkdir(exist_ok=True)
    with (folder / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (folder / "done").exists():
            _bootstrap(folder / "root", depends_of(package))
            (folder / "done").touch()
    return folder / "root"


def _bootstrap(root: Path, names: list[str]) -> None:
    release = dict(
        line.partition("=")[::2]
        for line in Path("/etc/os-release").read_text().splitlines()
    )
    done = subprocess.run(
        [
            *(need("mmdebstrap"), "--quiet", "--variant=minbase"),
            # As little as a container has; systemd is not among it.
            f"--include={','.join(names)}",
            *(release["VERSION_CODENAME"].strip('"'), str(root)),
        ],
        capture_output=True,
        text=True,
        timeout=280,
    )
    assert done.returncode == 0, done.stderr


@contextmanager
def overlay_of(below: Path, folder: Path) -> Iterator[DebianRoot]:
    """Lend a copy of a root folder that costs nothing and is gone afterwards."""
    changes, merged = folder / "changes", folder / "merged"
    changes.mkdir()
    merged.mkdir()
    mounted: list[Path] = []

    def mount(at: Path, *arguments: str) -> None:
        subprocess.run(["mount", *arguments, str(at)], check=True)
        mounted.append(at)

    try:
        mount(changes, "-t", "tmpfs", "tidegate-test")
        for name in ("upper", "work"):
            (changes / name).mkdir()
        layers: Mapping[str, Path] = {
            "lowerdir": below,
            "upperdir": changes / "upper",
            "workdir": changes / "work",
        }
        options = ",".join(f"{key}={value}" for key, value in layers.items())
        mount(merged, "-t", "overlay", "-o", options, "overlay")
        mount(merged / "proc", "-t", "proc", "proc")
        mount(merged / "dev", "--bind", "/dev")
        yield DebianRoot(merged)
    finally:
        for at in reversed(mounted):
            subprocess.run(["umount", "--lazy", str(at)], check=True)
