"""`read`: one reading of a station, taken by the daemon in its turn."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from functools import partial
from typing import TYPE_CHECKING, Any, Final

from tidegate.control.server import Ask, Talk
from tidegate.errors import Unavailable
from tidegate.service.asked import arguments as given
from tidegate.station.reading_document import as_document

if TYPE_CHECKING:
    from tidegate.service.root import Service

# A switching may be under way, and its calls have limits of their own.
READ_LIMIT_S: Final = 15.0


def asks(service: Service) -> dict[str, Ask]:
    """Return the question."""
    return {"read": Ask(partial(_read, service))}


async def _read(
    service: Service, arguments: Mapping[str, Any], talk: Talk
) -> Mapping[str, Any]:
    given.only(arguments, "station")
    station = given.station_of(service, arguments)
    settings = service.settings.stations[station.name]
    try:
        async with asyncio.timeout(READ_LIMIT_S):
            reading = await station.gauge.read_now()
    except TimeoutError as error:
        raise Unavailable(
            station.gauge.last_error or "the gauge did not answer in time",
            target=station.name,
            remedy="Its driver or its bus hangs; look at the daemon's messages",
        ) from error
    return as_document(station.name, settings.gauge.kind, reading)
