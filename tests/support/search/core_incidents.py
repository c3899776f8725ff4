"""Core and twin: what may happen, by name, and what each does to the world."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from random import Random
from typing import Final

from support.search.core_gauge import TAMPERINGS, tampering
from support.search.core_site import CoreSite, hours_of, marks_of, site_of
from support.search.core_world import WALL_MS, CoreWorld
from support.search.plan import Incident, Plan
from tidegate.core.events import (
    LogBack,
    LogLost,
    NeighbourSwitched,
    OverridePlaced,
    OverrideReleased,
    PlanChanged,
    SettingsChanged,
)
from tidegate.core.policy import MINUTE_MS, Marks, PlanReason
from tidegate.core.reading import Supply
from tidegate.twin.cell import State as CellState
from tidegate.twin.world import Event, What

APART_H: Final = 14.0
"""An incident comes that often, on the average, where the poll is 1 min."""

Deed = Callable[[CoreWorld, Incident], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Doing:
    """How often, how long (minutes), and what: at its begin and at its end."""

    weight: float = 1.0
    least_min: float = 1.0
    most_min: float = 240.0
    begin: Deed | None = None
    end: Deed | None = None


def _tamper(world: CoreWorld, incident: Incident) -> None:
    made = tampering(incident)
    assert made is not None
    world.gauge.tampering[incident.number] = made


def _untamper(world: CoreWorld, incident: Incident) -> None:
    del world.gauge.tampering[incident.number]


def _new_pack(world: CoreWorld, incident: Incident) -> None:
    world.device.state = CellState(incident.random.uniform(0.2, 0.9))
    world.gauge.new_pack()


def _die(world: CoreWorld, incident: Incident) -> None:
    world.relay.dead += 1


def _live_again(world: CoreWorld, incident: Incident) -> None:
    world.relay.dead -= 1


def _slow(world: CoreWorld, incident: Incident) -> None:
    world.relay.slow_ms = round(incident.random.uniform(3_000, 60_000))


def _fast_again(world: CoreWorld, incident: Incident) -> None:
    world.relay.slow_ms = 0


def _bounce(world: CoreWorld, incident: Incident) -> None:
    world.relay.bounces = incident.random


def _settle(world: CoreWorld, incident: Incident) -> None:
    world.relay.bounces = None


def _rewire(world: CoreWorld, incident: Incident) -> None:
    world.relay.rewire()


def _reset(world: CoreWorld, incident: Incident) -> None:
    world.relay.lose_power()


def _stranger(world: CoreWorld, incident: Incident) -> None:
    world.relay.moved_by_hand(incident.random.choice(list(Supply)))


def _wall(world: CoreWorld, incident: Incident) -> None:
    steps_s = (-3600, 3600, -2, 0.5, 86_400 * 400, -55 * 365 * 86_400)
    world.wall_by_ms += round(incident.random.choice(steps_s) * 1000)


def _suspend(world: CoreWorld, incident: Incident) -> None:
    """Nothing runs on the host; its boot clock goes on."""
    world.sleep(incident.number, world.true_ms + round(incident.lasts_s * 1000))


def _resume(world: CoreWorld, incident: Incident) -> None:
    world.wake(incident.number)


def _kill(world: CoreWorld, incident: Incident) -> None:
    """The process ends at once; what the service manager runs then says on."""
    if world.is_up:
        world.crashes += 1
        world.fall()
        world.restore()
        _forget_perhaps(world, incident)


def _killed_is_back(world: CoreWorld, incident: Incident) -> None:
    if not world.is_up:
        world.start(same_boot=True, was_closed=False)


def _stop(world: CoreWorld, incident: Incident) -> None:
    if world.is_up:
        world.stop()


def _stopped_is_back(world: CoreWorld, incident: Incident) -> None:
    if not world.is_up:
        world.start(same_boot=True, was_closed=True)


def _cut(world: CoreWorld, incident: Incident) -> None:
    """The host loses its power, and with it a relay that it feeds."""
    if world.is_up:
        world.crashes += 1
        world.fall()
        if incident.random.random() < 0.5:
            world.relay.lose_power()
        _forget_perhaps(world, incident)


def _cut_is_back(world: CoreWorld, incident: Incident) -> None:
    if not world.is_up:
        world.start(same_boot=False, was_closed=False)


def _reboot(world: CoreWorld, incident: Incident) -> None:
    if world.is_up:
        world.stop()


def _rebooted(world: CoreWorld, incident: Incident) -> None:
    if not world.is_up:
        world.start(same_boot=False, was_closed=True)


def _forget_perhaps(world: CoreWorld, incident: Incident) -> None:
    if Random(incident.dice + 1).random() < 0.15:
        world.forget()


def _override(supply: Supply) -> Deed:
    def place(world: CoreWorld, incident: Incident) -> None:
        until_ms = world.now_ms + round(incident.lasts_s * 1000)
        world.send(
            OverridePlaced(
                supply=supply, until_ms=until_ms, because="a visit", by="the cellar"
            )
        )

    return place


def _release(world: CoreWorld, incident: Incident) -> None:
    if incident.random.random() < 0.5:
        world.send(OverrideReleased(by="the cellar"))


def _plan(world: CoreWorld, incident: Incident) -> None:
    dice = incident.random
    high = dice.choice((80.0, 90.0, 100.0))
    low = dice.choice((high - 10, high - 3, 15.0))
    why = dice.choice((PlanReason.PLANNED_RISE, PlanReason.RELEARN))
    world.send(PlanChanged(marks=Marks(low_percent=low, high_percent=high), why=why))


def _plan_over(world: CoreWorld, incident: Incident) -> None:
    world.send(PlanChanged(marks=None, why=PlanReason.RISE_OVER))


def _settings(world: CoreWorld, incident: Incident) -> None:
    dice, policy = incident.random, world.state.policy
    if policy.marks is None:
        return
    marks = policy.marks if policy.hold else marks_of(dice)
    changed = replace(
        policy,
        marks=marks,
        floor_percent=min(marks.low_percent - 5, dice.choice((15.0, 20.0, 25.0, 35.0))),
        dwell_on_ms=dice.choice((1, 3, 10)) * MINUTE_MS,
        dwell_off_ms=dice.choice((1, 3, 10)) * MINUTE_MS,
        stale_after_ms=dice.choice((3, 5)) * MINUTE_MS,
        poll_ms=dice.choice((30_000, 60_000, 90_000, 120_000)),
    )
    if changed.poll_ms < policy.poll_ms:
        # The plan's end was set by the slower poll; no world lives several times as long.
        changed = replace(changed, poll_ms=policy.poll_ms)
    settle_ms = max(60_000, changed.poll_ms + world.site.relay_takes_ms)
    changed = replace(changed, settle_ms=settle_ms)
    world.send(SettingsChanged(policy=changed, relay_changed=dice.random() < 0.2))


def _neighbour(world: CoreWorld, incident: Incident) -> None:
    world.send(NeighbourSwitched())


def _log_lost(world: CoreWorld, incident: Incident) -> None:
    world.send(LogLost())


def _log_back(world: CoreWorld, incident: Incident) -> None:
    world.send(LogBack())


# What the twin's own calendar does: the kind and the amount, from dice and site.
CALENDAR: Final[dict[str, tuple[What, Callable[[Random, CoreSite], float]]]] = {
    "mains outage": (What.MAINS_OUT, lambda dice, site: 0.0),
    "weak supply": (
        What.WEAK_SUPPLY,
        lambda dice, site: dice.uniform(0.1, 1.2) * max(site.build.load_a.values),
    ),
    "heat": (What.HOT, lambda dice, site: dice.uniform(15.0, 30.0)),
    "critical heat": (What.HOT, lambda dice, site: dice.uniform(36.0, 50.0)),
    "cold": (What.HOT, lambda dice, site: dice.uniform(-40.0, -20.0)),
    "relay stuck": (What.RELAY_STUCK, lambda dice, site: 0.0),
    "relay welded": (What.RELAY_WELDED, lambda dice, site: 0.0),
    "twin's gauge frozen": (What.GAUGE_FROZEN, lambda dice, site: 0.0),
}

_GAUGE_WEIGHTS: Final = {"gauge lost": 4.0, "gauge jumping": 2.0, "gauge slow": 0.5}

INCIDENTS: Final[dict[str, Doing]] = {
    **{
        name: Doing(
            weight=_GAUGE_WEIGHTS.get(name, 0.8),
            most_min=300.0,
            begin=_tamper,
            end=_untamper,
        )
        for name in TAMPERINGS
    },
    "pack replaced": Doing(begin=_new_pack),
    "mains outage": Doing(weight=4.0, least_min=0.2, most_min=720.0),
    "weak supply": Doing(weight=2.0, least_min=5.0, most_min=360.0),
    "heat": Doing(weight=2.0, least_min=120.0, most_min=600.0),
    "critical heat": Doing(weight=1.0, least_min=120.0, most_min=480.0),
    "cold": Doing(weight=2.0, least_min=120.0, most_min=600.0),
    "relay stuck": Doing(weight=2.0, least_min=5.0, most_min=300.0),
    "relay welded": Doing(weight=1.0, least_min=5.0, most_min=240.0),
    "twin's gauge frozen": Doing(most_min=300.0),
    "relay dead": Doing(weight=3.0, most_min=300.0, begin=_die, end=_live_again),
    "relay slow": Doing(least_min=10.0, begin=_slow, end=_fast_again),
    "relay bouncing": Doing(begin=_bounce, end=_settle),
    "relay rewired": Doing(weight=0.4, begin=_rewire, end=_rewire, most_min=2000.0),
    "relay reset by a brown-out": Doing(weight=2.0, begin=_reset),
    "relay moved by a stranger": Doing(weight=3.0, begin=_stranger),
    "wall clock stepped": Doing(weight=2.0, begin=_wall),
    "host suspended": Doing(weight=2.0, most_min=180.0, begin=_suspend, end=_resume),
    "daemon killed": Doing(
        weight=3.0, least_min=0.1, most_min=5.0, begin=_kill, end=_killed_is_back
    ),
    "daemon stopped": Doing(
        weight=2.0, least_min=0.1, most_min=60.0, begin=_stop, end=_stopped_is_back
    ),
    "host lost its power": Doing(
        weight=2.0, least_min=0.5, most_min=30.0, begin=_cut, end=_cut_is_back
    ),
    "host rebooted": Doing(
        weight=2.0, least_min=0.5, most_min=5.0, begin=_reboot, end=_rebooted
    ),
    "override on": Doing(
        weight=1.5, least_min=5.0, begin=_override(Supply.ON), end=_release
    ),
    "override off": Doing(
        weight=3.0,
        least_min=5.0,
        most_min=900.0,
        begin=_override(Supply.OFF),
        end=_release,
    ),
    "planned marks": Doing(
        weight=2.0, least_min=60.0, most_min=900.0, begin=_plan, end=_plan_over
    ),
    "settings changed": Doing(weight=2.0, begin=_settings),
    "log lost": Doing(begin=_log_lost, end=_log_back),
    "neighbour switched": Doing(weight=2.0, begin=_neighbour),
}
"""What can happen in a world of core and twin."""

_NAMES: Final = tuple(INCIDENTS)
_WEIGHTS: Final = tuple(doing.weight for doing in INCIDENTS.values())


def draw(seed: int) -> Plan:
    """Return the world of a seed."""
    hours = hours_of(site_of(seed).policy)
    dice = Random(seed ^ 0x5EED)
    count = min(40, int(dice.expovariate(APART_H / 144)))
    return Plan(
        kind="core",
        seed=seed,
        hours=hours,
        incidents=tuple(_incident(dice, number, hours) for number in range(count)),
        of=count,
    )


def _incident(dice: Random, number: int, hours: float) -> Incident:
    (what,) = dice.choices(_NAMES, _WEIGHTS)
    doing = INCIDENTS[what]
    # Most are short: the shares of the lengths fall like one over the length.
    ratio = doing.most_min / doing.least_min
    return Incident(
        number=number,
        at_s=round(dice.uniform(0, hours) * 3600, 1),
        what=what,
        lasts_s=round(60 * doing.least_min * ratio ** dice.random(), 1),
        dice=dice.getrandbits(48),
    )


def calendar_of(plan: Plan, site: CoreSite) -> tuple[Event, ...]:
    """Return what the twin itself lives through."""
    return tuple(
        Event(
            what=CALENDAR[each.what][0],
            from_wall_ms=WALL_MS + round(each.at_s * 1000),
            for_ms=round(each.lasts_s * 1000),
            amount=CALENDAR[each.what][1](each.random, site),
        )
        for each in plan.incidents
        if each.what in CALENDAR
    )
