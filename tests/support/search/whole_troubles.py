"""What happens to devices, the daemon, its host and its disk, and what people do.

All numbers are invented.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

from support.search import mortal
from support.search.plan import Incident
from support.search.whole_deeds import End, deed
from support.search.whole_site import Place, numbers
from support.search.whole_stage import Actor, HeldStand, TwinStand
from tidegate.errors import OrderRefused
from tidegate.service.asked import override

if TYPE_CHECKING:
    from support.search.whole_world import WholeWorld

MINUTE_S: Final = 60.0
HOUR_S: Final = 3_600.0
DAY_MS: Final = 86_400_000


# --- the device -----------------------------------------------------------------------


def _in_the_twin(name: str, lasts_s: tuple[float, float], where: str = "twin") -> None:
    """What stands in the twin's own calendar from the beginning."""

    def does(world: WholeWorld, incident: Incident, actor: Actor) -> None:
        del world, incident, actor

    deed(name, where, lasts_s)(does)


_in_the_twin("weak_supply", (HOUR_S, 6 * HOUR_S))
_in_the_twin("warm", (2 * HOUR_S, 8 * HOUR_S))
_in_the_twin("very_hot", (HOUR_S, 6 * HOUR_S))
_in_the_twin("frost", (2 * HOUR_S, 10 * HOUR_S))
_in_the_twin("welded", (2 * HOUR_S, 12 * HOUR_S), "contact")


@deed("mains_out", "any", (MINUTE_S, 5 * HOUR_S), 2)
def _mains_out(world: WholeWorld, incident: Incident, actor: Actor) -> End | None:
    del incident
    stand = actor.stand
    if isinstance(stand, TwinStand):
        return None  # in its calendar
    stand.advance(world.true_ms())
    stand.switch_mains(on=False)

    def over() -> None:
        stand.advance(world.true_ms())
        stand.switch_mains(on=True)

    return over


@deed("only_source", "host", (6 * HOUR_S, 24 * HOUR_S), 3)
def _only_source(world: WholeWorld, incident: Incident, actor: Actor) -> End:
    """The battery carries nothing any more: an off is the end of the host."""
    del incident

    def gone() -> None:
        stand = actor.stand
        if world.life is not None and not stand.is_fed:
            actor.stand.host_lost_power(world.true_ms())
            world.dies(reboots=True)
            world.life.disk.die()

    actor.when_off = lambda: world.after(1, gone)

    def over() -> None:
        actor.when_off = None

    return over


@deed("second_pack_goes", "hold", (HOUR_S, 12 * HOUR_S), 3)
def _second_pack(world: WholeWorld, incident: Incident, actor: Actor) -> End | None:
    del world, incident
    stand = actor.stand
    assert isinstance(stand, HeldStand)
    if not stand.second:
        return None
    stand.lose_second(is_gone=True)
    return lambda: stand.lose_second(is_gone=False)


