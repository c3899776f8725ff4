"""From a kind in the operator's file to the backend that carries it out.

A kind is found by file name first (hyphens become underscores), then by entry point
(groups ``tidegate.gauges`` and ``tidegate.relays``). Only the kinds that are asked
for are imported; nothing here names a backend in a statement.
"""

from __future__ import annotations

import difflib
import importlib
import importlib.util
import pkgutil
import re
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import metadata
from pathlib import Path
from typing import Any, Final, Generic, Literal, TypeVar

import tidegate
from tidegate.contract import (
    Backend,
    BackendSettings,
    Gauge,
    GaugeSettings,
    Relay,
    RelaySettings,
)
from tidegate.errors import SettingsError, Unsupported

D_co = TypeVar("D_co", covariant=True)

_KIND = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")

# What to install when a library that only some backends need is not there: the name
# it is imported by, and the extra that brings it.
_EXTRA_OF: Final = {
    "gpiod": "gpio",
    "hidraw": "hid",
    "paho": "mqtt",
    "serial": "serial",
}


@dataclass(frozen=True, slots=True)
class Provenance:
    """Which distribution brought a backend; written to the cycle log."""

    kind: str
    distribution: str
    version: str


_Brought = tuple[metadata.EntryPoint, Provenance]


@dataclass(frozen=True, slots=True)
class Kinds(Generic[D_co]):
    """The kinds of one role. ``package`` holds ours, ``group`` names the others'."""

    role: Literal["gauge", "relay"]
    package: str
    group: str
    base: type[BackendSettings]

    def find(self, kind: str) -> Backend[D_co]:
        """Return the backend of a kind.

        Errors: SettingsError where there is no such kind, Unsupported where it is
        there and this machine cannot load it.
        """
        if self._is_ours(kind):
            return self._checked(kind, self._import(kind), origin="tidegate")
        for point, brought in self._points(kind):
            loaded = self._load(kind, point, origin=brought.distribution)
            return self._checked(kind, loaded, origin=brought.distribution)
        raise self._unknown(kind)

    def known(self) -> tuple[str, ...]:
        """Return all kinds that this machine has, without importing any."""
        kinds = {point.name for point, _ in self._all_points()}
        package = self._package()
        for module in pkgutil.iter_modules(package.__path__ if package else []):
            if not module.name.startswith("_"):
                kinds.add(module.name.replace("_", "-"))
        return tuple(sorted(kinds))

    def provenance(self, kind: str) -> Provenance:
        """Return who brought the backend of a kind. Errors: SettingsError."""
        if self._is_ours(kind):
            return Provenance(kind, "tidegate", tidegate.__version__)
        for _, brought in self._points(kind):
            return brought
        raise self._unknown(kind)

    def passed_over(self, kind: str) -> tuple[str, ...]:
        """Return a warning for each distribution whose backend is not the one used."""
        points = self._points(kind)
        used = "tidegate"
        if not self._is_ours(kind) and points:
            used = points[0][1].distribution
            points = points[1:]
        return tuple(
            f'{self.role} kind "{kind}" of {brought.distribution} '
            f"is not used: that of {used} comes first"
            for _, brought in points
        )

    def _is_ours(self, kind: str) -> bool:
        if _KIND.fullmatch(kind) is None or self._package() is None:
            return False
        return importlib.util.find_spec(self._module(kind)) is not None

    def _module(self, kind: str) -> str:
        return f"{self.package}.{kind.replace('-', '_')}"

    def _package(self) -> Any:
        try:
            return importlib.import_module(self.package)
        except ModuleNotFoundError as error:
            if error.name is not None and self.package.startswith(error.name):
                return None  # installed without the backends of ours
            raise

    def _points(self, kind: str) -> list[_Brought]:
        """Return the entry points of a kind, in an order that does not change."""
        points = [each for each in self._all_points() if each[0].name == kind]
        return sorted(points, key=lambda each: each[1].distribution)

    def _all_points(self) -> tuple[_Brought, ...]:
        return _installed(self.group, tuple(map(_place, sys.path)))

    def _import(self, kind: str) -> Any:
        try:
            module = importlib.import_module(self._module(kind))
        except Exception as error:
            raise self._not_loaded(kind, error, origin="tidegate") from error
        return getattr(module, "BACKEND", None)

    def _load(self, kind: str, point: metadata.EntryPoint, *, origin: str) -> Any:
        try:
            return point.load()
        except Exception as error:
            raise self._not_loaded(kind, error, origin=origin) from error

    def _checked(self, kind: str, found: Any, *, origin: str) -> Backend[D_co]:
        if not isinstance(found, Backend) or not issubclass(found.settings, self.base):
            what = f"{origin} offers something else than a backend for a {self.role}"
        elif found.kind != kind:
            what = f'{origin} offers it as "{kind}", it calls itself "{found.kind}"'
        else:
            return found
        raise Unsupported(
            what,
            target=f"{self.role} {kind}",
            remedy="Ask whoever made that backend",
        )

    def _not_loaded(self, kind: str, error: Exception, *, origin: str) -> Unsupported:
        target = f"{self.role} {kind}"
        if isinstance(error, ModuleNotFoundError) and error.name:
            library = error.name.partition(".")[0]
            what = f'the library "{library}" is not installed'
            extra = _EXTRA_OF.get(library)
            if origin == "tidegate" and extra is not None:
                what += f', it comes with the extra "{extra}"'
            return Unsupported(
                what,
                target=target,
                remedy=f"Install it: {install_command(origin, extra)}",
            )
        return Unsupported(
            f"the backend of {origin} does not load: {_one_line(error)}",
            target=target,
            remedy=f"Install it again: {install_command(origin)}",
        )

    def _unknown(self, kind: str) -> SettingsError:
        known = self.known()
        close = difflib.get_close_matches(kind, known, n=3, cutoff=0.5)
        names = ", ".join(f'"{name}"' for name in known) or "none at all"
        remedy = f"Known kinds are {names}"
        if close:
            nearest = " or ".join(f'"{name}"' for name in close)
            remedy = f"Did you mean {nearest}? {remedy}"
        return SettingsError(f'there is no {self.role} kind "{kind}"', remedy=remedy)


