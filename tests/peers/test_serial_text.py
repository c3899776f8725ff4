"""`serial-text` against a board on a pseudo-terminal that takes lines of text.

A pseudo-terminal takes any baud rate and has no DTR line, so neither is shown here.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from support.held_port import HeldPort
from support.relay_board import RelayBoard
from support.stations import Stations
from support.text_board import TextBoard
from tidegate.contract import Readback, Target
from tidegate.core.reading import Supply
from tidegate.errors import (
    BackendError,
    Busy,
    Malformed,
    Refused,
    Unavailable,
    Unsupported,
)
from tidegate_backends.relays import serial_frame, serial_text
from tidegate_backends.relays.serial_text import SerialTextRelay, Settings

ROUTE = {"protocol": "scpi-route", "channel": 101}
ASCII = {"protocol": "ascii-relay", "channel": 0}
ACKNOWLEDGED = {
    "channel": 1,
    "coil_on": "AT+ON{channel}",
    "coil_off": "AT+OFF{channel}",
    "line_end": "\r\n",
    "acknowledged": "OK",
    "refused": "ERROR",
}


@pytest.fixture
async def stations() -> AsyncIterator[Stations]:
    stations = Stations()
    yield stations
    await stations.close()


class Rig:
    """A board and relays on it."""

    def __init__(self, folder: Path, stations: Stations) -> None:
        self.folder = folder
        self.stations = stations

    def board(self, dialect: str, *numbers: int, **more: Any) -> TextBoard:
        return TextBoard(
            self.folder / "board", dialect=dialect, numbers=numbers or (0, 1), **more
        )

    def relay(self, station: str = "lobby", **table: Any) -> SerialTextRelay:
        given = {"port": str(self.folder / "board"), "pause": "0s", **table}
        return self.stations.relay(serial_text.BACKEND, station, given)  # type: ignore[return-value]


@pytest.fixture
def rig(tmp_path: Path, stations: Stations) -> Rig:
    return Rig(tmp_path, stations)


# ---- what each sort of board is told


async def test_an_ascii_board_is_asked_and_believed(rig: Rig) -> None:
    with rig.board("ascii") as board:
        async with rig.relay(**ASCII) as relay:
            assert relay.facts.readback is Readback.LATCH
            await relay.set(Supply.OFF)
            assert board.driven(0)
            assert await relay.get() is Supply.OFF
            await relay.set(Supply.ON)
            assert await relay.get() is Supply.ON
        query = "relay read 0"
        assert board.said() == [
            query,
            *("relay on 0", query, query),
            *("relay off 0", query, query),
        ]


@pytest.mark.parametrize("echoes", [True, False])
async def test_an_echo_may_come_or_not(rig: Rig, echoes: bool) -> None:
    with rig.board("ascii", echoes=echoes):
        async with rig.relay(**ASCII) as relay:
            await relay.set(Supply.OFF)
            assert await relay.get() is Supply.OFF


async def test_an_instrument_is_asked_for_its_errors_too(rig: Rig) -> None:
    with rig.board("scpi", 101, 102) as board:
        async with rig.relay(**ROUTE) as relay:
            board.forget()
            await relay.set(Supply.OFF)
        assert board.said() == ["ROUT:CLOS (@101)", "SYST:ERR?", "ROUT:CLOS? (@101)"]
        assert board.driven(101)
        assert not board.driven(102)


async def test_an_output_of_an_instrument(rig: Rig) -> None:
    with rig.board("scpi", 1) as board:
        async with rig.relay(protocol="scpi-output", contact="normally-open") as relay:
            assert not relay.facts.fails_on
            await relay.set(Supply.ON)
            assert board.driven(1)
            assert await relay.get() is Supply.ON
        assert "OUTP ON" in board.said()


async def test_a_board_that_only_listens(rig: Rig) -> None:
    with rig.board("at", 1) as board:
        async with rig.relay(protocol="at-relay", channel=1) as relay:
            assert relay.facts.readback is Readback.NONE
            await relay.set(Supply.OFF)
            board.wait_until(lambda board: board.driven(1))
            assert await relay.get() is None
        assert board.said() == ["AT+ON1"]


async def test_templates_go_before_the_protocol(rig: Rig) -> None:
    """Long forms in place of short ones; the rest is as the protocol has it."""
    own = {"coil_on": "ROUTE:CLOSE (@{channel})", "query": "ROUTE:CLOSE? (@{channel})"}
    with rig.board("scpi", 101) as board:
        async with rig.relay(**ROUTE, **own) as relay:
            await relay.set(Supply.OFF)
            assert await relay.get() is Supply.OFF
            await relay.set(Supply.ON)
        assert "ROUTE:CLOSE (@101)" in board.said()
        assert "ROUT:OPEN (@101)" in board.said()


async def test_nothing_is_reset_and_nothing_toggled(rig: Rig) -> None:
    with rig.board("scpi", 101) as board:
        async with rig.relay(**ROUTE) as relay:
            for supply in (Supply.OFF, Supply.ON):
                await relay.set(supply)
                await relay.get()
        heads = {line.split("(")[0].strip() for line in board.said()}
        assert heads == {"ROUT:CLOS", "ROUT:OPEN", "ROUT:CLOS?", "SYST:ERR?"}


@pytest.mark.parametrize("echo", [True, False])
async def test_acknowledged_is_believed_to_be_heard(rig: Rig, echo: bool) -> None:
    with rig.board("at", 1, echoes=echo) as board:
        async with rig.relay(**ACKNOWLEDGED, echo=echo) as relay:
            assert relay.facts.readback is Readback.ECHO
            await relay.set(Supply.OFF)
            assert board.driven(1)
            assert await relay.get() is None


async def test_bytes_that_come_slowly(rig: Rig) -> None:
    with rig.board("ascii", gap_s=0.005):
        async with rig.relay(**ASCII, limit="1s") as relay:
            await relay.set(Supply.OFF)
            assert await relay.get() is Supply.OFF


async def test_somebody_elses_hand_shows_in_the_latch(rig: Rig) -> None:
    with rig.board("ascii") as board:
        async with rig.relay(**ASCII) as relay:
            await relay.set(Supply.ON)
            board.hand(0, driven=True)
            assert await relay.get() is Supply.OFF


# ---- answers that are spoiled

SPOILED = ["wrong", "stale", "cut", "binary", "flood"]


@pytest.mark.parametrize("spoil", [*SPOILED, "other-state"])
async def test_one_spoiled_answer_is_asked_again(rig: Rig, spoil: str) -> None:
    with rig.board("scpi", 101) as board:
        async with rig.relay(**ROUTE, limit="0.3s") as relay:
            await relay.set(Supply.OFF)
            board.forget()
            board.spoil(spoil, 1)
            assert await relay.get() is (
                Supply.ON if spoil == "other-state" else Supply.OFF
            )


@pytest.mark.parametrize("spoil", SPOILED)
async def test_two_spoiled_answers_are_a_fault(rig: Rig, spoil: str) -> None:
    with rig.board("scpi", 101) as board:
        async with rig.relay(**ROUTE, limit="0.3s") as relay:
            board.forget()
            board.spoil(spoil)
            with pytest.raises(Malformed, match="two answers in a row"):
                await relay.get()
        assert board.said() == ["ROUT:CLOS? (@101)"] * 2


async def test_silence_is_told_at_once(rig: Rig) -> None:
    with rig.board("ascii") as board:
        async with rig.relay(**ASCII, limit="0.3s") as relay:
            board.forget()
            board.spoil("silent")
            with pytest.raises(Unavailable, match=r"did not answer within 0\.3 s"):
                await relay.set(Supply.OFF)
        assert board.said() == ["relay on 0"]


async def test_an_answer_that_comes_late_is_nobody_elses(rig: Rig) -> None:
    """It names no channel, so the next station's question is not put before it."""
    slept_s: list[float] = []

    def late(pause_s: float) -> None:
        slept_s.append(pause_s)
        board.say(b"relay read 0\r\non\r\n>")

    with rig.board("ascii") as board:
        table = {"port": str(board.link), "pause": "0s", **ASCII, "limit": "0.3s"}
        lobby = rig.stations.relay(serial_text.BACKEND, "lobby", table, sleep=late)
        hall = rig.relay("hall", **{**ASCII, "channel": 1})
        async with lobby, hall:
            board.spoil("silent", 1)
            with pytest.raises(Unavailable):
                await lobby.get()
            assert await hall.get() is Supply.ON, "channel 1 is released"
    assert len(slept_s) == 1
    assert slept_s[0] == pytest.approx(0.3, abs=0.3)


