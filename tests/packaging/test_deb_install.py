"""The Debian package in a bare Debian, with real apt and dpkg and without a network.

Its life under a booted systemd is in ``test_booted_service.py``. Sources: Debian Policy 4.6, 6.5 to
6.8 (what a removal and a purge leave) and 10.7.3 (settings files are kept as edited).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from support.deb_package import built_deb, newer_deb
from support.debian_root import DebianRoot, bare_debian, overlay_of
from tidegate import __version__

pytestmark = [pytest.mark.peer, pytest.mark.slow, pytest.mark.timeout(400)]

SETTINGS = "/etc/tidegate/tidegate.toml"
BOARDS = "/etc/udev/rules.d/69-tidegate-boards.rules"
LOG = "/var/lib/tidegate/cycles.db"
VENV = "/opt/venvs/tidegate"
# A relay that needs no device; the museum is invented.
HALL = """
[station.hall]
gauge = { kind = "command", run = ["/bin/echo", '{"soc_percent": 61}'] }
relay = { kind = "command", on = ["/bin/true"], off = ["/bin/true"], contact = "normally-closed" }
window = { low = 50, high = 62 }
"""


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return built_deb(tmp_path_factory)


@pytest.fixture(scope="module")
def bare(tmp_path_factory: pytest.TempPathFactory, package: Path) -> Path:
    return bare_debian(tmp_path_factory, package)


@pytest.fixture
def debian(bare: Path, tmp_path: Path) -> Iterator[DebianRoot]:
    with overlay_of(bare, tmp_path) as root:
        yield root


@pytest.fixture
def installed(debian: DebianRoot, package: Path) -> DebianRoot:
    debian.install(package)
    return debian


def test_apt_alone_installs_it_and_it_runs(debian: DebianRoot, package: Path) -> None:
    said = debian.install(package)
    assert "Setting up tidegate" in said
    assert "switches nothing: no station is named" in said
    assert debian.run("tidegate", "--version").stdout == f"tidegate {__version__}\n"
    log = "/srv/demo/museum.db"
    debian.run("tidegate", "demo", "--days", "1", "--folder", "/srv/demo")
    debian.run("tidegate", "log", "verify", "--log", log)
    # dpkg compares every file with its checksum; all modes but those we set hold.
    assert debian.run("dpkg", "--verify", "tidegate").stdout == ""


def test_it_installs_one_user_who_may_use_serial_ports(installed: DebianRoot) -> None:
    line = installed.run("getent", "passwd", "tidegate").stdout.strip().split(":")
    assert int(line[2]) < 1000  # a system user: Policy 9.2.2
    assert line[6] == "/usr/sbin/nologin"
    groups = installed.run("id", "-nG", "tidegate").stdout.split()
    assert sorted(groups) == ["dialout", "tidegate"]
    assert installed.owner("/var/lib/tidegate") == "755 tidegate:tidegate"


@pytest.mark.parametrize(
    ("made", "uid"),
    [
        # The same number on every machine of a site, outside of Debian's for systems.
        pytest.param(["useradd -u 20001 -M tidegate"], "20001", id="of a site"),
        pytest.param(["useradd -r -u 620 -g nogroup tidegate"], "620", id="no group"),
        pytest.param(["groupadd -g 1600 tidegate"], None, id="a group alone"),
    ],
)
def test_a_user_who_is_there_is_taken_as_he_is(
    debian: DebianRoot, package: Path, made: list[str], uid: str | None
) -> None:
    for command in made:
        debian.run(*command.split())
    debian.install(package)
    if uid is not None:
        assert debian.run("id", "-u", "tidegate").stdout.strip() == uid
    assert debian.owner(SETTINGS) == "640 root:tidegate"
    assert debian.owner("/var/lib/tidegate") == "755 tidegate:tidegate"
    # As `prove` is run by hand, with all groups of the user.
    assert debian.run("runuser", "-u", "tidegate", "--", "cat", SETTINGS).stdout


def test_secrets_in_settings_are_for_root_and_the_service(
    installed: DebianRoot,
) -> None:
    assert installed.owner(SETTINGS) == "640 root:tidegate"
    assert installed.owner("/etc/tidegate/conf.d") == "2750 root:tidegate"
    installed.run("touch", "/etc/tidegate/conf.d/mqtt.secret")
    assert installed.owner("/etc/tidegate/conf.d/mqtt.secret").endswith("root:tidegate")
    read = ("runuser", "-u", "nobody", "--", "cat", SETTINGS)
    assert installed.run(*read, fails=True).returncode != 0
    assert installed.run("runuser", "-u", "tidegate", "--", "cat", SETTINGS).stdout


def test_before_a_station_is_named_it_says_so_and_starts_nothing(
    installed: DebianRoot,
) -> None:
    done = installed.run("tidegate", "settings", "check", fails=True)
    assert done.returncode == 78
    assert f"{SETTINGS}: there is no station" in done.stderr
    assert not installed.exists(
        "/etc/systemd/system/multi-user.target.wants/tidegate.service"
    )


def test_settings_that_came_first_are_taken(debian: DebianRoot, package: Path) -> None:
    """A tool for many machines may bring them before the package, in ``conf.d``."""
    name = "/etc/tidegate/conf.d/10-hall.toml"
    debian.path(name).parent.mkdir(parents=True)
    debian.path(name).write_text(HALL)
    debian.install(package)
    assert debian.path(name).read_text() == HALL
    assert debian.owner("/etc/tidegate/conf.d") == "2750 root:tidegate"
    checked = debian.run(
        "runuser", "-u", "tidegate", "--", "tidegate", "settings", "check"
    )
    assert "hall" in checked.stdout


def test_modules_are_compiled_at_installation(installed: DebianRoot) -> None:
    packages = next(installed.path(f"{VENV}/lib").iterdir()) / "site-packages"
    for source in (packages / "tidegate").rglob("*.py"):
        compiled = source.parent / "__pycache__"
        assert list(compiled.glob(f"{source.stem}.cpython-*.pyc")), source


def test_removed_it_leaves_settings_and_log_and_nothing_else(
    installed: DebianRoot,
) -> None:
    installed.path(SETTINGS).write_text(HALL)
    installed.path(LOG).write_text("stands for a cycle log")
    installed.apt("remove", "tidegate")
    assert not installed.exists("/opt/venvs")
    assert not installed.exists("/usr/bin/tidegate")
    assert not installed.exists("/usr/share/doc/tidegate")
    assert installed.path(SETTINGS).read_text() == HALL
    assert installed.exists(LOG)
    assert installed.run("id", "tidegate")


def test_installed_again_it_takes_the_settings_that_were_left(
    installed: DebianRoot, package: Path
) -> None:
    installed.path(SETTINGS).write_text(HALL)
    installed.apt("remove", "tidegate")
    installed.install(package)
    assert installed.path(SETTINGS).read_text() == HALL
    assert installed.owner(SETTINGS) == "640 root:tidegate"
    # The empty folder went with the package and came anew.
    assert installed.owner("/etc/tidegate/conf.d") == "2750 root:tidegate"
    assert installed.run("tidegate", "settings", "check").returncode == 0


def test_a_venv_that_somebody_deleted_does_not_keep_it_installed(
    installed: DebianRoot,
) -> None:
    installed.run("rm", "-r", VENV)
    installed.apt("remove", "tidegate")
    assert not installed.exists("/usr/bin/tidegate")


def test_a_purge_takes_the_settings_and_leaves_the_evidence(
    installed: DebianRoot,
) -> None:
    installed.path(LOG).write_text("stands for a cycle log")
    installed.path("/etc/tidegate/conf.d/50-mine.toml").write_text(HALL)
    wants = "/etc/systemd/system/multi-user.target.wants"
    extra = "/etc/systemd/system/tidegate.service.d"
    installed.run("mkdir", "-p", wants, extra)
    unit = "/usr/lib/systemd/system/tidegate.service"
    installed.run("ln", "-s", unit, f"{wants}/tidegate.service")
    installed.run("ln", "-s", "/usr/share/tidegate/drop-ins/serial.conf", extra)
    installed.path(f"{extra}/mine.conf").write_text("[Service]\nNice=5\n")
    said = installed.apt("purge", "tidegate")
    assert "stays in /var/lib/tidegate" in said
    assert installed.path(LOG).read_text() == "stands for a cycle log"
    assert installed.owner("/var/lib/tidegate") == "755 tidegate:tidegate"
    for gone in (
        *("/etc/tidegate", BOARDS, "/run/tidegate"),
        *(f"{wants}/tidegate.service", f"{extra}/serial.conf"),
    ):
        assert not installed.exists(gone), gone
    # What the operator wrote for systemd is not ours.
    assert installed.exists(f"{extra}/mine.conf")


def test_a_purge_says_where_a_log_lies_that_is_not_in_our_folder(
    installed: DebianRoot, package: Path
) -> None:
    """And its owner stays: the next user made would get the number."""
    installed.run("install", "-d", "-o", "tidegate", "/data")
    installed.path(SETTINGS).write_text(HALL)
    beside = installed.path("/etc/tidegate/conf.d/50-mine.toml")
    beside.write_text('[log]\npath = "/data/museum.db"\n')
    installed.run("runuser", "-u", "tidegate", "--", "touch", "/data/museum.db")
    installed.apt("remove", "tidegate")
    installed.install(package)
    assert not installed.exists("/etc/tidegate/.log-lies-elsewhere")
    said = installed.apt("purge", "tidegate")
    assert "the cycle log is evidence and stays, /data/museum.db" in said
    assert installed.owner("/data/museum.db") == "644 tidegate:tidegate"
    assert not installed.exists("/var/lib/tidegate")


# Where apt, dpkg and the tools for users keep books of their own.
BOOKS = (
    *("/var/lib/dpkg", "/var/lib/apt", "/var/cache", "/var/log"),
    *("/run/adduser", "/srv", "/dev"),
)
USERS = ("passwd", "group", "shadow", "gshadow", "subuid", "subgid")


def test_nothing_is_left_where_it_was(debian: DebianRoot, package: Path) -> None:
    """Compared with the system before, as piuparts(1) does."""
    before = found_in(debian)
    debian.install(package)
    debian.apt("purge", "tidegate")
    # The difference, for a comparison of so many paths takes minutes to be shown.
    assert sorted(found_in(debian) ^ before) == []


def found_in(debian: DebianRoot) -> set[str]:
    """Return every path there is, but for the books."""
    said = debian.run("find", "/", "-xdev", "-print").stdout.splitlines()
    left_out = {f"/etc/{name}{end}" for name in USERS for end in ("", "-")}
    return {
        path
        for path in said
        if path not in left_out
        and not f"{path}/".startswith(tuple(f"{b}/" for b in BOOKS))
    }


def test_a_purge_without_a_log_leaves_nothing_at_all(installed: DebianRoot) -> None:
    said = installed.apt("purge", "tidegate")
    assert "evidence" not in said
    assert not installed.exists("/var/lib/tidegate")
    assert not installed.exists("/etc/tidegate")
    assert installed.run("id", "tidegate", fails=True).returncode != 0


def test_an_upgrade_keeps_what_the_operator_wrote(
    installed: DebianRoot, package: Path, tmp_path: Path
) -> None:
    installed.path(SETTINGS).write_text(HALL)
    installed.run("chmod", "0600", SETTINGS)
    installed.run("deluser", "--quiet", "tidegate", "dialout")
    # Nobody is asked: a script has no answer.
    said = installed.install(newer_deb(package, tmp_path, without="tidegate/demo.py"))
    assert "Setting up tidegate (99.0)" in said
    assert installed.path(SETTINGS).read_text() == HALL
    # The operator's own choices of rights are not taken back.
    assert installed.owner(SETTINGS) == "600 root:tidegate"
    assert installed.run("id", "-nG", "tidegate").stdout.split() == ["tidegate"]
    packages = next(installed.path(f"{VENV}/lib").iterdir()) / "site-packages"
    left = [each.name for each in (packages / "tidegate" / "__pycache__").iterdir()]
    assert "clock.cpython" in " ".join(left)
    assert not [each for each in left if each.startswith("demo.")]
