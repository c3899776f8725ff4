"""Core and twin: what stands there, drawn from the seed alone. All of it is invented."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random
from typing import Final

from tidegate.contract import Contact, Readback
from tidegate.core.policy import HOUR_MS, MINUTE_MS, Marks, Policy, Proof
from tidegate.twin.cell import Cell
from tidegate.twin.charger import Charger
from tidegate.twin.device import Build
from tidegate.twin.heat import Heat
from tidegate.twin.profile import Profile
from tidegate.twin.quirks import Quirks

LEAST_SETTLE_MS: Final = 60_000
POLLS: Final = 8640
"""How many polls a world lives: three days at 30 s, twelve at 2 min."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CoreSite:
    """A station: what it is told, and how its device, gauge and relay are made.

    ``holds``: a relay like that of the kernel, which stops charging and leaves the
    supply. ``is_fed``: the relay lives from the supply that it switches.
    ``is_worn_out``: the battery bridges minutes, so each off ends in the dark.
    """

    policy: Policy
    build: Build
    quirks: Quirks
    seed: int
    contact: Contact
    wired: Contact
    readback: Readback
    dead_man_ms: int | None
    relay_takes_ms: int
    reconnect_s: float
    holds: bool
    is_fed: bool
    is_worn_out: bool

    @property
    def is_reversed(self) -> bool:
        """Whether the contact sits in the supply the other way round than is known."""
        return self.wired != self.contact

    @property
    def gauge_is_off_by_percent(self) -> float:
        """How far the honest gauge may read above the truth."""
        quirks, most_a = self.quirks, max(self.build.load_a.values)
        behind_s = quirks.lag_s * 3 + quirks.refresh_s
        lost_percent = 100 * most_a * behind_s / 3600 / self.build.cell.capacity_ah
        return quirks.step_percent + 4 * quirks.noise_percent + lost_percent

    @property
    def net_percent_per_h(self) -> float:
        """The slowest that a charge goes with the mains there, at any hour."""
        charger = self.build.charger
        most_a = max(self.build.load_a.values)
        net_a = min(charger.charge_a / 2, charger.supply_a - most_a)
        return 100 * net_a / self.build.cell.capacity_ah


def hours_of(policy: Policy) -> float:
    """Return how long a world of this poll is, so that all cost about the same."""
    return POLLS * policy.poll_ms / HOUR_MS


def site_of(seed: int) -> CoreSite:
    """Return the station that this seed draws."""
    dice = Random(seed)
    holds = dice.random() < 0.15
    host_is_device = dice.random() < 0.4
    needs_supply = not holds and not host_is_device and dice.random() < 0.3
    contact: Contact = "normally-closed"
    if not holds and dice.random() < 0.35:
        contact = dice.choice(("normally-open", "latching"))
    wired = contact
    if not holds and contact != "latching" and dice.random() < 0.06:
        wired = "normally-open" if contact == "normally-closed" else "normally-closed"
    dead_man = not holds and dice.random() < 0.25
    takes_ms = dice.choice((50, 120, 120, 800, 3_000))
    readback = Readback(dice.choice((0, 0, 1, 2, 3)))
    policy = _policy(dice, holds=holds, needs_supply=needs_supply)
    policy = _facts(
        policy,
        host_is_device=host_is_device,
        fails_on=holds or contact == "normally-closed" or dead_man,
        can_read_back=holds or readback >= Readback.LATCH,
        loss_is_proof=dice.random() < 0.8,
        takes_ms=takes_ms,
    )
    is_worn_out = not holds and dice.random() < 0.04
    most_load = 18.0 if needs_supply else 25.0
    return CoreSite(
        policy=policy,
        build=_build(dice, most_load=most_load, share=0.02 if is_worn_out else 1.0),
        quirks=_quirks(dice),
        seed=dice.getrandbits(32),
        contact=contact,
        wired=wired,
        readback=Readback.LATCH if holds else readback,
        dead_man_ms=3 * policy.poll_ms + 60_000 if dead_man else None,
        relay_takes_ms=takes_ms,
        reconnect_s=dice.choice((0.0, 5.0, 20.0)),
        holds=holds,
        is_fed=not holds and contact == "normally-closed" and dice.random() < 0.04,
        is_worn_out=is_worn_out,
    )


