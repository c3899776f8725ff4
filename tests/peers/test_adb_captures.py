"""Real dumps and real errors of adb through ``tidegate read --json``.

Dumps go from a device over a real adb server; so do the errors that a device or the
real client can be brought to say. What needs another machine's adb (a server that
cannot be started, one of another version) is printed by a stand-in program, whose name
says that it is a fake.
"""

from __future__ import annotations

import json
import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from support.adbd import Adbd, AdbServer, adb_server
from support.dumps import CAPTURED, Dump
from support.peers import need
from tidegate.cli import main

pytestmark = pytest.mark.peer

FOLDER = "TIDEGATE_CAPTURES"


@dataclass(frozen=True)
class Complaint:
    """One text of a captures folder. ``by``: who says it here; ``says``, ``remedy``:
    parts of what tidegate must say for it.
    """

    name: str
    by: str  # device, client or stand-in
    says: str
    remedy: str
    source: str = "public issue thread"


COMPLAINTS = (
    Complaint("unauthorized", "client", "not authorised this computer", "dialog"),
    Complaint(
        "daemon-start-banner-then-unauthorized",
        "stand-in",
        "not authorised this computer",
        "Always allow",
    ),
    Complaint(
        "unauthorized-after-server-version-mismatch",
        "stand-in",
        "not authorised this computer",
        "dialog",
    ),
    Complaint(
        "cannot-connect-to-daemon",
        "stand-in",
        "adb server cannot be reached or started",
        "server_port",
    ),
    Complaint(
        "server-check-timeout",
        "stand-in",
        "adb server cannot be reached or started",
        "server_port",
    ),
    Complaint("not-found-tcp", "client", "not attached", "adb devices -l"),
    # A list of devices where a dump is due; the device had been switched off.
    Complaint(
        "devices-list-device-tcp", "stand-in", "no battery dump", "dumpsys battery"
    ),
    Complaint(
        "service-missing-after-boot",
        "device",
        "no battery service yet",
        "Wait a few minutes",
        source="synthetic: the text that a public tool matches",
    ),
    Complaint(
        "permission-denial-dump",
        "device",
        "does not let its shell see the battery service",
        "adb daemon",
        source="synthetic: a string of a public test, in the form of AOSP DumpUtils",
    ),
    Complaint(
        "sysfs-permission-denied-android7",
        "device",
        "does not let its shell read this",
        "another gauge",
    ),
    Complaint(
        "selinux-avc-denied-power-supply",
        "device",
        "security rules (SELinux)",
        "another gauge",
    ),
)


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[AdbServer]:
    with adb_server(need("adb"), tmp_path_factory.mktemp("adb")) as server:
        yield server


def read(
    folder: Path, gauge: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> tuple[int, str, str]:
    """Run the command line in this process, as the console script does."""
    table = ", ".join(f"{key} = {json.dumps(gauge[key])}" for key in gauge)
    settings = folder / "tidegate.toml"
    settings.write_text(f'[station.guide]\ngauge = {{ kind = "adb", {table} }}\n')
    code = main.run(["read", "guide", "--json", "--config", str(settings)])
    said = capsys.readouterr()
    return code, said.out, said.err


def reach(server: AdbServer, serial: str) -> dict[str, Any]:
    return {
        "serial": serial,
        "over": "usb",
        "server_port": server.port,
        "home": str(server.home),
        "program": server.program,
    }


def folder_of(name: str) -> Path:
    folder = os.environ.get(FOLDER)
    if not folder:
        pytest.skip(f"{FOLDER} names no folder of captures")
    return Path(folder) / name


def texts_in(name: str) -> dict[str, bytes]:
    found = {path.stem: path.read_bytes() for path in folder_of(name).glob("*.txt")}
    assert found
    return found


# --- dumps ----------------------------------------------------------------------------


def check(
    case: Dump,
    device: Adbd,
    server: AdbServer,
    folder: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    code, out, err = read(folder, reach(server, device.serial), capsys)
    assert case.exit_code == code, err
    document = json.loads(out)
    assert dict(case.expected) == {key: document[key] for key in case.expected}
    assert document["gauge"] == "adb"
    assert document["uptime_s"] >= 86_400
    assert document["taken_at"].endswith("Z")


def test_every_dump_of_the_folder(
    server: AdbServer, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = texts_in("dumpsys_battery")
    cases = {case.name: case for case in CAPTURED}
    assert found.keys() <= cases.keys(), "a dump without an expectation"
    for shell_v2 in (True, False):
        attached = Adbd(shell_v2=shell_v2, tty=not shell_v2)
        with attached as device, server.attached(device):
            for name, text in found.items():
                device.dump = text
                check(cases[name], device, server, tmp_path, capsys)


@pytest.mark.parametrize("shell_v2", [True, False])
def test_the_shell_says_nothing_of_how_it_went(
    server: AdbServer,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    shell_v2: bool,
) -> None:
    """A cut dump and an empty answer end with 0 at the client; here they are 69."""
    with Adbd(CUT, shell_v2=shell_v2) as device, server.attached(device):
        device.uptime_s = None
        table = reach(server, device.serial)
        code, out, err = read(tmp_path, table, capsys)
        assert (code, out) == (69, "")
        assert "cut off" in err
        device.behave("drops-before")
        code, out, err = read(tmp_path, table, capsys)
        assert (code, out) == (69, "")
        assert "without a word" in err


CUT = """Current Battery Service state:
  AC powered: false
  USB powered: true
  status: 2
  level: 80
  scale: 100
  voltage: 42"""


# --- errors ---------------------------------------------------------------------------


def stand_in(folder: Path, text: bytes, stream: str) -> str:
    """A program that prints this text whatever it is asked."""
    (folder / "text").write_bytes(text)
    program = folder / "fake-adb"
    to = " >&2" if stream == "err" else ""
    program.write_text(f"#!/bin/sh\ncat {folder}/text{to}\n")
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    return str(program)


def complain(
    case: Complaint,
    text: bytes,
    server: AdbServer,
    folder: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    if case.by == "device":
        with Adbd(text) as device, server.attached(device):
            for device.complains in (False, True):
                owes(case, read(folder, reach(server, device.serial), capsys))
    elif case.name == "unauthorized":
        with Adbd(authorised=False) as device, server.attached(device):
            assert text.decode() in server.adb("-s", device.serial, "shell", "true")
            owes(case, read(folder, reach(server, device.serial), capsys))
    elif case.by == "client":
        assert text.decode() in server.adb("-s", "deviceip", "shell", "true")
        owes(case, read(folder, reach(server, "deviceip"), capsys))
    for stream in ("out", "err"):
        table = {"program": stand_in(folder, text, stream), "over": "usb"}
        owes(case, read(folder, table, capsys))


def owes(case: Complaint, said: tuple[int, str, str]) -> None:
    code, out, err = said
    assert (code, out) == (69, ""), err
    assert case.says in err, err
    assert case.remedy in err, err
    assert "Traceback" not in err


def test_every_complaint_of_the_folder(
    server: AdbServer, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = texts_in("adb_errors")
    cases = {case.name: case for case in COMPLAINTS}
    assert found.keys() <= cases.keys(), "a text without an expectation"
    for name, text in found.items():
        complain(cases[name], text, server, tmp_path, capsys)
