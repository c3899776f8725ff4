"""What an operator orders of one station: written down with who it was, then done.

The row comes before the event, and both are made durable at once: a person's act is
the last thing that a log may lose.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

from tidegate.core.events import OverridePlaced, OverrideReleased
from tidegate.core.reading import Supply
from tidegate.cyclelog.plain import canonical
from tidegate.cyclelog.rows import OperatorRow
from tidegate.errors import OrderRefused

if TYPE_CHECKING:
    from tidegate.station.shell import Station

# An order that nobody takes back ends by itself within a day.
OVERRIDE_MOST_MS: Final = 24 * 3_600_000


def write_down(
    station: Station,
    action: str,
    *,
    by: str,
    because: str = "",
    args: Mapping[str, Any] | None = None,
) -> None:
    """Write an operator's act to the cycle log, and make it durable soon."""
    station.record.append(
        OperatorRow(
            boot_ms=station.clock.boot_ms(),
            wall_ms=station.clock.wall_ms(),
            station=station.name,
            action=action,
            by=by,
            because=because,
            args=canonical(dict(args or {})),
        )
    )
    station.cycle_log.commit_soon()


def place_override(
    station: Station, supply: Supply, *, for_ms: int, because: str, by: str
) -> None:
    """Order the supply for a time of at most 24 h; a new order replaces the last.

    Errors: OrderRefused where the station has no relay or is not running yet.
    """
    assert 0 < for_ms <= OVERRIDE_MOST_MS
    _check(station)
    args = {"supply": supply, "for_ms": for_ms}
    write_down(station, "override", by=by, because=because, args=args)
    now_ms = station.now_ms()
    station.feed(
        OverridePlaced(supply=supply, until_ms=now_ms + for_ms, because=because, by=by),
        at_ms=now_ms,
    )
    if supply is Supply.OFF:
        # An off waits for a trusted reading; the next poll may be minutes away.
        station.gauge.read_at(now_ms)
    station.cycle_log.commit_soon()


def release_override(station: Station, *, because: str, by: str) -> None:
    """Take an override back.

    Errors: OrderRefused where none is in force.
    """
    _check(station)
    assert station.state is not None
    if station.state.override is None:
        raise OrderRefused(f"station {station.name} has no override in force")
    write_down(station, "release", by=by, because=because)
    station.feed(OverrideReleased(by=by))
    station.cycle_log.commit_soon()


def _check(station: Station) -> None:
    if station.relay is None:
        raise OrderRefused(
            f"station {station.name} has no relay, so it only measures",
            remedy="Give it a relay and a window in the settings",
        )
    if station.state is None:
        raise OrderRefused(
            f"station {station.name} is only just starting", remedy="Ask again in 5 s"
        )
    if station.state.drive.stopped:
        # Its last state is written; what came after it could not be replayed.
        raise OrderRefused(f"station {station.name} is stopping, its supply on")