async def test_a_contact_that_does_not_hold_is_a_refusal(rig: Rig) -> None:
    with rig.board("ascii") as board:
        async with rig.relay(**ASCII) as relay:
            board.stick(0)
            with pytest.raises(Refused, match="reports its coil off"):
                await relay.set(Supply.OFF)


async def test_the_instruments_own_words_are_told(rig: Rig) -> None:
    with rig.board("scpi", 101) as board:
        async with rig.relay(**ROUTE) as relay:
            board.spoil("refuse")
            with pytest.raises(Refused, match="Settings conflict"):
                await relay.set(Supply.OFF)


async def test_an_error_without_a_query_is_a_refusal(rig: Rig) -> None:
    own = {"coil_on": "ROUT:CLOS (@{channel})", "coil_off": "ROUT:OPEN (@{channel})"}
    own |= {"errors": "SYST:ERR?", "no_error": "0,.*", "line_end": "\n"}
    with rig.board("scpi", 101):
        async with rig.relay(channel=999, **own) as relay:
            with pytest.raises(Refused, match="Data out of range"):
                await relay.set(Supply.OFF)


async def test_errors_of_others_do_not_spoil_a_switching(rig: Rig) -> None:
    with rig.board("scpi", 101) as board:
        board.queue.append('-113,"Undefined header"')
        async with rig.relay(**ROUTE) as relay:
            assert relay.take_notes() == [
                'Errors were waiting: -113,"Undefined header".'
            ]
            assert relay.take_notes() == []
            board.queue.append('-410,"Query INTERRUPTED"')
            await relay.set(Supply.OFF)
            assert board.driven(101)


