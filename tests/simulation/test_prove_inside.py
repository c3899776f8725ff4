"""A commissioning run of one station while the daemon goes on with the others.

Whatever ends it, the supply is on, the log follows, and the station comes back knowing
what a replay of the log makes of it (the rig compares the two at each comeback).
Devices, peers and numbers are invented.
"""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from unittest import mock

import pytest

from support import shell_rig
from support.prove_inside_rig import (
    BY,
    PEER,
    FakeTalk,
    InsideRig,
    follows,
    ordered,
    over,
    rebuilt,
)
from support.shell_rig import HANGS, NEVER_S, OFF, ON, FakeRelay, Mood, lives
from tidegate.contract import Readback
from tidegate.control.protocol import Gone
from tidegate.core.effects import Reason
from tidegate.core.reading import Supply
from tidegate.cyclelog.rows import (
    EventRow,
    IntentRow,
    OperatorRow,
    ReadingRow,
    RunEndRow,
    RunRow,
)
from tidegate.errors import LogError, Malformed, OrderRefused, Unavailable
from tidegate.prove import commission
from tidegate.service.asked import dialogue
from tidegate.service.root import OUT_LIMIT_S
from tidegate.service.turnover import Turnover

PROVEN = ["prove begin", "on", "off", "on", "prove result", "proved"]
GONE = Unavailable("gone", target="fake", remedy="None.")


def rig_of(folder: Path, **more: Any) -> InsideRig:
    return InsideRig(
        folder,
        names=("lobby", "tower"),
        apart=("cellar",),
        table={"settle": "10s"},
        **more,
    )


@pytest.fixture
def rig(tmp_path: Path) -> InsideRig:
    return rig_of(tmp_path)


async def stopped(rig: InsideRig) -> float:
    """Wait for the end of the daemon; return how long that took since it was told."""
    assert rig.service is not None
    assert rig.task is not None
    await rig.service.ended()
    began_ms = rig.clock.boot_ms()
    await asyncio.wait({rig.task})
    rig.task.result()
    return (rig.clock.boot_ms() - began_ms) / 1_000


def dark_neighbours(rig: InsideRig) -> list[str]:
    return [name for name in ("tower", "cellar") if rig.now(name).contact is OFF]


def result_args(rig: InsideRig) -> Mapping[str, Any]:
    """Return what the log says a run came to."""
    row = [r for r in rig.rows(OperatorRow) if '"result"' in r.args][-1]
    args: Mapping[str, Any] = json.loads(row.args)
    return args


# --- all goes well ------------------------------------------------------------------------


def test_a_station_is_proven_while_the_others_go_on(rig: InsideRig) -> None:
    talk = FakeTalk()

    async def life() -> None:
        async with rig.living():
            await rig.live(100)
            began_ms = rig.clock.boot_ms()
            assert await ordered(rig, talk) == {"station": "lobby", "in_control": True}
            ended_ms = rig.clock.boot_ms()
            for name in ("tower", "cellar"):
                reads = [n for n in rig.notes("read", name) if n.at_ms > began_ms]
                assert reads, "its gauge is read on"
                assert len(rig.notes("told", name)) == 1, "only the on of its start"
            await rig.until(lambda: rig.state().drive.commanded is ON, 30, "on")
            assert rig.state().drive.started_at_ms >= ended_ms
            assert rig.state().drive.ever_proven
            await rig.live(60)

    lives(rig, life)
    assert rig.comebacks == 1
    ends = ["started", "stopping"]
    assert follows(rig) == ["run", *ends, *PROVEN, *ends]
    assert follows(rig, "cellar") == ["run", *ends]
    assert [len(rig.rows(kind)) for kind in (RunRow, RunEndRow)] == [1, 1]
    begin, result = rig.rows(OperatorRow)
    assert {begin.by, result.by} == {BY}
    assert json.loads(begin.args) == {"step": "begin", "rounds": 1, "peer": PEER.name}
    assert json.loads(result.args)["peer"] == PEER.name
    assert talk.result["verdict"] == "proven"
    assert talk.result["by"] == BY
    assert talk.result["recorded"]
    assert talk.said[0].startswith("The gauge says: 60 %")
    # Who shares the board is told of its calls, who does not is not.
    told = {
        name: [r for r in rig.rows(EventRow, name) if r.kind == "neighbour_switched"]
        for name in ("tower", "cellar")
    }
    assert len(told["tower"]) >= 3 + 2
    assert told["cellar"] == []


