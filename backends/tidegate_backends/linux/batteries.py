"""What batteries this machine has, in words and as tables to paste.

For a gauge that reads them, and for a relay that stops their charging.

Blocks: call it from a worker's thread.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

from tidegate.contract import Found
from tidegate.core.reading import BatteryStatus
from tidegate.errors import BackendError, Unavailable, Unsupported
from tidegate_backends.linux import power_supplies
from tidegate_backends.linux.attributes import show, store
from tidegate_backends.linux.charge_control import Battery
from tidegate_backends.linux.power_supplies import LIVE_ROOT, Folder
from tidegate_backends.wire import charge_control as control
from tidegate_backends.wire import power_supply as wire

WITHOUT_CONTROL: Final = (
    "Its driver, or a newer kernel, would have to offer it (many tablets offer "
    "nothing): else use a contact in the supply."
)
_ELSEWHERE: Final = (
    "Read the battery of another device with adb, Bluetooth or a program."
)


def readable(root: Path = LIVE_ROOT) -> list[Found]:
    """Return each entry of the class, as a gauge sees it.

    Errors: Unsupported (no such class), Refused (not permitted).
    """
    folder, entries = _entries(root)
    usable = [each for each in entries if each.role == "battery"]
    found = []
    for each in entries:
        where = str(folder.path / each.name)
        if each.role != "battery":
            found.append(_skipped(each, where))
            continue
        pack = wire.read_pack(each.name, each.values)
        why_not = _why_not(pack)
        several = len(usable) > 1
        found.append(
            Found(
                what=_described(pack),
                where=where,
                table=None if why_not else _table("sysfs", each.name, root, several),
                why_not=why_not,
                remedy=_remedy(why_not, several=several),
            )
        )
    return found


def controllable(root: Path = LIVE_ROOT) -> list[Found]:
    """Return each system battery, as a relay sees it. Errors: as ``readable``."""
    folder, entries = _entries(root)
    names = [each.name for each in entries if each.role == "battery"]
    if not names:
        raise Unsupported(
            "there is no system battery whose charging could be stopped",
            target=str(folder.path),
            remedy="Use a contact in the supply of the device.",
        )
    found = []
    for name in names:
        battery = Battery(folder.path / name, show=show, store=store, note=_ignored)
        try:
            what, can = charge_control(battery), _has_control(battery)
        except BackendError as error:
            found.append(
                Found(
                    what=f"{name}, a system battery",
                    where=str(battery.folder),
                    why_not=error.what,
                    remedy=error.remedy,
                )
            )
            continue
        table = _table("kernel", name, root, len(names) > 1) if can else None
        found.append(
            Found(
                what=f"{name}: {what}",
                where=str(battery.folder),
                table=table,
                why_not="" if can else "its driver offers nothing that stops charging",
                remedy="" if can else WITHOUT_CONTROL,
            )
        )
    return found


def charge_control(battery: Battery) -> str:
    """Return what a battery offers to control its charging, and how it stands."""
    parts = []
    for key in (control.BEHAVIOUR, control.TYPES):
        if battery.optional(key) is not None:
            choices = battery.choices(key)
            parts.append(
                f"{key} is {choices.active}, offered: {', '.join(choices.offered)}"
            )
    for key in (control.START, control.END):
        if battery.optional(key) is not None:
            parts.append(f"{key} is {battery.percent(key)} %")
    return "; ".join(parts) or (
        f"neither {control.BEHAVIOUR} nor {control.END} is there"
    )


def _has_control(battery: Battery) -> bool:
    if battery.optional(control.END) is not None:
        return True
    if battery.optional(control.BEHAVIOUR) is None:
        return False
    return control.INHIBIT in battery.choices(control.BEHAVIOUR).offered


def _entries(root: Path) -> tuple[Folder, list[power_supplies.Found]]:
    folder = Folder(root)
    try:
        entries = folder.survey()
    except Unavailable as error:
        raise _nothing(folder) from error
    if not entries:
        raise _nothing(folder)
    return folder, entries


def _nothing(folder: Folder) -> Unsupported:
    return Unsupported(
        "this machine knows no power supplies",
        target=str(folder.path),
        remedy=_ELSEWHERE,
    )


def _table(kind: str, name: str, root: Path, several: bool) -> dict[str, object]:
    table: dict[str, object] = {"kind": kind}
    if several:
        table["name"] = name
    if root != LIVE_ROOT:
        table["root"] = str(root)
    return table


def _skipped(entry: power_supplies.Found, where: str) -> Found:
    if entry.role == "supply":
        online = "" if entry.online is None else f", online {entry.online}"
        return Found(
            what=f"{entry.name}, {entry.why}{online}",
            where=where,
            why_not="it is no battery; it tells whether there is external power",
        )
    return Found(what=entry.name, where=where, why_not=entry.why, remedy=_ELSEWHERE)


def _why_not(pack: wire.Pack) -> str:
    if not pack.present:
        return "no battery is fitted"
    if pack.is_silent:
        return "its gauge chip is silent: all its figures are all ones"
    if pack.sources:
        return ""
    if pack.has_level:
        return "it says its level only in words, such as Normal"
    return "it does not say its charge"


def _remedy(why_not: str, *, several: bool) -> str:
    if why_not:
        return _ELSEWHERE
    return (
        "Left without a name, all system batteries are taken as one" if several else ""
    )


def _described(pack: wire.Pack) -> str:
    parts = [pack.name]
    if pack.capacity_percent is not None:
        parts.append(f"{pack.capacity_percent:g} %")
    elif pack.ratio is not None:
        parts.append(f"{100 * pack.ratio:.0f} % by its charge")
    if pack.status is not BatteryStatus.UNKNOWN:
        parts.append(pack.status.value.replace("_", " "))
    if pack.identity:
        parts.append(pack.identity)
    return ", ".join(parts)


def _ignored(text: str) -> None:
    """Take a note nobody asked for."""
