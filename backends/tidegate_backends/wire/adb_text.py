"""What the adb client and a device's shell say when they do not answer. Pure functions.

Exit codes are no help: an old device's shell has none, and "Can't find service" and
a failed `adb connect` both end with 0. So the text is looked through for the sentences
of ``TROUBLES``, of which the first that fits counts. Lines that tell how an adb server
was started are no trouble, whatever they begin with.

Source: AOSP packages/modules/adb (client/adb_client.cpp, client/commandline.cpp,
transport.cpp, client/transport_local.cpp, ``adb devices -l`` of transport.cpp);
frameworks/native/cmds/dumpsys/dumpsys.cpp; frameworks/base DumpUtils.java.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from tidegate.core.reading import Sample
from tidegate.errors import BackendError, Malformed, Refused, Unavailable, Unsupported
from tidegate_backends.wire.dumpsys import HEADER, NotADump, is_uptime, sample_of

_TEXT_AT_MOST: Final = 200

_ALLOW: Final = (
    'Wake the device\'s screen, tick "Always allow from this computer" in its dialog '
    "and allow it. No dialog: revoke the USB debugging authorisations in its developer "
    "options and plug it in again. Keys belong to the user that runs adb: keep `home` "
    "the same"
)
_NEXT: Final = "It is read again with the next poll"
_SERVER: Final = (
    "Look at what listens on `server_port` (`adb -P PORT devices`), and let one adb "
    "program alone use it: a client of another version ends the server"
)


@dataclass(frozen=True, slots=True)
class Trouble:
    """One way of not answering. ``state`` is a word for it, of our own."""

    state: str
    pattern: re.Pattern[str]
    error: type[BackendError]
    what: str
    remedy: str

    def as_error(self, target: str) -> BackendError:
        """Return the error to raise."""
        return self.error(self.what, target=target, remedy=self.remedy)


def _trouble(
    state: str, pattern: str, error: type[BackendError], what: str, remedy: str
) -> Trouble:
    return Trouble(
        state, re.compile(pattern, re.IGNORECASE | re.MULTILINE), error, what, remedy
    )


_DUMP_TIMEOUT: Final = _trouble(
    "dump_timeout",
    r"\*\*\* SERVICE '?[\w.]+'? DUMP TIMEOUT",
    Unavailable,
    "the device's battery service did not answer its own shell in time",
    f"{_NEXT}; restart the device if this stays",
)
TROUBLES: Final = (
    # What the device's own shell says: it is reached, and allowed us in.
    _DUMP_TIMEOUT,
    _trouble(
        "service_missing",
        r"can't find service:? ?battery",
        Unavailable,
        "the device has no battery service yet; it comes a while after a boot",
        "Wait a few minutes; restart the device if this stays",
    ),
    _trouble(
        "dump_denied",
        r"permission denial: can't dump",
        Refused,
        "the device does not let its shell see the battery service",
        "Use the device's own adb daemon, not a terminal program: its shell user may",
    ),
    _trouble(
        "selinux_denied",
        r"\bavc: +denied\b",
        Refused,
        "the device's security rules (SELinux) keep the battery from its shell",
        "This takes another system image of the device, or another gauge",
    ),
    _trouble(
        "no_dumpsys",
        r"dumpsys: (?:inaccessible or )?not found",
        Unsupported,
        "the device has no dumpsys",
        "It is no Android, or in its recovery; choose another gauge for it",
    ),
    # What the client says of the device.
    _trouble(
        "unauthorized",
        r"device (?:'[^']*' )?unauthorized|failed to authenticate to",
        Refused,
        "the device has not authorised this computer",
        _ALLOW,
    ),
    _trouble(
        "authorizing",
        r"device (?:'[^']*' )?still (?:authorizing|connecting)",
        Unavailable,
        "the device is just connecting",
        f"{_NEXT}. If this stays: {_ALLOW}",
    ),
    _trouble(
        "no_permission",
        r"no permissions|insufficient permissions for device",
        Refused,
        "this user may not open the device's USB node",
        "Install the udev rules for Android devices (package android-sdk-platform-"
        "tools-common), add the user to the group `plugdev`, plug the device in again",
    ),
    _trouble(
        "ambiguous",
        r"more than one (?:device|emulator)",
        Refused,
        "more than one device answers to this",
        'Choose one with serial = "..."',
    ),
    _trouble(
        "offline",
        r"device (?:'[^']*' )?offline",
        Unavailable,
        "the device is listed as offline",
        "Plug it in again, or switch its USB debugging off and on; over tcp its Wi-Fi "
        "may sleep",
    ),
    _trouble(
        "not_found",
        r"device (?:'[^']*' )?not found|no devices(?:/emulators)? found"
        r"|no devices and emulators found|no such device",
        Unavailable,
        "the device is not attached",
        "Check its cable, its power and that USB debugging is on; `adb devices -l` "
        "lists what is there",
    ),
    _trouble(
        "usage",
        r"^(?:adb: )?(?:usage:|unknown command|unrecognized command)",
        Unsupported,
        "this adb does not know what was asked of it",
        "Name a newer adb with `program`",
    ),
    # What the client says of its server.
    _trouble(
        "protocol_fault",
        r"protocol fault",
        Malformed,
        "what answers as adb server broke the protocol",
        _SERVER,
    ),
    _trouble(
        "no_server",
        r"cannot connect to daemon|failed to check server version|failed to start daemon"
        r"|cannot start server|didn't ack|could not read ok from adb server",
        Unavailable,
        "the adb server cannot be reached or started",
        _SERVER,
    ),
    _trouble(
        "no_connection",
        r"failed to connect to|failed to resolve host|bad port number"
        r"|unable to connect to",
        Unavailable,
        "the device takes no connection",
        "Check address and port; `adb tcpip 5555` over a cable switches it on again, "
        "as it is lost when the device restarts",
    ),
    _trouble(
        "closed",
        r"^(?:error|adb: error): closed|connection reset|failed to get feature set",
        Unavailable,
        "the device ended the connection",
        f"{_NEXT}; a device that just starts does this",
    ),
    # Behind all others: many sentences of a shell end like this.
    _trouble(
        "denied",
        r"permission denied",
        Refused,
        "the device does not let its shell read this",
        "Its adb daemon must run as the shell user; choose another gauge otherwise",
    ),
)

# Told while a server starts; "* cannot start server" is none of them.
_BANNER: Final = re.compile(
    r"\* daemon (?:not running|started)|adb server (?:version|is out of date)",
    re.IGNORECASE,
)


_ADDRESS: Final = re.compile(
    r"(?:\[[0-9A-Fa-f:.%\w]+\]|[^:\[\]\s]+):([0-9]{1,5})", re.ASCII
)


def trouble_in(text: str) -> Trouble | None:
    """Return the first trouble that the text tells of, ``None`` if there is none."""
    said = "\n".join(told(text))
    return next((each for each in TROUBLES if each.pattern.search(said)), None)


def told(text: str) -> list[str]:
    """Return the lines that say something, without those about a server's start."""
    lines = (line.strip() for line in text.replace("\r", "").split("\n"))
    return [line[:_TEXT_AT_MOST] for line in lines if line and not _BANNER.match(line)]