def test_a_passed_run_ends_rule_7_and_a_failed_one_does_not(rig: InsideRig) -> None:
    async def life() -> None:
        async with rig.living():
            rig.relays["lobby"].order("set", Mood(answer=False))  # the contact sticks
            rig.devices["lobby"].soc_percent = 66.0
            await rig.until(
                lambda: rig.state().latches.relay is Reason.RELAY_NO_EFFECT,
                7_200,
                "rule 7",
            )
            rig.prepare = lambda: rig.relays["lobby"].order("set", Mood(answer=False))
            talk = FakeTalk()
            await ordered(rig, talk)
            assert talk.result["verdict"] == "not_proven"
            await rig.live(30)
            assert rig.state().latches.relay is Reason.RELAY_NO_EFFECT
            rig.prepare = lambda: None
            await ordered(rig, FakeTalk())
            await rig.live(30)
            assert rig.state().latches.relay is None
            assert not rig.alarmed("relay_no_effect")

    lives(rig, life)
    assert rig.comebacks == 2
    follows(rig)


def test_a_reversed_relay_is_known_to_the_station_that_comes_back(
    rig: InsideRig,
) -> None:
    """The contact is wired the other way; from the first command on it is on."""

    def wired_wrong() -> None:
        relay = rig.relays["lobby"]
        tell = relay.set
        relay.set = lambda supply: tell(supply.other)  # type: ignore[method-assign]

    async def life() -> None:
        rig.devices["lobby"].contact = OFF
        async with rig.living():
            talk = FakeTalk()
            rig.prepare = wired_wrong
            await ordered(rig, talk)
            assert talk.result["wiring"]["reversed"]
            assert rig.now("lobby").contact is ON
            await rig.live(120)
            assert rig.state().drive.swapped
            assert rig.state().latches.relay is Reason.RELAY_REVERSED
            assert rig.now("lobby").contact is ON
            await rig.end()  # with the relay still wired so
            rig.prepare = lambda: None

    with mock.patch.object(InsideRig, "check_lives"):
        lives(rig, life)
    assert rig.comebacks == 1
    follows(rig)
    assert rebuilt(rig).drive.swapped


def timed(folder: Path) -> InsideRig:
    return rig_of(folder, relay_facts={"dead_man_s": 120.0})


@pytest.mark.parametrize(
    ("answer", "result"),
    [(True, "failed"), (False, "not_tested"), (None, "not_tested")],
)
def test_the_question_goes_to_the_peer(
    tmp_path: Path, answer: bool | None, result: str
) -> None:
    """Nobody moves the contact of the fake, so that a tested timer has failed."""
    rig = timed(tmp_path)
    talk = FakeTalk()
    talk.answer = answer
    talk.says({"answer": True})  # before there is a question: it answers none

    async def life() -> None:
        async with rig.living():
            await rig.live(10)
            await ordered(rig, talk, yes=False)

    lives(rig, life)
    assert talk.result["timer"]["result"] == result
    (question,) = [line["ask"] for line in talk.lines if "ask" in line]
    assert question.startswith("Test the relay's timer?")
    follows(rig)


def test_yes_answers_the_question_before(tmp_path: Path) -> None:
    rig = timed(tmp_path)
    talk = FakeTalk()

    async def life() -> None:
        async with rig.living():
            await rig.live(10)
            await ordered(rig, talk, yes=True)

    lives(rig, life)
    assert any(line.endswith("Yes (--yes).") for line in talk.said)
    assert talk.result["timer"]["result"] == "failed"


