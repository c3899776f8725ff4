"""`prove`: a commissioning run of one station, told line by line while it goes on.

What is sent: ``{"say": TEXT}`` for a person to read; ``{"ask": TEXT}``, answered by
``{"answer": true | false | null}`` (null: nobody is there to answer); at the end
``{"result": {...}, "error": {...} | null}`` with the document of ``prove --json``, and
then the answer, which tells whether the daemon looks after the station again. A line
``{"end": WHY}`` ends the run early. A peer that goes away ends it too: whatever ends
it, the supply goes on first.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import TYPE_CHECKING, Any, Final

from tidegate.control.server import Ask, Talk
from tidegate.errors import Malformed
from tidegate.service.asked import arguments as given

if TYPE_CHECKING:
    from tidegate.service.root import Service

ROUNDS_MOST: Final = 20


def asks(service: Service) -> dict[str, Ask]:
    """Return the order."""
    return {"prove": Ask(partial(_prove, service), orders=True)}


async def _prove(
    service: Service, arguments: Mapping[str, Any], talk: Talk
) -> Mapping[str, Any]:
    given.only(arguments, "station", "by", "because", "rounds", "yes")
    by = given.text(arguments, "by")
    if not by:
        raise Malformed(
            "the argument 'by' is empty",
            target="control socket",
            remedy="Name the person who signs",
        )
    because = given.text(arguments, "because", default="commissioning")
    rounds = given.whole(
        {"rounds": 3, **arguments}, "rounds", least=1, most=ROUNDS_MOST
    )
    agrees = given.flag(arguments, "yes")
    station = given.station_of(service, arguments)
    # Here and not above: a daemon that proves nothing does not carry it.
    from tidegate.prove import Order
    from tidegate.service.asked.dialogue import Dialogue
    from tidegate.service.commissioning import Run

    async with Dialogue(talk, agrees=agrees) as dialogue:
        order = Order(by=by, because=because, rounds=rounds, peer=talk.peer.name)
        run = Run(service, station, order, say=dialogue.say, ask=dialogue.ask)
        dialogue.ends(run.end)
        await run.run(dialogue.result)
    return {"station": station.name, "in_control": station.name in service.stations}
