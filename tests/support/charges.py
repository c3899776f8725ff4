"""Random devices and their charges, to try the answer of ``tidegate taper`` on.

It shares no code with what it tries: a cell of its own (Euler steps of half a minute
over published open-circuit curves), a charger of its own, a gauge of its own. All
devices are invented. ``device(seed)`` is always the same device.

What counts as a taper here: from 42 to 62 % on the device gives its battery less and
less, or in steps, so that the last fifth takes 5 to 13 h (common practice, no source,
says 10 to 12 h). A *mild* one takes 1.6 to 2.5 times the hours of the same charger
without it; no log tells that from a worn cell for sure, so it is counted apart.

Sources of the curves: parameter sets Ai2020, Ramadass2004 and Ecker2015 as pybamm ships
them. Bands of heat: TI BQ25882 data sheet, register 08h.
"""

from __future__ import annotations

import math
import random
from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, NamedTuple

from tidegate.audit.given import Set
from tidegate.core.policy import Policy
from tidegate.core.reading import BatteryStatus
from tidegate.history import Point, Series

STEP_S: Final = 30.0
# Monday, 2 March 2026, 06:00 UTC; of an invented museum.
BEGIN_MS: Final = 1_772_431_200_000

TENTHS: Final = tuple(each / 10 for each in range(11))
CURVES: Final = (
    (3.000, 3.6396, 3.6954, 3.7331, 3.7622, 3.7925, 3.8365, 3.9089, 3.9945, 4.0879, 4.2),
    (2.800, 3.5955, 3.7063, 3.7522, 3.7875, 3.8266, 3.8738, 3.9304, 3.9977, 4.0798, 4.2),
    (2.500, 3.4586, 3.5870, 3.7094, 3.7700, 3.7873, 3.8155, 3.8823, 3.9868, 4.0789, 4.2),
)  # fmt: skip

NONE: Final = "none"
MILD: Final = "mild"
KINDS: Final = ("falling", "stepped", "lowered")


class Row(NamedTuple):
    """What the device's gauge told, and what was read along with it."""

    at_s: float
    soc_percent: float
    voltage_v: float | None
    current_a: float | None
    temperature_c: float | None
    is_fed: bool | None
    status: BatteryStatus


@dataclass(frozen=True, kw_only=True)
class Device:
    """One device, its charger, its gauge and whoever reads it.

    ``taper`` is the kind of it, ``last_fifth_h`` what it aims at. ``warm`` says when
    the battery is in the warm band, from and to which share of the charge.
    """

    capacity_ah: float = 4.0
    curve: tuple[float, ...] = CURVES[0]
    r0_ohm: float = 0.06
    r1_ohm: float = 0.04
    tau_s: float = 30.0
    charge_a: float = 2.0
    full_v: float = 4.2
    end_a: float = 0.2
    supply_a: float = 5.0
    load_a: float = 0.3
    bursts: int = 0
    # From this share of the charge on it is used for good, which takes so much away.
    used_from: float = 2.0
    used_share: float = 0.0
    taper: str = NONE
    from_percent: float = 50.0
    last_fifth_h: float = 10.0
    fall_v: float = 0.3
    around_c: float = 25.0
    warm: tuple[float, float] | None = None
    is_cool: bool = False
    start_percent: float = 25.0
    cut_percent: float | None = None
    rest_h: float = 1.0
    most_h: float = 30.0
    charges: int = 1
    # The gauge, and who reads it.
    resolution_percent: float = 1.0
    noise_percent: float = 0.0
    bend_percent: float = 0.0
    noise_v: float = 0.003
    noise_share_a: float = 0.02
    lag_s: float = 0.0
    every_s: float = 60.0
    gaps: int = 0
    tells_voltage: bool = True
    tells_current: bool = True
    is_sign_trusted: bool = True
    is_sign_turned: bool = False
    tells_temperature: bool = True
    tells_fed: bool = True
    seed: int = 0

    @property
    def truth(self) -> str:
        return {NONE: "does_not_taper", MILD: MILD}.get(self.taper, "tapers")


