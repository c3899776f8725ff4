"""Threads of blocking backends: one call at a time, none late, none piling up."""

import asyncio
import threading

import pytest
import structlog

from tidegate.errors import Unavailable
from tidegate.host import InlineWorker, Machine, ThreadWorker, Workers
from tidegate.host.workers import LEFT_BEHIND_MAX
from tidegate.virtual import VirtualClock

LIMIT_S = 10


class Hanging:
    """A call that blocks until it is let go, and tells when it began."""

    def __init__(self):
        self.began = threading.Event()
        self.go = threading.Event()
        self.thread = None

    def __call__(self, result="late"):
        self.thread = threading.current_thread()
        self.began.set()
        assert self.go.wait(LIMIT_S)
        return result

    async def begun(self):
        await until(self.began.is_set)

    def join(self):
        self.go.set()
        self.thread.join(LIMIT_S)
        assert not self.thread.is_alive()


async def until(claim):
    async with asyncio.timeout(LIMIT_S):
        while not claim():  # noqa: ASYNC110 - a thread changes it, not the loop
            await asyncio.sleep(0)


@pytest.fixture
def worker():
    made = ThreadWorker("port")
    yield made
    made.close()


def threads_of(name):
    return [t for t in threading.enumerate() if t.name == f"tidegate {name}"]


async def test_all_calls_run_in_one_daemon_thread(worker):
    # The thread of the test before may still be about to end.
    await until(lambda: threads_of("port") == [])
    seen = {await worker.call(threading.current_thread) for _ in range(5)}
    (thread,) = seen
    assert thread.daemon
    assert thread.name == "tidegate port"
    assert thread is not threading.current_thread()


async def test_arguments_results_and_errors_pass(worker):
    assert await worker.call(divmod, 7, 2) == (3, 1)
    with pytest.raises(ZeroDivisionError):
        await worker.call(divmod, 7, 0)
    assert await worker.call(divmod, 9, 2) == (4, 1)


async def test_even_an_exit_of_the_call_is_the_callers(worker):
    """A library that calls sys.exit must not end the thread behind our back."""

    class Leaving(BaseException):
        pass

    def leave():
        raise Leaving

    with pytest.raises(Leaving):
        await worker.call(leave)
    assert await worker.call(int, "3") == 3


async def test_calls_queue_in_order_one_at_a_time(worker):
    under_way, most, order = 0, 0, []

    def note(index):
        nonlocal under_way, most
        under_way += 1
        most = max(most, under_way)
        order.append(index)
        under_way -= 1

    await asyncio.gather(*(worker.call(note, index) for index in range(50)))
    assert order == list(range(50))
    assert most == 1


async def test_a_caller_that_gives_up_does_not_free_the_thread(worker):
    hanging, ran = Hanging(), []
    first = asyncio.create_task(worker.call(hanging))
    await hanging.begun()
    assert worker.busy
    assert not worker.abandoned

    first.cancel()
    with pytest.raises(asyncio.CancelledError):
        await first
    assert worker.busy
    assert worker.abandoned

    second = asyncio.create_task(worker.call(ran.append, "second"))
    await asyncio.sleep(0)
    assert ran == []

    hanging.go.set()
    await second
    assert ran == ["second"]
    assert not worker.busy
    assert not worker.abandoned


async def test_a_call_dropped_while_it_waited_never_runs(worker):
    """No late off after an on: what was given up before it began must not begin."""
    hanging, ran = Hanging(), []
    first = asyncio.create_task(worker.call(hanging))
    await hanging.begun()
    late_off = asyncio.create_task(worker.call(ran.append, "off"))
    await asyncio.sleep(0)
    late_off.cancel()
    on = asyncio.create_task(worker.call(ran.append, "on"))
    await asyncio.sleep(0)

    hanging.go.set()
    assert await first == "late"
    await on
    assert ran == ["on"]


async def test_what_comes_back_late_is_told(worker):
    def refuse():
        hanging()
        raise OSError("too late")

    hanging = Hanging()
    task = asyncio.create_task(worker.call(refuse))
    await hanging.begun()
    task.cancel()
    with structlog.testing.capture_logs() as messages:
        hanging.go.set()
        await until(lambda: not worker.busy)
    (message,) = messages
    assert message["event"] == "a call came back late"
    assert message["error"] == "OSError('too late')"


async def test_fault_5_reads_that_hang_do_not_pile_up(worker):
    """INTERFACES I, fault 5: cut at the limit, at most one outstanding reader."""
    hanging = Hanging()
    for _ in range(20):
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.005):
                await worker.call(hanging)
        await hanging.begun()
    assert len(threads_of("port")) == 1

    hanging.go.set()
    assert await worker.call(int, "7") == 7


async def test_replace_leaves_the_thread_behind_and_goes_on(worker):
    hanging, ran = Hanging(), []
    stuck = asyncio.create_task(worker.call(hanging))
    await hanging.begun()
    waits = asyncio.create_task(worker.call(ran.append, "next"))
    await asyncio.sleep(0)

    worker.replace()
    with pytest.raises(Unavailable, match="did not come back"):
        await stuck
    await waits
    assert ran == ["next"]
    assert worker.left_behind == 1

    hanging.join()
    await until(lambda: worker.left_behind == 0)
    assert len(threads_of("port")) == 1


