"""Turns at an adb server and patience with a device, in virtual time. All invented."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

import pytest

from tidegate.errors import Unavailable
from tidegate.virtual import VirtualClock, run
from tidegate_backends.adb.patience import Patience
from tidegate_backends.adb.turns import AT_ONCE, GIVES_WAY_AFTER_S, Turn, Turns


class Calls:
    """Calls that hold their turn for a while, and when they got it."""

    def __init__(self) -> None:
        self.turns = Turns()
        self.began: dict[str, float] = {}
        self.ended: dict[str, float] = {}
        self.most = 0

    async def call(
        self,
        name: str,
        *,
        device: str = "",
        lasts_s: float = 1.0,
        is_suspect: bool = False,
        within_s: float = 600.0,
    ) -> Turn:
        loop = asyncio.get_running_loop()
        async with self.turns.turn(
            device or name, is_suspect=is_suspect, within_s=within_s
        ) as turn:
            self.began[name] = loop.time()
            self.most = max(self.most, self.turns.running)
            stopped = asyncio.Event()
            turn.stop = stopped.set
            try:
                async with asyncio.timeout(lasts_s):
                    await stopped.wait()
            except TimeoutError:
                pass  # it lasted as long as it should
            self.ended[name] = loop.time()
            return turn


def virtual(life: Callable[[Calls], Awaitable[None]]) -> Calls:
    calls = Calls()

    async def lived() -> None:
        await life(calls)

    run(lived(), clock=VirtualClock())
    assert calls.turns.running == 0
    return calls


def test_at_most_eight_at_once() -> None:
    async def life(calls: Calls) -> None:
        await asyncio.gather(*(calls.call(f"{n}") for n in range(20)))

    calls = virtual(life)
    assert calls.most == AT_ONCE == 8
    assert sorted(calls.began.values()) == [0.0] * 8 + [1.0] * 8 + [2.0] * 4


def test_one_call_a_device() -> None:
    async def life(calls: Calls) -> None:
        await asyncio.gather(*(calls.call(f"{n}", device="guide") for n in range(3)))

    assert sorted(virtual(life).began.values()) == [0.0, 1.0, 2.0]


def test_devices_that_hung_share_two_turns() -> None:
    async def life(calls: Calls) -> None:
        await asyncio.gather(
            *(calls.call(f"s{n}", is_suspect=True, lasts_s=10) for n in range(20)),
            *(calls.call(f"{n}") for n in range(6)),
        )

    calls = virtual(life)
    assert [calls.began[f"{n}"] for n in range(6)] == [0.0] * 6
    assert sorted(calls.began[f"s{n}"] for n in range(20))[:4] == [0, 0, 10, 10]


def test_a_long_call_gives_way_to_one_that_waits() -> None:
    """Eight devices begin to hang at once: the ninth waits no longer than this."""

    async def life(calls: Calls) -> None:
        hanging = [
            asyncio.ensure_future(calls.call(f"h{n}", lasts_s=10)) for n in range(8)
        ]
        await asyncio.sleep(1)
        await asyncio.gather(*(calls.call(f"{n}") for n in range(2)))
        turns = await asyncio.gather(*hanging)
        assert sum(turn.gave_way for turn in turns) == 2

    calls = virtual(life)
    assert (calls.began["0"], calls.began["1"]) == (GIVES_WAY_AFTER_S,) * 2
    assert sorted(calls.ended[f"h{n}"] for n in range(8)) == [3.0] * 2 + [10.0] * 6


def test_nothing_gives_way_while_there_is_room_or_only_suspects_wait() -> None:
    async def life(calls: Calls) -> None:
        await asyncio.gather(
            *(calls.call(f"{n}", lasts_s=9) for n in range(8)),
            calls.call("suspect", is_suspect=True),
        )

    calls = virtual(life)
    assert calls.began["suspect"] == 9.0
    assert {calls.ended[f"{n}"] for n in range(8)} == {9.0}


def test_waiting_has_an_end_and_leaves_nothing_behind() -> None:
    async def life(calls: Calls) -> None:
        first = asyncio.ensure_future(calls.call("first", device="guide", lasts_s=5))
        await asyncio.sleep(0)
        with pytest.raises(TimeoutError):
            await calls.call("second", device="guide", within_s=2)
        await first
        await calls.call("third", device="guide")

    assert virtual(life).began["third"] == 5.0


def test_a_cancelled_one_gives_its_turn_back() -> None:
    async def life(calls: Calls) -> None:
        tasks = [
            asyncio.ensure_future(calls.call(f"{n}", device="guide")) for n in range(3)
        ]
        await asyncio.sleep(0.5)
        tasks[1].cancel()  # it waits
        tasks[0].cancel()  # it runs
        await asyncio.wait(tasks)

    assert virtual(life).began["2"] == 0.5


# --- patience -------------------------------------------------------------------------


def test_a_device_that_hangs_is_asked_less_and_less_often() -> None:
    patience = Patience("adb guide")
    patience.check(0)
    for hangs, wait_ms in enumerate((30_000, 60_000, 120_000, 120_000), start=1):
        patience.hung(1_000_000)
        assert (patience.hangs, patience.is_suspect) == (hangs, True)
        with pytest.raises(Unavailable, match="left alone"):
            patience.check(1_000_000 + wait_ms - 1)
        patience.check(1_000_000 + wait_ms)
    patience.answered("device")
    assert not patience.is_suspect
    patience.check(1_000_000)


def hang(patience: Patience, times: int) -> list[list[tuple[str, ...]]]:
    steps = []
    for _ in range(times):
        patience.hung(0)
        steps.append(patience.take_steps())
    return steps


RECONNECT = [("reconnect", "offline")]


def test_five_hangs_in_a_row_reconnect_and_ten_restart() -> None:
    patience = Patience("adb guide")
    restarts = []
    steps = []
    for _ in range(12):
        patience.hung(0)
        restarts.append(patience.wants_restart())
        steps.append(patience.take_steps())
    assert steps == [*[[]] * 4, RECONNECT, *[[]] * 4, RECONNECT, [], []]
    assert restarts == [*[False] * 9, True, False, False]


def test_an_answer_between_begins_the_count_anew() -> None:
    patience = Patience("adb guide")
    assert hang(patience, 4) == [[]] * 4
    patience.answered("not_found")
    assert hang(patience, 4) == [[]] * 4
    assert hang(patience, 1) == [RECONNECT]


def test_five_times_offline_in_a_row_reconnect() -> None:
    patience = Patience("adb guide")
    steps = []
    for _ in range(6):
        patience.answered("offline")
        steps.append(patience.take_steps())
    assert steps == [[], [], [], [], RECONNECT, []]


def test_over_the_network_adb_is_told_to_connect() -> None:
    address = "10.0.0.7:5555"
    connect, anew = (
        [("connect", address)],
        [("disconnect", address), ("connect", address)],
    )
    patience = Patience("adb guide", address)
    assert patience.take_steps() == connect
    patience.is_connected = True
    patience.answered("device")
    assert patience.take_steps() == []
    patience.answered("not_found")
    assert patience.take_steps() == connect
    patience.is_connected = True
    patience.answered("offline")
    assert patience.take_steps() == anew
    patience.answered("device")
    assert hang(patience, 5) == [[], [], [], [], anew]
    patience.start_anew()
    assert patience.take_steps() == connect
