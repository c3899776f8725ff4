"""Moods of a gauge that moves, lags, breaks, talks nonsense or takes its time.

Around the twin's gauge, in virtual time. All numbers are invented.
"""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from support.host import TestHost
from tidegate.contract import Gauge, GaugeFacts
from tidegate.core.reading import Sample
from tidegate.errors import Malformed, Unavailable
from tidegate.testing import (
    SOUND,
    Absent,
    Answer,
    Break,
    FaultyGauge,
    GaugeBench,
    GaugeMood,
    Jump,
    Lag,
    Lose,
    Takes,
    check_gauge,
)
from tidegate.testing.faulty_gauge import LAG_MOST
from tidegate.twin.gauge import TwinGauge
from tidegate.twin.tables import TwinGaugeSettings
from tidegate.virtual import VirtualClock, run


class FakeCounting(Gauge):
    """Says 1 %, 2 %, 3 %: the number of the read. Errors: Unavailable."""

    def __init__(self) -> None:
        self.reads = 0
        self.notes = ["it counts"]

    @property
    def facts(self) -> GaugeFacts:
        return GaugeFacts(needs_supply=False, host_is_device=False, latency_s=0.0)

    async def open(self) -> None: ...

    async def close(self) -> None: ...

    async def read(self) -> Sample:
        self.reads += 1
        return Sample(soc_percent=float(self.reads))

    def take_notes(self) -> list[str]:
        return self.notes


def told(gauge: FaultyGauge, reads: int) -> list[float | str | None]:
    """Return what so many reads tell, an error by its name."""

    async def ask() -> list[float | str | None]:
        answers: list[float | str | None] = []
        async with gauge:
            for _ in range(reads):
                try:
                    answers.append((await gauge.read()).soc_percent)
                except Exception as error:  # noqa: BLE001 - whatever a mood raises
                    answers.append(type(error).__name__)
        return answers

    return run(ask(), clock=VirtualClock())


@pytest.mark.parametrize(
    ("points", "soc_percent"),
    [(-30.0, 30.0), (30.0, 90.0), (-61.0, 0.0), (41.0, 100.0), (0.0, 60.0)],
)
def test_jump_stays_within_what_there_is(points: float, soc_percent: float) -> None:
    settings = TwinGaugeSettings(soc_percent=60.0)
    host = TestHost(now_ms=1_000_000)
    plain = told(FaultyGauge(TwinGauge(settings, host)), 1)
    assert plain == [60.0]
    jumping = FaultyGauge(TwinGauge(settings, host), [(1, Jump(points))])
    assert told(jumping, 2) == [soc_percent, 60.0]


def test_jump_of_a_gauge_without_a_figure() -> None:
    class FakeMute(FakeCounting):
        async def read(self) -> Sample:
            return Sample(voltage_v=3.8)

    assert told(FaultyGauge(FakeMute(), [(1, Jump(5))]), 1) == [None]


def test_lag_tells_what_was() -> None:
    script: list[tuple[int, GaugeMood]] = [(3, SOUND), (4, Lag(2)), (1, Lag(1))]
    gauge = FaultyGauge(FakeCounting(), script)
    assert told(gauge, 10) == [1, 2, 3, 2, 3, 4, 5, 7, 9, 10]


def test_lag_from_the_first_read_on_tells_the_oldest() -> None:
    gauge = FaultyGauge(FakeCounting())
    gauge.order(Lag(3))
    assert told(gauge, 6) == [1, 1, 1, 1, 2, 3]


def test_longest_lag_is_kept_and_a_longer_one_is_none() -> None:
    gauge = FaultyGauge(FakeCounting(), [(LAG_MOST + 5, SOUND), (1, Lag(LAG_MOST))])
    assert told(gauge, LAG_MOST + 6)[-1] == 6
    for reads in (0, LAG_MOST + 1):
        with pytest.raises(AssertionError, match="a lag of 1 to"):
            Lag(reads)


def test_lag_counts_what_the_gauge_inside_said() -> None:
    """A read that never reached it tells nothing that could be told late."""
    script: list[tuple[int, GaugeMood]] = [
        (1, SOUND),
        (2, Lose()),
        (1, Answer(Sample(soc_percent=77.0))),
        (2, Lag(1)),
    ]
    assert told(FaultyGauge(FakeCounting(), script), 6) == [
        1,
        "Unavailable",
        "Unavailable",
        77,
        1,
        2,
    ]


