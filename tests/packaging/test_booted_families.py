"""Each family of backends behind its own drop-in, in a real systemd, with real peers.

One machine of an invented museum, booted once. With each drop-in the service gets ready,
its relays go off as their peers see it, a kill and a stop leave them on, by
``ExecStopPost`` in the same sandbox, and nothing was refused. Drop-ins that open nothing
for each other share a life. Filters of IP and of devices are the kernel's own
(``booted(filters=True)``), which the machine of ``test_booted_service.py`` has not.

What no test here can show, as this kernel has no such devices: a line of a real GPIO
chip, a report of a real HID board, a real charge control and a real hub. Nodes and
attributes stand in: whether they may be opened and written is what a sandbox decides.

Sources: systemd.exec(5), systemd.resource-control(5); Linux ABI sysfs-class-power and
sysfs-bus-usb; RFC 1918 and RFC 5737 (addresses); what peers speak is in their files.
"""

from __future__ import annotations

import re
import shutil
import ssl
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
import trustme

from support.adbd import Adbd, adb_server
from support.bluez import (
    BATTERY,
    BATTERY_LEVEL,
    BATTERY_LEVEL_STATUS,
    FakeCharacteristic,
    FakePeer,
    digital,
)
from support.booted import Machine, booted, check_can_boot, check_filters
from support.booted_museum import DROP_INS, SITE, SOC, UNIT, Contact, Museum
from support.booted_peers import BluezInside, Door, battery, mains
from support.deb_package import built_deb
from support.dumps import dump
from support.http_socket import HttpSocket
from support.modbus_device import ModbusDevice
from support.mosquitto import Mosquitto, MqttSocket
from support.mqtt_witness import Witness
from support.peers import need
from support.ports import free_port

UDEV = Path(__file__).parents[2] / "packaging" / "udev" / "70-tidegate.rules"
USER = ("museum", "open sesame")

pytestmark = [pytest.mark.peer, pytest.mark.slow, pytest.mark.timeout(1200)]


@pytest.fixture
def museum(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Museum]:
    check_can_boot()
    for program in ("mosquitto", "mosquitto_passwd", "dbus-daemon", "adb", "ip"):
        need(program)
    package = built_deb(tmp_path_factory)
    folder = tmp_path_factory.mktemp("families")
    with booted(tmp_path_factory.mktemp("machine"), filters=True) as machine:
        shutil.copy(package, machine.inside("/opt") / "tidegate.deb")
        machine.inside("/usr/sbin/policy-rc.d").unlink(missing_ok=True)
        machine.run("apt-get", "install", "-y", "/opt/tidegate.deb", limit_s=180)
        check_filters(machine)
        _make_room_in_sys(machine)
        yield Museum(machine, folder)


def test_each_family_works_behind_its_drop_in(museum: Museum) -> None:
    steps = (
        _network,
        _nothing_beyond_private_networks,
        _bluetooth_kernel_and_metrics,
        _bluetooth_where_the_bus_wants_a_group,
        _command_usb_port_and_adb,
        _nodes_of_gpio_hid_and_serial,
    )
    for step in steps:
        step(museum)


# ---- network

# RFC 1918, RFC 4193; names as an integrator has them in hosts(5).
ADDRESSES = {
    "10.9.8.7": "wall-socket.museum.example",
    "192.168.77.5": "secure-socket.museum.example",
    "172.20.1.1": "broker.museum.example",
    "fd00::77": "coil.museum.example",
}
OUTSIDE, NAMED = "203.0.113.7", "198.51.100.7"  # TEST-NET-3 and -2 of RFC 5737


