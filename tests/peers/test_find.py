"""``tidegate find`` as a process on a made-up machine, played by umockdev.

The machine is a folder that the process takes for its own /sys and /dev: a panel's
battery and its charger, a mouse, and a USB hub. Names and numbers are invented; files
and their names are the kernel's (Documentation/ABI/testing: sysfs-class-power,
sysfs-bus-usb).
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
import tomllib
from pathlib import Path
from typing import Any

import pytest

from support.peers import need
from support.relay_board import RelayBoard
from tidegate.contract import Target
from tidegate.host.locks import lock_target
from tidegate.registry import GAUGES, RELAYS
from tidegate.settings import from_tables

pytestmark = pytest.mark.peer

WHOLE = {
    "class/power_supply/BAT0": {
        "type": "Battery",
        "scope": "System",
        "present": "1",
        "status": "Charging",
        "capacity": "61",
        "charge_control_end_threshold": "100",
    },
    "class/power_supply/AC": {"type": "Mains", "online": "1"},
    "class/power_supply/hidpp_battery_0": {
        "type": "Battery",
        "scope": "Device",
        "capacity": "80",
    },
    "bus/usb/devices/usb1": {"product": "host controller"},
    "bus/usb/devices/1-0:1.0/usb1-port1": {"disable": "0"},
    "bus/usb/devices/1-0:1.0/usb1-port2": {"over_current_count": "0"},
}


class Machine:
    """A folder that stands for a machine, and what is installed on it besides."""

    def __init__(self, folder: Path, tree: dict[str, dict[str, str]]) -> None:
        self.folder = folder
        self.root = folder / "machine"
        (self.root / "sys").mkdir(parents=True)
        (self.root / "dev").mkdir()
        self.site = folder / "site"
        self.site.mkdir()
        for name, files in tree.items():
            place = self.root / "sys" / name
            place.mkdir(parents=True)
            for key, text in files.items():
                (place / key).write_text(f"{text}\n")
            if "power_supply" in name:
                lines = [f"POWER_SUPPLY_{k.upper()}={v}" for k, v in files.items()]
                (place / "uevent").write_text("\n".join([*lines, ""]))

    def install(self, name: str, kind: str, survey: str) -> None:
        """A distribution with one gauge whose survey does that."""
        module = f"hall_{kind.replace('-', '_')}"
        (self.site / f"{module}.py").write_text(
            STANDIN.format(kind=kind, survey=survey)
        )
        info = self.site / f"{name.replace('-', '_')}-9.9.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(
            f"Metadata-Version: 2.1\nName: {name}\nVersion: 9.9\n"
        )
        (info / "entry_points.txt").write_text(
            f"[tidegate.gauges]\n{kind} = {module}:BACKEND\n"
        )

    def find(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        paths = [str(self.site), *(path for path in sys.path if path)]
        return subprocess.run(
            [
                need("umockdev-wrapper"),
                *(sys.executable, "-m", "tidegate", "find", *arguments),
            ],
            env={
                **os.environ,
                "PYTHONPATH": os.pathsep.join(paths),
                "UMOCKDEV_DIR": str(self.root),
                "TIDEGATE_LOCKS": str(self.folder / "locks"),
                "TIDEGATE_DEBUG": "1",
                # Neither an adb server nor a bus of the machine that runs the tests.
                "ANDROID_ADB_SERVER_PORT": "1",
                "DBUS_SYSTEM_BUS_ADDRESS": f"unix:path={self.folder}/no-bus",
            },
            capture_output=True,
            text=True,
            timeout=100,
            check=False,
        )


STANDIN = '''
"""A gauge of an invented hall."""
import threading
from typing import Literal
from tidegate.contract import Backend, Found, GaugeSettings

class Settings(GaugeSettings):
    kind: Literal["{kind}"] = "{kind}"

async def survey(host, probe):
    yield Found(what="a clock", where="hall", table={{"kind": "{kind}"}})
    {survey}

BACKEND = Backend(kind="{kind}", settings=Settings, make=None, survey=survey)
'''


def by_place(document: dict[str, Any], role: str, kind: str) -> dict[str, Any]:
    """What a kind found, by the last part of its place."""
    return {
        Path(each["where"]).name: each
        for each in document["found"]
        if (each["role"], each["kind"]) == (role, kind)
    }


def test_what_a_machine_has_in_reach(tmp_path: Path) -> None:
    done = Machine(tmp_path, WHOLE).find("--json")

    assert done.returncode == 0, done.stderr
    document = json.loads(done.stdout)
    batteries = by_place(document, "gauge", "sysfs")
    assert batteries["BAT0"]["table"] == {"kind": "sysfs"}
    assert batteries["BAT0"]["why_not"] is None
    assert "61 %" in batteries["BAT0"]["what"]
    assert batteries["hidpp_battery_0"]["table"] is None
    assert "peripheral" in batteries["hidpp_battery_0"]["why_not"]
    assert batteries["AC"]["table"] is None
    ports = by_place(document, "relay", "usb-port")
    assert ports["usb1-port1"]["table"] == {"kind": "usb-port", "name": "usb1-port1"}
    assert ports["usb1-port2"]["table"] is None
    assert ports["usb1-port2"]["remedy"]
    holds = by_place(document, "relay", "kernel")
    assert holds["BAT0"]["table"] == {"kind": "kernel"}
    every_kind_is_told_once(document, done.stderr)
    every_table_loads(document)


def every_kind_is_told_once(document: dict[str, Any], said: str) -> None:
    sources = [(each["role"], each["kind"]) for each in document["sources"]]
    known = [
        *(("gauge", kind) for kind in GAUGES.known()),
        *(("relay", kind) for kind in RELAYS.known()),
    ]
    assert sources == sorted(known)
    for each in document["sources"]:
        assert each["state"] != "broken", each
        lines = [
            line
            for line in said.splitlines()
            if line.startswith(f"{each['role']} {each['kind']}: ")
        ]
        assert len(lines) == (each["state"] != "by_hand"), each
        assert bool(each["why"]) == (each["state"] in ("missing", "failed", "cut"))


def every_table_loads(document: dict[str, Any]) -> None:
    window = {"low": 55, "high": 65}
    for each in document["found"]:
        if each["table"] is None:
            assert each["why_not"], each
            continue
        station = {"gauge": {"kind": "sysfs"}}
        if each["role"] == "relay":
            station |= {"relay": each["table"], "window": window}
        else:
            station |= {"gauge": each["table"]}
        from_tables({"station": {"hall": station}})


@pytest.mark.slow
def test_every_line_that_is_printed_to_paste_loads(tmp_path: Path) -> None:
    done = Machine(tmp_path, WHOLE).find()

    assert done.returncode == 0, done.stderr
    lines = [line.strip() for line in done.stdout.splitlines()]
    pasted = [tomllib.loads(x) for x in lines if x.startswith(("gauge =", "relay ="))]
    relays = [each for each in pasted if "relay" in each]
    assert {"gauge": {"kind": "sysfs"}} in pasted
    assert len(relays) >= 2
    for relay in relays:
        station = {
            "gauge": {"kind": "sysfs"}, "window": {"low": 55, "high": 65}, **relay
        }  # fmt: skip
        from_tables({"station": {"hall": station}})
    assert lines[0].startswith("In reach: settings for 1 gauge and ")
    assert "Batteries of this machine" in lines
    assert "USB hub ports" in lines
    assert "\x1b" not in done.stdout


@pytest.mark.slow
def test_a_bare_machine_has_nothing(tmp_path: Path) -> None:
    done = Machine(tmp_path, {"class/power_supply": {}}).find()

    assert done.returncode == 69, done.stderr
    assert done.stdout.startswith("Nothing is in reach that a station could use.")


@pytest.mark.slow
def test_a_survey_that_blocks_is_given_up_and_the_rest_is_there(tmp_path: Path) -> None:
    machine = Machine(tmp_path, WHOLE)
    machine.install("hall-clock", "hall-clock", "threading.Event().wait()")

    began_s = time.monotonic()
    done = machine.find("--json", "--limit", "3s")
    took_s = time.monotonic() - began_s

    assert done.returncode == 0, done.stderr
    assert took_s < 30
    document = json.loads(done.stdout)
    (clock,) = [s for s in document["sources"] if s["kind"] == "hall-clock"]
    assert (clock["state"], clock["distribution"]) == ("cut", "hall-clock")
    assert by_place(document, "gauge", "hall-clock")["hall"]["table"]
    assert by_place(document, "gauge", "sysfs")["BAT0"]["table"]


@pytest.mark.slow
@pytest.mark.parametrize(("owner", "code"), [("tidegate", 70), ("hall-clock", 0)])
def test_a_fault_in_a_survey_is_told_after_all_that_was_found(
    tmp_path: Path, owner: str, code: int
) -> None:
    machine = Machine(tmp_path, WHOLE)
    machine.install(owner, "hall-clock", "1 / 0")

    done = machine.find("--json")

    assert done.returncode == code, done.stderr
    document = json.loads(done.stdout)
    (clock,) = [s for s in document["sources"] if s["kind"] == "hall-clock"]
    assert clock["state"] == "broken"
    assert "ZeroDivisionError" in clock["why"]
    assert by_place(document, "gauge", "hall-clock")["hall"]["table"]
    fault = "tidegate: this is a fault in tidegate (ZeroDivisionError"
    assert (fault in done.stderr) == (code == 70)


@pytest.mark.slow
def test_only_the_port_that_is_named_is_opened_and_asked(tmp_path: Path) -> None:
    """Two boards on pseudo-terminals; the state query is 05 in the public protocol."""
    machine = Machine(tmp_path, WHOLE)
    asked, left = RelayBoard(tmp_path / "asked"), RelayBoard(tmp_path / "left")
    with asked, left:
        done = machine.find("--json", "--probe", str(asked.link))
        heard = asked.heard(), left.heard()

    assert done.returncode == 0, done.stderr
    document = json.loads(done.stdout)
    found = by_place(document, "relay", "serial-frame")
    assert list(found) == ["asked"]
    assert "four-byte board, whose channel 1 is released" in found["asked"]["what"]
    assert found["asked"]["table"]["port"] == str(asked.link)
    assert heard == ([bytes.fromhex("A00105A6")], [])
    assert by_place(document, "gauge", "sysfs")["BAT0"]["table"]


@pytest.mark.slow
def test_a_port_that_another_tidegate_holds_is_not_probed(tmp_path: Path) -> None:
    machine = Machine(tmp_path, WHOLE)
    port = str(tmp_path / "port")

    with lock_target(Target(port), folder=tmp_path / "locks"):
        done = machine.find("--probe", port)

    assert done.returncode == 75
    assert done.stdout == ""
    assert "in use by" in done.stderr
