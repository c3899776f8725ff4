"""What can happen in a whole world: the table, and how an incident begins and ends.

A deed begins something and returns what ends it, or nothing. ``where`` says to whom it
can happen: to ``any`` station, one with a ``relay``, with a ``contact`` in its supply, one
that a ``twin`` stands behind, one that the kernel can ``hold``, or a device that is its own
``host``. ``whole_moods`` and ``whole_troubles`` fill the table.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from support.search.plan import Incident
from support.search.whole_site import Place
from support.search.whole_stage import Actor

if TYPE_CHECKING:
    from support.search.whole_world import WholeWorld

End = Callable[[], None]


@dataclass(frozen=True, slots=True)
class Deed:
    """One row of the table; ``lasts_s`` is least and most, ``weight`` how often."""

    does: Callable[[WholeWorld, Incident, Actor], End | None]
    where: str
    lasts_s: tuple[float, float]
    weight: float


DEEDS: dict[str, Deed] = {}


def deed(
    name: str,
    where: str,
    lasts_s: tuple[float, float] = (0.0, 0.0),
    weight: float = 1.0,
) -> Callable[[Any], Any]:
    """Put what is decorated into the table."""

    def put(does: Any) -> Any:
        DEEDS[name] = Deed(does, where, lasts_s, weight)
        return does

    return put


def fits(deed: Deed, place: Place) -> bool:
    """Whether this can happen there."""
    match deed.where:
        case "relay":
            return place.variant != "measure"
        case "contact":
            return place.variant in ("contact", "coast")
        case "twin":
            return place.variant != "hold"
        case "hold":
            return place.variant == "hold"
        case "host":
            return place.is_host
    return True


def begin(world: WholeWorld, incident: Incident) -> None:
    """Let an incident begin, and end in its time."""
    actor = world.stage.actors[incident.station]
    world.tally.incidents[incident.what] += 1
    world.events.append((world.true_ms(), incident.station, str(incident), "", None))
    if incident.lasts_s:
        world.active[incident.number] = incident
    end = DEEDS[incident.what].does(world, incident, actor)

    def over() -> None:
        world.active.pop(incident.number, None)
        if end is not None:
            end()

    if incident.lasts_s:
        world.after(incident.lasts_s, over)
        world.overs[incident.number] = over
