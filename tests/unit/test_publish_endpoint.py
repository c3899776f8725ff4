"""The endpoint on a real socket: bounded, and nobody keeps anybody else waiting."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import io
import socket
from collections.abc import AsyncIterator
from unittest import mock

import pytest

from support.ports import free_port
from support.raw_peer import RawPeer
from tidegate import notice
from tidegate.clock import SystemClock
from tidegate.errors import TidegateError
from tidegate.publish import endpoint
from tidegate.publish.endpoint import Endpoint

CLOCK = SystemClock()
REQUEST = b"GET /metrics HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"


@contextlib.asynccontextmanager
async def listening() -> AsyncIterator[int]:
    port = free_port()
    opened = Endpoint("127.0.0.1", port, beyond=False, views=lambda: (), clock=CLOCK)
    opened.open()
    try:
        yield port
    finally:
        await opened.close()


async def say(port: int, *pieces: bytes) -> bytes:
    """Send pieces and return all that comes until the other side ends."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    try:
        for piece in pieces:
            writer.write(piece)
            await writer.drain()
            await asyncio.sleep(0)
        return await reader.read()
    finally:
        writer.close()


async def test_a_request_in_pieces() -> None:
    async with listening() as port:
        said = await say(port, REQUEST[:5], REQUEST[5:])
    assert said.startswith(b"HTTP/1.1 200 OK\r\n")
    assert b"\r\nConnection: close\r\n" in said


async def test_a_head_without_end_is_400() -> None:
    async with listening() as port:
        said = await say(port, REQUEST[:-2], b"X: " + b"x" * 9_000)
    assert said.startswith(b"HTTP/1.1 400 Bad Request\r\n")


async def test_whoever_says_nothing_is_dropped_at_the_limit() -> None:
    with mock.patch.object(endpoint, "LIMIT_S", 0.05):
        async with listening() as port:
            assert await say(port) == b""


async def test_those_that_hang_leave_and_the_next_is_answered() -> None:
    with mock.patch.object(endpoint, "LIMIT_S", 0.05):
        async with listening() as port:
            silent = [
                await asyncio.open_connection("127.0.0.1", port)
                for _ in range(2 * endpoint.TOGETHER)
            ]
            assert (await say(port, REQUEST)).startswith(b"HTTP/1.1 200")
            for _, writer in silent:
                writer.close()


async def test_no_more_are_taken_at_once_than_there_is_room_for() -> None:
    port = free_port()
    opened = Endpoint("127.0.0.1", port, beyond=False, views=lambda: (), clock=CLOCK)
    opened.open()
    silent = []
    for _ in range(3 * endpoint.TOGETHER):
        silent.append(await asyncio.open_connection("127.0.0.1", port))
        await asyncio.sleep(0)
    assert len(opened._answering) <= endpoint.TOGETHER
    await opened.close()
    for _, writer in silent:
        writer.close()


async def test_a_flood_is_taken_no_faster_than_the_tokens_come() -> None:
    """The others wait in the kernel's queue; source: listen(2)."""
    loop = asyncio.get_running_loop()
    taken: list[float] = []
    accept = loop.sock_accept

    async def counted(plug: socket.socket) -> object:
        found = await accept(plug)
        taken.append(loop.time())
        return found

    with (
        mock.patch.object(loop, "sock_accept", counted),
        mock.patch.object(endpoint, "BURST", 3),
        mock.patch.object(endpoint, "EACH_S", 30.0),
    ):
        async with listening() as port:
            for _ in range(3):
                assert (await say(port, REQUEST)).startswith(b"HTTP/1.1 200")
            with pytest.raises(TimeoutError):
                await asyncio.wait_for(say(port, REQUEST), 0.2)
    assert len(taken) == 3


async def test_a_port_in_use_is_said_with_its_remedy() -> None:
    with RawPeer() as other:
        opened = Endpoint(
            "127.0.0.1", other.port, beyond=False, views=lambda: (), clock=CLOCK
        )
        with pytest.raises(TidegateError, match="Another program listens there"):
            opened.open()


async def test_a_bug_of_ours_costs_one_answer() -> None:
    """What would reach the loop's handler would stop the daemon; it is said rarely."""
    stream = io.StringIO()
    notice.configure(stream=stream)
    port = free_port()

    def broken() -> tuple[()]:
        raise ZeroDivisionError

    opened = Endpoint("127.0.0.1", port, beyond=False, views=broken, clock=CLOCK)
    opened.open()
    caught: list[object] = []
    asyncio.get_running_loop().set_exception_handler(lambda _, c: caught.append(c))
    for _ in range(9):
        assert await say(port, REQUEST) == b""
    assert (await say(port, b"GET / HTTP/1.0\r\n\r\n")).startswith(b"HTTP/1.1 404")
    await opened.close()
    assert caught == []
    (line,) = stream.getvalue().splitlines()
    assert "ZeroDivisionError" in line


async def test_no_descriptors_left_is_said_rarely_and_gets_over() -> None:
    """It looks again each second, for days if need be. Source: accept(2), EMFILE."""
    stream = io.StringIO()
    notice.configure(stream=stream)
    loop = asyncio.get_running_loop()
    real, left = loop.sock_accept, [9]

    async def accept(plug: socket.socket) -> object:
        if left[0]:
            left[0] -= 1
            raise OSError(errno.EMFILE, "Too many open files")
        return await real(plug)

    with (
        mock.patch.object(loop, "sock_accept", accept),
        mock.patch.object(endpoint, "_PAUSE_S", 0.001),
    ):
        async with listening() as port:
            assert (await say(port, REQUEST)).startswith(b"HTTP/1.1 200")
    assert len(stream.getvalue().splitlines()) == 1
