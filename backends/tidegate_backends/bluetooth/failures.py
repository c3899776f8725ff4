"""What the errors of bleak, dbus-fast and BlueZ mean, and what a person can do.

BlueZ tells most things as a D-Bus error name with a text behind it; the names and
texts are those of its sources and of public issue threads (hbldh/bleak 666, 993, 1673,
1689; bluez 191, 932). What is not known here is Unavailable, in the library's words.
"""

from __future__ import annotations

from typing import Final

from tidegate.errors import BackendError, Refused, Unavailable, Unsupported

_BLUEZ: Final = "org.bluez.Error."
_DBUS: Final = "org.freedesktop.DBus.Error."

# Nobody owns the name org.bluez, or its owner just went.
_NOBODY: Final = frozenset(
    {
        f"{_DBUS}ServiceUnknown",
        f"{_DBUS}NameHasNoOwner",
        f"{_DBUS}NoReply",
        f"{_DBUS}Disconnected",
        f"{_DBUS}TimedOut",
        "org.freedesktop.systemd1.NoSuchUnit",
        "org.freedesktop.systemd1.UnitMasked",
    }
)
_GONE: Final = frozenset(
    {f"{_DBUS}UnknownObject", f"{_DBUS}UnknownMethod", f"{_BLUEZ}DoesNotExist"}
)
_NO_BOND: Final = frozenset(
    {
        f"{_BLUEZ}AuthenticationFailed",
        f"{_BLUEZ}AuthenticationRejected",
        f"{_BLUEZ}AuthenticationCanceled",
        f"{_BLUEZ}NotAuthorized",
        f"{_BLUEZ}NotPermitted",
    }
)
# Core Specification, Vol 3, Part F, 3.4.1.1: insufficient authentication,
# authorization, key size, encryption.
_ATT_NO_BOND: Final = frozenset({0x05, 0x08, 0x0C, 0x0F})

CROWDED: Final = (
    "Try nearer by; a Wi-Fi hotspot on the same chip, or metal between the two, often "
    "is the cause, and a Bluetooth dongle on a short cable cures it."
)


def how_to_pair(address: str) -> str:
    """Return the advice of how a bond is made."""
    return (
        "Pair it once: put the device into its pairing mode, then run `bluetoothctl` "
        f"and type: power on, scan on, pair {address}, trust {address}, scan off."
    )


def not_bonded(target: str, address: str, *, known: bool) -> Refused:
    """Return the error for a device without the bond that the settings want."""
    what = "is not paired with this machine" if known else "is not known here"
    return Refused(f"the device {what}", target=target, remedy=how_to_pair(address))


def bad_bond(target: str, address: str, said: str) -> Refused:
    """Return the error for a device that does not take us for a friend."""
    return Refused(
        f"the device wants a bond that is not there, or lost its own ({said})",
        target=target,
        remedy=f"Forget it with `bluetoothctl remove {address}`. {how_to_pair(address)}",
    )


def no_daemon(target: str, said: str = "") -> Unavailable:
    """Return the error for a machine where bluetoothd does not run."""
    behind = f" ({said})" if said else ""
    return Unavailable(
        f"bluetoothd is not running{behind}",
        target=target,
        remedy="Start it: systemctl enable --now bluetooth. In a container, share the "
        "host's /run/dbus.",
    )


def no_bus(target: str, error: BaseException) -> BackendError:
    """Return the error for a system bus that cannot be reached."""
    if isinstance(error, FileNotFoundError):
        return Unsupported(
            "there is no system D-Bus here, and so no BlueZ",
            target=target,
            remedy="Install dbus and bluez; in a container, share the host's /run/dbus.",
        )
    if isinstance(error, PermissionError) or type(error).__name__ == "AuthError":
        return no_permission(target, str(error))
    return Unavailable(
        f"the system D-Bus does not answer ({_said(error)})",
        target=target,
        remedy="Check it: systemctl status dbus.",
    )