def install_command(distribution: str, extra: str | None = None) -> str:
    """Return the command that installs a distribution with an extra."""
    if distribution == "tidegate":
        return f"pip install 'tidegate[{extra or 'all'}]'"
    return f"pip install --upgrade --force-reinstall {distribution}"


def _place(folder: str) -> tuple[str, int]:
    """Return a folder of the search path, and what changes when something is installed."""
    try:
        return folder, Path(folder).stat().st_mtime_ns
    except OSError:
        return folder, 0  # a path of Python need not be there, or be a folder


@lru_cache(maxsize=4)
def _installed(group: str, places: tuple[tuple[str, int], ...]) -> tuple[_Brought, ...]:
    """Return the entry points of a group, with who brought them.

    Every distribution is read for it, which takes ms, and settings of 200 stations ask
    hundreds of times.
    """
    del places
    points = metadata.entry_points(group=group)
    return tuple((point, _distribution(point)) for point in points)


def _distribution(point: metadata.EntryPoint) -> Provenance:
    if point.dist is None:
        return Provenance(point.name, "an unnamed distribution", "unknown")
    return Provenance(point.name, point.dist.name, point.dist.version)


def _one_line(error: Exception) -> str:
    text = " ".join(str(error).split())
    text = text if len(text) <= 160 else f"{text[:157]}..."
    return f"{type(error).__name__}: {text}" if text else type(error).__name__


GAUGES: Final[Kinds[Gauge]] = Kinds(
    role="gauge",
    package="tidegate_backends.gauges",
    group="tidegate.gauges",
    base=GaugeSettings,
)
RELAYS: Final[Kinds[Relay]] = Kinds(
    role="relay",
    package="tidegate_backends.relays",
    group="tidegate.relays",
    base=RelaySettings,
)
ROLES: Final[Mapping[str, Kinds[Any]]] = {"gauge": GAUGES, "relay": RELAYS}
