"""What a reload of the settings came to, for whoever asked and for the cycle log."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from tidegate.service.turnover import Out
from tidegate.settings import Settings
from tidegate.settings.changes import Change


@dataclass(slots=True, kw_only=True)
class Reloaded:
    """What a reload came to. ``stations`` says of each what became of it.

    ``left_behind``: whose relay is nobody's any more, and did not say that it is on.
    """

    files: tuple[str, ...]
    changed: tuple[Change, ...]
    restart_for: tuple[str, ...]
    warnings: tuple[str, ...]
    stations: dict[str, str] = field(default_factory=dict)
    cannot: dict[str, str] = field(default_factory=dict)
    left_behind: dict[str, str] = field(default_factory=dict)

    def document(self) -> dict[str, Any]:
        """Return it as JSON data."""
        return {
            "files": list(self.files),
            "changed": [each.document() for each in self.changed],
            "stations": dict(self.stations),
            "cannot_run": dict(self.cannot),
            "left_behind": dict(self.left_behind),
            "restart_for": list(self.restart_for),
            "warnings": list(self.warnings),
        }


def left_behind(outs: Iterable[Out], new: Settings) -> dict[str, str]:
    """Return whose relay no station has any more and did not take the last on."""
    kept = {it.relay.target() for it in new.stations.values() if it.relay is not None}
    return {
        out.name: f"its relay {out.plan.target} did not answer the last on, so its "
        "supply may be off, and nobody looks after it any more"
        for out in outs
        if not out.was_told_on
        and out.plan.target is not None
        and out.plan.target not in kept
    }


def args_of(done: Reloaded) -> dict[str, Any]:
    """Return what the cycle log keeps of it."""
    moved = {name: it for name, it in done.stations.items() if it != "unchanged"}
    return {
        "files": list(done.files),
        "changed": [each.document() for each in done.changed],
        "stations": moved,
        "restart_for": list(done.restart_for),
    }
