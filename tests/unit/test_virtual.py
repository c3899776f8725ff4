"""Virtual time: exact, in order, never waiting, and honest when it cannot go on."""

import asyncio
import threading
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tidegate.virtual import VirtualClock, VirtualLoop, run

DAY_MS = 24 * 3_600_000


def test_time_passes_without_waiting():
    clock = VirtualClock()
    began = time.monotonic()

    run(asyncio.sleep(30 * 86_400), clock=clock)

    assert clock.boot_ms() == 30 * DAY_MS
    assert time.monotonic() - began < 5


def test_result_and_error_of_main_come_back():
    async def answer():
        return 42

    async def fail():
        raise ValueError("as it is")

    assert run(answer(), clock=VirtualClock()) == 42
    with pytest.raises(ValueError, match="as it is"):
        run(fail(), clock=VirtualClock())


@pytest.mark.parametrize("start_ms", [0, 1, 10_000_000_123])
@pytest.mark.parametrize("step_ms", [1, 7, 30, 333, 30_000])
def test_many_steps_do_not_drift(start_ms, step_ms):
    """Floats inside asyncio never show: n steps are n times the step, to the ms."""
    clock = VirtualClock(boot_ms=start_ms)

    async def walk():
        for done in range(1, 1001):
            await asyncio.sleep(step_ms / 1000)
            assert clock.boot_ms() == start_ms + done * step_ms

    run(walk(), clock=clock)


def test_no_drift_late_in_a_long_life():
    clock = VirtualClock()
    clock.advance(1_000_000_000_007)  # 31 years

    async def walk():
        for _ in range(1000):
            await asyncio.sleep(0.033)

    run(walk(), clock=clock)
    assert clock.boot_ms() == 1_000_000_000_007 + 33_000


@pytest.mark.parametrize(
    ("delay_s", "want_ms"),
    [(0.0001, 1), (0.001, 1), (0.0011, 2), (0.9999, 1000), (1.0, 1000), (0, 0)],
)
def test_part_of_a_millisecond_is_rounded_up(delay_s, want_ms):
    clock = VirtualClock()
    run(asyncio.sleep(delay_s), clock=clock)
    assert clock.boot_ms() == want_ms


@given(st.lists(st.integers(min_value=0, max_value=3 * DAY_MS), min_size=1))
def test_timers_fire_in_order_at_their_own_time(delays_ms):
    """As asyncio promises for call_at; equal times keep the order of setting."""
    clock = VirtualClock()
    fired = []

    async def main():
        loop = asyncio.get_running_loop()
        for index, delay_ms in enumerate(delays_ms):
            loop.call_later(
                delay_ms / 1000, lambda i=index: fired.append((clock.boot_ms(), i))
            )
        await asyncio.sleep(max(delays_ms) / 1000 + 0.001)

    run(main(), clock=clock)
    assert [at_ms for at_ms, _ in fired] == sorted(delays_ms)
    assert all(delays_ms[index] == at_ms for at_ms, index in fired)


def test_time_stands_still_while_anything_is_ready():
    clock = VirtualClock()

    async def main():
        asyncio.get_running_loop().call_later(0.001, lambda: None)
        for _ in range(100):
            await asyncio.sleep(0)
            assert clock.boot_ms() == 0

    run(main(), clock=clock)


def test_time_limits_work():
    clock = VirtualClock()

    async def main():
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(5):
                await asyncio.Event().wait()
        assert clock.boot_ms() == 5000

    run(main(), clock=clock)


def test_a_world_that_can_never_go_on_says_so():
    clock = VirtualClock()

    with pytest.raises(RuntimeError, match="deadlock in virtual time"):
        run(asyncio.Event().wait(), clock=clock)


def test_blocking_jobs_run_at_one_instant_in_this_thread():
    clock = VirtualClock()

    async def main():
        ran_in = await asyncio.to_thread(threading.get_ident)
        assert ran_in == threading.get_ident()
        with pytest.raises(ZeroDivisionError):
            await asyncio.to_thread(divmod, 1, 0)

    run(main(), clock=clock)
    assert clock.boot_ms() == 0


def test_another_thread_is_refused():
    """Its turn would depend on luck, so the world would not be the same twice."""
    said = []

    async def main():
        loop = asyncio.get_running_loop()

        def intrude():
            try:
                loop.call_soon_threadsafe(lambda: None)
            except RuntimeError as error:
                said.append(str(error))

        thread = threading.Thread(target=intrude)
        thread.start()
        thread.join(timeout=10)
        loop.call_soon_threadsafe(said.append, "own thread")
        await asyncio.sleep(0.001)

    run(main(), clock=VirtualClock())
    assert said == ["a virtual world has one thread; use InlineWorker", "own thread"]


def test_there_are_no_descriptors():
    loop = VirtualLoop(VirtualClock())
    with pytest.raises(NotImplementedError):
        loop.add_reader(0, print)
    loop.close()


def test_loop_goes_on_where_the_last_one_ended():
    """A crash drops the loop, not the clock."""
    clock = VirtualClock(boot_ms=5_000)
    run(asyncio.sleep(1), clock=clock)
    run(asyncio.sleep(2), clock=clock)
    assert clock.boot_ms() == 8_000


def test_wall_steps_touch_nothing_else():
    clock = VirtualClock(boot_ms=7, wall_ms=1_000_000)

    async def main():
        asyncio.get_running_loop().call_later(5, clock.step_wall, -300 * DAY_MS)
        await asyncio.sleep(10)

    run(main(), clock=clock)
    assert clock.boot_ms() == 10_007
    assert clock.wall_ms() == 1_010_000 - 300 * DAY_MS


def test_suspend_passes_boot_and_wall_time_but_no_timer():
    """As clock_gettime(2): CLOCK_BOOTTIME includes suspend, CLOCK_MONOTONIC not."""
    clock = VirtualClock(wall_ms=0)

    async def main():
        loop = asyncio.get_running_loop()
        loop.call_later(1, clock.suspend, 3_600_000)
        before_s = loop.time()
        await asyncio.sleep(2)
        assert loop.time() - before_s == pytest.approx(2)

    run(main(), clock=clock)
    assert clock.boot_ms() == clock.wall_ms() == 3_602_000
    assert clock.running_ms() == 2_000


def test_reboot_starts_boot_time_afresh():
    clock = VirtualClock(boot_ms=900_000, wall_ms=0)
    clock.advance(1_000)
    clock.reboot("second", down_ms=60_000, boot_ms=4_000)
    assert (clock.boot_id(), clock.boot_ms(), clock.wall_ms()) == (
        "second",
        4_000,
        61_000,
    )
    clock.advance(10)
    assert (clock.boot_ms(), clock.wall_ms()) == (4_010, 61_010)


def test_synchronised_is_what_was_told():
    clock = VirtualClock(synchronised=False)
    assert not clock.synchronised()
    clock.set_synchronised(synchronised=True)
    assert clock.synchronised()


def test_a_week_of_timers_is_quick():
    """100,000 timers take about a second on one core; ten is the alarm bell."""
    clock = VirtualClock()

    async def main():
        for _ in range(100_000):
            await asyncio.sleep(6.048)

    began = time.process_time()
    run(main(), clock=clock)
    assert clock.boot_ms() == 7 * DAY_MS
    assert time.process_time() - began < 10
