"""The udev rules, run by the real udev on a mock /sys: who gets what, and who nothing.

`udevadm test` parses and applies the rules as the daemon udev does; it runs no program,
it prints which it would run. In a mount namespace of its own, with a /dev of its own.
"""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

from support.peers import need

RULES = Path(__file__).parents[2] / "packaging" / "udev"
BUS = "/devices/pci0000:00/usb1"
NAMED = 'SUBSYSTEMS=="usb", KERNELS=="1-1.2", ENV{TIDEGATE}="1"\n'

pytestmark = pytest.mark.peer

# Invented machines; ids and product strings as in the rules. The format is that of
# umockdev-record(1).
ADAPTER = f"""\
P: {BUS}/1-1.2
E: DEVTYPE=usb_device
E: SUBSYSTEM=usb
E: PRODUCT=1a86/7523/264
A: idVendor=1a86
A: idProduct=7523
A: product=USB Serial

P: {BUS}/1-1.2/1-1.2:1.0
E: DEVTYPE=usb_interface
E: SUBSYSTEM=usb

P: {BUS}/1-1.2/1-1.2:1.0/ttyUSB0/tty/ttyUSB0
N: ttyUSB0
E: DEVNAME=/dev/ttyUSB0
E: MAJOR=188
E: MINOR=0
E: SUBSYSTEM=tty
A: dev=188:0
"""
ADAPTER_USB, ADAPTER_TTY = (
    f"{BUS}/1-1.2",
    f"{BUS}/1-1.2/1-1.2:1.0/ttyUSB0/tty/ttyUSB0",
)
HUB = f"""\
P: {BUS}/1-1
E: DEVTYPE=usb_device
E: SUBSYSTEM=usb

P: {BUS}/1-1/1-1:1.0
E: DEVTYPE=usb_interface
E: SUBSYSTEM=usb
L: driver=../../../../bus/usb/drivers/hub
"""
BATTERY = """\
P: /devices/acpi/BAT0/power_supply/BAT0
E: SUBSYSTEM=power_supply
A: type=Battery
"""
CHIP = """\
P: /devices/platform/pins/gpiochip0
N: gpiochip0
E: DEVNAME=/dev/gpiochip0
E: MAJOR=254
E: MINOR=0
E: SUBSYSTEM=gpio
"""


def hid_board(vendor: str, product_id: str, product: str) -> str:
    return f"""\
P: {BUS}/1-3
E: DEVTYPE=usb_device
E: SUBSYSTEM=usb
A: idVendor={vendor}
A: idProduct={product_id}
A: product={product}

P: {BUS}/1-3/1-3:1.0
E: DEVTYPE=usb_interface
E: SUBSYSTEM=usb

P: {BUS}/1-3/1-3:1.0/hid/hidraw/hidraw0
N: hidraw0
E: DEVNAME=/dev/hidraw0
E: MAJOR=243
E: MINOR=0
E: SUBSYSTEM=hidraw
"""


HIDRAW = f"{BUS}/1-3/1-3:1.0/hid/hidraw/hidraw0"


