"""The unit and its drop-ins, judged by systemd's own tools.

`systemd-analyze verify` ends with 0 for a key that it does not know, so any word of it
is a fault. How the unit behaves in a real systemd is in ``test_booted_service.py``.
"""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from support.peers import need

UNITS = Path(__file__).parents[2] / "packaging" / "systemd"
DROP_INS = sorted((UNITS / "drop-ins").glob("*.conf"))
# In tenths, as --threshold= takes it: 1.5, which systemd calls "OK".
EXPOSED_AT_MOST = 15

pytestmark = pytest.mark.peer


def analyze(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    program = need("systemd-analyze")
    return subprocess.run(
        [program, *map(str, arguments)], capture_output=True, text=True, timeout=30
    )


def installed(folder: Path, *drop_ins: Path, **replaced: str) -> Path:
    """Return the unit as an operator would have it, with a program that is there."""
    text = (UNITS / "tidegate.service").read_text()
    text = text.replace("/usr/bin/tidegate", "/bin/true")
    text = text.replace("/opt/venvs/tidegate/bin/python", "/bin/true")
    for old, new in replaced.items():
        assert f"\n{old}=" in text
        text = text.replace(f"\n{old}=", f"\n{new}=")
    unit = folder / "tidegate.service"
    unit.write_text(text)
    place = folder / "tidegate.service.d"
    place.mkdir()
    for each in drop_ins:
        (place / each.name).write_text(each.read_text())
    return unit


def complaints(unit: Path) -> str:
    done = analyze("verify", "--man=no", unit)
    return done.stdout + done.stderr


def test_there_is_a_drop_in_for_each_family() -> None:
    families = "adb bluetooth command gpio hid kernel metrics network serial usb-port"
    assert [each.stem for each in DROP_INS] == families.split()


@pytest.mark.parametrize("drop_in", DROP_INS, ids=lambda path: path.stem)
def test_nothing_is_said_against_it(tmp_path: Path, drop_in: Path) -> None:
    assert complaints(installed(tmp_path, drop_in)) == ""


def test_nothing_is_said_against_all_of_them_together(tmp_path: Path) -> None:
    assert complaints(installed(tmp_path, *DROP_INS)) == ""


def test_a_key_that_is_misspelt_would_be_seen(tmp_path: Path) -> None:
    said = complaints(installed(tmp_path, WatchdogSec="WatchdogsSec"))
    assert "WatchdogsSec" in said


def exposure(unit: Path) -> tuple[float, int]:
    """Return the score and the exit code, which is 1 above the threshold."""
    done = analyze(
        "security",
        "--offline=true",
        f"--threshold={EXPOSED_AT_MOST}",
        "--no-pager",
        unit,
    )
    found = re.search(r"Overall exposure level for \S+: (\d+\.\d)", done.stdout)
    assert found, done.stdout + done.stderr
    return float(found[1]), done.returncode


def test_it_is_exposed_no_more_than_we_promise(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The unit for a battery in sysfs and a relay on a serial port."""
    (serial,) = [each for each in DROP_INS if each.stem == "serial"]
    score, code = exposure(installed(tmp_path, serial))
    with capsys.disabled():
        print(f"\nsystemd-analyze security: tidegate.service + serial.conf {score}")  # noqa: T201
    assert code == 0
    assert score <= EXPOSED_AT_MOST / 10


@pytest.mark.parametrize("drop_in", DROP_INS, ids=lambda path: path.stem)
def test_no_drop_in_opens_more_than_it_must(tmp_path: Path, drop_in: Path) -> None:
    score, code = exposure(installed(tmp_path, drop_in))
    assert code == 0, f"{drop_in.stem}: {score}"


def test_a_wide_open_unit_would_be_seen(tmp_path: Path) -> None:
    unit = tmp_path / "open.service"
    unit.write_text("[Service]\nExecStart=/bin/true\nUser=tidegate\n")
    score, code = exposure(unit)
    assert code == 1
    assert score > EXPOSED_AT_MOST / 10


@pytest.mark.parametrize("drop_in", DROP_INS, ids=lambda path: path.stem)
def test_each_drop_in_says_what_it_opens_and_for_whom(drop_in: Path) -> None:
    first, second, *_ = re.split(r"\n# (?=Opens:)", drop_in.read_text())
    assert first.startswith("# For ")
    assert second.startswith("Opens: ")


# Which module makes a class of devices known, None where it is in every kernel. Sources:
# Linux, admin-guide/devices.rst; usb-serial.c, cdc-acm.c, hidraw.c (in hid), 8250,
# amba-pl011.c, imx.c and gpiolib-cdev.c; Debian builds the first three as modules (from memory).
CLASSES = {
    "ttyUSB": "usbserial",
    "ttyACM": "cdc_acm",
    "hidraw": "hid",
    "ttyS": None,
    "ttyAMA": None,
    "ttymxc": None,
    "gpiochip": None,
}


@pytest.mark.parametrize("drop_in", DROP_INS, ids=lambda path: path.stem)
def test_a_board_that_is_plugged_in_later_is_let_through(drop_in: Path) -> None:
    """systemd.resource-control(5), DeviceAllow=: a class that is not known when the unit
    starts, and the node of a path that is not there, are not added to what is allowed.
    """
    lines = drop_in.read_text().splitlines()
    allowed = [line for line in lines if "DeviceAllow=" in line]
    classes = [re.fullmatch(r"DeviceAllow=char-(\w+) rw", line) for line in allowed]
    assert None not in classes, "a class, never a path, not in a comment either"
    modules = {CLASSES[found[1]] for found in classes if found} - {None}
    for key in ("Wants", "After"):
        named = [line for line in lines if line.startswith(f"{key}=modprobe@")]
        loaded = re.findall(r"modprobe@(\w+)\.service", " ".join(named))
        assert set(loaded) == modules, key


def test_it_waits_for_no_network_and_stops_before_the_network_does() -> None:
    """systemd.special(7): time-sync.target may be delayed by network problems,
    time-set.target is not; a unit after network.target is stopped before the network.
    """
    unit = (UNITS / "tidegate.service").read_text()
    [after] = re.findall(r"^After=(.*)$", unit, flags=re.M)
    assert after.split() == ["time-set.target", "dbus.service"]
    for each in DROP_INS:
        reaches_out = "IPAddressAllow=10.0.0.0/8" in each.read_text()
        lines = each.read_text().splitlines()
        assert ("After=network.target" in lines) is reaches_out, each.stem


def test_no_folder_that_is_missing_keeps_it_from_running() -> None:
    """Nor `restore`. systemd.exec(5), ReadWritePaths=: the minus sign."""
    texts = [each.read_text() for each in DROP_INS]
    texts.append((UNITS.parent / "deb" / "tidegate.toml").read_text())
    named = re.findall(r"ReadWritePaths=(\S)", "\n".join(texts))
    assert len(named) >= 4
    assert set(named) == {"-"}


def test_it_never_gives_up_but_where_another_try_cannot_help() -> None:
    """systemd.unit(5): 0 switches the start limit off; exit codes of sysexits.h."""
    lines = (UNITS / "tidegate.service").read_text().splitlines()
    assert "StartLimitIntervalSec=0" in lines
    assert "Restart=always" in lines
    assert "RestartSec=10s" in lines
    assert "RestartPreventExitStatus=78 66 64" in lines


def test_the_supply_comes_on_whatever_ended_it_and_a_failure_shows() -> None:
    """systemd.service(5): a minus sign would hide the failure of a command."""
    lines = (UNITS / "tidegate.service").read_text().splitlines()
    assert "ExecStopPost=/usr/bin/tidegate restore" in lines