def marks_of(dice: Random) -> Marks:
    """Draw a window."""
    low = dice.choice((55.0, 55.0, 40.0, 30.0, dice.uniform(25, 75) // 1))
    width = dice.choice((10.0, 10.0, 4.0, 20.0, 3.0))
    return Marks(low_percent=low, high_percent=min(95.0, low + width))


def _policy(dice: Random, *, holds: bool, needs_supply: bool) -> Policy:
    marks = marks_of(dice)
    hold = holds and dice.random() < 0.4
    if hold:
        high = marks.high_percent
        marks = Marks(low_percent=high - 2, high_percent=high)
    low = marks.low_percent
    dwell = dice.choice((1, 3, 3, 5, 15, 30)) * MINUTE_MS
    return Policy(
        marks=None if dice.random() < 0.02 else marks,
        hold=hold,
        floor_percent=min(low - 5, dice.choice((25.0, 25.0, 20.0, 15.0, 35.0))),
        hot_c=dice.choice((45.0, 45.0, 40.0)),
        cold_c=dice.choice((0.0, 0.0, 2.0)),
        dwell_on_ms=dwell,
        dwell_off_ms=dice.choice((dwell, 3 * MINUTE_MS)),
        poll_ms=dice.choice((30, 60, 90, 90, 120, 120, 120, 120)) * 1000,
        stale_after_ms=dice.choice((3, 3, 3, 5, 10)) * MINUTE_MS,
        heat_hold_ms=dice.choice((30, 30, 10, 60)) * MINUTE_MS,
        max_off_ms=dice.choice((120, 120, 30, 60, 240)) * MINUTE_MS,
        lockout_for_ms=dice.choice((30 * 24, 6, 24)) * HOUR_MS,
        per_hour=dice.choice((6, 6, 4, 8, 12)),
        per_day=dice.choice((48, 48, 24, 12, 96)),
        fitted=dice.random() >= 0.01,
        proof=Proof.CHARGING if holds else Proof.EXTERNAL_POWER,
        gauge_needs_supply=needs_supply,
    )


def _facts(
    policy: Policy,
    *,
    host_is_device: bool,
    fails_on: bool,
    can_read_back: bool,
    loss_is_proof: bool,
    takes_ms: int,
) -> Policy:
    values = {name: getattr(policy, name) for name in Policy.__dataclass_fields__}
    values |= {
        "host_is_device": host_is_device,
        "fails_on": fails_on,
        "can_read_back": can_read_back,
        "loss_is_proof": loss_is_proof,
        "settle_ms": max(LEAST_SETTLE_MS, policy.poll_ms + takes_ms),
        "silence_alarm_ms": 72 * HOUR_MS if policy.gauge_needs_supply else None,
    }
    return Policy(**values)


def _build(dice: Random, *, most_load: float, share: float) -> Build:
    capacity_ah = dice.uniform(2.5, 10.0)
    # Percent of the capacity an hour.
    day_a = capacity_ah * dice.uniform(3.0, most_load) / 100
    night_a = day_a * dice.uniform(0.1, 0.9)
    opens, shuts = dice.randint(6, 10), dice.randint(16, 22)
    load_a = tuple(
        round(day_a if opens <= hour < shuts else night_a, 3) for hour in range(24)
    )
    net_a = capacity_ah * dice.uniform(0.08, 0.4)
    around_c = dice.uniform(18.0, 30.0)
    swing_k = dice.uniform(0.0, 4.0)
    around = tuple(around_c + swing_k * (hour - 12) / 12 for hour in range(24))
    return Build(
        cell=Cell(capacity_ah=share * capacity_ah),
        charger=Charger(
            charge_a=share * net_a * dice.uniform(1.0, 1.5),
            end_a=share * net_a / 10,
            supply_a=day_a + net_a,
        ),
        heat=Heat(
            # A larger battery sits in a larger housing, which warms less and slower.
            resistance_k_per_w=16.0 / capacity_ah,
            capacity_j_per_k=50.0 * capacity_ah,
        ),
        load_a=Profile(load_a),
        around_c=Profile(around),
        soc_percent=dice.uniform(30.0, 99.0),
    )


def _quirks(dice: Random) -> Quirks:
    return Quirks(
        step_percent=dice.choice((1.0, 1.0, 1.0, 0.0, 2.0, 5.0)),
        lag_s=dice.choice((0.0, 0.0, 20.0, 120.0)),
        noise_percent=dice.choice((0.0, 0.0, 0.0, 0.3)),
        wrong_sign=dice.random() < 0.1,
        sign_trusted=dice.random() < 0.7,
    )
