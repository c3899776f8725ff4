"""``tidegate watch`` on a real pseudo-terminal, before a real daemon.

What is seen is what the control functions of ECMA-48 make of it (``terminal``). Who
presses Ctrl-C sends byte 3, and the kernel makes SIGINT of it: termios(3), VINTR.
Colours: SGR 38 of ITU-T T.416, and https://no-color.org for their absence.
"""

from __future__ import annotations

import json
import os
import signal
import socket
import threading
import unicodedata
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from support.terminal import LIMIT_S, Screen, Terminal
from support.watched_world import WatchedWorld

CTRL_C = b"\x03"
CTRL_Z = b"\x1a"


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> Iterator[WatchedWorld]:
    with WatchedWorld(tmp_path_factory.mktemp("museum")) as world, world.running():
        yield world


def has_blocks(lines: list[str]) -> bool:
    """Whether there are characters of U+2580 to U+259F, the block elements."""
    return any("\u2580" <= character <= "\u259f" for character in "".join(lines))


def shows(word: str) -> Callable[[list[str]], bool]:
    return lambda lines: any(word in line for line in lines)


def is_left_as_found(terminal: Terminal) -> None:
    screen = terminal.screen
    terminal.until(lambda _: not screen.alternate, "the screen before")
    assert screen.cursor_shown
    assert not screen.is_coloured
    assert terminal.modes == terminal.modes_before
    assert (screen.wrapped, screen.scrolled) == (0, 0)


# --- the picture ----------------------------------------------------------------------


def test_one_station_on_an_ordinary_terminal(world: WatchedWorld) -> None:
    with world.terminal("watch", "hall") as terminal:
        lines = terminal.until(shows("Ctrl-C ends"), "the picture")
        assert terminal.screen.alternate
        assert not terminal.screen.cursor_shown
        assert lines[0].startswith("hall: supply")
        picture = next(n for n, line in enumerate(lines) if "65 % high mark" in line)
        rows = {
            name: next(n for n, line in enumerate(lines) if name in line)
            for name in ("65 % high mark", "55 % low mark", "30 % floor")
        }
        assert list(rows.values()) == sorted(rows.values()), "from high to low"
        for name in ("65 % high mark", "55 % low mark"):
            assert "░" in lines[rows[name]], "the band reaches its marks"
        assert "╌" in lines[rows["30 % floor"]]
        supply = next(
            line
            for line in lines
            if line.rstrip().endswith(("supply on", "supply off"))
        )
        assert supply.rstrip().endswith(("█ supply on", "▁ supply off"))
        below = lines[picture:]
        assert any("EST" in line or "EDT" in line for line in below), (
            "the zone is named"
        )
        assert any("window 55 to 65 %" in line for line in lines)
        assert any(line.startswith("  next: ") for line in lines)
        assert "tower" not in "\n".join(lines)
        # It goes on: the charge moves half a point a second.
        soc = next(line for line in lines if "SoC" in line and "read" in line)
        terminal.until(lambda now: soc not in now, "another charge, or another age")
        terminal.press(CTRL_C)
        assert terminal.wait() == os.EX_OK
        is_left_as_found(terminal)
        # What is left behind is nothing, or what was said before the picture.
        assert not has_blocks(terminal.lines)


@pytest.mark.slow
def test_both_stations_have_their_pictures_where_there_is_room(
    world: WatchedWorld,
) -> None:
    with world.terminal("watch", columns=120, rows=40) as terminal:
        lines = terminal.until(shows("Ctrl-C ends"), "the picture")
        heads = [n for n, line in enumerate(lines) if ": supply" in line]
        assert [lines[n].split(":")[0] for n in heads] == ["hall", "tower"]
        # Its label at the right edge; a sentence may speak of the mark, too.
        assert sum(line.endswith("high mark") for line in lines) == 2
        assert has_blocks(lines[heads[0] : heads[1]])
        assert has_blocks(lines[heads[1] :])
        assert max(map(len, lines)) > 100, "the width is used"
        terminal.press(CTRL_C)
        assert terminal.wait() == os.EX_OK
        is_left_as_found(terminal)


@pytest.mark.slow
def test_a_narrow_terminal_has_words_alone(world: WatchedWorld) -> None:
    with world.terminal("watch", columns=40, rows=30) as terminal:
        lines = terminal.until(shows("Ctrl-C ends"), "the words")
        assert not has_blocks(lines)
        text = "\n".join(lines)
        assert "hall: supply" in text
        assert "tower: supply" in text
        terminal.press(CTRL_C)
        assert terminal.wait() == os.EX_OK
        is_left_as_found(terminal)


