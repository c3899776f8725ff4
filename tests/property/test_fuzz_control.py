"""Whatever comes over the control socket, from either side, is understood or refused."""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
import threading
from collections.abc import Mapping
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import strategies as st

from support.control_rig import ControlRig
from support.fuzz import (
    HOSTILE,
    JSON,
    LEAVES,
    WORDS,
    calls,
    depths,
    hold,
    is_told,
    peak_bytes,
    spoiled,
)
from tidegate.control import protocol
from tidegate.control.client import Client
from tidegate.control.peer import Peer
from tidegate.control.protocol import QUESTION_MOST_BYTES, Gone
from tidegate.control.talking import Talking
from tidegate.errors import Malformed, OrderRefused, TidegateError, Unsupported
from tidegate.service.asked import arguments as given

QUESTIONS = [
    b'{"tidegate":1,"ask":"status"}\n',
    b'{"tidegate":1,"ask":"override","station":"hall","supply":"off","for_ms":60000,'
    b'"because":"cleaning"}\n',
    b'{"tidegate":1,"answer":true}\n',
    b'{"tidegate":2,"ask":"status"}\n',
]
ANSWERS = [
    b'{"tidegate":1,"answer":{"stations":{"hall":{"supply":"on"}}}}\n',
    b'{"tidegate":1,"more":{"number":1}}\n{"tidegate":1,"answer":{}}\n',
    b'{"tidegate":1,"error":{"kind":"Refused","says":"no","target":"hall"}}\n',
    b'{"tidegate":1,"error":{"kind":"OrderRefused","says":"no","remedy":"","denied":true}}\n',
]
# Lines that cost more to take apart than to send.
GREEDY = [
    b'{"tidegate":1,"a":' + b"[" * 60_000 + b"\n",
    b'{"tidegate":1,"a":[' + b"[]," * 20_000 + b"[]]}\n",
    b'{"tidegate":1,"a":[' + b"{}," * 20_000 + b"{}]}\n",
    b'{"tidegate":1' + b"".join(b',"%d":0' % each for each in range(5_000)) + b"}\n",
    b'{"tidegate":1' + b',"a":0' * 10_000 + b"}\n",
    b'{"tidegate":1,"a":"' + b"\\ud800" * 10_000 + b'"}\n',
    b'{"tidegate":' + b"9" * 60_000 + b"}\n",
    b'{"tidegate":' + b"9" * 4_300 + b"}\n",
    b'{"tidegate":1,"a":1e400}\n',
    b'{"tidegate":1,"a":-1' + b"0" * 60_000 + b".0}\n",
]


def peer() -> Peer:
    return Peer(pid=1, uid=0, gid=0, groups=(), name="fuzz")


async def heard(data: bytes, at_once: int) -> list[object]:
    """Return what a peer's bytes are taken for, line by line, to their end."""
    ours, theirs = socket.socketpair()
    talking = Talking(ours, peer())
    theirs.settimeout(0)
    found: list[object] = []

    async def send() -> None:
        loop = asyncio.get_running_loop()
        with contextlib.suppress(OSError):
            for at in range(0, len(data), at_once):
                await loop.sock_sendall(theirs, data[at : at + at_once])
        theirs.close()

    sending = asyncio.create_task(send())
    try:
        while True:
            try:
                found.append(await talking.hear())
            except Gone:
                return found
            except (Malformed, Unsupported) as error:
                found.append(type(error))
                if "longer" in error.what:
                    return found
    finally:
        await talking.close()
        await sending


@depths(20)
def test_any_bytes_of_a_peer_are_questions_or_refused(examples: int) -> None:
    def law(case: tuple[bytes, int]) -> None:
        data, at_once = case
        found = asyncio.run(heard(data, at_once))
        assert len(found) <= data.count(b"\n") + 1
        assert found == asyncio.run(heard(data, len(data) or 1))
        for each in found:
            if isinstance(each, dict):
                assert protocol.decoded(protocol.encoded(each)[:-1]) == each

    cases = st.tuples(spoiled(QUESTIONS), st.integers(1, 40))
    hold(law, cases, examples=examples, known=[(b"".join(QUESTIONS), 7), (b"\n\n", 1)])


@pytest.mark.slow
@pytest.mark.parametrize("line", GREEDY, ids=range(len(GREEDY)))
def test_a_line_takes_no_more_than_a_multiple_of_its_size(line: bytes) -> None:
    assert len(line) <= QUESTION_MOST_BYTES

    def take() -> None:
        with contextlib.suppress(Malformed, Unsupported):
            protocol.question(line[:-1])

    take()  # what is kept by the first
    assert peak_bytes(take) < 64 * len(line) + 20_000


