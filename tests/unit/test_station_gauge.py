"""Readings in: whatever a gauge does, the station goes on and ends up on."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest

from support.shell_rig import HANGS, OFF, ON, Mood, Rig, lives
from tidegate.core.reading import Sample
from tidegate.cyclelog.rows import FailureRow, ReadingRow
from tidegate.errors import Malformed, Refused, Unavailable, Unsupported


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    return Rig(tmp_path)


def error(kind: type[Exception]) -> Exception:
    if issubclass(kind, (Unavailable, Refused, Malformed, Unsupported)):
        return kind("fails by order", target="fake", remedy="None.")
    return kind("fails by order")


async def lost_and_found(rig: Rig, mood: Mood) -> None:
    """Off; then the gauge is in this mood; the supply must come on, and control."""
    async with rig.living():
        await rig.live(200)
        await rig.settled_off()
        gauge = rig.gauges["lobby"]
        began_ms = rig.clock.boot_ms()
        gauge.order("read", mood)
        await rig.until(lambda: rig.now("lobby").contact is ON, 400, "on")
        # stale_after, and three polls.
        assert rig.clock.boot_ms() - began_ms <= 180_000 + 3 * 36_000
        assert rig.state().latches.gauge is not None
        gauge.standing.clear()
        await rig.until(lambda: rig.state().latches.gauge is None, 200, "it is back")
        rig.devices["lobby"].soc_percent = 66.0
        await rig.until_told(OFF)
    rig.sound()


@pytest.mark.parametrize(
    ("kind", "word"),
    [
        (Unavailable, "unavailable"),
        (Refused, "refused"),
        (Malformed, "malformed"),
        (Unsupported, "unsupported"),
        (RuntimeError, "unforeseen"),
        (OSError, "unforeseen"),
        (AttributeError, "unforeseen"),
        (AssertionError, "unforeseen"),
    ],
)
def test_every_error_is_a_failed_read_and_the_device_is_on(
    rig: Rig, kind: type[Exception], word: str
) -> None:
    lives(rig, lambda: lost_and_found(rig, Mood(error=error(kind))))
    assert {row.kind for row in rig.rows(FailureRow)} == {word}
    opened, closed = rig.notes("gauge open"), rig.notes("gauge close")
    reopens = word in ("malformed", "unforeseen")
    assert (len(opened) > 1) is reopens
    assert (len(closed) > 1) is reopens
    traces = [line for line in rig.said() if "exception" in line]
    assert len(traces) == (word == "unforeseen"), "the traceback is written once"


@pytest.mark.parametrize("is_deaf", [False, True])
def test_a_gauge_that_hangs_for_ever_is_cut_at_its_limit(
    rig: Rig, is_deaf: bool
) -> None:
    """Also one that does not let itself be cancelled."""
    lives(rig, lambda: lost_and_found(rig, Mood(takes_s=1e6, is_deaf=is_deaf)))
    assert {row.kind for row in rig.rows(FailureRow)} == {"slow"}


@pytest.mark.parametrize("is_deaf", [False, True])
@pytest.mark.parametrize("call", ["open", "close"])
def test_a_gauge_whose_open_or_close_hangs_is_bounded(
    rig: Rig, call: str, is_deaf: bool
) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            await rig.settled_off()
            gauge = rig.gauges["lobby"]
            gauge.order(call, Mood(takes_s=1e6, is_deaf=is_deaf))
            gauge.order("read", Mood(error=error(Malformed)), times=1)
            if call == "close":
                await rig.live(120)
                assert rig.state().watch.bad_reads == 0, "it reads again"
                return
            await rig.until(lambda: rig.now("lobby").contact is ON, 400, "on")
            gauge.standing.clear()
            await rig.until(
                lambda: rig.state().latches.gauge is None, 200, "it is back"
            )

    lives(rig, life)
    rig.sound()


NONSENSE: dict[str, Any] = {
    "nothing": None,
    "a word": "63",
    "an empty sample": Sample(),
    "not a number": Sample(soc_percent=math.nan),
    "infinite": Sample(soc_percent=math.inf),
    "a text as charge": Sample(soc_percent="63"),  # type: ignore[arg-type]
    "beyond": Sample(soc_percent=6300.0, voltage_v=3.9),
    "a text as voltage": Sample(soc_percent=63.0, voltage_v="3.9"),  # type: ignore[arg-type]
    "a text as status": Sample(soc_percent=63.0, battery_status="odd"),  # type: ignore[arg-type]
    "a text as temperature": Sample(soc_percent=63.0, temperature_c="warm"),  # type: ignore[arg-type]
    "no flags": Sample(soc_percent=63.0, voltage_v=3.9, flags=None),  # type: ignore[arg-type]
    "a list as pack": Sample(soc_percent=63.0, voltage_v=3.9, pack=["x"]),  # type: ignore[arg-type]
    "uptime of another kind": Sample(soc_percent=63.0, voltage_v=3.9, uptime_s="x"),  # type: ignore[arg-type]
}


@pytest.mark.parametrize("answer", NONSENSE.values(), ids=NONSENSE)
def test_nonsense_never_ends_the_daemon(rig: Rig, answer: Any) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            await rig.settled_off()
            rig.gauges["lobby"].order("read", Mood(answer=answer))
            await rig.live(400)
            assert rig.now("lobby").contact is ON

    lives(rig, life)
    assert rig.rows(FailureRow) or any(
        row.why_not is not None for row in rig.rows(ReadingRow)
    )
    rig.sound()


def test_an_unforeseen_error_of_opening_costs_only_its_own_station(
    tmp_path: Path,
) -> None:
    rig = Rig(tmp_path, names=("lobby", "stairs"))

    def prepare() -> None:
        if "lobby" in rig.gauges:
            rig.gauges["lobby"].order("open", Mood(error=error(RuntimeError)))

    rig.prepare = prepare

    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            rig.devices["stairs"].soc_percent = 66.0
            await rig.until_told(OFF, "stairs")
            rig.gauges["lobby"].standing.clear()
            rig.devices["lobby"].soc_percent = 66.0
            await rig.until_told(OFF, "lobby")

    lives(rig, life)


def test_a_sample_taken_across_a_move_of_the_contact_is_not_used(rig: Rig) -> None:
    """The read begins before the relay is told and ends after it has moved."""

    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            gauge = rig.gauges["lobby"]
            rig.devices["lobby"].soc_percent = 66.0
            await rig.until(lambda: rig.state().drive.commanded is OFF, 60, "decided")
            await rig.live(240)
            # Slow from here: 4 s a read, so the one before the on is cut at 2 s.
            gauge.order("read", Mood(takes_s=4.0))
            rig.devices["lobby"].soc_percent = 20.0
            await rig.until_told(ON)

    lives(rig, life)
    moved = [n.at_ms for n in rig.notes("moved")]
    took_ms = 4_000
    for row in rig.rows(ReadingRow):
        for at_ms in {row.boot_ms, row.boot_ms + row.span_ms}:
            if row.took_ms == 0 and at_ms > moved[-2]:
                began_ms = at_ms - took_ms
                assert not any(began_ms < m <= at_ms for m in moved[2:]), (at_ms, moved)


@pytest.mark.parametrize("read_s", [0.3, 1.9, 4.0])
@pytest.mark.parametrize("relay_s", [0.7, 3.0])
def test_no_reading_overlaps_a_relay_call_whatever_their_lengths(
    rig: Rig, read_s: float, relay_s: float
) -> None:
    """Reads and calls of every length, hints at odd times: none may straddle."""

    async def life() -> None:
        async with rig.living():
            gauge, relay = rig.gauges["lobby"], rig.relays["lobby"]
            gauge.order("read", Mood(takes_s=read_s))
            relay.order("set", Mood(takes_s=relay_s))
            for level in (66.0, 54.0) * 3:
                rig.devices["lobby"].soc_percent = level
                for wait_s in (3.1, 7.7, 40.0, 61.3, 80.9):
                    await rig.live(wait_s)
                    gauge.host.hint()

    rig.table["poll"] = "5s"
    lives(rig, life)
    calls, begun = [], None
    for note in rig.journal:
        if note.what == "told":
            begun = note.at_ms
        elif note.what == "moved":
            assert begun is not None
            calls.append((begun, note.at_ms))
    assert len(calls) >= 6
    for row in rig.rows(ReadingRow):
        ends = {row.boot_ms, row.boot_ms + row.span_ms}
        for at_ms in ends:
            start = at_ms - round(read_s * 1000)
            for begin, end in calls:
                crosses = start < end and begin < at_ms
                assert not crosses, (start, at_ms, begin, end)


def test_an_early_read_does_not_make_a_later_one_forgotten(rig: Rig) -> None:
    """Critical heat is confirmed 5 s later, however much a chatty driver hints."""
    rig.table["poll"] = "2min"
    rig.table["stale_after"] = "5min"

    async def life() -> None:
        async with rig.living():
            await rig.live(400)
            rig.devices["lobby"].temperature_c = 61.0
            await rig.until(
                lambda: rig.state().watch.critical is not None, 130, "a first hot one"
            )
            began_ms = rig.notes("read")[-1].at_ms
            await rig.live(1)
            rig.gauges["lobby"].host.hint()
            await rig.until_told(OFF)
            assert rig.notes("told")[-1].at_ms - began_ms <= 5_100

    lives(rig, life)


def test_hints_do_not_read_more_than_twice_a_second(rig: Rig) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(60)
            seen, began_ms = len(rig.notes("read")), rig.clock.boot_ms()
            for _ in range(1_000):
                rig.gauges["lobby"].host.hint()
                await rig.live(0.01)
            passed_s = (rig.clock.boot_ms() - began_ms) / 1_000
            reads = len(rig.notes("read")) - seen
            assert passed_s * 1.9 <= reads <= passed_s * 2 + 2

    lives(rig, life)


def test_a_gauge_that_hangs_does_not_delay_another_station(tmp_path: Path) -> None:
    rig = Rig(tmp_path, names=("lobby", "stairs"))

    async def life() -> None:
        async with rig.living():
            await rig.live(200)
            rig.gauges["lobby"].order("read", HANGS)
            rig.devices["stairs"].soc_percent = 66.0
            began_ms = rig.clock.boot_ms()
            await rig.until_told(OFF, "stairs")
            assert rig.clock.boot_ms() - began_ms <= 31_000

    lives(rig, life)


@pytest.mark.parametrize(("takes_s", "is_given_up"), [(11.0, False), (13.0, True)])
def test_a_gauge_is_waited_for_as_long_as_it_declares(
    rig: Rig, takes_s: float, is_given_up: bool
) -> None:
    """A device behind a debug bridge may take ten seconds."""
    rig.gauge_facts["answers_within_s"] = 12.0

    async def life() -> None:
        async with rig.living():
            await rig.live(60)
            rig.gauges["lobby"].order("read", Mood(takes_s=takes_s))
            await rig.live(120)

    lives(rig, life)
    assert bool(rig.rows(FailureRow)) is is_given_up