class Udev:
    """The rules of a folder, with what the operator's own file says beside them."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.rules = folder / "rules.d"
        self.rules.mkdir()
        for rule in RULES.glob("*.rules"):
            (self.rules / rule.name).write_text(rule.read_text())
        groups = Path("/etc/group").read_text()
        if "\ntidegate:" not in groups:
            groups += "tidegate:x:64123:\n"
        (folder / "group").write_text(groups)
        self.group = next(
            line.split(":")[2]
            for line in groups.splitlines()
            if line.startswith("tidegate:")
        )

    def operator_says(self, line: str) -> None:
        own = self.rules / "69-tidegate-boards.rules"
        own.write_text(own.read_text() + line)

    def add(self, name: str, text: str) -> None:
        (self.rules / name).write_text(text)

    def test(self, machine: str, device: str, action: str = "add") -> list[str]:
        """Return what udev says of a device of this machine."""
        for program in ("unshare", "umockdev-run", "udevadm", "mount"):
            need(program)
        if os.getuid() != 0:
            pytest.skip("only root may put other rules in the place of the machine's")
        (self.folder / "machine").write_text(machine)
        script = (
            "set -e\n"
            f"mount --bind {self.rules} /etc/udev/rules.d\n"
            f"mount --bind {self.folder}/group /etc/group\n"
            "mkdir -p /run/udev\n"
            "mount -t tmpfs none /run/udev\n"
            f"mkdir -p {self.folder}/dev && mount -t tmpfs none {self.folder}/dev\n"
            f"cd {self.folder}/dev && mkdir pts && mount --bind /dev/pts pts\n"
            "cp -a /dev/null /dev/urandom . && ln -s pts/ptmx ptmx\n"
            "mount --rbind . /dev\n"
            f"exec umockdev-run --device {self.folder}/machine -- "
            f"udevadm test --action={action} /sys{device}\n"
        )
        done = subprocess.run(
            ["unshare", "--mount", "--propagation", "private", "sh", "-c", script],
            capture_output=True,
            text=True,
            timeout=60,
        )
        said = (done.stdout + done.stderr).splitlines()
        assert f"ACTION={action}" in said, said[-20:]
        return said


@pytest.fixture
def udev(tmp_path: Path) -> Udev:
    return Udev(tmp_path)


def of_ours(said: list[str]) -> list[str]:
    """Return what was said of our files, where they stand in the line."""
    return [line.partition("-tidegate")[2] for line in said if "-tidegate" in line]


def complaints(said: list[str]) -> list[str]:
    bad = ("invalid", "unknown", "ignoring", "failed to", "unexpected", "missing")
    return [line for line in of_ours(said) if any(word in line.lower() for word in bad)]


def test_the_rules_parse(udev: Udev) -> None:
    assert complaints(udev.test(CHIP, "/devices/platform/pins/gpiochip0")) == []


def test_every_line_for_the_operator_parses(udev: Udev) -> None:
    own = udev.rules / "69-tidegate-boards.rules"
    lines = [f"{line}\n" for line in own.read_text().splitlines()]
    shown = [line[1:] for line in lines if line.startswith("#") and line[1] != " "]
    meant = [line for line in shown if line.strip()]
    assert len(meant) == 6
    for line in meant:
        udev.operator_says(line)
    assert complaints(udev.test(CHIP, "/devices/platform/pins/gpiochip0")) == []


def test_a_rule_that_does_not_parse_would_be_seen(udev: Udev) -> None:
    udev.operator_says('SUBSISTEM=="tty", MODE="0660"\n')
    assert complaints(udev.test(CHIP, "/devices/platform/pins/gpiochip0"))


# --- serial ---------------------------------------------------------------------------


def test_an_adapter_that_nobody_named_stays_as_it_is(udev: Udev) -> None:
    """The chip is in modems and braille displays too."""
    for device in (ADAPTER_USB, ADAPTER_TTY):
        said = udev.test(ADAPTER, device)
        assert "TIDEGATE=1" not in said
        assert not [line for line in said if line.startswith("ID_MM")]
        assert f"GROUP {udev.group}" not in " ".join(said)


def test_a_named_adapter_is_ours_and_no_modem(udev: Udev) -> None:
    """ModemManager, "Common udev tags": ID_MM_DEVICE_IGNORE on the USB device."""
    udev.operator_says(NAMED)
    assert "ID_MM_DEVICE_IGNORE=1" in udev.test(ADAPTER, ADAPTER_USB)
    said = udev.test(ADAPTER, ADAPTER_TTY)
    assert "ID_MM_PORT_IGNORE=1" in said
    assert "DEVLINKS=/dev/tidegate/1-1.2:1.0" in [
        " ".join(w for w in line.split() if "by-" not in w) for line in said
    ]
    ours = " ".join(of_ours(said))
    assert f"GROUP {udev.group}" in ours
    assert "MODE 0660" in ours


BRAILLE = """\
SUBSYSTEM=="usb", KERNEL!="*:*", ENV{PRODUCT}=="1a86/7523/*", \
ENV{BRLTTY_BRAILLE_DRIVER}="bm", ENV{BRLTTY_BRAILLE_DEVICE}="usb:", \
TAG+="systemd", ENV{SYSTEMD_WANTS}+="brltty-device@.service"
"""


def test_a_braille_daemon_is_kept_off_named_boards_alone(udev: Udev) -> None:
    """Its rule, in the shape of brltty's Autostart/Udev/device.rules.in."""
    udev.add("90-brltty-device.rules", BRAILLE)
    wants = "SYSTEMD_WANTS=brltty-device@.service"
    assert wants in udev.test(ADAPTER, ADAPTER_USB)
    udev.operator_says(NAMED)
    said = udev.test(ADAPTER, ADAPTER_USB)
    assert not [line for line in said if line.startswith(("SYSTEMD_WANTS", "BRLTTY"))]


# --- hid ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("vendor", "product_id", "product", "is_ours"),
    [
        pytest.param("16c0", "05df", "USBRelay4", True, id="feature-mask"),
        pytest.param("16c0", "05df", "HIDRelay", True, id="one-byte"),
        pytest.param("5131", "2007", "USB-HID", True, id="four-byte"),
        pytest.param("16c0", "05df", "USB Thermometer", False, id="a hobby project"),
        pytest.param("046d", "c31c", "USBRelay4", False, id="a keyboard that lies"),
    ],
)
def test_a_board_that_says_that_it_is_one(
    udev: Udev, vendor: str, product_id: str, product: str, *, is_ours: bool
) -> None:
    said = udev.test(hid_board(vendor, product_id, product), HIDRAW)
    assert ("TIDEGATE=1" in said) is is_ours
    assert (f"GROUP {udev.group}" in " ".join(of_ours(said))) is is_ours


# --- attributes -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("machine", "device", "line", "attributes"),
    [
        pytest.param(
            HUB,
            f"{BUS}/1-1/1-1:1.0",
            'SUBSYSTEM=="usb", KERNEL=="1-1:1.0", ENV{TIDEGATE}="1"\n',
            ("/sys" + f"{BUS}/1-1/1-1:1.0/*-port*/disable",),
            id="the ports of a hub",
        ),
        pytest.param(
            BATTERY,
            "/devices/acpi/BAT0/power_supply/BAT0",
            'SUBSYSTEM=="power_supply", KERNEL=="BAT0", ENV{TIDEGATE}="1"\n',
            ("charge_behaviour", "charge_control_end_threshold"),
            id="charge control",
        ),
    ],
)
def test_attributes_are_given_where_they_were_named(
    udev: Udev, machine: str, device: str, line: str, attributes: tuple[str, ...]
) -> None:
    udev.operator_says(line)
    said = udev.test(machine, device, action="change")
    (run,) = [each for each in said if each.startswith("run: '/bin/sh")]
    for attribute in attributes:
        assert attribute in run
    program = run.removeprefix("run: '").removesuffix("'")
    command = program.removeprefix("/bin/sh -c ").strip("'")
    subprocess.run(["sh", "-n", "-c", command], check=True, timeout=10)


def test_a_gpio_chip_is_given_where_it_was_named(udev: Udev) -> None:
    udev.operator_says('SUBSYSTEM=="gpio", KERNEL=="gpiochip0", ENV{TIDEGATE}="1"\n')
    said = udev.test(CHIP, "/devices/platform/pins/gpiochip0")
    assert f"GROUP {udev.group}" in " ".join(of_ours(said))