def test_a_peer_that_never_ends_its_line_is_not_waited_for() -> None:
    flood = b"x" * (40 * QUESTION_MOST_BYTES)
    found: list[object] = []

    def take() -> None:
        found.append(asyncio.run(heard(flood, 65_536)))

    take()
    assert peak_bytes(take) < 20 * QUESTION_MOST_BYTES
    assert found == [[Malformed], [Malformed]]


def test_lines_cost_in_proportion() -> None:
    def cost(lines: int) -> int:
        cut = protocol.Lines(QUESTION_MOST_BYTES)
        return calls(lambda: [list(cut.split(bytes([10]))) for _ in range(lines)])

    assert cost(2_000) < 2.5 * cost(1_000)


async def test_a_server_goes_on_after_nonsense(tmp_path: Path) -> None:
    rig = ControlRig(tmp_path / "control.sock")
    async with rig.serving():
        for token in HOSTILE:
            async with rig.peer() as raw:
                with contextlib.suppress(OSError):
                    await raw.send(QUESTIONS[0][:20] + token + QUESTIONS[0][20:])
                    raw.half_close()
                    for line in (await raw.rest()).splitlines():
                        assert json.loads(line)["tidegate"] == 1
        async with rig.peer() as raw:
            assert (await raw.ask("echo", word="hall"))["answer"] == {"word": "hall"}


# --- what a question carries


def service() -> Any:
    """What the checks look at of a service."""
    return SimpleNamespace(
        stations={"hall": "the hall", "tower": "the tower"},
        settings=SimpleNamespace(
            unsupported={"cellar": Unsupported("no such kind", target="cellar")},
            files=("/etc/tidegate/tidegate.toml",),
        ),
        turnover=SimpleNamespace(names={}),
        is_ending=False,
    )


def one_line(text: str) -> None:
    assert protocol.is_one_line(text)


@depths(25)
def test_any_argument_is_of_its_kind_or_refused(examples: int) -> None:
    def law(arguments: Mapping[str, Any]) -> None:
        checks = (
            lambda: given.only(arguments, "on"),
            lambda: given.text(arguments, "on"),
            lambda: given.whole(arguments, "on", least=0, most=10),
            lambda: given.choice(arguments, "on", ["on", "off"]),
            lambda: given.flag(arguments, "on"),
            lambda: given.station_of(
                service(), arguments | {"station": arguments.get("on")}
            ),
            lambda: given.check_settings(service(), {"config": arguments.get("on")}),
        )
        kinds = (type(None), str, int, str, bool, str, type(None))
        for check, kind in zip(checks, kinds, strict=True):
            try:
                value = check()
            except (Malformed, OrderRefused, Unsupported) as error:
                is_told(error)
                one_line(error.what)
            else:
                assert type(value) is kind

    hold(law, st.dictionaries(WORDS, JSON | LEAVES, max_size=3), examples=examples)


# --- a server that lies


def asked_of(data: bytes) -> object:
    """Return what a client makes of these bytes of a server that then hangs up."""
    ours, theirs = socket.socketpair()

    def serve() -> None:
        with theirs, contextlib.suppress(OSError):
            theirs.sendall(data)
            theirs.shutdown(socket.SHUT_WR)
            while theirs.recv(65_536):
                pass

    serving = threading.Thread(target=serve)
    serving.start()
    try:
        with Client(ours, Path("/run/tidegate/control")) as client:
            return client.ask("status", station="hall")
    except TidegateError as error:
        return type(error)
    finally:
        serving.join()


@depths(15)
def test_any_bytes_of_a_server_are_an_answer_or_an_error_of_ours(examples: int) -> None:
    def law(data: bytes) -> None:
        found = asked_of(data)
        assert isinstance(found, dict) or issubclass(found, TidegateError)
        if isinstance(found, dict):
            assert b'"answer"' in data

    shapes = st.sampled_from(["answer", "more", "error", "ask"])
    written = st.dictionaries(shapes, JSON, max_size=2).map(
        lambda said: json.dumps({"tidegate": 1, **said}).encode() + b"\n"
    )
    hold(law, spoiled(ANSWERS) | written, examples=examples, known=GREEDY[5:])


@pytest.mark.slow
def test_a_server_that_never_ends_its_line_is_left_at_the_limit() -> None:
    flood = b"x" * (8 * protocol.ANSWER_MOST_BYTES)
    found = []
    peak = peak_bytes(lambda: found.append(asked_of(flood)))
    assert found == [Malformed]
    assert peak < len(flood) + 6 * protocol.ANSWER_MOST_BYTES
