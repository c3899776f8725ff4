"""What the cycle log knows of each station from the runs before."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from tidegate.assembly import relay_is_another
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.replay import rebuild
from tidegate.errors import LogError
from tidegate.settings import StationSettings
from tidegate.station.plan import Past

if TYPE_CHECKING:
    from structlog.typing import FilteringBoundLogger


def pasts(
    path: Path,
    stations: Mapping[str, StationSettings],
    *,
    boot_id: str,
    log: FilteringBoundLogger,
    follows: str | None = None,
) -> dict[str, Past]:
    """Rebuild each station from the cycle log; without one everything is new.

    ``follows`` is the writer's: before the first row of a new file only it knows
    whether that goes on from the past files, or from a damaged one of which nothing
    is known.
    """
    try:
        with Reader(path, follows=follows) as reader:
            return {
                name: _past_or_none(reader, name, settings, boot_id=boot_id, log=log)
                for name, settings in stations.items()
            }
    except LogError as error:
        log.warning("the past is not readable, beginning anew", why=str(error))
        return {name: Past() for name in stations}


def _past_or_none(
    reader: Reader,
    name: str,
    settings: StationSettings,
    *,
    boot_id: str,
    log: FilteringBoundLogger,
) -> Past:
    """Return the past of one station; rows that cannot be read cost only its own."""
    try:
        past = _past(reader, name, settings, boot_id=boot_id)
        if past.state is None and reader.last_state(name) is not None:
            log.warning(
                "the last state is another version's, what it held is found again",
                station=name,
            )
        return past
    except LogError as error:
        log.warning(
            "the past is not readable, beginning anew", station=name, why=str(error)
        )
        return Past()


def _past(
    reader: Reader, name: str, settings: StationSettings, *, boot_id: str
) -> Past:
    before = reader.last_settings(name)
    if before is None:
        return Past()
    run = reader.last_run_of(name)
    state = rebuild(reader, name)
    # It may have been taken out of a run that goes on, or was killed later.
    has_stopped = state is not None and state.drive.stopped
    return Past(
        state=state,
        same_boot=run is not None and run.boot_id == boot_id,
        was_closed=run is None or run.closed or has_stopped,
        relay_changed=relay_is_another(before, settings),
    )