SIZES = [
    (120, 40, True),
    (60, 24, True),
    (59, 24, False),
    (80, 6, False),
    (20, 3, False),
    (1, 1, False),
    (200, 60, True),
]


def test_another_size_is_followed_at_once(world: WatchedWorld) -> None:
    with world.terminal("watch", "hall") as terminal:
        terminal.until(has_blocks, "a picture")
        for columns, rows, picture in SIZES:
            terminal.resize(columns, rows)
            lines = terminal.until(
                partial(_is_drawn, terminal.screen, picture=picture),
                f"{columns} by {rows}, and nothing wraps",
            )
            assert len(lines) == rows
        terminal.press(CTRL_C)
        assert terminal.wait() == os.EX_OK
        is_left_as_found(terminal)


def _is_drawn(screen: Screen, lines: list[str], *, picture: bool) -> bool:
    fits = (screen.wrapped, screen.scrolled) == (0, 0)
    begins = screen.columns < 20 or lines[0].startswith("hall: supply")
    return fits and begins and any(lines) and has_blocks(lines) is picture


# --- colour ---------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize(
    ("env", "blue"),
    [
        # Okabe and Ito's blue, 0, 114, 178; next to it in xterm's cube is 0, 95, 175.
        ({"COLORTERM": "truecolor"}, "38;2;0;114;178"),
        ({}, "38;5;25"),
        ({"NO_COLOR": "1"}, None),
    ],
    ids=["exact", "256", "none"],
)
def test_colours_are_those_of_the_palette_or_none(
    world: WatchedWorld, env: dict[str, str], blue: str | None
) -> None:
    with world.terminal("watch", "hall", **env) as terminal:
        terminal.until(has_blocks, "a picture")
        if blue is None:
            assert terminal.screen.colours == set()
        else:
            assert blue in terminal.screen.colours
        terminal.press(CTRL_C)
        assert terminal.wait() == os.EX_OK


@pytest.mark.slow
def test_a_terminal_that_says_no_colour_gets_none(world: WatchedWorld) -> None:
    with world.terminal("watch", "hall", TERM="vt100") as terminal:
        terminal.until(has_blocks, "a picture")
        assert terminal.screen.colours == set()
        terminal.press(CTRL_C)
        assert terminal.wait() == os.EX_OK


@pytest.mark.slow
def test_a_dumb_terminal_has_lines_and_no_control_functions(
    world: WatchedWorld,
) -> None:
    with world.terminal("watch", "hall", TERM="dumb", columns=200) as terminal:
        terminal.until(shows("hall: supply"), "a line")
        assert b"\x1b" not in terminal.raw
        terminal.press(CTRL_C)
        assert terminal.wait() == os.EX_OK
        assert terminal.modes == terminal.modes_before


# --- the end, whatever it is ----------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT])
def test_a_signal_that_ends_it_gives_the_terminal_back(
    world: WatchedWorld, number: signal.Signals
) -> None:
    with world.terminal("watch", "hall") as terminal:
        terminal.until(has_blocks, "a picture")
        terminal.process.send_signal(number)
        assert terminal.wait() == -number
        is_left_as_found(terminal)


@pytest.mark.slow
def test_keys_do_not_show_and_are_not_left_for_the_shell(world: WatchedWorld) -> None:
    with world.terminal("watch", "hall") as terminal:
        terminal.until(has_blocks, "a picture")
        terminal.press(b"rm -r\n")
        terminal.resize(100, 24)
        lines = terminal.until(has_blocks, "a picture again")
        assert not any("rm -r" in line for line in lines)
        terminal.press(CTRL_C)
        assert terminal.wait() == os.EX_OK
        os.set_blocking(terminal._slave, False)
        with pytest.raises(BlockingIOError):
            os.read(terminal._slave, 10)


@pytest.mark.slow
def test_a_pause_gives_the_terminal_back_and_takes_it_again(
    world: WatchedWorld,
) -> None:
    with world.terminal("watch", "hall") as terminal:
        terminal.until(has_blocks, "a picture")
        terminal.press(CTRL_Z)
        terminal.until(lambda _: not terminal.screen.alternate, "the screen before")
        pid, status = os.waitpid(terminal.process.pid, os.WUNTRACED)
        assert pid
        assert os.WIFSTOPPED(status)
        is_left_as_found(terminal)
        terminal.process.send_signal(signal.SIGCONT)
        terminal.until(has_blocks, "a picture again")
        assert terminal.screen.alternate
        terminal.press(CTRL_C)
        assert terminal.wait() == os.EX_OK
        is_left_as_found(terminal)


