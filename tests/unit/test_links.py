"""A link that is opened in its own thread: open, failed, and given up half-way."""

import asyncio
import threading

import pytest

from tidegate.errors import Unavailable
from tidegate.host import ThreadWorker
from tidegate_backends import links

LIMIT_S = 20


class Link:
    """Waits at its opening until it is let go; ``calls`` is what happened."""

    def __init__(self):
        self.calls = []
        self.reached, self.go = threading.Event(), threading.Event()
        self.retired = threading.Event()

    def open(self):
        self.reached.set()
        assert self.go.wait(LIMIT_S)
        self.calls.append("opened")

    def fail(self):
        raise Unavailable("not there", target="x", remedy="None.")

    def retire(self):
        self.calls.append("retired")
        self.retired.set()


@pytest.fixture
def worker():
    made = ThreadWorker("link")
    yield made
    made.close()


def opening(worker, link, open_link):
    return asyncio.ensure_future(
        links.opened(
            link,
            worker,
            open_link,
            retire=link.retire,
            give_up=lambda: link.calls.append("given up"),
        )
    )


async def test_what_opens_is_lent_and_closed_by_its_last_user(worker):
    link = Link()
    link.go.set()
    lent = await opening(worker, link, link.open)
    assert lent.value is link
    await lent.close()
    assert link.calls == ["opened", "retired"]


async def test_what_does_not_open_is_retired(worker):
    link = Link()
    link.go.set()
    with pytest.raises(Unavailable, match="not there"):
        await opening(worker, link, link.fail)
    assert link.calls == ["given up", "retired"]


async def test_what_is_given_up_twice_is_retired_all_the_same(worker):
    link = Link()
    task = opening(worker, link, link.open)
    assert await asyncio.to_thread(link.reached.wait, LIMIT_S)
    for _ in range(2):
        task.cancel()
        await asyncio.sleep(0)
    with pytest.raises(asyncio.CancelledError):
        await task
    assert link.calls == ["given up"]
    link.go.set()
    assert await asyncio.to_thread(link.retired.wait, LIMIT_S)
    assert link.calls == ["given up", "opened", "retired"]