async def test_a_queue_that_never_empties_is_left_alone(rig: Rig) -> None:
    with rig.board("scpi", 101) as board:
        board.queue.extend(['-113,"Undefined header"'] * 1000)
        async with rig.relay(**ROUTE) as relay:
            assert relay.facts.readback is Readback.LATCH
            await relay.set(Supply.OFF)
            assert await relay.get() is Supply.OFF
        assert board.said().count("SYST:ERR?") <= 16


async def test_no_from_a_board_that_acknowledges(rig: Rig) -> None:
    with rig.board("at", 1) as board:
        async with rig.relay(**ACKNOWLEDGED) as relay:
            board.spoil("refuse")
            with pytest.raises(Refused, match="ERROR"):
                await relay.set(Supply.OFF)


@pytest.mark.parametrize("spoil", ["silent", "wrong", "binary"])
async def test_board_that_is_hard_to_understand_can_still_be_told(
    rig: Rig, spoil: str
) -> None:
    """Never dark: a spoiled probe means blind writing, not a relay out of use."""
    with rig.board("ascii") as board:
        board.spoil(spoil)
        async with rig.relay(**ASCII, limit="0.1s") as relay:
            assert relay.facts.readback is Readback.NONE
            (note,) = relay.take_notes()
            assert "commanded blindly" in note
            await relay.set(Supply.OFF)
            board.wait_until(lambda board: board.driven(0))
            await relay.set(Supply.ON)
            board.wait_until(lambda board: not board.driven(0))
            assert await relay.get() is None


