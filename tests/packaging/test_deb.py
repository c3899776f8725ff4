"""The Debian package as a file: what is in it, and that anyone gets the same one.

Sources: deb(5), deb-control(5), deb-conffiles(5), deb-md5sums(5); Debian Policy 4.6;
the definition of reproducible-builds.org.
"""

from __future__ import annotations

import hashlib
import re
import subprocess
import sys
import tarfile
from collections.abc import Iterator
from functools import cache
from io import BytesIO
from pathlib import Path

import click
import pytest

from support.deb_package import ROOT, build_into, built_deb
from support.peers import need
from tidegate import __version__
from tidegate.cli.main import tidegate

pytestmark = [pytest.mark.peer, pytest.mark.slow, pytest.mark.timeout(400)]

VENV = "/opt/venvs/tidegate"


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return built_deb(tmp_path_factory)


@cache
def control(package: Path) -> dict[str, str]:
    said = shown("-f", package).splitlines()
    return dict(line.split(": ", 1) for line in said if ": " in line and line[0] != " ")


def shown(option: str, package: Path) -> str:
    return subprocess.run(
        [need("dpkg-deb"), option, str(package)],
        check=True,
        capture_output=True,
        text=True,
    ).stdout


@cache
def inside(package: Path, option: str = "--fsys-tarfile") -> tarfile.TarFile:
    raw = subprocess.run(
        [need("dpkg-deb"), option, str(package)], check=True, capture_output=True
    ).stdout
    return tarfile.open(fileobj=BytesIO(raw))


def members(package: Path) -> dict[str, tarfile.TarInfo]:
    return {each.name.lstrip("."): each for each in inside(package)}


def text_of(package: Path, name: str, option: str = "--fsys-tarfile") -> str:
    return content(package, f".{name}", option).decode()


def content(package: Path, name: str, option: str = "--fsys-tarfile") -> bytes:
    file = inside(package, option).extractfile(name)
    assert file is not None
    return file.read()


def test_it_is_named_after_version_and_machine(package: Path) -> None:
    arch = subprocess.run(
        ["dpkg", "--print-architecture"], check=True, capture_output=True, text=True
    ).stdout.strip()
    fields = control(package)
    assert (fields["Package"], fields["Version"]) == ("tidegate", __version__)
    assert fields["Architecture"] == arch
    assert package.name == f"tidegate_{__version__}_{arch}.deb"


def test_it_depends_on_the_python_that_it_was_built_with(package: Path) -> None:
    minor = re.search(r"python3 \(>= 3\.(\d+)\)", control(package)["Depends"])
    assert minor is not None
    assert f"python3 (<< 3.{int(minor[1]) + 1})" in control(package)["Depends"]
    link = members(package)[f"{VENV}/bin/python"]
    assert (link.issym(), link.linkname) == (True, f"/usr/bin/python3.{minor[1]}")
    folder = f"{VENV}/lib/python3.{minor[1]}/site-packages"
    assert f"{folder}/tidegate" in members(package)
    assert f"{folder}/tidegate_backends" in members(package)


def test_nothing_in_it_names_the_machine_that_built_it(package: Path) -> None:
    """Upstream's wheels name the places of their own makers; we change no byte of them."""
    traces = [str(ROOT), str(package.parent), str(Path(sys.prefix).parent)]
    found = [
        (name, trace)
        for name, member in members(package).items()
        if member.isfile()
        for trace in traces
        if trace.encode() in content(package, f".{name}")
    ]
    assert found == []


def test_everything_belongs_to_root_and_to_nobody_else_to_write(package: Path) -> None:
    for name, member in members(package).items():
        assert (member.uname, member.gname) == ("root", "root"), name
        assert member.issym() or not member.mode & 0o022, name
        assert not member.mode & 0o7000, name


def test_settings_files_are_the_operators(package: Path) -> None:
    listed = text_of(package, "/conffiles", "--ctrl-tarfile").split()
    assert listed == [
        name
        for name in sorted(members(package))
        if re.match("/etc/.*[^/]$", name) and members(package)[name].isfile()
    ]
    assert {
        "/etc/tidegate/tidegate.toml",
        "/etc/udev/rules.d/69-tidegate-boards.rules",
    } == set(listed)
    assert members(package)["/etc/tidegate/tidegate.toml"].mode == 0o640