@pytest.mark.slow
def test_a_daemon_that_went_away_is_said_and_looked_for_again(tmp_path: Path) -> None:
    with (
        WatchedWorld(tmp_path) as world,
        world.running() as daemon,
        world.terminal("watch", "hall") as terminal,
    ):
        terminal.until(has_blocks, "a picture")
        daemon.stop()
        lines = terminal.until(shows("not current: the daemon went away"), "so")
        assert lines[0].startswith("hall: supply"), "what was last known stays"
        assert has_blocks(lines)
        with world.running():
            terminal.until(
                lambda lines: has_blocks(lines) and not shows("not current")(lines),
                "current again",
            )
            terminal.press(CTRL_C)
            assert terminal.wait() == os.EX_OK
            is_left_as_found(terminal)


@pytest.mark.slow
def test_no_daemon_at_all_is_said_without_taking_the_screen(tmp_path: Path) -> None:
    with WatchedWorld(tmp_path) as world, world.terminal("watch") as terminal:
        assert terminal.wait() == os.EX_UNAVAILABLE
        terminal.until(shows("no tidegate daemon answers"), "why")
        assert b"\x1b" not in terminal.raw


@pytest.mark.slow
def test_every_character_of_the_picture_has_the_width_of_one(
    world: WatchedWorld,
) -> None:
    """Unicode Standard Annex 11: W and F take two columns."""
    with world.terminal("watch", "hall") as terminal:
        lines = terminal.until(has_blocks, "a picture")
        for character in set("".join(lines)):
            assert unicodedata.east_asian_width(character) not in "WF"
            assert not unicodedata.combining(character)
        terminal.press(CTRL_C)
        assert terminal.wait() == os.EX_OK


# --- a daemon that is not what it should be -------------------------------------------


@contextmanager
def pretended(path: Path, document: dict[str, Any]) -> Iterator[None]:
    """A daemon of the test's own, which answers each peer with one line: unix(7)."""
    line = json.dumps({"tidegate": 1, "more": document}).encode() + b"\n"
    ended = threading.Event()

    def serve() -> None:
        while not ended.is_set():
            peer, _ = listening.accept()
            peers.append(peer)
            if not ended.is_set():
                peer.recv(65_536)
                peer.sendall(line)

    peers: list[socket.socket] = []
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listening:
        listening.bind(str(path))
        path.chmod(0o600)
        listening.listen()
        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        try:
            yield
        finally:
            ended.set()
            with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as last:
                last.connect(str(path))
                thread.join(LIMIT_S)
            for peer in peers:
                peer.close()


@pytest.mark.slow
def test_text_that_would_steer_the_terminal_is_only_shown(
    world: WatchedWorld, tmp_path: Path
) -> None:
    """Control characters, Unicode category Cc, and their names for people."""
    document = json.loads(world.call("status", "hall", "--json").stdout)
    (hall,) = document["stations"]
    evil = "evil \x1b[31m\x1b]0;title\x07\x9b2J\u202e"
    hall["text"] = evil
    hall["override"] = {
        "supply": "on",
        "until": hall["since"],
        "because": evil,
        "by": evil,
    }
    hall["alarms"] = [{"code": evil, "text": evil, "since": None}]
    hall["plan"] = {"says": evil, "because": evil, "in_force": True}
    document["service"]["settings_error"] = evil
    document["service"]["log"] = str(tmp_path / "none.db")
    other = WatchedWorld(tmp_path)
    with pretended(other.socket, document), other.terminal("watch") as terminal:
        terminal.until(shows("hall: evil"), "the text")
        terminal.until(shows("the picture begins now"), "there is no such log")
        assert b"\x1b[31m" not in terminal.raw
        assert b"\x07" not in terminal.raw
        assert "\u202e".encode() not in terminal.raw
        terminal.press(CTRL_C)
        assert terminal.wait() == os.EX_OK
        is_left_as_found(terminal)
    assert terminal.failed is None


def test_a_fault_of_our_own_gives_the_terminal_back(
    world: WatchedWorld, tmp_path: Path
) -> None:
    document = json.loads(world.call("status", "hall", "--json").stdout)
    document["service"]["log"] = str(tmp_path / "none.db")
    document["stations"][0]["next"] = {"what": "on"}  # what no daemon says
    document["stations"][0]["next_why"] = None
    other = WatchedWorld(tmp_path)
    with pretended(other.socket, document), other.terminal("watch") as terminal:
        assert terminal.wait() == os.EX_SOFTWARE
        is_left_as_found(terminal)
        assert b"Traceback" not in terminal.raw
