"""What stands in a whole world: stations, their settings and the devices behind them.

Everything is drawn from the seed and nothing else. The museum, its wall guides and all
numbers are invented.
"""

from __future__ import annotations

import random
from copy import deepcopy
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import tomlkit

POLLS_S: Final = (30, 45, 60, 90, 120, 120)
NAMES: Final = ("lobby", "hall", "tower")
# Monday, 2 March 2026, 06:00 UTC; and half an hour before a new year.
SPRING_MS: Final = 1_772_431_200_000
NEW_YEAR_MS: Final = 1_798_759_800_000


@dataclass(kw_only=True)
class Place:
    """One station: ``table`` is its part of the settings file.

    ``variant``: ``contact`` in the supply, ``coast`` (the gauge is lost with the
    supply), ``hold`` (the kernel's charge control), ``measure`` (no relay).
    ``follows_host``: the relay loses its power, and a coil falls back, with the host.
    """

    name: str
    variant: str
    table: dict[str, Any]
    follows_host: bool = False
    is_host: bool = False

    @property
    def contact(self) -> str:
        """How the settings say that the contact sits in the supply."""
        relay = self.table.get("relay", {})
        return str(relay.get("contact", "normally-closed"))

    def lie_in(self, folder: Path) -> None:
        """Put the files that the settings name into a folder."""
        for part in ("gauge", "relay"):
            table = self.table.get(part, {})
            if "root" in table:
                table["root"] = str(folder / table["root"])

    @property
    def is_miswired(self) -> bool:
        """Whether the contact really sits otherwise."""
        return "wired" in self.table.get("relay", {})


@dataclass(kw_only=True)
class Site:
    """All of it, and when it begins."""

    poll_s: int
    places: list[Place]
    wall_ms: int
    restores: bool
    folder: Path = field(default_factory=Path)

    def tables(self) -> dict[str, Any]:
        """Return the operator's settings as they are now."""
        stations = {place.name: place.table for place in self.places}
        return {"log": {"path": str(self.log)}, "station": deepcopy(stations)}

    @property
    def log(self) -> Path:
        """The cycle log, in a folder of its own."""
        return self.folder / "log" / "cycles.db"

    @property
    def settings(self) -> Path:
        """The settings file."""
        return self.folder / "tidegate.toml"

    def write(self) -> None:
        """Write the settings file, as a fleet tool does: whole, then renamed."""
        new = self.settings.with_name(".new")
        new.write_text(tomlkit.dumps(self.tables()), encoding="utf-8")
        new.rename(self.settings)


def site_of(seed: int) -> Site:
    """Return what this seed puts there."""
    dice = random.Random(f"site {seed}")
    count = dice.choice((1, 1, 1, 2, 3))
    # The daemon lives on the device itself in some worlds; then there is one station.
    is_host = count == 1 and dice.random() < 0.3
    poll_s = dice.choice(POLLS_S)
    places = [
        _place(dice, NAMES[turn], is_host=is_host, poll_s=poll_s)
        for turn in range(count)
    ]
    return Site(
        poll_s=poll_s,
        places=places,
        wall_ms=dice.choice((SPRING_MS, SPRING_MS, SPRING_MS, NEW_YEAR_MS)),
        restores=dice.random() < 0.5,
    )


def _place(dice: random.Random, name: str, *, is_host: bool, poll_s: int) -> Place:
    variant = dice.choices(("contact", "coast", "hold", "measure"), (60, 22, 14, 4))[0]
    if is_host and variant == "coast":
        variant = "contact"  # a device is never cut off from itself
    table: dict[str, Any] = numbers(dice, holds=variant == "hold")
    table["poll"] = f"{poll_s}s"
    place = Place(name=name, variant=variant, table=table, is_host=is_host)
    if variant == "hold":
        root = f"sys-{name}"
        table["gauge"] = {"kind": "sysfs", "root": root}
        table["relay"] = {"kind": "kernel", "root": root, "name": "BAT0"}
        place.is_host = False  # it is its host in any case, and lives on mains
        return place
    table["gauge"] = _gauge(dice, name, variant=variant, is_host=is_host)
    if variant == "measure":
        for key in ("window", "dwell", "budget"):
            table.pop(key, None)
    else:
        table["relay"] = _relay(dice, name, is_host=is_host)
        # What a device switches for itself must let go when it dies.
        place.follows_host = is_host or dice.random() < 0.5
    return place


def numbers(dice: random.Random, *, holds: bool) -> dict[str, Any]:
    """Return the numbers of a station as an operator may choose them."""
    floor = dice.choice((15, 20, 25, 30))
    low = floor + dice.choice((5, 10, 25, 30))
    high = min(95, low + dice.choice((4, 8, 10, 15, 25)))
    dwell = dice.choice(("1min", "3min", "10min"))
    poll = f"{dice.choice(POLLS_S)}s"
    table: dict[str, Any] = {
        "window": {"hold": high} if holds else {"low": low, "high": high},
        "dwell": {"on": dwell, "off": dice.choice((dwell, "5s"))},
        "limits": {"floor": floor},
        "poll": poll,
        "budget": dice.choice(
            (
                {"per_hour": 6, "per_day": 48},
                {"per_hour": 2, "per_day": 48},
                {"per_hour": 6, "per_day": 8},
            )
        ),
    }
    if dice.random() < 0.3:
        table["stale_after"] = dice.choice(("5min", "10min"))
    return table


def _gauge(
    dice: random.Random, name: str, *, variant: str, is_host: bool
) -> dict[str, Any]:
    capacity_ah = dice.choice((2.5, 4.0, 7.0))
    load_a = capacity_ah * dice.uniform(0.04, 0.3)
    charge_a = capacity_ah * dice.uniform(0.2, 0.6)
    # Not all supplies can feed the device and charge at full current.
    supply_a = load_a + charge_a * dice.choice((0.4, 0.8, 1.2))
    table: dict[str, Any] = {
        "kind": "twin",
        "device": name,
        "seed": dice.randrange(1_000_000),
        "soc_percent": round(dice.uniform(20, 95), 1),
        "load_a": round(load_a, 3),
        "around_c": round(dice.uniform(15, 30), 1),
        "cell": {"capacity_ah": capacity_ah},
        "charger": {"charge_a": round(charge_a, 3), "supply_a": round(supply_a, 3)},
        "quirks": {
            "step_percent": dice.choice((1.0, 1.0, 0.1)),
            "noise_percent": dice.choice((0.0, 0.0, 0.2)),
            "refresh_s": dice.choice((0.0, 0.0, 30.0)),
        },
        "host_is_device": is_host,
    }
    if variant == "coast":
        table["needs_supply"] = True
        table["reconnect_s"] = dice.choice((5.0, 20.0, 45.0))
    return table


def _relay(dice: random.Random, name: str, *, is_host: bool) -> dict[str, Any]:
    # On the device itself only a supply that comes back by itself is let off.
    contact = "normally-closed"
    if not is_host:
        contact = dice.choice(("normally-closed",) * 3 + ("normally-open", "latching"))
    table: dict[str, Any] = {
        "kind": "twin",
        "device": name,
        "contact": contact,
        "readback": dice.choice((0, 1, 2, 2, 3)),
        "latency_s": dice.choice((0.05, 0.5, 3.0)),
    }
    if dice.random() < 0.25:
        table["dead_man_s"] = dice.choice((300.0, 900.0))
    if contact != "latching" and dice.random() < 0.06:
        other = {"normally-closed": "normally-open", "normally-open": "normally-closed"}
        table["wired"] = other[contact]
    return table