def _network(museum: Museum) -> None:
    """http and https by name, mqtt in clear and in TLS, modbus over IPv6, publishing."""
    machine = museum.machine
    for address in (*ADDRESSES, OUTSIDE, NAMED):
        bits = 128 if ":" in address else 32
        machine.run("ip", "addr", "add", f"{address}/{bits}", "dev", "lo")
    names = "".join(f"{address} {name}\n" for address, name in ADDRESSES.items())
    hosts = machine.inside("/etc/hosts").read_text()
    machine.write("/etc/hosts", f"{hosts}\n{names}")
    authority = trustme.CA()
    tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert(ADDRESSES["192.168.77.5"]).configure_cert(tls)
    machine.write("/etc/tidegate/socket-ca.pem", authority.cert_pem.bytes().decode())
    _secret(machine, "token", "wet-paint-27")
    _secret(machine, "broker", ":".join(USER))
    clear, secret = museum.folder / "clear", museum.folder / "secret"
    clear.mkdir()
    secret.mkdir()
    with machine.network(), ExitStack() as stack:
        enter = stack.enter_context
        plain = enter(HttpSocket())
        secure = enter(HttpSocket(tls=tls, token="wet-paint-27"))
        broker = enter(Mosquitto(clear))
        listens = free_port()
        extra = f"listener {listens} 127.0.0.1"
        other = enter(Mosquitto(secret, users=dict([USER]), tls=True, extra=extra))
        machine.write("/etc/tidegate/broker-ca.pem", other.ca.read_text())
        first, second = enter(MqttSocket(broker)), enter(MqttSocket(other, *USER))
        coil = enter(ModbusDevice())
        doors = {
            address: enter(Door(address, port)).port
            for address, port in zip(
                ADDRESSES,
                (plain.port, secure.port, broker.port, coil.port),
                strict=True,
            )
        }
        heard = enter(Witness(listens, *USER))
        publishing = f"""
[mqtt]
broker = "127.0.0.1"
port = {other.port}
ca = "/etc/tidegate/broker-ca.pem"
credentials = "/etc/tidegate/broker.secret"
topic = "museum/entrance"
every = "5s"
"""
        museum.furnish(
            ("network",),
            publishing,
            Contact("hall", _http("http", "10.9.8.7", doors), lambda: plain.on),
            Contact(
                "foyer",
                _http("https", "192.168.77.5", doors)
                + '\nca = "/etc/tidegate/socket-ca.pem"'
                + '\ncredentials = "/etc/tidegate/token.secret"',
                lambda: secure.on,
            ),
            Contact(
                "coral",
                _mqtt("broker.museum.example", doors["172.20.1.1"]) + "\ntls = false",
                lambda: first.on,
            ),
            Contact(
                "whale",
                _mqtt("127.0.0.1", other.port)
                + '\nca = "/etc/tidegate/broker-ca.pem"'
                + '\ncredentials = "/etc/tidegate/broker.secret"',
                lambda: second.on,
            ),
            Contact(
                "entrance",
                'kind = "modbus"\nhost = "coil.museum.example"\ncoil = 0\n'
                f'tcp_port = {doors["fd00::77"]}\ncontact = "normally-closed"',
                lambda: not coil.driven(),
            ),
        )
        museum.lives()
        state = heard.hears("museum/entrance/whale/state")
        assert state.document["soc_percent"] == SOC
        heard.hears("museum/entrance/there", lambda each: each.payload == b"offline")


def _secret(machine: Machine, name: str, text: str) -> None:
    """As config/network.toml says: root's, for the group to read."""
    path = f"/etc/tidegate/{name}.secret"
    machine.run("install", "-m", "0640", "-g", "tidegate", "/dev/null", path)
    machine.inside(path).write_text(f"{text}\n")


def _http(scheme: str, address: str, doors: dict[str, int]) -> str:
    name = ADDRESSES.get(address, address)
    expect = 'expect = { pointer = "/outlets/0/on", equals = '
    return f"""kind = "http"
base = "{scheme}://{name}:{doors[address]}"
on = {{ method = "PUT", url = "/outlet/1", body = '{{"supply": "on"}}', {expect}true }} }}
off = {{ method = "PUT", url = "/outlet/1", body = '{{"supply": "off"}}', {expect}false }} }}
read = {{ url = "/outlet/1", state = {{ pointer = "/outlets/0/on", on = true, off = false }} }}"""


def _mqtt(broker: str, port: int) -> str:
    return f"""kind = "mqtt"
broker = "{broker}"
port = {port}
command = {{ topic = "hall/lobby/do", on = "ON", off = "OFF" }}
state = {{ topic = "hall/lobby/is", on = "ON", off = "OFF" }}
availability = {{ topic = "hall/lobby/there", online = "online", offline = "offline" }}"""