def test_settings_files_stay_as_they_are(package: Path) -> None:
    """Every integrator edits them. If a version brings them with another comment, dpkg
    asks, and where nobody answers the upgrade ends half done with the daemon stopped.
    What is new belongs into the examples. Source: Debian Policy 10.7.3.
    """
    digests = {
        "/etc/tidegate/tidegate.toml": "5ffc921028ffef0507ee5c21d6f69953bd4ad0522e0ad134f7d70f3c4096196a",
        "/etc/udev/rules.d/69-tidegate-boards.rules": "31004a4bc298870803d3f5fc3088a5ba14038453a332c87c7905108963acc258",
    }
    for name, digest in digests.items():
        found = hashlib.sha256(text_of(package, name).encode()).hexdigest()
        assert found == digest, name


def test_checksums_are_those_of_the_files(package: Path) -> None:
    """debsums would say so; conffiles are left out, as deb-md5sums(5) lets them."""
    lines = text_of(package, "/md5sums", "--ctrl-tarfile").splitlines()
    sums = {name: digest for digest, name in (line.split("  ", 1) for line in lines)}
    files = {
        name.lstrip("/")
        for name, member in members(package).items()
        if member.isfile() and not name.startswith("/etc/")
    }
    assert sorted(set(sums) ^ files) == []
    for name, digest in sums.items():
        assert hashlib.md5(content(package, f"./{name}")).hexdigest() == digest, name


def of_the_repository() -> Iterator[tuple[Path, str]]:
    systemd, udev = ROOT / "packaging" / "systemd", ROOT / "packaging" / "udev"
    yield systemd / "tidegate.service", "/usr/lib/systemd/system/tidegate.service"
    for each in (systemd / "drop-ins").iterdir():
        yield each, f"/usr/share/tidegate/drop-ins/{each.name}"
    for each in udev.iterdir():
        folder = "/etc" if each.name.startswith("69-") else "/usr/lib"
        yield each, f"{folder}/udev/rules.d/{each.name}"
    for each in (ROOT / "config").glob("*.toml"):
        yield each, f"/usr/share/doc/tidegate/examples/{each.name}"


def test_units_rules_and_examples_are_those_of_the_repository(package: Path) -> None:
    placed = list(of_the_repository())
    assert len(placed) > 20
    for source, name in placed:
        assert text_of(package, name) == source.read_text(), name


def test_a_page_a_command_and_a_script_a_shell(package: Path) -> None:
    names = members(package)
    group = click.Context(tidegate)
    for command in tidegate.list_commands(group):
        assert f"/usr/share/man/man1/tidegate-{command}.1.gz" in names
    assert "/usr/share/bash-completion/completions/tidegate" in names
    assert "/usr/share/zsh/vendor-completions/_tidegate" in names
    assert "/usr/share/fish/vendor_completions.d/tidegate.fish" in names


def test_the_licence_of_everything_carried_is_told(package: Path) -> None:
    """Policy 12.5: copyright and licence of every part."""
    told = text_of(package, "/usr/share/doc/tidegate/copyright")
    carried = {
        match[1]
        for name in members(package)
        if (match := re.search(r"/site-packages/([^/]+)\.dist-info$", name))
    }
    assert {"pyudev", "pydantic"} <= {each.split("-")[0] for each in carried}
    for each in carried - {f"tidegate-{__version__}"}:
        paragraph = told[told.index(f"/{each}.dist-info/*") :].split("\n\n")[0]
        assert re.search(r"^Copyright: .*\w", paragraph, re.M), each
        licence = re.search(r"^License: (.+)$", paragraph, re.M)
        assert licence is not None
        assert f"License: {licence[1]}\n " in told, each


def test_nothing_compiled_heavy_or_of_pip_is_in_it(package: Path) -> None:
    for name in members(package):
        assert not re.search(r"\.pyc$|__pycache__|/(pip|duckdb|numba|numpy)(/|$)", name)
        assert not re.search(r"dist-info/(RECORD|direct_url\.json|REQUESTED)$", name)
    # A promise to who installs it over a thin line.
    assert package.stat().st_size < 12_000_000
    declared_kib = int(control(package)["Installed-Size"])
    real_kib = sum(each.size for each in inside(package)) / 1024
    assert abs(declared_kib - real_kib) < 0.1 * real_kib


def test_built_again_it_is_the_same_to_the_byte(package: Path, tmp_path: Path) -> None:
    again = build_into(tmp_path)
    assert digest_of(again) == digest_of(package)


def digest_of(file: Path) -> str:
    return hashlib.sha256(file.read_bytes()).hexdigest()
