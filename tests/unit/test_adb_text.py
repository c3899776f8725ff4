"""What adb and a device's shell say when they do not answer, and what to do about it.

The sentences are typed from AOSP packages/modules/adb (client, transport.cpp) and
cmds/dumpsys, those marked "thread" from public issue threads.
"""

from __future__ import annotations

import pytest

from support.dumps import dump
from tidegate.core.reading import Sample
from tidegate.errors import BackendError, Malformed, Refused, Unavailable, Unsupported
from tidegate_backends.wire.adb_devices import Listed, devices_in
from tidegate_backends.wire.adb_text import (
    TROUBLES,
    Trouble,
    answer_in,
    is_address,
    is_connected,
    version_in,
)

NO_KEY = (
    "This adb server's $ADB_VENDOR_KEYS is not set\n"
    "Try 'adb kill-server' if that seems wrong.\n"
    "Otherwise check for a confirmation dialog on your device.\n"
)

# What is said, its state, its error, and a word of the remedy.
SAID: list[tuple[str, str, type[BackendError], str]] = [
    (f"error: device unauthorized.\n{NO_KEY}", "unauthorized", Refused, "dialog"),
    (
        "* daemon not running; starting now at tcp:5037\n"
        "* daemon started successfully\n"
        f"adb: error: failed to get feature set: device unauthorized.\n{NO_KEY}",
        "unauthorized",
        Refused,
        "Always allow",
    ),
    (
        "adb server version (40) doesn't match this client (41); killing...\n"
        "* daemon started successfully\n"
        f"adb: device unauthorized.\n{NO_KEY}",
        "unauthorized",
        Refused,
        "home",
    ),
    ("failed to authenticate to 10.0.0.7:5555\n", "unauthorized", Refused, "dialog"),
    ("error: device still authorizing\n", "authorizing", Unavailable, "next poll"),
    ("adb: device still connecting\n", "authorizing", Unavailable, "next poll"),
    ("error: device offline\n", "offline", Unavailable, "Plug it in again"),
    ("adb: device 'guide-7' offline\n", "offline", Unavailable, "USB debugging"),
    ("error: device 'guide-7' not found\n", "not_found", Unavailable, "cable"),
    ("error: device not found\n", "not_found", Unavailable, "cable"),
    ("error: no devices/emulators found\n", "not_found", Unavailable, "devices -l"),
    ("error: more than one device/emulator\n", "ambiguous", Refused, "serial"),
    ("adb: more than one device\n", "ambiguous", Refused, "serial"),
    (
        "error: insufficient permissions for device: user in plugdev group; are your"
        " udev rules wrong?\n",
        "no_permission",
        Refused,
        "udev",
    ),
    ("error: closed\n", "closed", Unavailable, "next poll"),
    (
        "error: protocol fault (couldn't read status): Connection reset by peer\n",
        "protocol_fault",
        Malformed,
        "server_port",
    ),
    (
        # thread
        "error: cannot connect to daemon at tcp:127.0.0.1:5037: failed to connect to"
        " '127.0.0.1:5037': Connection refused\n* cannot start server on remote host\n",
        "no_server",
        Unavailable,
        "server_port",
    ),
    (
        # thread
        "* cannot start server on remote host\n"
        "adb: failed to check server version: cannot connect to daemon\n",
        "no_server",
        Unavailable,
        "server_port",
    ),
    ("* failed to start daemon\n", "no_server", Unavailable, "server_port"),
    (
        "failed to connect to '10.0.0.7:5555': Connection refused\n",
        "no_connection",
        Unavailable,
        "adb tcpip 5555",
    ),
    (
        "failed to resolve host: 'guide-7': Name or service not known\n",
        "no_connection",
        Unavailable,
        "address",
    ),
    ("Can't find service: battery\n", "service_missing", Unavailable, "minutes"),
    (
        "Permission Denial: can't dump BatteryService from pid=12, uid=12345\n",
        "dump_denied",
        Refused,
        "adb daemon",
    ),
    (
        "*** SERVICE 'battery' DUMP TIMEOUT (10000ms) EXPIRED ***\n",
        "dump_timeout",
        Unavailable,
        "restart the device",
    ),
    (
        # thread
        "cat: can't open '/sys/class/power_supply/battery/capacity': Permission"
        " denied\n",
        "denied",
        Refused,
        "another gauge",
    ),
    (
        # thread, shortened
        "I health@2.0-serv: type=1400 audit(0.0:273): avc: denied { getattr } for"
        " path=/sys/devices/pc_port/online dev=sysfs\n",
        "selinux_denied",
        Refused,
        "another gauge",
    ),
    (
        "/system/bin/sh: dumpsys: inaccessible or not found\n",
        "no_dumpsys",
        Unsupported,
        "another gauge",
    ),
    ("adb: unknown command reconnect\n", "usage", Unsupported, "program"),
    ("", "silent", Unavailable, "next poll"),
    ("86400.07 250560.20\n", "silent", Unavailable, "next poll"),
    ("error: something new\n", "unknown", Unavailable, "by hand"),
    ("Killed\n", "unknown", Malformed, "by hand"),
    (
        "List of devices attached\n10.0.0.7:5555\tdevice\n",
        "unknown",
        Malformed,
        "by hand",
    ),
]