def _nothing_beyond_private_networks(museum: Museum) -> None:
    """Both sockets are there for this machine, and for the service one that is named."""
    machine = museum.machine
    with machine.network(), ExitStack() as stack:
        closed, named = (stack.enter_context(HttpSocket()) for _ in range(2))
        doors = {
            OUTSIDE: stack.enter_context(Door(OUTSIDE, closed.port)).port,
            NAMED: stack.enter_context(Door(NAMED, named.port)).port,
        }
        url = f"http://{OUTSIDE}:{doors[OUTSIDE]}/outlet/1"
        with urllib.request.urlopen(url, timeout=10) as answer:
            assert answer.status == 200
        closed.forget()
        museum.furnish(
            ("network",),
            "",
            Contact("terrace", _http("http", NAMED, doors), lambda: named.on),
            Contact("garden", _http("http", OUTSIDE, doors), lambda: not closed.heard),
        )
        machine.write(f"{DROP_INS}/own.conf", f"[Service]\nIPAddressAllow={NAMED}\n")
        machine.run("systemctl", "daemon-reload")
        machine.run("systemctl", "start", UNIT)
        machine.until(lambda: not named.on, "the one that is named goes off")
        machine.until(lambda: "no whole answer" in museum.said(), "the other is tried")
        # `restore` says that it could not reach it, so the unit has failed.
        machine.run("systemctl", "stop", UNIT, check=False)
        assert named.on
        assert closed.heard == []
        machine.run("systemctl", "reset-failed", UNIT)


# ---- bluetooth

# The policy of Debian 12's bluez (5.66-1), as far as it is for others than root.
DEBIANS = '<allow send_destination="org.bluez"/>'
# That of systems which keep others away.
STRICT = '<deny send_destination="org.bluez"/>'
BUS_POLICY = """\
<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-BUS Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <policy user="root">
    <allow own="org.bluez"/>
    <allow send_destination="org.bluez"/>
  </policy>
  <policy group="bluetooth">
    <allow send_destination="org.bluez"/>
  </policy>
  <policy context="default">
    {others}
  </policy>
</busconfig>
"""
GUIDE, BOARD = "00:00:5E:00:53:30", "00:00:5E:00:53:20"


def _bus_says(museum: Museum, others: str) -> None:
    machine = museum.machine
    place = "/usr/share/dbus-1/system.d/bluetooth.conf"
    machine.write(place, BUS_POLICY.format(others=others))
    machine.run("systemctl", "reload", "dbus.service")


def _radio(museum: Museum) -> tuple[BluezInside, Contact]:
    """A guide that tells SOC and that it is wired, and a board with one contact."""

    def value(uuid: int, octets: bytes) -> FakeCharacteristic:
        return FakeCharacteristic(uuid, octets, ("read",), BATTERY)

    guide = FakePeer(
        GUIDE,
        uuids=(BATTERY,),
        characteristics=[
            value(BATTERY_LEVEL, bytes([SOC])),
            # Flags, power state (wired, charging), level. Source: the assigned numbers'
            # Battery Level Status, as in the GATT Specification Supplement.
            value(BATTERY_LEVEL_STATUS, bytes.fromhex("02 A3 02") + bytes([SOC])),
        ],
    )
    contact = digital(1)
    board = FakePeer(BOARD, characteristics=[contact])
    return BluezInside(museum.machine, museum.folder, guide, board), Contact(
        "whale",
        f'kind = "ble"\naddress = "{BOARD}"\ncontact = "normally-closed"',
        lambda: not contact.value[0] & 1,
        gauge=f'{{ kind = "ble-battery", address = "{GUIDE}" }}',
    )


def _bluetooth_kernel_and_metrics(museum: Museum) -> None:
    """With Debian's policy the user needs no group."""
    machine = museum.machine
    machine.run("addgroup", "--system", "--quiet", "bluetooth")
    _bus_says(museum, DEBIANS)
    bluez, whale = _radio(museum)
    listening = '[metrics]\nlisten = "127.0.0.1:9464"\n'
    with bluez, machine.network():
        drop_ins = ("bluetooth", "kernel", "metrics")
        museum.furnish(drop_ins, listening, whale, _desk(machine))
        museum.lives(_metrics_are_told)


def _metrics_are_told() -> None:
    with urllib.request.urlopen("http://127.0.0.1:9464/metrics", timeout=10) as told:
        assert b'station="whale"' in told.read()


def _bluetooth_where_the_bus_wants_a_group(museum: Museum) -> None:
    machine = museum.machine
    _bus_says(museum, STRICT)
    bluez, whale = _radio(museum)
    with bluez:
        museum.furnish(("bluetooth",), "", whale)
        machine.run("systemctl", "start", UNIT)
        machine.until(lambda: "the group `bluetooth`" in museum.said(), "the remedy")
        machine.run("systemctl", "stop", UNIT, check=False)
        machine.run("systemctl", "reset-failed", UNIT, check=False)
        machine.run("adduser", "--quiet", "tidegate", "bluetooth")
        museum.furnish(("bluetooth",), "", whale)
        machine.run("systemctl", "start", UNIT)
        museum.until(on=False, why="off, as one of the group")
        machine.run("systemctl", "stop", UNIT)
        assert whale.is_on()
        assert museum.shown("Result") == "success"


