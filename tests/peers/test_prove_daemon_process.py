"""``tidegate prove`` while ``tidegate run`` goes on: real processes, socket and terminal.

Batteries are trees of files that follow the contacts of a board on a pseudo-terminal;
where the relay needs a timer it is a twin in real time. All numbers are invented. What
a shell says of a command that a signal n ended is 128 + n: POSIX.1-2017, XCU 2.8.2.
"""

from __future__ import annotations

import json
import os
import pty
import signal
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from peers.test_control_process import STRANGER, Site, as_root
from peers.test_prove_process import KEYS, QUESTION, Run, proving
from support.evidence import intents, rows, sound
from support.live_world import Battery, Daemon, LiveWorld
from tidegate.cyclelog.rows import Entry, EventRow, OperatorRow, ReadingRow, RunRow
from tidegate.errors import LogError

pytestmark = pytest.mark.slow
WITHIN_S = 40.0


@pytest.fixture
def socket() -> Iterator[Path]:
    """A path that is short enough: unix(7) has 108 bytes for one."""
    with tempfile.TemporaryDirectory(prefix="tidegate-") as folder:
        yield Path(folder) / "control.sock"


@contextmanager
def running(folder: Path, socket: Path) -> Iterator[tuple[LiveWorld, Daemon]]:
    """Let a daemon look after two batteries; both are read before this begins."""
    batteries = (Battery("BAT0"), Battery("BAT1", channel=2))
    with LiveWorld(folder, *batteries) as world:
        settings = world.settings(f'[control]\nsocket = "{socket}"')
        text = settings.read_text(encoding="utf-8")
        settings.write_text(text.replace('settle = "2s"', 'settle = "1s"'))
        with world.daemon() as daemon:
            world.wait_until(
                lambda: all(has_begun(world.log, name) for name in ("bat0", "bat1")),
                WITHIN_S,
                daemon.said,
            )
            yield world, daemon
            assert daemon.stop() == 0, daemon.said
            assert "Traceback" not in daemon.said
        for channel in (1, 2):
            assert not world.board.driven(channel), "the supply is on"


def has_begun(log: Path, station: str) -> bool:
    try:
        return bool(intents(rows(log, station)))
    except LogError:
        return False  # the file is there, and nothing in it yet


def at(world: LiveWorld, *words: str) -> tuple[Path, Path, str, str]:
    return (world.folder, world.folder / "tidegate.toml", "bat0", *words)  # type: ignore[return-value]


def course(log: Path, station: str) -> list[str]:
    """Return what became of a station, its log sound."""
    kinds = ("started", "stopping", "proved", "not_proved")
    events = [e.row.kind for e in sound(log, station) if isinstance(e.row, EventRow)]
    return [kind for kind in events if kind in kinds]


def is_between(entry: Entry, entries: list[Entry]) -> bool:
    """Return whether a row lies within the commissioning run of the other station."""
    begin, end = (e.id for e in entries if isinstance(e.row, OperatorRow))
    return begin < entry.id < end


def test_a_station_is_proven_and_the_other_goes_on(
    tmp_path: Path, socket: Path
) -> None:
    with running(tmp_path, socket) as (world, _):
        with proving(*at(world, "--rounds", "1", "--json")) as run:
            assert run.ends() == 0, run.talk
        document = run.document
        known = len(rows(world.log, "bat0"))
        world.wait_until(
            lambda: len(rows(world.log, "bat0")) > known + 2, WITHIN_S, "it is back"
        )
    assert set(document) == KEYS
    assert (document["verdict"], document["by"]) == ("proven", "A. Fitter")
    assert document["recorded"]
    assert document["supply_is_on"]
    assert run.talk.startswith("tidegate is a control, not a safeguard")
    assert "supply off: its effect" in run.talk
    assert course(world.log, "bat0") == [
        *("started", "stopping", "proved", "started", "stopping")
    ]
    assert course(world.log, "bat1") == ["started", "stopping"]
    mine = rows(world.log, "bat0")
    begin, result = (e.row for e in mine if isinstance(e.row, OperatorRow))
    assert (begin.by, result.by) == ("A. Fitter", "A. Fitter")
    assert json.loads(begin.args)["peer"].startswith(f"uid {os.getuid()}")
    assert len([e for e in mine if isinstance(e.row, RunRow)]) == 1
    between = [e for e in rows(world.log, "bat1") if is_between(e, mine)]
    assert any(isinstance(each.row, ReadingRow) for each in between)


@pytest.mark.parametrize(
    ("number", "code"),
    [(signal.SIGINT, 130), (signal.SIGTSTP, 148), (signal.SIGHUP, 129)],
)
def test_a_signal_ends_it_and_the_result_is_waited_for(
    tmp_path: Path, socket: Path, number: int, code: int
) -> None:
    with running(tmp_path, socket) as (world, _):
        with proving(*at(world, "--json")) as run:
            run.says("supply off:")
            run.process.send_signal(number)
            assert run.ends() == code, run.talk
        world.board.wait_until(lambda board: not board.driven())
    assert run.document["verdict"] == "aborted"
    assert run.document["supply_is_on"]
    assert "Ending it: the daemon brings the supply back on" in run.talk
    assert "Traceback" not in run.talk
    assert course(world.log, "bat0") == [
        *("started", "stopping", "not_proved", "started", "stopping")
    ]