def answer_in(
    out: str, err: str, *, design_ah: float | None = None
) -> Sample | Trouble:
    """Return what a shell's answer holds: a sample, or why there is none.

    ``out`` and ``err`` are what the client printed; an old device mixes them up.
    """
    said = f"{err}\n{out}"
    dump = next((text for text in (out, err) if HEADER in text), None)
    if dump is None:
        return trouble_in(said) or _unknown(said)
    if _DUMP_TIMEOUT.pattern.search(said):
        return _DUMP_TIMEOUT
    try:
        return sample_of(dump, design_ah=design_ah)
    except NotADump as error:
        return _trouble("cut", "", Malformed, str(error), _NEXT)


def _unknown(text: str) -> Trouble:
    """Return the trouble of a text that none of ``TROUBLES`` fits."""
    lines = [line for line in told(text) if not is_uptime(line)]
    if not lines:
        what = "the device ended the connection without a word"
        return _trouble("silent", "", Unavailable, what, _NEXT)
    what = f"the answer is no battery dump: {lines[0]!r}"
    is_adb = lines[0].lower().startswith(("error:", "adb:"))
    return _trouble(
        "unknown",
        "",
        Unavailable if is_adb else Malformed,
        what,
        "Run `adb -s SERIAL shell dumpsys battery` by hand to see more",
    )


def is_connected(text: str) -> bool:
    """Return whether `adb connect` was successful; it ends with 0 either way."""
    return re.search(r"^(?:already )?connected to ", text, re.MULTILINE) is not None


def is_address(serial: str | None) -> bool:
    """Return whether a serial is host:port, a device on the network."""
    match = _ADDRESS.fullmatch(serial or "")
    return match is not None and 1 <= int(match[1]) <= 65_535


def version_in(text: str) -> str | None:
    """Return what `adb version` calls itself, on one line."""
    match = re.search(r"Android Debug Bridge version ([\w.-]+)", text)
    if match is None:
        return None
    build = re.search(r"^(?:Version|Revision) ([\w.-]+)", text, re.MULTILINE)
    return f"{match[1]} ({build[1]})" if build else match[1]
