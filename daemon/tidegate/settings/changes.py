"""What differs between two settings, in the file's own spelling and without secrets."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from tidegate.contract import RelaySettings
from tidegate.settings.inline import inline
from tidegate.settings.load import OWN_TABLES, Settings
from tidegate.settings.models import StationSettings, Table
from tidegate.settings.plain import leaves, plain
from tidegate.settings.problems import HIDDEN


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One key and what it was and is, as TOML writes it; ``None`` is not set."""

    key: str
    before: str | None
    after: str | None

    def document(self) -> dict[str, Any]:
        """Return it as JSON data."""
        return {"key": self.key, "from": self.before, "to": self.after}


@dataclass(frozen=True, slots=True, kw_only=True)
class Steps:
    """Which stations must leave, which take the new settings as they run, which come.

    One that leaves comes back where the new settings still have it.
    """

    leave: tuple[str, ...]
    renew: tuple[str, ...]
    add: tuple[str, ...]

    def became(self, name: str, new: Settings) -> str:
        """Return in a word what becomes of a station."""
        if name in self.add:
            return "new"
        if name in self.leave:
            return "restarted" if name in new.stations else "removed"
        return "changed" if name in self.renew else "unchanged"


def steps(old: Settings, new: Settings) -> Steps:
    """Return how to get from the old settings to the new ones."""
    leave, renew = [], []
    for name, was in old.stations.items():
        now = new.stations.get(name)
        if now is None or is_another_device(was, now):
            leave.append(name)
        elif was != now:
            renew.append(name)
    return Steps(
        leave=tuple(leave),
        renew=tuple(renew),
        add=tuple(name for name in new.stations if name not in old.stations),
    )


def changed_tables(old: Settings, new: Settings) -> tuple[str, ...]:
    """Return the tables about the daemon itself that differ."""
    return tuple(
        name for name in OWN_TABLES if getattr(old, name) != getattr(new, name)
    )


def is_another_device(old: StationSettings, new: StationSettings) -> bool:
    """Return whether gauge or relay differ, secrets included.

    A relay whose life alone is another is the same relay.
    """
    return old.gauge != new.gauge or _lifeless(old.relay) != _lifeless(new.relay)


def _lifeless(relay: RelaySettings | None) -> RelaySettings | None:
    return None if relay is None else relay.model_copy(update={"life": None})


def changes(old: Settings, new: Settings) -> tuple[Change, ...]:
    """Return every key that differs, defaults included."""
    found: list[Change] = []
    for name in changed_tables(old, new):
        found += _of_table((name,), getattr(old, name), getattr(new, name))
    for name in dict.fromkeys([*old.stations, *new.stations]):
        key = ("station", name)
        found += _of_table(key, old.stations.get(name), new.stations.get(name))
    return tuple(found)


def _of_table(
    key: tuple[str, ...], old: Table | None, new: Table | None
) -> Iterator[Change]:
    if old == new:
        return
    before, after = _leaves(old), _leaves(new)
    differ = [
        each
        for each in dict.fromkeys([*before, *after])
        if before.get(each) != after.get(each)
    ]
    for each in differ:
        name = ".".join((*key, *each))
        yield Change(
            key=name, before=_said(before.get(each)), after=_said(after.get(each))
        )
    if not differ:
        # Only a secret differs: it changed, and that is all that may be said.
        name = ".".join(key)
        yield Change(key=name, before=HIDDEN, after=HIDDEN)


def _leaves(table: Table | None) -> Mapping[tuple[str, ...], Any]:
    return {} if table is None else leaves(plain(table))


def _said(value: Any) -> str | None:
    return None if value is None else inline(value)