def test_a_killed_command_leaves_the_supply_on(tmp_path: Path, socket: Path) -> None:
    with running(tmp_path, socket) as (world, _):
        with proving(*at(world)) as run:
            run.says("supply off:")
            run.process.kill()
        world.wait_until(
            lambda: course_so_far(world.log, "bat0")[-2:] == ["not_proved", "started"],
            WITHIN_S,
            "the daemon has taken it back",
        )
    (_, result) = [
        e.row for e in rows(world.log, "bat0") if isinstance(e.row, OperatorRow)
    ]
    assert json.loads(result.args)["why"] == "its terminal went away"
    assert course(world.log, "bat0")[-1] == "stopping"


def course_so_far(log: Path, station: str) -> list[str]:
    return [e.row.kind for e in rows(log, station) if isinstance(e.row, EventRow)]


def test_a_daemon_that_stops_ends_it_and_says_so(tmp_path: Path, socket: Path) -> None:
    with running(tmp_path, socket) as (world, daemon):
        with proving(*at(world, "--json")) as run:
            run.says("supply off:")
            assert daemon.stop() == 0, daemon.said
            assert run.ends() == 1, run.talk
        assert run.document["verdict"] == "aborted"
        assert run.document["why"] == "the daemon was stopped"
    assert course(world.log, "bat0") == ["started", "stopping", "not_proved"]


def test_one_at_a_time(tmp_path: Path, socket: Path) -> None:
    second = tmp_path / "second"
    second.mkdir()
    with running(tmp_path, socket) as (world, _):
        folder, settings, station = at(world)
        del folder
        with proving(*at(world, "--rounds", "1", "--json")) as first:
            first.says("Supply on, as the base")
            with proving(second, settings, station) as other:
                assert other.ends() == 1, other.talk
            assert "is out for commissioning" in other.talk
            assert first.ends() == 0, first.talk


# --- at a terminal, and who may -----------------------------------------------------------


@pytest.fixture
def site() -> Iterator[Site]:
    """A daemon's place whose relay has a timer."""
    with tempfile.TemporaryDirectory(prefix="tidegate-") as folder:
        Path(folder).chmod(0o755)
        made = Site(Path(folder))
        text = made.settings.read_text(encoding="utf-8").replace(
            'relay = { kind = "twin",', 'relay = { kind = "twin", dead_man_s = 3,'
        )
        made.settings.write_text(text.replace('settle = "2s"', 'settle = "1s"'))
        yield made


@contextmanager
def at_a_terminal(site: Site) -> Iterator[tuple[Run, int]]:
    """Yield the command and the end of the terminal at which a person sits."""
    person, program = pty.openpty()
    words = ("--rounds", "1", "--json")
    try:
        with proving(site.folder, site.settings, "hall", *words, stdin=program) as run:
            yield run, person
    finally:
        os.close(program)
        os.close(person)


@pytest.mark.parametrize(
    ("typed", "result"), [(b"y\n", "returned"), (b"\n", "not_tested")]
)
def test_the_daemons_question_is_put_to_the_person(
    site: Site, typed: bytes, result: str
) -> None:
    with site.daemon(), at_a_terminal(site) as (run, person):
        os.write(person, b"y\n")  # typed ahead, before there was a question
        run.says(QUESTION)
        os.write(person, typed)
        assert run.ends() == 0, run.talk
    assert run.document["timer"]["result"] == result
    sound(site.log, "hall")


def test_ctrl_c_at_the_question(site: Site) -> None:
    with site.daemon(), at_a_terminal(site) as (run, _):
        run.says(QUESTION)
        run.process.send_signal(signal.SIGINT)
        assert run.ends() == 130, run.talk
    assert run.document["supply_is_on"]
    sound(site.log, "hall")


def test_a_terminal_that_goes_away_at_the_question(site: Site) -> None:
    """Nothing can be read there any more: nobody agreed, and the run goes on."""
    with site.daemon():
        person, program = pty.openpty()
        words = ("--rounds", "1", "--json")
        with proving(site.folder, site.settings, "hall", *words, stdin=program) as run:
            os.close(program)
            run.says(QUESTION)
            os.close(person)
            assert run.ends() == 0, run.talk
    assert run.document["timer"]["result"] == "not_tested"


@as_root
def test_who_may_only_ask_may_not_prove(site: Site) -> None:
    with site.daemon():
        known = len(rows(site.log, "hall"))
        words = ("prove", "hall", "--by", "A. Stranger")
        done = site.call(*words, uid=STRANGER, gid=STRANGER)
        assert done.returncode == 77, done.stderr
        site.until(lambda: len(rows(site.log, "hall")) > known, "it goes on")
    assert course(site.log, "hall") == ["started", "stopping"]
