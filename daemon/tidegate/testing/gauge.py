"""What every gauge must do, clause by clause."""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable
from types import UnionType
from typing import Any, Final, get_args, get_origin, get_type_hints

from tidegate.core.reading import (
    SAMPLE_FIELDS,
    BatteryStatus,
    ExternalPower,
    Sample,
)
from tidegate.errors import Unavailable
from tidegate.testing.bench import GaugeBench
from tidegate.testing.clauses import expect, expect_error, no_error, within
from tidegate.testing.declared import errors_are_reachable
from tidegate.testing.gauge_cut import (
    cancelled_open_leaves_it_usable,
    cancelled_read_leaves_it_usable,
    closed_during_a_read_is_clean,
)

# A read that may take longer would miss a poll of the longest kind. An engineering
# choice, no source.
ANSWERS_WITHIN_MOST_S: Final = 120.0

# What a sample says of itself or of a figure, and what has a meaning even unsaid.
_ABOUT: Final = frozenset(
    {
        "took_s",
        "raw",
        "claims",
        "flags",
        "present",
        "current_sign_trusted",
        "temperature_sensor",
    }
)
# Wide enough for any one battery, narrow enough to catch mV, mA, mAh and 0.1 °C taken
# for the unit itself. Engineering choices, no source.
_RANGES: Final = {
    "soc_percent": (0.0, 100.0),
    "voltage_v": (0.5, 500.0),
    "current_a": (-500.0, 500.0),
    "temperature_c": (-60.0, 120.0),
    "charge_ah": (0.0, 1_000.0),
    "full_charge_ah": (0.0, 1_000.0),
    "design_charge_ah": (0.0, 1_000.0),
    "took_s": (0.0, 60.0),
}


async def facts_are_sound(bench: GaugeBench) -> None:
    """An open gauge tells what it is like, in words and figures that can be."""
    async with bench.make() as gauge:
        facts = gauge.facts
        strangers = facts.gives - set(SAMPLE_FIELDS)
        expect(not strangers, f"gives names no quantities: {sorted(strangers)}")
        expect(bool(facts.gives), "gives is empty")
        expect(
            math.isfinite(facts.latency_s) and facts.latency_s >= 0,
            f"latency_s is {facts.latency_s}",
        )
        answers_s, silence_s = facts.answers_within_s, facts.silence_alarm_s
        expect(
            0 < answers_s <= ANSWERS_WITHIN_MOST_S,
            f"answers_within_s is {answers_s}, not over 0 and at most "
            f"{ANSWERS_WITHIN_MOST_S:g}",
        )
        expect(
            silence_s is None or answers_s < silence_s < math.inf,
            f"silence_alarm_s is {silence_s}, not longer than a read may take",
        )


async def samples_have_their_types(bench: GaugeBench) -> None:
    """Each quantity is of the type that ``Sample`` declares, and no bool a number."""
    async with bench.make() as gauge:
        sample = await gauge.read()
    expect(isinstance(sample, Sample), f"read returned {type(sample).__name__}")
    hints = get_type_hints(Sample)
    for name in SAMPLE_FIELDS:
        value = getattr(sample, name)
        expect(
            _fits(value, hints[name]), f"{name} is {value!r}, {hints[name]} is declared"
        )


async def samples_are_in_units(bench: GaugeBench) -> None:
    """Figures are finite, in the units of their names, and survive rounding."""
    async with bench.make() as gauge:
        sample = await gauge.read()
    for name, (least, most) in _RANGES.items():
        value = getattr(sample, name)
        expect(
            value is None or least <= value <= most,
            f"{name} is {value}: not finite, or in another unit",
        )
    rounded = sample.rounded()
    expect(rounded == rounded.rounded(), "the sample does not round to a fixed value")


async def gives_is_the_truth(bench: GaugeBench) -> None:
    """What is promised comes, and nothing comes that was not promised."""
    async with bench.make() as gauge:
        sample = await gauge.read()
        gives = gauge.facts.gives
    said = {name for name in SAMPLE_FIELDS if _is_said(getattr(sample, name))}
    extra = said - gives - _ABOUT
    expect(not extra, f"the sample has {sorted(extra)}, which gives does not name")
    missing = gives - said - _ABOUT - bench.lacks
    expect(not missing, f"gives promises {sorted(missing)}, the sample has none")


async def reads_may_be_repeated(bench: GaugeBench) -> None:
    """A gauge answers again and again while it is open."""
    async with bench.make() as gauge:
        for _ in range(3):
            await no_error(gauge.read(), when="read of a healthy peer")


async def close_may_be_repeated(bench: GaugeBench) -> None:
    """Close before open, twice, and open again after it."""
    gauge = bench.make()
    await no_error(gauge.close(), when="close of a gauge that was never open")
    for _ in range(2):
        await no_error(gauge.open(), when="open")
        await no_error(gauge.read(), when="read")
        await no_error(gauge.close(), when="close")
        await no_error(gauge.close(), when="close a second time")


async def closed_is_unavailable(bench: GaugeBench) -> None:
    """A gauge that is not open says so instead of reading."""
    gauge = bench.make()
    await expect_error(gauge.read(), Unavailable, when="read before open")
    await gauge.open()
    await gauge.close()
    await expect_error(gauge.read(), Unavailable, when="read after close")


async def faults_are_told(bench: GaugeBench) -> None:
    """Each fault of the peer gives its error, and once mended the gauge works."""
    for fault in bench.faults:
        gauge = bench.make()
        if fault.during != "open":
            await gauge.open()
        await fault.provoke()
        try:
            call: Awaitable[object] = (
                gauge.open() if fault.during == "open" else gauge.read()
            )
            await expect_error(call, fault.error, when=fault.name)
            await no_error(gauge.close(), when=f"close under {fault.name}")
        finally:
            await fault.mend()
        await no_error(gauge.open(), when=f"open after {fault.name}")
        await no_error(gauge.read(), when=f"read after {fault.name}")
        await gauge.close()


Clause = Callable[[GaugeBench], Awaitable[None]]
GAUGE_CLAUSES: Final[tuple[Clause, ...]] = (
    facts_are_sound,
    samples_have_their_types,
    samples_are_in_units,
    gives_is_the_truth,
    reads_may_be_repeated,
    cancelled_open_leaves_it_usable,
    cancelled_read_leaves_it_usable,
    closed_during_a_read_is_clean,
    close_may_be_repeated,
    closed_is_unavailable,
    faults_are_told,
)


async def check_gauge(bench: GaugeBench) -> None:
    """Run every clause. Raises AssertionError with the first that does not hold."""
    for clause in GAUGE_CLAUSES:
        name = getattr(clause, "__name__", repr(clause))
        await within(bench.limit_s, clause(bench), name=name)
    await within(
        bench.limit_s, errors_are_reachable(bench), name="errors_are_reachable"
    )


def _fits(value: Any, hint: Any) -> bool:
    """Return whether a value is of a declared type; an int serves as a float."""
    if get_origin(hint) is UnionType:
        return any(_fits(value, each) for each in get_args(hint))
    if get_origin(hint) is frozenset:
        (member,) = get_args(hint)
        return isinstance(value, frozenset) and all(
            _fits(each, member) for each in value
        )
    if isinstance(value, bool):
        return hint is bool
    return isinstance(value, (int, float) if hint is float else hint)


def _is_said(value: object) -> bool:
    return value not in (None, BatteryStatus.UNKNOWN, ExternalPower.UNKNOWN)