def test_a_daemon_that_proves_nothing_does_not_carry_it() -> None:
    """Its questions are there, the run itself is not."""
    program = (
        "import sys, tidegate.cli.daemon, tidegate.service.control_part\n"
        "from tidegate.service.asked import override, prove, read, reload, status\n"
        "print([name for name in sys.modules if name.startswith('tidegate.prove')])"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


# --- what is refused ----------------------------------------------------------------------


@pytest.mark.parametrize(
    "wrong",
    [
        {"by": "  "},
        {"by": 7},
        {"by": "A.\nFitter"},
        {"rounds": 0},
        {"rounds": 21},
        {"rounds": True},
        {"yes": "yes"},
        {"quick": True},
    ],
)
def test_orders_that_are_none(rig: InsideRig, wrong: dict[str, Any]) -> None:
    async def life() -> None:
        async with rig.living():
            with pytest.raises(Malformed):
                await ordered(rig, FakeTalk(), **wrong)

    lives(rig, life)
    assert follows(rig) == ["run", "started", "stopping"]


def test_what_cannot_be_proven_now_is_refused(rig: InsideRig) -> None:
    async def life() -> None:
        async with rig.living():
            with pytest.raises(OrderRefused, match="no station lobbi"):
                await ordered(rig, FakeTalk(), "lobbi")
            first = ordered(rig, FakeTalk())
            await rig.live(5)
            with pytest.raises(OrderRefused, match="out for commissioning"):
                await ordered(rig, FakeTalk())
            assert rig.service is not None
            assert rig.service.turnover.names == {"lobby": "commissioning"}
            with pytest.raises(OrderRefused, match="two runs at once"):
                await ordered(rig, FakeTalk(), "cellar")
            await first
            assert rig.service.turnover.names == {}
            await ordered(rig, FakeTalk(), "cellar")

    lives(rig, life)
    assert rig.comebacks == 2
    assert follows(rig).count("proved") == 1
    assert follows(rig, "cellar").count("proved") == 1


@pytest.mark.parametrize("after_s", [0.0, 5.0])
def test_exchanged_contacts_are_not_proven_by_one_another(
    rig: InsideRig, after_s: float
) -> None:
    """Each relay switches the other's supply, and both are ordered to be proven."""
    other = {"lobby": "tower", "tower": "lobby"}

    class FakeCrossedRelay(FakeRelay):
        async def _hand(self, supply: Supply, mood: Mood, opened: int) -> None:
            del mood, opened
            rig.now(other[self.name]).contact = supply

    talks = {name: FakeTalk() for name in other}

    async def life() -> None:
        async with rig.living():
            await rig.live(30)
            runs = []
            for name, talk in talks.items():
                runs.append(ordered(rig, talk, name))
                await rig.live(after_s)
            await asyncio.gather(*map(over, runs))

    with mock.patch.object(shell_rig, "FakeRelay", FakeCrossedRelay):
        lives(rig, life)
    verdicts = [
        line["result"]["verdict"]
        for talk in talks.values()
        for line in talk.lines
        if "result" in line
    ]
    assert verdicts == ["not_proven"]


def test_a_low_battery_is_refused_and_comes_back(rig: InsideRig) -> None:
    talk = FakeTalk()

    async def life() -> None:
        async with rig.living():
            rig.devices["lobby"].soc_percent = 32.0
            await rig.live(10)
            await ordered(rig, talk)

    lives(rig, life)
    assert (talk.result["verdict"], rig.comebacks) == ("refused", 1)
    words = follows(rig)
    assert "off" not in words
    assert words[3:6] == ["prove begin", "prove result", "not_proved"]


def test_a_station_without_a_relay_is_refused_where_it_is(tmp_path: Path) -> None:
    rig = InsideRig(tmp_path, table={"relay": None, "window": None})
    talk = FakeTalk()

    async def life() -> None:
        async with rig.living():
            await rig.live(10)
            answer = await ordered(rig, talk)
            assert answer == {"station": "lobby", "in_control": True}

    with mock.patch("support.shell_rig.from_tables", without_nothing):
        lives(rig, life)
    assert talk.result["verdict"] == "refused"
    assert "only measures" in talk.result["why"]
    assert follows(rig) == ["run", "started", "stopping"], "it never went out"


def without_nothing(tables: Any) -> Any:
    from tidegate.settings import from_tables

    stations = {
        name: {key: value for key, value in table.items() if value is not None}
        for name, table in tables["station"].items()
    }
    return from_tables({**tables, "station": stations})


# --- what goes wrong ----------------------------------------------------------------------


def test_a_log_that_cannot_be_written_switches_nothing_off(rig: InsideRig) -> None:
    async def life() -> None:
        async with rig.living():
            await rig.live(60)
            rig.disk_takes_s = 30.0
            before = len(rig.notes("told"))
            with pytest.raises(LogError):
                await ordered(rig, FakeTalk())
            assert OFF not in [note.more for note in rig.notes("told")[before:]]
            rig.disk_takes_s = 0.0
            await rig.live(60)

    lives(rig, life)
    assert rig.comebacks == 1
    assert follows(rig)[3:6] == ["prove begin", "prove result", "not_proved"]


def test_our_own_bug_leaves_a_log_that_follows_and_a_station_in_control(
    rig: InsideRig,
) -> None:
    class Bug(Exception):
        pass

    async def fails(_: object) -> None:
        raise Bug

    async def life() -> None:
        async with rig.living():
            await rig.live(60)
            rig.from_here(30, talk.leaves)
            with pytest.raises(Bug), mock.patch.object(commission, "supply_on", fails):
                await ordered(rig, talk)
            await rig.until(lambda: rig.now("lobby").contact is ON, 5, "on")
            await rig.live(60)

    talk = FakeTalk()
    lives(rig, life)
    assert rig.comebacks == 1
    assert result_args(rig)["why"] == "a fault in tidegate"
    follows(rig)


def test_a_neighbour_that_closes_the_link_does_not_end_it(tmp_path: Path) -> None:
    """A call of the other channel hangs while the device is off: the link is closed
    under both, and the next call of the run opens it again.
    """
    rig = rig_of(tmp_path, relay_facts={"readback": Readback.LATCH})
    talk = FakeTalk()

    async def life() -> None:
        async with rig.living():
            await rig.live(60)
            task = ordered(rig, talk)
            await rig.until(lambda: rig.now("lobby").contact is OFF, 60, "off")
            relay = rig.relays["lobby"]
            assert relay.opened == 1
            assert rig.service is not None
            rig.service.link_is_gone(rig.service.stations["tower"].plan)
            await task
            assert relay.opened == 2

    lives(rig, life)
    assert talk.result["verdict"] == "proven"
    follows(rig)


# --- the end before its end ---------------------------------------------------------------


def ended_by_end(rig: InsideRig, talk: FakeTalk) -> None:
    talk.says({"end": "Ctrl-C"})


def ended_by_leaving(rig: InsideRig, talk: FakeTalk) -> None:
    talk.leaves()


def ended_by_nonsense(rig: InsideRig, talk: FakeTalk) -> None:
    talk.says({"stop": "please"})


def ended_by_daemon(rig: InsideRig, talk: FakeTalk) -> None:
    assert rig.service is not None
    rig.service.end()


WAYS: dict[str, tuple[Callable[[InsideRig, FakeTalk], None], str]] = {
    "end": (ended_by_end, "it was ended by Ctrl-C"),
    "leave": (ended_by_leaving, dialogue.GONE),
    "nonsense": (ended_by_nonsense, dialogue.NOT_UNDERSTOOD),
    "stop": (ended_by_daemon, "the daemon was stopped"),
}


def end_at(rig: InsideRig, way: str, step: int, **order: Any) -> FakeTalk:
    """End a run at its n-th step, in some way; check what must hold then."""
    end, _ = WAYS[way]
    talk = FakeTalk()
    took_s: list[float] = []

    async def life() -> None:
        with rig.patched():
            await rig.begin()
            await rig.live(60)
            rig.from_here(step, lambda: end(rig, talk))
            task = ordered(rig, talk, **order)
            if way == "stop":
                took_s.append(await stopped(rig))
                await over(task)
                return
            await over(task)
            assert rig.service is not None
            await rig.until(lambda: rig.now("lobby").contact is ON, 5, "on")
            await rig.live(60)
            assert rig.service.turnover.names == {}
            assert rig.state().drive.commanded is not None
            await rig.end()

    async def again() -> None:
        async with rig.living():
            await rig.live(30)

    lives(rig, life)
    assert rig.now("lobby").contact is ON
    assert dark_neighbours(rig) == []
    assert all(seconds <= OUT_LIMIT_S for seconds in took_s)
    for name in ("lobby", "tower", "cellar"):
        follows(rig, name)
    before = rebuilt(rig)
    lives(rig, again)
    assert rebuilt(rig).drive.operations >= before.drive.operations
    follows(rig)
    return talk


@pytest.mark.parametrize(("way", "step"), [*((way, 45) for way in WAYS), ("stop", 26)])
def test_whatever_ends_it_ends_it_with_the_supply_on(
    rig: InsideRig, way: str, step: int
) -> None:
    """In the middle of an off, and while it looks on with the supply on."""
    end_at(rig, way, step, rounds=2)
    args = result_args(rig)
    assert (args["verdict"], args["why"]) == ("aborted", WAYS[way][1])
    assert args["supply_is_on"]


@pytest.mark.slow
@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("first", range(0, 120, 12))
def test_an_end_at_every_step(tmp_path: Path, way: str, first: int) -> None:
    for step in range(first, first + 12, 3):
        folder = tmp_path / str(step)
        folder.mkdir()
        end_at(rig_of(folder), way, step, rounds=2)


@pytest.mark.parametrize("takes_s", [7.0, NEVER_S])
def test_a_relay_that_hangs_does_not_hold_up_the_stop(
    rig: InsideRig, takes_s: float
) -> None:
    """An off that is under way at the stop, and lands late or never."""
    mood = Mood(takes_s=takes_s, outlives=True, survives_close=True)

    async def life() -> None:
        with rig.patched():
            await rig.begin()
            await rig.live(60)
            task = ordered(rig, FakeTalk())
            await rig.until(lambda: len(rig.notes("told")) >= 2, 60, "its first on")
            rig.relays["lobby"].order("set", mood, times=1)
            await rig.until(lambda: rig.notes("told")[-1].more is OFF, 60, "its off")
            ended_by_daemon(rig, FakeTalk())
            took_s = await stopped(rig)
            assert took_s <= OUT_LIMIT_S
            await over(task)
            assert rig.notes("told")[-1].more is ON

    lives(rig, life)
    follows(rig)
    assert rig.relays["lobby"].most_at_once <= 2, "the late one, and that against it"


def test_a_gauge_that_hangs_does_not_hold_up_the_stop(rig: InsideRig) -> None:
    async def life() -> None:
        with rig.patched():
            await rig.begin()
            await rig.live(60)
            task = ordered(rig, FakeTalk())
            await rig.until(lambda: rig.now("lobby").contact is OFF, 60, "off")
            rig.gauges["lobby"].order("read", HANGS)
            rig.gauges["lobby"].order("close", HANGS)
            ended_by_daemon(rig, FakeTalk())
            assert await stopped(rig) <= OUT_LIMIT_S
            await over(task)

    lives(rig, life)
    assert rig.now("lobby").contact is ON
    assert result_args(rig)["supply_is_on"] is None
    follows(rig)


def test_the_stop_comes_while_it_looks_for_the_supply(rig: InsideRig) -> None:
    """Its end takes minutes where no power shows; a stop does not wait for that."""

    async def life() -> None:
        with rig.patched():
            await rig.begin()
            await rig.live(60)
            talk = FakeTalk()
            task = ordered(rig, talk)
            await rig.until(lambda: rig.now("lobby").contact is OFF, 60, "off")
            rig.devices["lobby"].mains = False
            talk.says({"end": "Ctrl-C"})
            await rig.live(8)
            assert rig.now("lobby").contact is ON
            ended_by_daemon(rig, talk)
            assert await stopped(rig) <= OUT_LIMIT_S
            await over(task)

    lives(rig, life)
    assert rig.now("lobby").contact is ON
    assert result_args(rig)["why"] == "it was ended by Ctrl-C"
    follows(rig)


def test_a_peer_that_does_not_read_is_gone(rig: InsideRig) -> None:
    class FakeDeafTalk(FakeTalk):
        async def more(self, document: Mapping[str, Any]) -> None:
            if self.lines:
                raise Gone
            await super().more(document)

    talk = FakeDeafTalk()

    async def life() -> None:
        async with rig.living():
            await rig.live(60)
            await ordered(rig, talk)
            await rig.until(lambda: rig.now("lobby").contact is ON, 5, "on")

    lives(rig, life)
    assert result_args(rig)["why"] == dialogue.GONE
    assert rig.comebacks == 1
    follows(rig)


@pytest.mark.parametrize("step", [45, pytest.param(30, marks=pytest.mark.slow)])
def test_a_kill_in_the_middle_is_followed_by_a_start_with_on(
    rig: InsideRig, step: int
) -> None:
    killed = asyncio.Event()

    async def life() -> None:
        with rig.patched():
            await rig.begin()
            await rig.live(60)
            rig.from_here(step, killed.set)
            task = ordered(rig, FakeTalk(), rounds=3)
            await killed.wait()
            assert not task.done()
            with dead():
                await rig.crash()
            await rig.begin()
            await rig.live(60)
            assert rig.now("lobby").contact is ON
            await rig.end()

    lives(rig, life)
    words = follows(rig)
    assert words.count("prove begin") == 1
    assert "prove result" not in words
    again = [r.reason for r in rig.rows(IntentRow) if r.reason != "prove"]
    assert again[-2:] == ["start", "stop"]
    assert rig.rows(ReadingRow)


@contextmanager
def dead() -> Iterator[None]:
    """Let a cancelled run do nothing, but that the kernel gives its lock back."""

    async def let_go(device: commission.Device) -> None:
        device._line.unlock()

    async def nothing(*_: object) -> None:
        return None

    with (
        mock.patch.object(commission.Device, "close", let_go),
        mock.patch.object(commission.Commissioning, "_ended", nothing),
        mock.patch.object(Turnover, "bring_back", nothing),
    ):
        yield