@pytest.mark.parametrize(
    ("said", "state", "error", "remedy"),
    SAID,
    ids=[f"{n}-{s[1]}" for n, s in enumerate(SAID)],
)
@pytest.mark.parametrize("stream", ["out", "err"])
def test_trouble(
    said: str, state: str, error: type[BackendError], remedy: str, stream: str
) -> None:
    out, err = (said, "") if stream == "out" else ("", said)
    answer = answer_in(out, err)
    assert isinstance(answer, Trouble)
    assert (answer.state, answer.error) == (state, error)
    assert remedy in answer.remedy
    raised = answer.as_error("adb guide-7")
    assert type(raised) is error
    assert raised.target == "adb guide-7"


def test_every_trouble_is_among_them() -> None:
    assert {trouble.state for trouble in TROUBLES} <= {row[1] for row in SAID}


def test_banners_are_no_trouble() -> None:
    banner = (
        "* daemon not running; starting now at tcp:5037\n* daemon started successfully\n"
        "adb server version (40) doesn't match this client (41); killing...\n"
    )
    answer = answer_in(dump(), banner)
    assert isinstance(answer, Sample)
    assert answer_in("", banner).state == "silent"  # type: ignore[union-attr]


def test_a_dump_beside_a_complaint_is_a_dump() -> None:
    complaint = "cat: /proc/uptime: Permission denied\n"
    assert isinstance(answer_in(dump(), complaint), Sample)
    assert isinstance(answer_in(dump() + complaint, ""), Sample)


def test_a_dump_that_its_service_broke_off_is_none() -> None:
    text = dump() + "*** SERVICE 'battery' DUMP TIMEOUT (10000ms) EXPIRED ***\n"
    assert answer_in(text, "").state == "dump_timeout"  # type: ignore[union-attr]


def test_a_cut_dump_is_malformed() -> None:
    answer = answer_in(dump(technology=None), "")
    assert isinstance(answer, Trouble)
    assert (answer.state, answer.error) == ("cut", Malformed)


# --- the list of devices --------------------------------------------------------------

LISTING = """List of devices attached
GUIDE7                 device usb:1-1.4 product:guide model:Guide_7 device:g7 transport_id:3
10.0.0.7:5555          device product:guide model:Guide_7 transport_id:4
GUIDE8                 unauthorized usb:1-1.3 transport_id:5
GUIDE9                 offline usb:1-1.2 transport_id:6
GUIDE10                authorizing usb:1-1.1 transport_id:8
GUIDE11                recovery usb:1-1.5 product:guide transport_id:9
????????????           no permissions (user in plugdev group; are your udev rules wrong?); see [http://developer.android.com/tools/device.html] usb:1-2 transport_id:7
(no serial number)     device usb:1-3 transport_id:2
"""


def test_devices_with_their_states() -> None:
    listed = devices_in(f"* daemon started successfully\r\n{LISTING}\n")
    assert [(each.serial, each.is_ready) for each in listed] == [
        ("GUIDE7", True),
        ("10.0.0.7:5555", True),
        ("GUIDE8", False),
        ("GUIDE9", False),
        ("GUIDE10", False),
        ("GUIDE11", False),
        ("????????????", False),
        ("(no serial number)", True),
    ]
    assert listed[0].details == (
        "usb:1-1.4 product:guide model:Guide_7 device:g7 transport_id:3"
    )
    assert listed[6].details == "usb:1-2 transport_id:7"


@pytest.mark.parametrize(
    ("state", "remedy"),
    [
        ("unauthorized", "dialog"),
        ("offline", "Plug it in again"),
        ("authorizing", "next poll"),
        ("connecting", "next poll"),
        ("no permissions (user in plugdev group)", "udev"),
        ("recovery", "ordinary way"),
        ("bootloader", "ordinary way"),
        ("unheard-of", "ordinary way"),
    ],
)
def test_a_state_has_its_remedy(state: str, remedy: str) -> None:
    trouble = Listed("GUIDE7", state).trouble
    assert trouble is not None
    assert remedy in trouble.remedy


def test_the_short_list_and_no_list() -> None:
    text = "List of devices attached\n192.168.0.80:5555\tdevice\n"
    assert devices_in(text) == [Listed("192.168.0.80:5555", "device")]
    assert devices_in("List of devices attached\n\n") == []
    assert devices_in("error: closed\n") == []


# --- single sentences -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("said", "connected"),
    [
        ("connected to 10.0.0.7:5555\n", True),
        ("already connected to 10.0.0.7:5555\n", True),
        ("failed to connect to '10.0.0.7:5555': Connection refused\n", False),
        ("failed to authenticate to 10.0.0.7:5555\n", False),
        ("", False),
    ],
)
def test_connect_is_read_from_its_text(said: str, connected: bool) -> None:
    assert is_connected(said) is connected


@pytest.mark.parametrize(
    ("serial", "address"),
    [
        ("10.0.0.7:5555", True),
        ("guide-7.museum:5555", True),
        ("[fe80::1%eth0]:5555", True),
        ("GUIDE7", False),
        ("usb:1-1", False),
        ("10.0.0.7", False),
        (None, False),
    ],
)
def test_an_address_has_a_port(serial: str | None, address: bool) -> None:
    assert is_address(serial) is address


def test_version() -> None:
    text = (
        "Android Debug Bridge version 1.0.41\nVersion 29.0.6-debian\nInstalled as adb\n"
    )
    assert version_in(text) == "1.0.41 (29.0.6-debian)"
    assert version_in("Android Debug Bridge version 1.0.32\n") == "1.0.32"
    assert version_in("error: device unauthorized.\n") is None