def device(seed: int) -> Device:
    """Return a random device, half of them with a taper."""
    at = random.Random(seed)
    made = _gauge(at, _cell(at, seed))
    taper = at.choice(KINDS) if at.random() < 0.5 else NONE
    if taper != NONE:
        made = replace(
            made,
            taper=taper,
            from_percent=at.uniform(42, 62),
            last_fifth_h=at.uniform(5, 13),
            fall_v=at.uniform(0.2, 0.4),
            most_h=40.0,
        )
    return made


def mild(seed: int) -> Device:
    """Return a random device that holds back so little that nobody can be sure."""
    at = random.Random(seed + 1_000_000)
    return replace(
        _gauge(at, _cell(at, seed)), taper=MILD, from_percent=at.uniform(50, 80)
    )


def used(made: Device) -> Device:
    """Return it as it is where somebody switches it on midway and leaves it on."""
    at = random.Random(made.seed + 2_000_000)
    return replace(
        made,
        used_from=at.uniform(0.4, 0.75),
        used_share=at.uniform(0.3, 0.9),
        most_h=60.0,
    )


def _cell(at: random.Random, seed: int) -> Device:
    capacity_ah = math.exp(at.uniform(math.log(1.5), math.log(12)))
    # Ohm times ampere-hours: 0.15 is a new cell, 0.9 one that is worn.
    ohm = math.exp(at.uniform(math.log(0.15), math.log(0.9))) / capacity_ah
    share = at.uniform(0.4, 0.8)
    charge_a = capacity_ah * math.exp(at.uniform(math.log(0.1), math.log(0.7)))
    load_a = capacity_ah * at.uniform(0.0, 0.12)
    is_weak = at.random() < 0.2
    spare_a = capacity_ah * at.uniform(0.04, 0.2) if is_weak else 2 * charge_a
    curve = at.choice(CURVES)
    raised_v = at.choice((0.0, 0.0, 0.15, 0.2))
    shape = tuple(
        volts + raised_v * soc for soc, volts in zip(TENTHS, curve, strict=True)
    )
    heat = at.random()
    return Device(
        capacity_ah=capacity_ah,
        curve=shape,
        r0_ohm=share * ohm,
        r1_ohm=(1 - share) * ohm,
        tau_s=at.uniform(20, 300),
        charge_a=charge_a,
        full_v=shape[-1] - at.choice((0.0, 0.0, 0.05)),
        end_a=capacity_ah / at.uniform(10, 50),
        supply_a=spare_a + load_a,
        load_a=load_a,
        bursts=at.randint(1, 8) if at.random() < 0.2 else 0,
        around_c=at.uniform(15, 34),
        warm=(at.uniform(0.1, 0.6), at.uniform(0.6, 1.6)) if heat < 0.1 else None,
        is_cool=0.1 <= heat < 0.13,
        seed=seed,
    )


def _gauge(at: random.Random, cell: Device) -> Device:
    is_whole = at.random() < 0.6
    is_by_hand = at.random() < 0.2
    tells_current = not is_by_hand and at.random() < 0.7
    return replace(
        cell,
        start_percent=at.uniform(5, 45) if at.random() < 0.8 else at.uniform(45, 65),
        cut_percent=at.uniform(84, 98) if at.random() < 0.1 else None,
        rest_h=at.uniform(0.2, 3),
        charges=1 if at.random() < 0.7 else at.randint(2, 4),
        resolution_percent=1.0 if is_whole or is_by_hand else at.choice((0.01, 0.1)),
        noise_percent=0.0 if is_whole else at.choice((0.0, 0.1, 0.3)),
        bend_percent=at.uniform(-1.5, 1.5),
        noise_v=at.uniform(0.001, 0.008),
        noise_share_a=at.uniform(0.005, 0.04),
        lag_s=at.choice((0.0, 0.0, 30.0, 120.0)),
        every_s=600.0 if is_by_hand else at.choice((10.0, 30.0, 60.0, 120.0, 300.0)),
        gaps=at.randint(1, 3) if at.random() < 0.3 else 0,
        tells_voltage=not is_by_hand and at.random() < 0.85,
        tells_current=tells_current,
        is_sign_trusted=at.random() < 0.7,
        is_sign_turned=at.random() < 0.3,
        tells_temperature=not is_by_hand and at.random() < 0.8,
        tells_fed=not is_by_hand and at.random() < 0.85,
    )