# ---- command

# Both do what many languages' machines do, which the bare unit refuses: they write
# memory and make it executable, and choose their processor.
DEMANDING = """\
#!/usr/bin/python3
import mmap, os, pathlib, sys
mmap.mmap(-1, 4096, prot=mmap.PROT_READ | mmap.PROT_WRITE | mmap.PROT_EXEC)
os.sched_setaffinity(0, os.sched_getaffinity(0))
here = pathlib.Path("/var/lib/tidegate/site/cloakroom")
"""
GAUGE = 'print((here / "battery.json").read_text())\n'
SWITCH = """\
if sys.argv[1] == "state":
    print((here / "contact").read_text())
else:
    (here / "contact").write_text(sys.argv[1])
"""


def _cloakroom(machine: Machine) -> Contact:
    """Programs in /usr/local/bin, with files in the state folder."""
    machine.write("/usr/local/bin/guide-battery", DEMANDING + GAUGE, mode=0o755)
    machine.write("/usr/local/bin/wall-supply", DEMANDING + SWITCH, mode=0o755)
    place = machine.inside(f"{SITE}/cloakroom/contact")
    machine.write(f"{SITE}/cloakroom/contact", "on")
    reading = f'{{"soc_percent": {SOC}, "external_power": "yes"}}'
    machine.write(f"{SITE}/cloakroom/battery.json", reading)
    calls = "\n".join(
        f'{key} = ["/usr/local/bin/wall-supply", "{word}"]'
        for key, word in {"on": "on", "off": "off", "read": "state"}.items()
    )
    return Contact(
        "cloakroom",
        f'kind = "command"\n{calls}',
        lambda: place.read_text() == "on",
        gauge='{ kind = "command", run = ["/usr/local/bin/guide-battery"] }',
    )


def _command_usb_port_and_adb(museum: Museum) -> None:
    """A guide behind a real adb server, fed by the port of a hub; and programs."""
    machine = museum.machine
    with machine.network(), ExitStack() as stack:
        device = stack.enter_context(Adbd())
        device.dump = dump(level=SOC, voltage=3_900, USB_powered=True, status=2)
        server = stack.enter_context(adb_server(need("adb"), museum.folder))
        stack.enter_context(server.attached(device))
        gauge = (
            f'{{ kind = "adb", over = "tcp", serial = "{device.serial}", '
            f"server_port = {server.port} }}"
        )
        museum.furnish(
            ("command", "usb-port", "adb"),
            "",
            _cloakroom(machine),
            _wall(machine, gauge),
        )
        museum.lives()


# ---- kernel, usb-port


def _make_room_in_sys(machine: Machine) -> None:
    """Put memory where devices of the museum's own can be."""
    for place in ("/sys/devices/platform", "/sys/class/power_supply", "/sys/bus"):
        machine.mounts("mount", "-t", "tmpfs", "tmpfs", place)


def _udev_permits(machine: Machine, attribute: str, devpath: str) -> None:
    """Run what the rule of this attribute has udev run; nothing else gives access.

    udev(7): $devpath is filled in, $$ is a dollar sign.
    """
    (line,) = [
        found[1]
        for found in re.finditer(r'RUN\+="/bin/sh -c \'(.*)\'"', UDEV.read_text())
        if attribute in found[1]
    ]
    shell = line.replace("$devpath", devpath).replace("$$", "$")
    machine.mounts("sh", "-c", shell)


def _desk(machine: Machine) -> Contact:
    """Only root and group tidegate may write the threshold, in a /sys to be read."""
    sys = machine.own_view / "sys"
    devpath = "/devices/platform/museum/power_supply"
    there = sys / devpath.removeprefix("/")
    battery(there / "BAT0", soc=SOC)
    mains(there / "AC", online=True)
    threshold = there / "BAT0" / "charge_control_end_threshold"
    threshold.write_text("100\n")
    for name in ("BAT0", "AC"):
        link = sys / "class" / "power_supply" / name
        link.symlink_to(f"../../devices/platform/museum/power_supply/{name}")
    _udev_permits(machine, threshold.name, f"{devpath}/BAT0")
    return Contact(
        "desk",
        'kind = "kernel"\nname = "BAT0"',
        lambda: threshold.read_text().strip() == "100",
        gauge='{ kind = "sysfs" }',
    )