async def test_replace_of_an_idle_worker_changes_nothing(worker):
    worker.replace()
    before = await worker.call(threading.current_thread)
    worker.replace()
    assert await worker.call(threading.current_thread) is before
    assert worker.left_behind == 0


async def test_threads_left_behind_are_bounded(worker):
    hung = []
    for _ in range(LEFT_BEHIND_MAX + 1):
        hung.append(Hanging())
        task = asyncio.create_task(worker.call(hung[-1]))
        await hung[-1].begun()
        task.cancel()
        await asyncio.wait([task])
        if len(hung) <= LEFT_BEHIND_MAX:
            worker.replace()

    with pytest.raises(Unavailable, match="one more hangs"):
        worker.replace()
    assert len(threads_of("port")) == LEFT_BEHIND_MAX + 1

    hung[0].join()
    await until(lambda: worker.left_behind == LEFT_BEHIND_MAX - 1)
    worker.replace()  # there is room for it now
    for hanging in hung:
        hanging.join()
    await until(lambda: worker.left_behind == 0)


async def test_close_ends_the_thread_and_what_waits(worker):
    hanging = Hanging()
    running = asyncio.create_task(worker.call(hanging))
    await hanging.begun()
    waiting = asyncio.create_task(worker.call(int))
    await asyncio.sleep(0)

    worker.close()
    with pytest.raises(Unavailable, match="was closed"):
        await waiting
    hanging.go.set()
    assert await running == "late"
    hanging.join()
    with pytest.raises(Unavailable, match="was closed"):
        await worker.call(int)


def test_a_loop_that_is_gone_ends_the_thread_quietly():
    """At the end of a process a hanging call may come back to nobody."""
    hanging, worker = Hanging(), ThreadWorker("port")

    async def main():
        task = asyncio.create_task(worker.call(hanging))
        await hanging.begun()
        task.cancel()

    asyncio.run(main())
    hanging.join()  # an exception in a thread is a warning, which is an error here


async def test_workers_of_one_name_are_one():
    workers = Workers()
    one = workers.take("board", "lobby")
    assert workers.take("board", "hall") is one
    assert workers.take("other", "hall") is not one
    thread = await one.call(threading.current_thread)

    workers.give_back("board", "lobby")
    assert await one.call(threading.current_thread) is thread

    workers.give_back("board", "hall")
    thread.join(LIMIT_S)
    assert not thread.is_alive()
    assert workers.take("board", "hall") is not one
    workers.close()


async def test_a_hanging_worker_stays_on_the_books():
    """Opening and closing a hanging device over and over adds no threads."""
    workers, hanging = Workers(), Hanging()
    for _ in range(10):
        worker = workers.take("board", "lobby")
        task = asyncio.create_task(worker.call(hanging))
        await hanging.begun()
        task.cancel()
        await asyncio.wait([task])
        workers.give_back("board", "lobby")
    assert len(threads_of("board")) == 1

    workers.replace("board")
    assert worker.left_behind == 1
    workers.replace("unknown")
    workers.close()
    hanging.join()
    await until(lambda: worker.left_behind == 0)


async def test_a_station_leaves_behind_only_what_hangs_for_nobody():
    """A neighbour's call in the same kind of thread goes on undisturbed."""
    machine = Machine(VirtualClock())
    lobby, hall = (machine.host(name, hint=print) for name in ("lobby", "hall"))
    given_up, live = Hanging(), Hanging()
    worker, shared = lobby.worker("relay"), lobby.worker("board")
    assert hall.worker("board") is shared
    neighbour = asyncio.create_task(shared.call(live))
    mine = asyncio.create_task(worker.call(given_up))
    await live.begun()
    await given_up.begun()
    mine.cancel()
    await asyncio.wait([mine])

    lobby.replace_workers()
    assert (worker.left_behind, shared.left_behind) == (1, 0)
    assert await worker.call(int, "5") == 5
    live.go.set()
    assert await neighbour == "late"
    given_up.join()
    await until(lambda: worker.left_behind == 0)
    await lobby.close()
    await hall.close()


async def test_one_hanging_thread_too_many_is_told_and_left_alone():
    machine = Machine(VirtualClock())
    lobby, hung = machine.host("lobby", hint=print), []
    worker = lobby.worker("relay")
    for _ in range(LEFT_BEHIND_MAX + 1):
        hung.append(Hanging())
        task = asyncio.create_task(worker.call(hung[-1]))
        await hung[-1].begun()
        task.cancel()
        await asyncio.wait([task])
        with structlog.testing.capture_logs() as messages:
            lobby.replace_workers()
    assert "one more hangs" in messages[0]["event"]
    assert len(threads_of("relay")) == LEFT_BEHIND_MAX + 1
    for hanging in hung[:-1]:
        hanging.join()
    hung[-1].go.set()
    await until(lambda: not worker.busy and worker.left_behind == 0)
    await lobby.close()


async def test_give_back_twice_or_unknown_is_harmless():
    workers = Workers()
    workers.give_back("never", "lobby")
    workers.take("board", "lobby")
    workers.give_back("board", "lobby")
    workers.give_back("board", "lobby")


async def test_inline_worker_runs_here():
    workers = Workers(InlineWorker)
    worker = workers.take("log", "lobby")
    assert await worker.call(threading.get_ident) == threading.get_ident()
    with pytest.raises(ZeroDivisionError):
        await worker.call(divmod, 1, 0)
    assert not worker.busy
    workers.replace("log")
    workers.give_back("log", "lobby")
