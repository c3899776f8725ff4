"""The operator's files, found, laid over each other and validated as a whole."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError

from tidegate.contract import Target
from tidegate.errors import SettingsError, Unsupported
from tidegate.registry import ROLES
from tidegate.settings.duty import warnings_of
from tidegate.settings.files import Document, Place, Tree, inherit, read_all
from tidegate.settings.models import LogSettings, StationSettings, Table
from tidegate.settings.problems import KeyPath, listed, nearest, shown
from tidegate.settings.table_alarm import AlarmSettings
from tidegate.settings.table_control import ControlSettings
from tidegate.settings.table_metrics import MetricsSettings
from tidegate.settings.table_mqtt import MqttSettings
from tidegate.settings.wording import Complaint, Validated, located

SYSTEM_FILE: Final = Path("/etc/tidegate/tidegate.toml")
# The tables about the daemon itself, beside those of its stations.
OWN_TABLES: Final[Mapping[str, type[Table]]] = {
    "log": LogSettings,
    "control": ControlSettings,
    "alarm": AlarmSettings,
    "metrics": MetricsSettings,
    "mqtt": MqttSettings,
}
TABLES: Final = (*OWN_TABLES, "defaults", "station")

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,62}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """All that the operator's files say, validated.

    ``unsupported`` holds, by name, why a station cannot run on this machine; it is
    then not in ``stations``. ``places`` tells where each key that is not a default
    was set. ``files`` are in the order in which they were laid over each other.
    """

    log: LogSettings
    control: ControlSettings
    alarm: AlarmSettings
    metrics: MetricsSettings
    mqtt: MqttSettings
    stations: Mapping[str, StationSettings]
    unsupported: Mapping[str, Unsupported]
    warnings: tuple[str, ...]
    files: tuple[Path, ...]
    places: Mapping[KeyPath, Place]


def load(
    config: Path | None = None, *, environ: Mapping[str, str] | None = None
) -> Settings:
    """Return the settings. Errors: SettingsMissing, SettingsError with all faults."""
    main, named_by = main_file(config, os.environ if environ is None else environ)
    return from_documents(read_all(main, named_by=named_by))


def main_file(config: Path | None, environ: Mapping[str, str]) -> tuple[Path, str]:
    """Return the main settings file and, for an error, who named it."""
    if config is not None:
        return config, ""
    if named := environ.get("TIDEGATE_CONFIG"):
        return Path(named), ", which TIDEGATE_CONFIG names"
    home = environ.get("XDG_CONFIG_HOME") or (
        f"{environ['HOME']}/.config" if environ.get("HOME") else None
    )
    if home is not None:
        own = Path(home) / "tidegate" / "tidegate.toml"
        if _is_there(own):
            return own, ""
        return SYSTEM_FILE, f", nor {own}"
    return SYSTEM_FILE, ""


def _is_there(file: Path) -> bool:
    try:
        return file.exists()
    except PermissionError:
        # A service whose home belongs to somebody else has no place of its own.
        return False


def from_tables(tables: Mapping[str, Any], *, name: str = "built in") -> Settings:
    """Return the settings of tables that stand in no file, such as the demo's."""
    return from_documents((Document(Path(name), tables, {}),))


def from_documents(documents: Iterable[Document]) -> Settings:
    """Return the settings of files, the later ones over the earlier ones."""
    tree, files = Tree(), []
    for document in documents:
        tree.lay(document)
        files.append(document.file)
    only_measure = inherit(tree)
    faults = _outline_faults(tree, files[0])
    own, own_faults = _own(tree)
    stations, unsupported, station_faults = _stations(tree)
    faults += own_faults + station_faults + _twice(stations, tree)
    if faults:
        raise SettingsError("\n".join(_in_order(faults)))
    notes = [
        f"station {name}: it has no relay, so it only measures and the window of "
        "[defaults] does not apply"
        for name in only_measure
    ]
    return Settings(
        **own,
        stations=stations,
        unsupported=unsupported,
        warnings=(*notes, *_warnings(stations)),
        files=tuple(files),
        places=tree.places,
    )