def test_break_raises_the_same_error_and_does_not_pile_up() -> None:
    error = ZeroDivisionError("by a driver of the cellar")
    gauge = FaultyGauge(FakeCounting())
    gauge.order(Break(error))

    async def depth() -> int:
        with pytest.raises(ZeroDivisionError) as caught:
            await gauge.read()
        assert caught.value is error
        return len(caught.traceback)

    async def ask() -> list[int]:
        return [await depth() for _ in range(3)]

    first, second, third = run(ask(), clock=VirtualClock())
    assert first == second == third
    gauge.order(SOUND)
    assert told(gauge, 1) == [1]


def test_answer_is_given_whole_and_asks_nobody() -> None:
    nonsense = Sample(soc_percent=4200.0, voltage_v=-3.0, took_s=2.0, raw="4200")
    inner = FakeCounting()
    gauge = FaultyGauge(inner, [(2, Answer(nonsense))])

    async def ask() -> list[Sample]:
        return [await gauge.read() for _ in range(3)]

    first, second, third = run(ask(), clock=VirtualClock())
    assert first is second is nonsense
    assert (third.soc_percent, inner.reads, gauge.reads) == (1, 1, 3)


def test_takes_passes_virtual_time_and_then_asks() -> None:
    clock, inner = VirtualClock(), FakeCounting()
    gauge = FaultyGauge(inner, [(1, Takes(90))])

    async def ask() -> None:
        read = asyncio.create_task(gauge.read())
        await asyncio.sleep(89)
        assert inner.reads == 0
        assert (await read).soc_percent == 1

    run(ask(), clock=clock)
    assert clock.running_ms() == 90_000


def test_read_that_is_given_up_asks_nobody() -> None:
    inner = FakeCounting()
    gauge = FaultyGauge(inner, [(1, Takes(90))])

    async def ask() -> None:
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(gauge.read(), 5)
        await asyncio.sleep(200)

    run(ask(), clock=VirtualClock())
    assert inner.reads == 0


async def test_absent_gauge_is_not_even_opened() -> None:
    gauge = FaultyGauge(FakeCounting())
    gauge.order(Absent(Malformed))
    for call in (gauge.open(), gauge.read()):
        with pytest.raises(Malformed, match="lost by order"):
            await call
    gauge.order(SOUND)
    async with gauge:
        assert (await gauge.read()).soc_percent == 1


def test_notes_are_those_of_the_gauge_inside() -> None:
    assert FaultyGauge(FakeCounting()).take_notes() == ["it counts"]


# ---- what the conformance kit makes of them


def check(mood: GaugeMood) -> None:
    """Run the kit against a wrapped twin in this mood, in virtual time."""

    class Wrapped(FaultyGauge):
        """A twin in a mood. Errors: Unavailable."""

    def make() -> Gauge:
        gauge = Wrapped(TwinGauge(TwinGaugeSettings(), TestHost(now_ms=1_000_000)))
        gauge.order(mood)
        return gauge

    bench = GaugeBench(make=make, cannot_happen_here={Unavailable: "no events"})
    run(check_gauge(bench), clock=VirtualClock())


AS_TEXT: Any = "61 %"
OUTSIDE = Sample(soc_percent=4200.0)
STRANGE = Sample(soc_percent=AS_TEXT)


@pytest.mark.parametrize(
    ("mood", "said"),
    [
        (Break(KeyError("capacity")), "samples_have_their_types: KeyError"),
        (Break(Malformed("x", target="x")), "samples_have_their_types: Malformed"),
        (Answer(STRANGE), "soc_percent is '61 %'"),
        (Answer(OUTSIDE), "soc_percent is 4200.0: not finite, or in another unit"),
        (Takes(60), r"samples_have_their_types: not done within 20 s"),
        (Absent(), "facts_are_sound: Unavailable"),
        (Lose(), "samples_have_their_types: Unavailable"),
    ],
)
def test_kit_finds_a_mood(mood: GaugeMood, said: str) -> None:
    with pytest.raises(AssertionError, match=said):
        check(mood)


@pytest.mark.parametrize("mood", [SOUND, Jump(-5.0), Lag(3), Takes(0.5)])
def test_kit_passes_what_keeps_the_contract(mood: GaugeMood) -> None:
    """A battery that lies within its range breaks no contract: the core judges it."""
    check(mood)


def test_answer_of_a_closed_gauge_is_found_where_the_figures_are_sound() -> None:
    async def sample() -> Sample:
        async with TwinGauge(TwinGaugeSettings(), TestHost(now_ms=1_000_000)) as gauge:
            return await gauge.read()

    sound = run(sample(), clock=VirtualClock())
    with pytest.raises(AssertionError, match=r"closed_is_unavailable: .*nothing was"):
        check(Answer(sound))