# --- the cell and its charger ---------------------------------------------------------


def ocv(curve: tuple[float, ...], soc: float) -> float:
    place = min(max(bisect_right(TENTHS, soc) - 1, 0), len(TENTHS) - 2)
    low, high = curve[place], curve[place + 1]
    return low + (high - low) * (soc - TENTHS[place]) * 10


class _Charge:
    """One charge, in the gauge's percent: what ends a charge is 100 to it."""

    def __init__(self, made: Device, at: random.Random) -> None:
        self.made, self._at = made, at
        self.full = _full_soc(made)
        self.factor = _factor(made, self.full)
        self.soc = made.start_percent / 100 * self.full
        self.rc_v = 0.0
        self.at_s = 0.0
        self.ended = False
        self.current_a = 0.0
        self.voltage_v = ocv(made.curve, self.soc)
        self._bursts = _bursts(made, at)

    @property
    def told(self) -> float:
        return self.soc / self.full

    def celsius(self) -> float:
        made = self.made
        if made.is_cool:
            return 6.0
        share = (self.told - made.start_percent / 100) / (1 - made.start_percent / 100)
        if made.warm is not None and made.warm[0] <= share <= made.warm[1]:
            return 47.0
        return made.around_c + 6.0 * self.current_a / max(made.charge_a, 1e-9)

    def step(self) -> None:
        made = self.made
        open_v = ocv(made.curve, self.soc)
        most_a, limit_v = made.charge_a * self.factor(self.told), self._limit_v()
        celsius = self.celsius()
        if made.is_cool:
            most_a *= 0.2
        if celsius >= 45:
            limit_v = min(limit_v, 4.0)
        load_a = made.load_a + self._burst_a()
        spare_a = made.supply_a - load_a
        if self.told >= made.used_from:
            spare_a = min(spare_a, made.charge_a) * (1 - made.used_share)
        held_a = (limit_v - open_v - self.rc_v) / made.r0_ohm
        flow = 0.0 if self.ended else max(min(most_a, held_a), 0.0)
        flow = min(flow, spare_a)
        ends_a = min(made.end_a, 0.5 * most_a)
        if not self.ended and held_a <= ends_a and celsius < 45:
            self.ended = True
        if self.told >= 1.0:
            self.ended, flow = True, min(flow, 0.0)
        self.current_a = flow
        self.voltage_v = open_v + self.rc_v + flow * made.r0_ohm
        left = math.exp(-STEP_S / made.tau_s)
        self.rc_v = self.rc_v * left + flow * made.r1_ohm * (1 - left)
        self.soc += flow * STEP_S / (3600 * made.capacity_ah)
        self.soc = min(max(self.soc, 0.0), 1.0)
        self.at_s += STEP_S

    def _limit_v(self) -> float:
        made = self.made
        if made.taper != "lowered":
            return made.full_v
        begin = made.from_percent / 100
        share = min(max((self.told - begin) / (1 - begin), 0.0), 1.0)
        return made.full_v - made.fall_v * share

    def _burst_a(self) -> float:
        return sum(
            amps for begin, end, amps in self._bursts if begin <= self.at_s < end
        )


def _full_soc(made: Device) -> float:
    """Return the true charge at which the device's charge ends."""
    drop_v = made.fall_v if made.taper == "lowered" else 0.0
    volts = (
        made.full_v
        - drop_v
        - made.end_a
        * (made.r0_ohm + made.r1_ohm)
        * (made.taper == NONE or made.taper == MILD)
    )
    low, high = 0.0, 1.0
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if ocv(made.curve, middle) < volts else (low, middle)
    return low


