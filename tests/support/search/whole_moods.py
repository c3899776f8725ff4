"""Gauges and relays that misbehave in a whole world, by the wrappers of the product.

All numbers are invented.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from contextlib import suppress
from typing import TYPE_CHECKING, Any, Final

from support.search.plan import Incident
from support.search.whole_deeds import End, deed
from support.search.whole_stage import OFF, ON, Actor
from tidegate import testing
from tidegate.contract import Readback
from tidegate.core.reading import BatteryStatus, ExternalPower, Sample
from tidegate.errors import BackendError, Malformed, Refused, Unavailable

if TYPE_CHECKING:
    from support.search.whole_world import WholeWorld

MINUTE_S: Final = 60.0
HOUR_S: Final = 3_600.0

# --- gauge ----------------------------------------------------------------------------

_GAUGE_ERRORS: Final[tuple[type[BackendError], ...]] = (Unavailable, Malformed, Refused)


def _gauge_mood(name: str, mood: Callable[[Any], Any], **more: Any) -> None:
    def does(world: WholeWorld, incident: Incident, actor: Actor) -> End:
        del world
        actor.gauge_is(incident.number, mood(incident.random))
        return lambda: actor.gauge_is(incident.number, None)

    deed(name, more.pop("where", "any"), **more)(does)


NOT_THERE: Final = (False,)
_SHORT: Final = (MINUTE_S, 2 * HOUR_S)
_LONG: Final = (10 * MINUTE_S, 12 * HOUR_S)

_gauge_mood(
    "gauge_lost", lambda d: testing.Lose(d.choice(_GAUGE_ERRORS)), lasts_s=_LONG
)
_gauge_mood(
    "gauge_breaks",
    lambda _: testing.Break(ZeroDivisionError("by order")),
    lasts_s=_SHORT,
)
_gauge_mood("gauge_hangs", lambda _: testing.Block(), lasts_s=_SHORT)
_gauge_mood("gauge_slow", lambda d: testing.Takes(d.uniform(0.5, 9.0)), lasts_s=_SHORT)
_gauge_mood("gauge_frozen", lambda _: testing.Freeze(), lasts_s=(HOUR_S, 12 * HOUR_S))
_gauge_mood(
    "gauge_jumps",
    lambda d: testing.Jump(d.choice((-1, 1)) * d.uniform(4, 40)),
    lasts_s=_SHORT,
)
_gauge_mood("gauge_lags", lambda d: testing.Lag(d.randrange(2, 20)), lasts_s=_SHORT)
_gauge_mood("gauge_absent", lambda _: testing.Absent(), lasts_s=_SHORT)


def _lies(name: str, quantity: str, *values: Any, **more: Any) -> None:
    more.setdefault("lasts_s", _SHORT)
    _gauge_mood(name, lambda d: testing.Lie(quantity, d.choice(values)), **more)


_lies("lies_of_charge", "soc_percent", 97.0, 3.0, 60.0)
_lies("charge_out_of_range", "soc_percent", 1536.0, 448.0, -1.0, 1e308)
_lies("lies_of_power", "external_power", *ExternalPower)
_lies("lies_of_status", "battery_status", *BatteryStatus)
_lies("lies_of_heat", "temperature_c", 46.0, 52.0)
_lies("lies_of_critical_heat", "temperature_c", 61.0, 72.0)
_lies("lies_of_cold", "temperature_c", -1.0, -12.0)
_lies("no_temperature", "temperature_c", None)
_lies("nonsense_of_heat", "temperature_c", -273.1, 300.0)
_lies("no_battery", "present", *NOT_THERE)
_lies("another_pack", "pack", "pack 2", where="twin", lasts_s=(HOUR_S, 24 * HOUR_S))
_lies("nonsense_of_voltage", "voltage_v", 0.0, 65.535)
_gauge_mood(
    "all_zero",
    lambda _: testing.Answer(
        Sample(soc_percent=0.0, voltage_v=0.0, current_a=0.0, temperature_c=0.0)
    ),
    lasts_s=_SHORT,
)

# --- relay ----------------------------------------------------------------------------


def _relay_mood(name: str, mood: Callable[[Any], Any], **more: Any) -> None:
    def does(world: WholeWorld, incident: Incident, actor: Actor) -> End:
        del world
        actor.relay_is(incident.number, mood(incident.random))
        return lambda: actor.relay_is(incident.number, None)

    deed(name, more.pop("where", "relay"), **more)(does)


_relay_mood("relay_dead", lambda _: testing.Dead(), lasts_s=_LONG)
_relay_mood("relay_absent", lambda _: testing.Absent(), lasts_s=_LONG)
_relay_mood(
    "relay_breaks",
    lambda _: testing.Break(ZeroDivisionError("by order")),
    lasts_s=_SHORT,
)
_relay_mood("relay_stuck", lambda _: testing.Stuck(), lasts_s=_LONG)
_relay_mood("relay_bounces", lambda d: testing.Bounce(d.randrange(1, 4)), lasts_s=_LONG)
_relay_mood("relay_late", lambda d: testing.Late(d.uniform(0.5, 9.0)), lasts_s=_SHORT)
_relay_mood("relay_hangs", lambda _: testing.Slow(), lasts_s=_SHORT)
_relay_mood("relay_unheard", lambda _: testing.Unheard(), lasts_s=_SHORT)


@deed("relay_reversed", "contact", weight=0.5)
def _reversed(world: WholeWorld, incident: Incident, actor: Actor) -> None:
    """Somebody put the wires on the other way round, and there they stay."""
    world.rewired.add(actor.name)
    actor.relay_is(incident.number, testing.Reversed())


def _moved(
    world: WholeWorld, actor: Actor, by: str, work: Callable[[Any], Awaitable[None]]
) -> None:
    """Move the contact behind the daemon's back, where there is a relay to move."""
    wrapper, life = actor.relay, world.life
    if wrapper is None or life is None or life.is_dead:
        return

    async def moves() -> None:
        with suppress(BackendError):
            await work(wrapper)
            world.log.moved(actor.name, world.clock.boot_ms(), "", by=by)

    life.tasks.append(life.loop.create_task(moves()))


@deed("stranger", "relay", weight=2)
def _stranger(world: WholeWorld, incident: Incident, actor: Actor) -> None:
    supply = incident.random.choice((ON, OFF))
    readback = actor.place.table["relay"].get("readback", 0)
    if not actor.stand.is_alive and readback < Readback.LATCH:
        # Neither gauge nor relay can tell of this hand, and nothing says on again:
        # known, and not mended.
        world.rewired.add(actor.name)
    _moved(world, actor, "stranger", lambda it: it.moved_by_a_stranger(supply))


@deed("brown_out", "contact")
def _brown_out(world: WholeWorld, incident: Incident, actor: Actor) -> None:
    del incident
    rest = OFF if actor.place.contact == "normally-open" else ON
    _moved(world, actor, "wiring", lambda it: it.browned_out(rest))


@deed("fed_by_supply", "contact", (4 * HOUR_S, 24 * HOUR_S))
def _fed_by_supply(world: WholeWorld, incident: Incident, actor: Actor) -> End:
    """The relay's own power hangs on its contact: an off takes it away."""

    def lost() -> None:
        rest = OFF if actor.place.contact == "normally-open" else ON
        _moved(world, actor, "wiring", lambda it: it.browned_out(rest))
        actor.relay_is(-incident.number, testing.Dead())
        world.after(8, lambda: actor.relay_is(-incident.number, None))

    actor.when_off = lambda: world.after(1, lost)

    def over() -> None:
        actor.when_off = None

    return over