async def test_a_board_that_answers_nobody_is_asked_no_more(rig: Rig) -> None:
    with rig.board("ascii", 0, 1, 2) as board:
        board.spoil("silent")
        relays = [
            rig.relay(f"hall-{n}", **{**ASCII, "channel": n, "limit": "0.1s"})
            for n in range(3)
        ]
        async with relays[0], relays[1], relays[2]:
            asked = ["relay read 0", "relay read 0", "relay read 1"]
            board.wait_until(lambda board: len(board.heard()) >= 3)
            assert board.said() == asked
            assert "silent to others" in relays[2].take_notes()[0]
            for relay in relays:
                assert relay.facts.readback is Readback.NONE
                await relay.set(Supply.OFF)
            board.wait_until(lambda board: all(map(board.driven, range(3))))


async def test_one_lost_probe_does_not_cost_the_readback(rig: Rig) -> None:
    with rig.board("ascii") as board:
        board.spoil("silent", 1)
        async with rig.relay(**ASCII, limit="0.3s") as relay:
            assert relay.facts.readback is Readback.LATCH
            assert relay.take_notes() == []


async def test_a_readback_grade_ends_with_its_link(rig: Rig) -> None:
    with rig.board("ascii"):
        relay = rig.relay(**ASCII)
        async with relay:
            assert relay.facts.readback is Readback.LATCH
        assert relay.facts.readback is Readback.NONE


