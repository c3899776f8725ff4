"""``tidegate taper --record`` as a process, on a pseudo-terminal and without one.

The process runs in virtual time (``support.taper_process``); its gauges are a twin and
recordings of an invented device that tapers. What a terminal sends for Ctrl-C is the
character 3: termios(3), VINTR.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from support.charges import Device, csv_text, rows
from support.cyclelog_faults import small_disk
from support.taper_process import STANDS
from support.terminal import LIMIT_S, Terminal
from support.watched_world import WatchedWorld

TAPERS = Device(taper="falling", from_percent=50, last_fifth_h=7, most_h=40, seed=2)
CTRL_C = b"\x03"


@pytest.fixture
def settings(tmp_path: Path) -> Path:
    """hall charges at once and plainly, entrance tapers, foyer is at 60 % and stays."""
    recording = tmp_path / "entrance-gauge.csv"
    recording.write_text(csv_text(rows(TAPERS)), encoding="utf-8")
    path = tmp_path / "tidegate.toml"
    path.write_text(
        f"""
[log]
path = "{tmp_path / "cycles.db"}"
[control]
socket = "{tmp_path / "none.sock"}"
[station.hall]
gauge = {{ kind = "twin", soc_percent = 24, load_a = 0.3 }}
[station.entrance]
gauge = {{ kind = "replay", path = "{recording}", gap = "1h" }}
[station.foyer]
gauge = {{ kind = "twin", soc_percent = 60, load_a = 0.3 }}
""",
        encoding="utf-8",
    )
    return path


def words(settings: Path, *given: str, options: tuple[str, ...] = ()) -> list[str]:
    command = [sys.executable, "-m", "support.taper_process", *options, "taper"]
    return [*command, *given, "--record", "--config", str(settings)]


def environment(settings: Path) -> dict[str, str]:
    return {
        "PATH": os.environ["PATH"],
        "PYTHONPATH": os.pathsep.join(path for path in sys.path if path),
        "TIDEGATE_LOCKS": str(settings.parent / "locks"),
        "TERM": "xterm-256color",
        "LANG": "C.UTF-8",
        "TZ": "UTC",
    }


def called(
    settings: Path, *given: str, options: tuple[str, ...] = ()
) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        words(settings, *given, options=options),
        env=environment(settings),
        cwd=settings.parent,
        capture_output=True,
        text=True,
        timeout=LIMIT_S,
        check=False,
    )


def test_a_charge_is_recorded_to_its_end_and_answered(settings: Path) -> None:
    done = called(settings, "hall", "--json")

    assert done.returncode == 0, done.stderr
    document = json.loads(done.stdout)
    assert (document["station"], document["verdict"]) == ("hall", "does_not_taper")
    said = " ".join(done.stderr.split())
    assert said.startswith("A swollen, hot, leaking or smelling pack: stop,")
    assert "let the device run down to 20 to 30 %" in said
    assert "It is at 24 %: recording." in said
    assert "% an hour, 1 h 00 min so far, about" in said
    assert "It is full and stays there." in said
    lines = (settings.parent / "taper-hall.csv").read_text().splitlines()
    assert f"{len(lines) - 1} readings were added to taper-hall.csv." in said


@pytest.mark.slow
def test_a_taper_is_recorded_over_its_hours(settings: Path) -> None:
    done = called(settings, "entrance", "--to", "e.csv")

    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("entrance tapers its own charging (confidence high)")
    # 25 to 99 %, of which the last fifth aims at 7 h.
    assert len((settings.parent / "e.csv").read_text().splitlines()) > 9 * 60


def interrupted(settings: Path, path: Path) -> str:
    """Record for two hours and a half, press Ctrl-C, return what is in the file."""
    begun = words(
        settings, "entrance", "--to", str(path), options=("--stand-at", "2.5")
    )
    with Terminal(begun, environment=environment(settings), rows=50) as terminal:
        terminal.until(lambda lines: any(STANDS in line for line in lines), "it stands")
        before = path.read_text(encoding="utf-8")
        terminal.press(CTRL_C)
        assert terminal.wait() in (0, 1)
        terminal.until(
            lambda lines: any("readings were added" in line for line in lines), "so"
        )
        assert b"Traceback" not in terminal.raw
        assert "% an hour, " in terminal.raw.decode()
    kept = path.read_text(encoding="utf-8")
    assert kept.startswith(before)
    return kept


def test_ctrl_c_keeps_what_was_read(settings: Path) -> None:
    kept = interrupted(settings, settings.parent / "e.csv")

    assert 140 <= len(kept.splitlines()) <= 152
    assert kept.endswith("\n")


@pytest.mark.slow
def test_it_is_gone_on_with_where_it_was_broken_off(settings: Path) -> None:
    path = settings.parent / "e.csv"
    kept = interrupted(settings, path)
    refused = called(settings, "entrance", "--to", str(path))
    assert refused.returncode == 64
    assert "is there already" in refused.stderr
    assert path.read_text(encoding="utf-8") == kept

    # The device goes on meanwhile: its recording is played from where it is by then.
    at_h = len(kept.splitlines()) / 60
    recording = settings.parent / "entrance-gauge.csv"
    later = [row for row in rows(TAPERS) if row.at_s >= 3600 * at_h]
    recording.write_text(csv_text(later), encoding="utf-8")
    went_on = called(
        settings,
        *("entrance", "--to", str(path), "--continue"),
        options=("--begin-at", f"{at_h + 0.1:.2f}"),
    )

    assert went_on.returncode == 0, went_on.stderr
    whole = path.read_text(encoding="utf-8")
    assert whole.startswith(kept)
    assert whole.count("time,") == 1
    assert went_on.stdout.startswith("entrance tapers its own charging")


def test_too_high_a_level_is_said_and_waited_for(settings: Path) -> None:
    # There is nothing to go on with, so that the level counts.
    begun = words(settings, "foyer", "--continue", options=("--stand-at", "1"))
    with Terminal(begun, environment=environment(settings), rows=50) as terminal:
        terminal.until(lambda lines: any(STANDS in line for line in lines), "it stands")
        terminal.press(CTRL_C)
        assert terminal.wait() == 130
    said = " ".join(terminal.raw.decode().split())
    assert "It is at 60 %. Unplug it and let it run down to 20 to 30 %" in said
    assert said.count("Unplug it") == 1, "it is said once, not every minute"
    shown = terminal.raw.decode().replace("\x1b[K", "").replace("\r", "\n").splitlines()
    assert max(map(len, shown)) <= 79
    assert not list(settings.parent.glob("taper-*.csv")), "no empty file is left"


@pytest.mark.slow
def test_anyway_begins_at_any_level_and_says_what_that_costs(settings: Path) -> None:
    done = called(settings, "foyer", "--anyway", "--to", "f.csv")

    assert done.returncode == 0, done.stderr
    said = " ".join(done.stdout.split())
    assert "The charge began at 60 %: start at 20 to 30 %." in said


@pytest.mark.slow
def test_a_supply_that_goes_away_is_said_once_and_waited_for(settings: Path) -> None:
    recording = settings.parent / "entrance-gauge.csv"
    told = [row._replace(is_fed=not 3600 <= row.at_s < 4800) for row in rows(TAPERS)]
    recording.write_text(csv_text(told), encoding="utf-8")
    done = called(settings, "entrance", "--for", "2h", "--to", "e.csv")

    said = " ".join(done.stderr.split())
    assert said.count("It is not fed any more, at") == 1
    assert "The time for it is over." in said


@pytest.mark.slow
def test_a_full_disk_keeps_what_was_read(settings: Path) -> None:
    with small_disk(settings.parent / "disk", size_kib=8) as folder:
        done = called(settings, "hall", "--to", str(folder / "h.csv"))
        assert done.returncode == 74, done.stderr
        said = " ".join(done.stderr.split())
        assert f"readings were added to {folder / 'h.csv'}." in said
        assert "h.csv cannot be written: No space left on device" in said
        assert "add --continue" in said
        assert (folder / "h.csv").read_text(encoding="utf-8").endswith("\n")


@pytest.mark.slow
def test_its_time_is_kept(settings: Path) -> None:
    done = called(settings, "entrance", "--for", "1h", "--to", "e.csv")

    assert done.returncode == 1, done.stderr
    assert "The time for it is over." in done.stderr
    assert len((settings.parent / "e.csv").read_text().splitlines()) == 62


@pytest.mark.slow
def test_a_gauge_that_is_lost_for_an_hour_ends_it(settings: Path) -> None:
    recording = settings.parent / "entrance-gauge.csv"
    first = [row for row in rows(TAPERS) if row.at_s < 2 * 3600]
    recording.write_text(csv_text(first), encoding="utf-8")
    done = called(settings, "entrance", "--to", "e.csv")

    assert "Not read: replay of" in done.stderr
    assert done.stderr.count("Trying again.") == 1
    assert "Nothing could be read for an hour" in done.stderr
    assert len((settings.parent / "e.csv").read_text().splitlines()) > 60
    recording.write_text("nothing", encoding="utf-8")
    none = called(settings, "entrance", "--to", "n.csv")
    assert none.returncode == 69, none.stderr
    assert "tidegate read" in none.stderr
    assert not (settings.parent / "n.csv").exists(), "no empty file is left"


@pytest.mark.slow
def test_a_window_that_a_daemon_holds_is_not_fought(tmp_path: Path) -> None:
    """A real daemon in real time; the recording only asks it."""
    with WatchedWorld(tmp_path) as world, world.running():
        done = called(world.path, "hall", "--to", str(tmp_path / "h.csv"))
        assert done.returncode == 1
        assert "holds hall in its window of 55 to 65 %" in done.stderr
        assert "tidegate override hall on --for 14h --because" in done.stderr
        assert not (tmp_path / "h.csv").exists()

        ordered = world.call(
            *("override", "hall", "on", "--for", "2h", "--because", "taper capture")
        )
        assert ordered.returncode == 0, ordered.stderr
        begun = words(
            world.path,
            *("hall", "--to", str(tmp_path / "h.csv"), "--anyway"),
            options=("--stand-at", "0.1"),
        )
        with Terminal(begun, environment=environment(world.path)) as terminal:
            terminal.until(
                lambda lines: any(STANDS in line for line in lines), "it stands"
            )
            terminal.press(CTRL_C)
            assert terminal.wait() in (0, 1)
        lines = (tmp_path / "h.csv").read_text().splitlines()
        assert len(lines) >= 6
        assert lines[1].split(",")[2] == "hall"
        (hall,) = json.loads(world.call("status", "hall", "--json").stdout)["stations"]
        assert hall["override"]["supply"] == "on", "nothing was ordered by it"
