"""The whole worlds as a kind of the search: how a seed becomes a plan."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Final

from support.search import whole_moods, whole_troubles
from support.search.plan import Incident, Kind, Outcome, Plan
from support.search.whole_deeds import DEEDS, fits
from support.search.whole_site import Site, site_of
from support.search.whole_world import WholeWorld

# Importing them fills the table of deeds.
FILLED_BY: Final = (whole_moods, whole_troubles)
INCIDENTS: Final = frozenset(DEEDS)
HOUR_S: Final = 3_600.0
# One incident in so many hours, on average.
APART_H: Final = (1.0, 3.0, 6.0)


def draw(seed: int) -> Plan:
    """Return what happens in the world of this seed."""
    dice = random.Random(f"plan {seed}")
    site = site_of(seed)
    # So every world reads about as often, and the days are many.
    hours = site.poll_s * dice.choice((0.4, 0.8, 1.2))
    count = 1 + round(hours / dice.choice(APART_H))
    incidents: list[Incident] = []
    at_s = 0.0
    for number in range(1, count + 1):
        if incidents and dice.random() < 0.3:
            # Troubles seldom come alone.
            at_s = min(0.98 * hours * HOUR_S, at_s + dice.uniform(0, 900))
        else:
            at_s = dice.uniform(0.0, 0.98) * hours * HOUR_S
        incidents.append(_incident(dice, site, number, at_s))
    incidents.sort(key=lambda each: (each.at_s, each.number))
    return Plan(
        kind="whole",
        seed=seed,
        hours=hours,
        incidents=tuple(incidents),
        of=count,
    )


def _incident(dice: random.Random, site: Site, number: int, at_s: float) -> Incident:
    place = dice.choice(site.places)
    names = [name for name, deed in DEEDS.items() if fits(deed, place)]
    weights = [DEEDS[name].weight for name in names]
    what = dice.choices(names, weights)[0]
    least_s, most_s = DEEDS[what].lasts_s
    lasts_s = least_s * (most_s / least_s) ** dice.random() if least_s else 0.0
    return Incident(
        number=number,
        at_s=round(at_s, 3),
        what=what,
        station=place.name,
        lasts_s=round(lasts_s, 3),
        dice=dice.randrange(2**31),
    )


def live(plan: Plan, folder: Path) -> Outcome:
    """Live a plan in an empty folder."""
    return WholeWorld(plan, folder).live()


WHOLE: Final = Kind(name="whole", draw=draw, live=live)