@settings(
    max_examples=8,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(st.binary(max_size=700))
def test_whatever_a_board_says(tmp_path: Path, raw: bytes) -> None:
    """Only errors of ours come of it, and never more than a little is read."""

    async def say() -> None:
        stations = Stations()
        rig = Rig(tmp_path, stations)
        with rig.board("ascii", raw=raw) as board:
            relay = rig.relay(**ASCII, limit="0.02s")
            async with relay:
                board.spoil("raw")
                calls = (relay.set(Supply.OFF), relay.get())
                for said in await asyncio.gather(*calls, return_exceptions=True):
                    assert said is None or isinstance(said, BackendError | Supply)
                    assert len(str(said)) < 600
        await stations.close()

    asyncio.run(say())


# ---- ports


async def test_stations_share_a_board(rig: Rig) -> None:
    with rig.board("ascii") as board:
        lobby = rig.relay("lobby", **ASCII)
        hall = rig.relay("hall", protocol="ascii-relay", channel=1)
        await asyncio.gather(lobby.open(), hall.open())
        await asyncio.gather(lobby.set(Supply.OFF), hall.set(Supply.OFF))
        assert (board.driven(0), board.driven(1)) == (True, True)
        await lobby.close()
        assert await hall.get() is Supply.OFF
        await hall.close()
        port = HeldPort(board.link)
        port.hold()
        port.let_go()


@pytest.mark.parametrize("first", ["serial-frame", "serial-text"])
async def test_two_kinds_on_one_port_are_told_apart(
    rig: Rig, stations: Stations, first: str
) -> None:
    """Else the bytes of one would be garbage to the board of the other."""
    with rig.board("ascii") as board:
        frames = stations.relay(
            serial_frame.BACKEND,
            "hall",
            {"port": str(board.link), "channel": 2, "limit": "0.05s"},
        )
        both = [frames, rig.relay("lobby", **ASCII)]
        opened, late = both if first == "serial-frame" else reversed(both)
        async with opened:
            with pytest.raises(Unsupported, match="another station uses this port for"):
                await late.open()
            await opened.set(Supply.ON)
        async with late:
            pass


async def test_unplugged_then_back(rig: Rig) -> None:
    """Gone is told, and what comes back is a board with released coils."""
    with rig.board("ascii") as board:
        relay = rig.relay(**ASCII)
        await relay.open()
        await relay.set(Supply.OFF)
        board.unplug()
        for call in (relay.set(Supply.OFF), relay.get(), relay.set(Supply.ON)):
            with pytest.raises(Unavailable):
                await call
        await relay.close()
        with pytest.raises(Unavailable, match="missing"):
            await relay.open()
        board.plug_in()
        await relay.open()
        assert await relay.get() is Supply.ON
        await relay.close()


async def test_pulled_in_the_middle_of_an_answer(rig: Rig) -> None:
    with rig.board("ascii") as board:
        relay = rig.relay(**ASCII, limit="1s")
        await relay.open()
        board.forget()
        board.hold()
        call = asyncio.create_task(relay.set(Supply.OFF))
        await asyncio.to_thread(board.wait_until, lambda board: bool(board.heard()))
        board.unplug()
        with pytest.raises(Unavailable, match="the port is gone"):
            await call
        await relay.close()


async def test_a_port_in_use(rig: Rig) -> None:
    with rig.board("ascii") as board:
        port = HeldPort(board.link)
        port.hold()
        with pytest.raises(Busy):
            await rig.relay(**ASCII).open()
        port.let_go()


async def test_a_frame_board_is_no_text_board(rig: Rig) -> None:
    """It never answers a line, so it is commanded blindly, and says so."""
    with RelayBoard(rig.folder / "board") as board:
        async with rig.relay(**ASCII, limit="0.05s") as relay:
            assert relay.facts.readback is Readback.NONE
            assert "it is silent" in relay.take_notes()[0]
        assert not board.driven()


# ---- settings


def test_target_and_channel() -> None:
    table = {"port": "/dev/./x", "protocol": "scpi-route"}
    numbered = Settings.model_validate({**table, "channel": 101})
    assert numbered.target() == Target("/dev/x", "101")
    assert numbered == Settings.model_validate({**table, "channel": "101"})


def test_times_are_written_with_their_unit() -> None:
    given = {"port": "/dev/x", **ASCII, "limit": "0.25s"}
    settings = Settings.model_validate(given)
    assert settings.limit == 0.25
    assert json.loads(settings.model_dump_json())["limit"] == "0.25s"


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({"channel": 1}, "coil_on and coil_off are missing"),
        ({"protocol": "scpi-route"}, "channel is missing"),
        ({"protocol": "scpi-route", "channel": "101,102"}, "channel"),
        ({"protocol": "scpi-route", "channel": "101:110"}, "channel"),
        ({"protocol": "scpi-route", "channel": True}, "channel"),
        ({"protocol": "scpi"}, "protocol"),
        ({"protocol": "scpi-output"}, "normally-open"),
        ({**ROUTE, "coil_off": "*RST"}, "never sent"),
        ({**ROUTE, "coil_off": "ROUT:OPEN:ALL"}, "never sent"),
        ({**ROUTE, "coil_off": "relay writeall 00"}, "never sent"),
        ({**ROUTE, "coil_off": "ROUT:OPEN (@101,102)"}, "never sent"),
        ({**ROUTE, "coil_off": "ROUT:OPEN (@101:110)"}, "never sent"),
        ({**ROUTE, "says_on": "["}, "no regular expression"),
        ({**ROUTE, "query": ""}, "all together"),
        ({**ROUTE, "line_end": "\t"}, "line_end"),
        ({**ROUTE, "limit": "3s"}, "limit"),
        ({**ROUTE, "pause": "1s"}, "pause"),
        ({**ROUTE, "port": "ttyUSB0"}, "port"),
        ({**ROUTE, "port": "/dev/tty\x00USB0"}, "port"),
    ],
)
def test_settings_refuse(table: dict[str, Any], said: str) -> None:
    with pytest.raises(ValidationError, match=said):
        Settings.model_validate({"port": "/dev/ttyUSB0", **table})