def _factor(made: Device, full: float) -> Callable[[float], float]:
    """Return which share of its current the charger gives at a level of its gauge."""
    if made.taper == NONE:
        return lambda told: 1.0
    spare_a = min(made.charge_a, made.supply_a - made.load_a)
    fifth_h = 0.2 * full * made.capacity_ah / spare_a
    begin = made.from_percent / 100
    if made.taper == MILD:
        slow = random.Random(made.seed).uniform(1.6, 2.5)
        share = spare_a / made.charge_a / slow
        return lambda told: 1.0 if told < begin else share
    slow = max(made.last_fifth_h / fifth_h, 2.5)
    scale = spare_a / made.charge_a
    if made.taper == "stepped":
        first, second = 1 / math.sqrt(slow), 1 / slow
        return lambda told: (
            1.0 if told < begin else scale * (first if told < 0.75 else second)
        )
    power = _bisected(lambda k: _mean_slow(k, begin), slow)
    return lambda told: (
        1.0 if told < begin else scale * math.exp(-power * (told - begin))
    )


def _mean_slow(power: float, begin: float) -> float:
    levels = [0.805 + 0.01 * each for each in range(20)]
    return sum(math.exp(power * (level - begin)) for level in levels) / 20


def _bisected(function: Callable[[float], float], wanted: float) -> float:
    low, high = 0.0, 30.0
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if function(middle) < wanted else (low, middle)
    return low


def _bursts(made: Device, at: random.Random) -> list[tuple[float, float, float]]:
    spare_a = min(made.charge_a, made.supply_a - made.load_a)
    found = []
    for _ in range(made.bursts):
        begin_s = at.uniform(0, 6 * 3600)
        amps = (made.supply_a - made.load_a) - spare_a * at.uniform(0.0, 0.7)
        found.append((begin_s, begin_s + at.uniform(300, 3600), max(amps, 0.0)))
    return found


# --- the gauge, and who reads it ------------------------------------------------------


def rows(made: Device) -> list[Row]:
    """Return what was read over all charges of a device, with discharges between."""
    at = random.Random(made.seed + 7)
    found: list[Row] = []
    begin_s = 0.0
    for number in range(made.charges):
        one = replace(
            made,
            start_percent=min(max(made.start_percent + at.uniform(-8, 8), 3), 68)
            if number
            else made.start_percent,
        )
        found += [
            row._replace(at_s=row.at_s + begin_s) for row in _charge_rows(one, at)
        ]
        begin_s = found[-1].at_s + made.every_s
        if number + 1 < made.charges:
            found += _away(found[-1], made, begin_s)
            begin_s = found[-1].at_s + made.every_s
    return found


def _charge_rows(made: Device, at: random.Random) -> list[Row]:
    charge = _Charge(made, at)
    found: list[Row] = []
    past: list[float] = []
    next_s, rested_s = at.uniform(0, made.every_s), 0.0
    while charge.at_s < 3600 * made.most_h and rested_s <= 3600 * made.rest_h:
        past.append(charge.told)
        while next_s < charge.at_s + STEP_S:
            late = past[max(len(past) - 1 - round(made.lag_s / STEP_S), 0)]
            found.append(_row(made, charge, late, next_s, at))
            next_s += made.every_s
        charge.step()
        if charge.ended or abs(charge.current_a) < 0.002 * made.capacity_ah:
            rested_s += STEP_S
        if made.cut_percent is not None and 100 * charge.told >= made.cut_percent:
            break
    return _with_gaps(found, made, at)