def _wall(machine: Machine, gauge: str) -> Contact:
    """A port of a hub on USB 2, as the kernel shows it."""
    sys = machine.own_view / "sys"
    devpath = "/devices/platform/museum-usb/usb1/1-1/1-1:1.0"
    port = sys / devpath.removeprefix("/") / "1-1-port2"
    port.mkdir(parents=True)
    (port / "disable").write_text("0\n")
    devices = sys / "bus" / "usb" / "devices"
    devices.mkdir(parents=True)
    (devices / "1-1:1.0").symlink_to(f"../../..{devpath}")
    _udev_permits(machine, "disable", devpath)
    return Contact(
        "wall",
        'kind = "usb-port"\nname = "1-1-port2"',
        lambda: (port / "disable").read_text().strip() == "0",
        gauge=gauge,
    )


# ---- gpio, hid, serial

# Which node of which class, by the names that /proc/devices has. The stranger's class is
# named by no drop-in. Source: Linux, admin-guide/devices.txt.
NODES = {
    "gpiochip0": ("gpiochip", 0),
    "hidraw0": ("hidraw", 0),
    "ttyS0": ("ttyS", 64),
    "stranger": ("vcs", 1),
}
# In place of a class that this kernel has not got: misc, and of it fuse. The name of the
# class is invented then, and the filter that systemd makes of it is not.
STAND_IN = ("misc", 229)
PROBE = f"""\
#!/bin/sh
for node in {" ".join(NODES)}; do
    (: <>/dev/$node) 2>&1 && echo "$node: opened"
done >{SITE}/nodes.new
mv {SITE}/nodes.new {SITE}/nodes
echo '{{"soc_percent": 60}}'
"""


def _nodes_of_gpio_hid_and_serial(museum: Museum) -> None:
    """What the user may open without the sandbox, it may in it, and no other node."""
    machine = museum.machine
    _make_nodes(machine)
    machine.write("/usr/local/bin/nodes", PROBE, mode=0o755)
    told = machine.inside(f"{SITE}/nodes")
    machine.run("install", "-d", "-o", "tidegate", "-g", "tidegate", SITE)
    machine.run("runuser", "-u", "tidegate", "--", "/usr/local/bin/nodes")
    before = told.read_text().splitlines()
    told.unlink()
    gauge = '{ kind = "command", run = ["/usr/local/bin/nodes"] }'
    gpio = 'kind = "gpio"\nchip = "/dev/gpiochip0"\nline = 3'
    cellar = Contact("cellar", gpio, lambda: True, gauge=gauge)
    museum.furnish(("gpio", "hid", "serial", "command"), "", cellar)
    machine.run("systemctl", "start", UNIT)
    machine.until(told.exists, "the nodes were tried")
    machine.until(lambda: "/dev/gpiochip0#3" in museum.said(), "the relay tried it")
    machine.run("systemctl", "stop", UNIT, check=False)
    after = told.read_text().splitlines()
    assert len(before) == len(after) == len(NODES), (before, after)
    # There may be no device behind a node: that is the driver's word, and no refusal.
    assert not re.search(r"not permitted|denied", "".join(before)), before
    assert after[:-1] == before[:-1]
    assert "Operation not permitted" in after[-1]
    museum.nothing_was_refused()


def _make_nodes(machine: Machine) -> None:
    """Put nodes there as 70-tidegate.rules and Debian's own give them to the user."""
    classes = machine.says("cat", "/proc/devices").partition("Block devices")[0]
    majors = {name: int(n) for n, name in re.findall(r"(?m)^ *(\d+) (\S+)$", classes)}
    stands_in, second = majors[STAND_IN[0]], STAND_IN[1]
    numbers = {}
    for node, (kind, minor) in NODES.items():
        if kind not in majors:
            classes = f"{classes.rstrip()}\n{stands_in:>3} {kind}\n"
        missing = kind not in majors
        numbers[node] = (stands_in, second) if missing else (majors[kind], minor)
    assert numbers["stranger"][0] not in (stands_in, majors["ttyS"]), numbers
    machine.write("/opt/devices", f"{classes}\nBlock devices:\n")
    machine.mounts("mount", "--bind", "/opt/devices", "/proc/devices")
    for name, (major, minor) in numbers.items():
        node = f"/dev/{name}"
        machine.mounts("mknod", node, "c", str(major), str(minor))
        group = "dialout" if name.startswith("tty") else "tidegate"
        machine.run("chgrp", group, node)
        machine.run("chmod", "0660", node)