def _outline_faults(tree: Tree, main: Path) -> list[Complaint]:
    faults = []
    for key, value in tree.tables.items():
        if key not in TABLES:
            said = f"unknown table, allowed is {listed(TABLES)}{nearest(key, TABLES)}"
        elif not isinstance(value, dict):
            said = f"found {shown(value)}, allowed is a table"
        else:
            continue
        faults.append((tree.place((key,)), located(tree.place((key,)), (key,), said)))
    if not tree.tables.get("station"):
        nowhere = Place(main, None, ())
        said = "there is no station, needed is at least one table [station.NAME]"
        faults.append((nowhere, located(nowhere, (), said)))
    return faults


def _own(tree: Tree) -> tuple[dict[str, Any], list[Complaint]]:
    """Return the tables about the daemon itself; a wrong one as its defaults."""
    found: dict[str, Any] = {}
    faults: list[Complaint] = []
    for name, model in OWN_TABLES.items():
        values = tree.tables.get(name, {})
        found[name] = model()
        if not isinstance(values, dict):
            continue  # the outline has said so
        try:
            found[name] = model.model_validate(values)
        except ValidationError as error:
            table = Validated(prefix=(name,), model=model, values=values, tree=tree)
            faults += table.complaints(error.errors())
    return found, faults


def _stations(
    tree: Tree,
) -> tuple[dict[str, StationSettings], dict[str, Unsupported], list[Complaint]]:
    stations: dict[str, StationSettings] = {}
    unsupported: dict[str, Unsupported] = {}
    faults: list[Complaint] = []
    tables = tree.tables.get("station", {})
    for name, values in tables.items() if isinstance(tables, dict) else ():
        prefix = ("station", name)
        if said := _wrong_station(name, values):
            place = tree.place(prefix)
            faults.append((place, located(place, prefix, said)))
            continue
        try:
            stations[name] = StationSettings.model_validate(values)
        except ValidationError as error:
            table = Validated(
                prefix=prefix, model=StationSettings, values=values, tree=tree
            )
            faults += table.complaints(error.errors())
        except Unsupported as error:
            unsupported[name] = error
    return stations, unsupported, faults


def _wrong_station(name: str, values: object) -> str:
    if not isinstance(values, dict):
        return f"found {shown(values)}, allowed is a table [station.NAME]"
    if _NAME.fullmatch(name) is None:
        return (
            f"found a station called {shown(name)}, allowed are up to 63 letters, "
            "digits, dots, hyphens and underscores, the first a letter or digit"
        )
    return ""


def _twice(stations: Mapping[str, StationSettings], tree: Tree) -> list[Complaint]:
    """Return a complaint for every relay channel that two stations claim."""
    holders: dict[Target, str] = {}
    faults = []
    for name, station in stations.items():
        if station.relay is None:
            continue
        target = station.relay.target()
        other = holders.setdefault(_resolved(target), name)
        if other != name:
            path = ("station", name, "relay")
            said = (
                f"found {target}, which station {other} has too, "
                "allowed is a channel of its own for every station"
            )
            faults.append((tree.place(path), located(tree.place(path), path, said)))
    return faults


def _resolved(target: Target) -> Target:
    """Return a target that is equal under every name of the same device node."""
    if target.link.startswith("/"):
        return Target(os.path.realpath(target.link), target.channel)
    return target


def _warnings(stations: Mapping[str, StationSettings]) -> list[str]:
    kinds: dict[tuple[str, str], None] = {}
    found = []
    for name, station in stations.items():
        found += [f"station {name}: {text}" for text in warnings_of(station)]
        kinds["gauge", station.gauge.kind] = None
        if station.relay is not None:
            kinds["relay", station.relay.kind] = None
    for role, kind in kinds:
        found += ROLES[role].passed_over(kind)
    return found


def _in_order(faults: Iterable[Complaint]) -> list[str]:
    """Return the lines in the order of files and lines, each once."""

    def where(fault: Complaint) -> tuple[str, int]:
        place = fault[0]
        return (str(place.file), place.line or 0) if place else ("", 0)

    return list(dict.fromkeys(line for _, line in sorted(faults, key=where)))