def _row(
    made: Device, charge: _Charge, told: float, at_s: float, at: random.Random
) -> Row:
    percent = 100 * told + made.bend_percent * math.sin(math.pi * told)
    percent += at.gauss(0, made.noise_percent)
    steps = math.floor(percent / made.resolution_percent + 1e-9)
    soc = min(max(steps * made.resolution_percent, 0.0), 100.0)
    amps = charge.current_a * (1 + at.gauss(0, made.noise_share_a))
    amps += at.gauss(0, 0.003)
    sign = -1 if made.is_sign_turned and not made.is_sign_trusted else 1
    status = BatteryStatus.CHARGING
    if charge.ended:
        status = BatteryStatus.FULL
    elif charge.current_a <= 0:
        status = BatteryStatus.NOT_CHARGING
    volts = round(charge.voltage_v + at.gauss(0, made.noise_v), 3)
    return Row(
        at_s,
        round(soc, 2),
        volts if made.tells_voltage else None,
        round(sign * amps, 3) if made.tells_current else None,
        round(charge.celsius() + at.gauss(0, 0.3), 1)
        if made.tells_temperature
        else None,
        True if made.tells_fed else None,
        status if made.tells_fed else BatteryStatus.UNKNOWN,
    )


def _with_gaps(found: list[Row], made: Device, at: random.Random) -> list[Row]:
    for _ in range(made.gaps):
        begin_s = at.uniform(0, found[-1].at_s)
        end_s = begin_s + at.uniform(300, 5400)
        kept = [row for row in found if not begin_s < row.at_s < end_s]
        found = kept if len(kept) > 20 else found
    return found


def _away(last: Row, made: Device, begin_s: float) -> list[Row]:
    """Return the discharge up to the next charge, read every ten minutes."""
    found, soc, at_s = [], last.soc_percent, begin_s
    while soc > made.start_percent:
        soc -= 2.0
        at_s += 600.0
        found.append(
            last._replace(
                at_s=at_s,
                soc_percent=max(float(round(soc)), 0.0),
                voltage_v=None if last.voltage_v is None else 3.7,
                current_a=None if last.current_a is None else -0.4,
                is_fed=None if last.is_fed is None else False,
                status=BatteryStatus.DISCHARGING
                if last.is_fed is not None
                else BatteryStatus.UNKNOWN,
            )
        )
    return found


# --- as tidegate has it ---------------------------------------------------------------


def series(made: Device, told: list[Row] | None = None) -> Series:
    """Return what was read as the rest of tidegate is given it."""
    found = rows(made) if told is None else told
    points = tuple(
        Point(
            at_ms=BEGIN_MS + round(1000 * row.at_s),
            soc_percent=row.soc_percent,
            voltage_v=row.voltage_v,
            current_a=row.current_a,
            temperature_c=row.temperature_c,
            charge_ah=None,
            is_fed=row.is_fed,
            status=row.status,
        )
        for row in found
    )
    most_ms = max(4000 * made.every_s, 600_000)
    return Series(
        station="hall",
        path=Path("hall.csv"),
        points=points,
        breaks=tuple(
            place
            for place in range(1, len(points))
            if points[place].at_ms - points[place - 1].at_ms > most_ms
        ),
        is_whole=all(point.soc_percent.is_integer() for point in points),
        sign_is_trusted=made.is_sign_trusted,
        is_calendar=True,
        is_log=False,
        step_s=made.every_s,
        given=Set(policy=Policy()),
    )


def csv_text(told: list[Row]) -> str:
    """Return the rows as somebody would write them down; empty is what was not told."""
    fed = {True: "yes", False: "no", None: ""}
    lines = [
        "time,soc_percent,voltage_v,current_a,temperature_c,external_power,"
        "battery_status,current_sign_trusted"
    ]
    lines += [
        f"{row.at_s:.0f},{row.soc_percent:g},{_cell_of(row.voltage_v)},"
        f"{_cell_of(row.current_a)},{_cell_of(row.temperature_c)},{fed[row.is_fed]},"
        f"{row.status.value},true"
        for row in told
    ]
    return "\n".join(lines) + "\n"


def _cell_of(value: float | None) -> str:
    return "" if value is None else f"{value:g}"