def no_permission(target: str, said: str) -> Unavailable:
    """Return the error for a user whom the bus keeps away from BlueZ."""
    return Unavailable(
        # What follows has the number of a connection, which is another each time.
        f"no permission to speak to BlueZ ({said.partition(';')[0]})",
        target=target,
        remedy="Add the service's user to the group `bluetooth`, or allow it in "
        "/etc/dbus-1/system.d, and start the service anew. A user who exists only "
        "while the service runs cannot be allowed.",
    )


def adapter_off(target: str, adapter: str) -> Unavailable:
    """Return the error for an adapter without power."""
    return Unavailable(
        f"the Bluetooth adapter {adapter} is off",
        target=target,
        remedy="Turn it on: rfkill unblock bluetooth, bluetoothctl power on; and for "
        "every start: AutoEnable=true in /etc/bluetooth/main.conf.",
    )


def no_library(target: str) -> Unsupported:
    """Return the error for a machine without bleak."""
    return Unsupported(
        "bleak is not installed",
        target=target,
        remedy="Install it: pip install tidegate",
    )


def out_of_reach(target: str, doing: str, limit_s: float) -> Unavailable:
    """Return the error for a call past its limit; ``doing`` is how far it came."""
    return Unavailable(
        f"could not {doing} within {limit_s:g} s",
        target=target,
        remedy="Check that the device has power of its own and is in reach, and that "
        "no phone holds it. If this stays: bluetoothctl disconnect, or power off and "
        "on; `limit` in the settings allows more time.",
    )


def translated(
    error: Exception, *, target: str, address: str, doing: str
) -> BackendError:
    """Return what an error of the libraries means."""
    if isinstance(error, BackendError):
        return error
    code = getattr(error, "code", None)
    if type(error).__name__ == "BleakGATTProtocolError" and isinstance(code, int):
        return _of_att(code, _said(error), target=target, address=address)
    name = getattr(error, "dbus_error", None)
    if isinstance(name, str):
        details = str(error.args[1]) if len(error.args) > 1 else ""
        return of_bluez(name, details, target=target, address=address, doing=doing)
    if type(error).__name__ == "BleakBluetoothNotAvailableError":
        return Unavailable(
            f"Bluetooth is not available ({_said(error)})",
            target=target,
            remedy="Check `bluetoothctl list` and `rfkill list bluetooth`.",
        )
    if isinstance(error, OSError | EOFError) and not isinstance(error, TimeoutError):
        return no_daemon(target, _said(error))
    return Unavailable(
        f"could not {doing} ({_said(error)})", target=target, remedy=CROWDED
    )


def of_bluez(
    name: str, details: str, *, target: str, address: str, doing: str
) -> BackendError:
    """Return what a D-Bus error means, by its name and its text."""
    said = f"{name.rpartition('.')[2]}: {details}" if details else name
    if name in _NOBODY:
        return no_daemon(target, details or name)
    if name == f"{_DBUS}AccessDenied":
        return no_permission(target, details)
    if name in _NO_BOND:
        return bad_bond(target, address, said)
    if name == f"{_BLUEZ}NotReady":
        return adapter_off(target, "of this device")
    if name in _GONE:
        what, remedy = "BlueZ no longer knows the device", how_to_pair(address)
    elif name == f"{_BLUEZ}InProgress":
        what = "BlueZ is busy with another connection or scan"
        remedy = (
            "It is tried again. Close other programs that scan; if it stays: "
            f"bluetoothctl disconnect {address}, or power the adapter off and on."
        )
    else:
        what, remedy = f"could not {doing}", CROWDED
    return Unavailable(f"{what} ({said})", target=target, remedy=remedy)


def _of_att(code: int, said: str, *, target: str, address: str) -> Refused:
    if code in _ATT_NO_BOND:
        return bad_bond(target, address, said)
    return Refused(
        f"the device refused with ATT error 0x{code:02X} ({said})",
        target=target,
        remedy="Check characteristic, signal and bytes in the settings against the "
        "device's own description.",
    )


def _said(error: BaseException) -> str:
    return " ".join(str(error).split()) or type(error).__name__