@deed("threshold_forgotten", "hold", weight=4)
def _threshold(world: WholeWorld, incident: Incident, actor: Actor) -> None:
    """Firmware forgets, or from now on rounds, what it is told."""
    stand = actor.stand
    assert isinstance(stand, HeldStand)
    stand.advance(world.true_ms())
    step = incident.random.choice((1, 5, 20))
    stand.driver.takes = lambda end: max(step, end // step * step)
    stand.driver.reset()


# --- the daemon and its host ----------------------------------------------------------


def _loop_death(name: str, *, reboots: bool, weight: float) -> None:
    def does(world: WholeWorld, incident: Incident, actor: Actor) -> None:
        """Somewhere in what it does next; sometimes in the middle of a switching."""
        dice, life = incident.random, world.life
        if life is None or life.is_dead:
            return
        turns = round(dice.choice((1, 10, 100)) * dice.random())

        def dies() -> None:
            world.dies(reboots=reboots)
            life.loop.die_in(turns)

        if dice.random() < 0.4 and actor.place.variant != "measure":
            actor.in_next_call = dies
        else:
            dies()

    deed(name, "any", weight=weight)(does)


_loop_death("killed", reboots=False, weight=4)
_loop_death("power_cut", reboots=True, weight=4)


@deed("dies_at_the_disk", "any", weight=6)
def _dies_at_the_disk(world: WholeWorld, incident: Incident, actor: Actor) -> None:
    del actor
    dice, life = incident.random, world.life
    if life is not None and not life.is_dead:
        how = dice.choice((mortal.BEFORE, mortal.AFTER, mortal.TORN, mortal.TORN))
        world.dies(reboots=how == mortal.TORN or dice.random() < 0.5)
        # A start is some fifty operations, a commit about five.
        life.disk.die_in(dice.choice((dice.randrange(8), dice.randrange(80))), how)


@deed("dies_at_the_start", "any", weight=2)
def _dies_at_the_start(world: WholeWorld, incident: Incident, actor: Actor) -> None:
    """Stopped, started, and gone again before it is up."""
    del actor
    dice = incident.random
    how = dice.choice((mortal.BEFORE, mortal.AFTER, mortal.TORN))
    operations = dice.randrange(60)

    def at_start() -> None:
        assert world.life is not None
        world.dies(reboots=how == mortal.TORN)
        world.life.disk.die_in(operations, how)

    world.next_start = at_start
    world.stop()


@deed("stalled", "any", weight=1)
def _stalled(world: WholeWorld, incident: Incident, actor: Actor) -> None:
    """The loop stands still until the service manager's watchdog ends it."""
    del incident, actor
    life = world.life
    if life is not None and not life.is_dead:
        world.clock.advance(300_000)
        world.was_stalled = True
        world.dies(reboots=False)
        life.loop.die_in(0)


@deed("stopped", "any", weight=2)
def _stopped(world: WholeWorld, incident: Incident, actor: Actor) -> None:
    """Stopped in good order and started again, sometimes with other settings."""
    if incident.random.random() < 0.5:
        _renumber(incident, actor.place)
        world.next_start = world.site.write
    world.stop()


@deed("sleeps", "any", weight=2)
def _sleeps(world: WholeWorld, incident: Incident, actor: Actor) -> None:
    del actor
    world.suspend(incident.random.randrange(10_000, 4 * 3_600_000))


@deed("clock_steps", "any", weight=2)
def _clock_steps(world: WholeWorld, incident: Incident, actor: Actor) -> None:
    del actor
    step_ms = incident.random.choice((-DAY_MS, -3_600_000, -5_000, 90_000, 3_600_000))
    world.clock.step_wall(step_ms)


@deed("boots_in_1970", "any", (5 * MINUTE_S, 3 * HOUR_S))
def _boots_in_1970(world: WholeWorld, incident: Incident, actor: Actor) -> End | None:
    """No clock survives the power cut; a time server comes later."""
    del actor, incident
    life = world.life
    if life is None or life.is_dead:
        return None
    right_ms = world.clock.wall_ms()
    began_ms = world.true_ms()

    def in_1970() -> None:
        world.clock.step_wall(-world.clock.wall_ms() + 30_000)
        world.clock.set_synchronised(synchronised=False)

    world.next_start = in_1970
    world.dies(reboots=True)
    life.loop.die_in(0)

    def over() -> None:
        now_ms = right_ms + world.true_ms() - began_ms
        world.clock.step_wall(now_ms - world.clock.wall_ms())
        world.clock.set_synchronised(synchronised=True)

    return over


# --- the disk -------------------------------------------------------------------------


def _disk(name: str, fault: str) -> None:
    def does(world: WholeWorld, incident: Incident, actor: Actor) -> End:
        del incident, actor
        world.set_disk_fault(fault)
        return lambda: world.set_disk_fault(None)

    deed(name, "any", (20.0, 3 * HOUR_S))(does)


_disk("disk_full", "full")
_disk("disk_read_only", "read_only")
_disk("disk_fails", "io")


@deed("disk_slow", "any", (20.0, 3 * HOUR_S), 2)
def _disk_slow(world: WholeWorld, incident: Incident, actor: Actor) -> End:
    del actor
    world.disk_takes_s = incident.random.choice((0.3, 1.5, 4.0, 15.0))

    def over() -> None:
        world.disk_takes_s = 0.0

    return over


@deed("log_garbled", "any", weight=0.5)
def _log_garbled(world: WholeWorld, incident: Incident, actor: Actor) -> None:
    """A worn card: the host dies, and pages of the log are noise when it is back."""
    del actor
    dice, life = incident.random, world.life
    if life is None or life.is_dead:
        return

    def garble() -> None:
        world.garble_log(dice)

    world.is_torn = True
    world.after_death = garble
    world.dies(reboots=True)
    life.loop.die_in(0)


# --- people ---------------------------------------------------------------------------


class FakePeer:
    """Who orders, as the control socket would know them."""

    name = "uid 1000 (ana)"


class FakeTalk:
    """The other end of the control socket."""

    peer = FakePeer()


@deed("ordered", "relay", weight=4)
def _ordered(world: WholeWorld, incident: Incident, actor: Actor) -> None:
    dice = incident.random
    supply = dice.choice(("on", "off"))
    for_ms = round(60_000 * 1_440 ** dice.random())
    arguments = {
        "station": actor.name,
        "supply": supply,
        "for_ms": for_ms,
        "because": "inventory",
    }
    _asked(world, "override", arguments)


@deed("released", "relay")
def _released(world: WholeWorld, incident: Incident, actor: Actor) -> None:
    del incident
    _asked(world, "release", {"station": actor.name, "because": ""})


def _asked(world: WholeWorld, what: str, arguments: dict[str, Any]) -> None:
    life = world.life
    if life is None or life.is_dead or life.service is None:
        return
    ask = override.asks(life.service)[what]

    async def asks() -> None:
        # An order may come while there is nothing to order, or no station yet.
        with suppress(OrderRefused):
            await ask.handler(arguments, FakeTalk())  # type: ignore[arg-type]

    life.tasks.append(life.loop.create_task(asks()))


def _reload(name: str, change: Callable[..., None], **more: Any) -> None:
    """New settings; often in the middle of a relay call."""

    def does(world: WholeWorld, incident: Incident, actor: Actor) -> None:
        dice = incident.random

        def now() -> None:
            change(world, incident, actor)
            if world.life is not None and world.life.service is not None:
                world.life.service.reload.hang_up()

        if dice.random() < 0.6 and actor.place.variant != "measure":
            actor.in_next_call = now
        else:
            now()

    deed(name, more.pop("where", "any"), **more)(does)


def _renumber(incident: Incident, place: Place) -> None:
    dice = incident.random
    new = numbers(dice, holds=place.variant == "hold")
    if place.variant == "measure":
        new = {"poll": new["poll"], "limits": new["limits"]}
    for key in ("rise", "relearn", "stale_after"):
        place.table.pop(key, None)
    place.table.update(new)


def _numbers_change(world: WholeWorld, incident: Incident, actor: Actor) -> None:
    _renumber(incident, actor.place)
    world.site.write()


def _relay_changes(world: WholeWorld, incident: Incident, actor: Actor) -> None:
    """The same contact behind another relay: the station goes out and comes in."""
    table = actor.place.table["relay"]
    table["latency_s"] = 0.05 if table["latency_s"] != 0.05 else 0.5
    table["readback"] = incident.random.choice((0, 1, 2, 3))
    world.site.write()


def _settings_break(world: WholeWorld, incident: Incident, actor: Actor) -> None:
    """Wrong settings, which a later reload finds mended."""
    del actor
    path = world.site.settings
    text = path.read_text(encoding="utf-8")
    wrong = incident.random.choice(
        (text[: len(text) // 2], text.replace("floor", "flour"), "[[", "")
    )
    path.write_text(wrong, encoding="utf-8")
    world.after(1_200, world.site.write)


def _rise_is_planned(world: WholeWorld, incident: Incident, actor: Actor) -> None:
    dice, table = incident.random, actor.place.table
    window = table["window"]
    high = window.get("hold", window.get("high"))
    moment = datetime.fromtimestamp(world.clock.wall_ms() / 1_000, tz=UTC)
    if high > 85 or moment.year < 2024:
        return
    moment += timedelta(hours=dice.uniform(0.2, 20))
    table["rise"] = [
        {
            "at": moment.replace(microsecond=0),
            "to": min(95, high + dice.choice((5, 10, 20))),
            "for": dice.choice(("10min", "3h", "12h")),
            "because": "moved to the north wing",
        }
    ]
    world.site.write()


_reload("numbers_change", _numbers_change, weight=3)
_reload("relay_changes", _relay_changes, where="contact", weight=2)
_reload("settings_break", _settings_break, weight=1)
_reload("rise_is_planned", _rise_is_planned, where="relay", weight=3)
