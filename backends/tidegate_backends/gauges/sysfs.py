"""The battery of this machine, from the kernel's power_supply class.

Several system batteries are weighed by energy into one; when one of them disappears,
two samples are given up (so nothing is switched) and the third goes on with the
rest. The same patience holds for where the state of charge comes from: one run keeps
to one source. udev's events only wake the station early.

Source: Linux Documentation/ABI/testing/sysfs-class-power and
Documentation/power/power_supply_class.rst.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Final, Literal

from pydantic import Field

from tidegate.contract import (
    Backend,
    Gauge,
    GaugeFacts,
    GaugeSettings,
    Host,
    Survey,
)
from tidegate.core.frozen import replace
from tidegate.core.reading import Sample
from tidegate.errors import BackendError, Unavailable
from tidegate_backends.linux import batteries
from tidegate_backends.linux.looking import survey_by
from tidegate_backends.linux.power_supplies import LIVE_ROOT, Folder, Found, read_bytes
from tidegate_backends.linux.udev import Events
from tidegate_backends.notes import Notes
from tidegate_backends.wire import power_supply as wire
from tidegate_backends.wire.packs import NotWeighable, sample_of

# Samples in a row that lack something the ones before had, until we go on without.
PATIENCE: int = 3
_RAW_AT_MOST: Final = 4_096

_GIVES: Final = frozenset(
    {
        "soc_percent",
        "battery_status",
        "external_power",
        "present",
        "voltage_v",
        "current_a",
        "temperature_c",
        "charge_ah",
        "full_charge_ah",
        "design_charge_ah",
        "cycle_count",
        "health",
        "pack",
    }
)
_FACTS: Final = GaugeFacts(
    needs_supply=False, host_is_device=True, latency_s=5.0, gives=_GIVES
)


class SysfsSettings(GaugeSettings):
    """The only system battery, or the one of this name; ``root`` for a recorded tree."""

    kind: Literal["sysfs"] = "sysfs"
    name: str | None = Field(
        default=None,
        pattern=r"^[^./\x00][^/\x00]*$",
        description="the battery's folder name, such as BAT0; all of the system's if left out",
    )
    root: Path = Field(
        default=LIVE_ROOT,
        description="the folder that holds class/power_supply/",
    )


class SysfsGauge(Gauge):
    """The battery of this machine. Errors: Unavailable, Refused.

    ``notes`` holds what a person should know once, until it is taken.
    ``events_lost`` counts how often udev's queue had to be set up anew.
    """

    def __init__(
        self,
        settings: SysfsSettings,
        host: Host,
        *,
        read: Callable[[str], bytes] = read_bytes,
        wait: Callable[[float], None] = time.sleep,
    ) -> None:
        self._notes = Notes()
        self._settings = settings
        self._host = host
        self._folder = Folder(settings.root, note=self._notes.add, read=read, wait=wait)
        self._events = Events(host, self._notes.add)
        self._worker = host.worker(f"sysfs:{settings.root}:{settings.name or '*'}")
        self._is_open = False
        self._packs: tuple[str, ...] = ()
        self._sources: dict[str, wire.Source] = {}
        self._identities: dict[str, dict[str, str]] = {}
        self._lacking: dict[str, int] = {}

    @property
    def facts(self) -> GaugeFacts:
        return _FACTS

    @property
    def events_lost(self) -> int:
        """How often events were lost; each time everything is read again."""
        return self._events.lost

    async def open(self) -> None:
        if self._settings.root == LIVE_ROOT:
            self._events.open()
        self._is_open = True

    async def close(self) -> None:
        self._is_open = False
        self._events.close()

    def take_notes(self) -> list[str]:
        return self._notes.take()

    async def read(self) -> Sample:
        if not self._is_open:
            raise Unavailable(
                "the gauge is not open",
                target=str(self._folder.path),
                remedy="Open it before the first read",
            )
        self._events.reopen()
        return await self._worker.call(self._take)

    def _take(self) -> Sample:
        """Return one sample; runs in the worker's thread."""
        began_ms = self._host.boot_ms()
        found = self._folder.survey()
        packs = self._system_packs(found)
        online = [entry.online for entry in found if entry.role == "supply"]
        try:
            sample = sample_of(
                packs,
                power=wire.external_power(online),
                sources=self._sources_of(packs),
                raw=_raw(found),
            )
        except NotWeighable as error:
            raise Unavailable(
                f"{error.name} says neither charge nor energy, so the batteries "
                "cannot be summed up",
                target=str(self._folder.path),
                remedy='Choose one with name = "..."',
            ) from error
        return replace(sample, took_s=(self._host.boot_ms() - began_ms) / 1_000)

    def _system_packs(self, found: list[Found]) -> list[wire.Pack]:
        """Return the packs to sum up; raises Unavailable where there is none."""
        wanted = self._settings.name
        batteries = [
            entry
            for entry in found
            if entry.role == "battery" and wanted in (None, entry.name)
        ]
        if not batteries:
            self._sources.clear()
            self._identities.clear()
            raise self._nothing(found)
        packs = [self._pack(entry) for entry in batteries]
        fitted = [pack for pack in packs if pack.present]
        self._check_missing(tuple(pack.name for pack in fitted))
        if not fitted:
            return packs[:1]
        for pack in fitted:
            if not (pack.sources or pack.has_level or pack.is_silent):
                raise self._lacks(pack.name, "says nothing about its charge")
        return fitted

    def _pack(self, entry: Found) -> wire.Pack:
        pack = wire.read_pack(entry.name, self._with_identity(entry))
        if pack.odd_status is not None:
            self._notes.add(
                f"{entry.name}: status {pack.odd_status!r} is not the kernel's; "
                "taken as unknown"
            )
        return pack

    def _with_identity(self, entry: Found) -> dict[str, str]:
        """Return the values, with what this pack said before of who it is.

        A text that a busy driver leaves out for once must not look like a new pack.
        """
        said = {
            key: entry.values[key] for key in wire.IDENTITY if entry.values.get(key)
        }
        known = self._identities.get(entry.name, {})
        if any(said[key] != known[key] for key in said.keys() & known.keys()):
            known = {}
        self._identities[entry.name] = known | said
        return self._identities[entry.name] | entry.values

    def _check_missing(self, names: tuple[str, ...]) -> None:
        """Give up this sample if a pack of the sum is gone, at first."""
        gone = [name for name in self._packs if name not in names]
        if gone and names and self._is_patient("packs"):
            raise self._lacks(" and ".join(gone), "is gone, the rest is still there")
        if gone and names:
            self._notes.add(
                f"{' and '.join(gone)} stayed away; going on with {', '.join(names)}"
            )
            for name in gone:
                self._forget(name)
        if names:
            self._lacking.pop("packs", None)
            self._packs = names

    def _sources_of(self, packs: list[wire.Pack]) -> dict[str, wire.Source]:
        return {
            pack.name: source
            for pack in packs
            if pack.present and (source := self._source(pack)) is not None
        }

    def _source(self, pack: wire.Pack) -> wire.Source | None:
        """Return where this pack's charge comes from: the same as before if it can."""
        first = pack.sources[0] if pack.sources else None
        kept = self._sources.get(pack.name, first)
        key = f"source of {pack.name}"
        if kept is not None and kept not in pack.sources:
            if self._is_patient(key):
                raise self._lacks(pack.name, f"does not give {kept} this time")
            instead = first or "the level alone"
            self._notes.add(f"{pack.name}: {kept} stayed away; going on with {instead}")
            kept = first
        self._lacking.pop(key, None)
        if kept is None:
            self._sources.pop(pack.name, None)
        else:
            self._sources[pack.name] = kept
        return kept

    def _is_patient(self, key: str) -> bool:
        """Count a sample that lacks something; false once it has lasted."""
        self._lacking[key] = self._lacking.get(key, 0) + 1
        return self._lacking[key] < PATIENCE

    def _forget(self, name: str) -> None:
        self._sources.pop(name, None)
        self._identities.pop(name, None)

    def _lacks(self, name: str, what: str) -> BackendError:
        return Unavailable(
            what,
            target=str(self._folder.path / name),
            remedy="It is read again with the next poll",
        )

    def _nothing(self, found: list[Found]) -> BackendError:
        """Return the error that lists what was skipped, and why."""
        name = self._settings.name
        listed = ", ".join(f"{entry.name}: {entry.why}" for entry in found)
        wanted = (
            f"no system battery called {name} found"
            if name
            else "no system battery found"
        )
        return Unavailable(
            f"{wanted}; skipped {listed}"
            if listed
            else f"{wanted}; the folder is empty",
            target=str(self._folder.path),
            remedy="Choose another gauge for this station, or check `root` and `name`",
        )


def _raw(found: list[Found]) -> str:
    """Return the batteries' attributes as read, for the log's first rejection."""

    def lines() -> Iterator[str]:
        for entry in found:
            if entry.role == "battery":
                yield f"[{entry.name}]"
                yield from (f"{key}={text}" for key, text in entry.values.items())

    return "\n".join(lines())[:_RAW_AT_MOST]


def survey_of(root: Path) -> Survey:
    """Return the survey of the power supplies under a root."""
    return survey_by(partial(batteries.readable, root), key=f"sysfs:{root}")


BACKEND = Backend(
    kind="sysfs",
    settings=SysfsSettings,
    make=SysfsGauge,
    survey=survey_of(LIVE_ROOT),
)
