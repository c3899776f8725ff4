"""``tidegate status`` and the lines of ``watch``, of a real daemon over its socket.

Exit codes: sysexits.h. Times: RFC 3339 section 5.6, read with the standard library. One
document a line: RFC 8259 section 9 with the line ends of ndjson. The batteries and the
board are those of ``live_world``, the stations are invented.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from support.terminal import LIMIT_S
from support.watched_world import WatchedWorld

# What other programs rely on; more may come, none may go.
PROMISED = {
    "station",
    "supply",
    "reason",
    "since",
    "soc_percent",
    "external_power",
    "window",
    "next",
    "alarms",
    "override",
    "relay_operations",
    "gauge_age_s",
}
ALSO = {
    "supply_since",
    "because",
    "text",
    "battery_status",
    "temperature_c",
    "floor_percent",
    "plan",
    "limits",
    "poll_s",
    "out",
    "next_why",
    "unsupported",
}


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> Iterator[WatchedWorld]:
    with WatchedWorld(tmp_path_factory.mktemp("museum")) as world, world.running():
        yield world


def is_recent(moment: str, *, within_s: float = 60) -> bool:
    assert moment.endswith("Z")
    age_s = (datetime.now(UTC) - datetime.fromisoformat(moment)).total_seconds()
    return -within_s < age_s < within_s


def document(world: WatchedWorld, *words: str) -> dict[str, Any]:
    done = world.call("status", *words, "--json")
    found = json.loads(done.stdout)
    alarmed = any(each["alarms"] for each in found["stations"])
    assert done.returncode == (1 if alarmed else os.EX_OK), done.stderr
    return dict(found)


def test_the_document_has_all_that_was_promised(world: WatchedWorld) -> None:
    found = document(world)
    assert [each["station"] for each in found["stations"]] == ["hall", "tower"]
    for station in found["stations"]:
        assert set(station) >= PROMISED | ALSO
        assert station["supply"] in ("on", "off")
        assert is_recent(station["since"])
        assert is_recent(station["supply_since"])
        assert 50 <= station["soc_percent"] <= 70
        assert station["external_power"] in ("yes", "no")
        assert station["temperature_c"] == 25.1
        window = {"low_percent": 55.0, "high_percent": 65.0, "hold": False}
        assert station["window"] == window
        assert station["floor_percent"] == 30.0
        assert station["override"] is None
        assert station["plan"] is None
        assert station["unsupported"] is False
        assert station["relay_operations"] >= 0
        assert 0 <= station["gauge_age_s"] < 5
        assert (station["next"] is None) is bool(station["next_why"])
    service = found["service"]
    assert service["log"] == str(world.log)
    assert service["log_is_written"] is True
    assert service["settings_error"] is None
    assert is_recent(service["since"], within_s=LIMIT_S + 60)
    os.kill(service["pid"], 0)


@pytest.mark.slow
def test_the_next_switching_is_told_with_its_time_and_level(
    world: WatchedWorld,
) -> None:
    def known() -> bool:
        return all(each["next"] for each in document(world)["stations"])

    world.wait_until(known, LIMIT_S, "both have a pace")
    hall = document(world)["stations"][0]["next"]
    assert set(hall) >= {"what", "at", "in_s", "at_percent"}
    assert hall["what"] in ("on", "off")
    assert hall["at_percent"] == {"off": 65.0, "on": 55.0}[hall["what"]]
    # Ten points at half a point a second.
    assert 0 <= hall["in_s"] <= 40
    assert is_recent(hall["at"])


def test_in_words_each_station_begins_with_what_it_does_and_why(
    world: WatchedWorld,
) -> None:
    done = world.call("status", "hall")
    assert done.stderr == ""
    head, facts, coming = done.stdout.splitlines()[:3]
    assert head.startswith(
        ("hall: supply on", "hall: supply off", "hall: supply stays")
    )
    assert "SoC" in head
    assert "window 55 to 65 %, floor 30 %, external power" in facts
    assert "25.1 °C" in facts
    assert coming.startswith("  next: ")
    assert "tower" not in done.stdout


@pytest.mark.slow
def test_a_name_that_is_not_there_is_refused_with_a_hint(world: WatchedWorld) -> None:
    done = world.call("status", "towr")
    assert done.returncode == 1
    assert "Did you mean tower?" in done.stderr
    assert done.stdout == ""


@pytest.mark.slow
def test_watch_prints_one_document_a_line_and_not_too_often(
    world: WatchedWorld,
) -> None:
    with subprocess.Popen(
        world.words("watch", "tower", "--json"),
        env=world.environment,
        stdout=subprocess.PIPE,
        text=True,
    ) as watch:
        assert watch.stdout is not None
        found, times = [], []
        for line in watch.stdout:
            found.append(json.loads(line))
            times.append(time.monotonic())
            if len(found) == 4:
                break
        watch.send_signal(signal.SIGINT)
        watch.stdout.read()
        assert watch.wait(LIMIT_S) == os.EX_OK
    for each in found:
        (tower,) = each["stations"]
        assert tower["station"] == "tower"
        assert set(tower) >= PROMISED
    # A second apart by its own clock; ours hears it a little early or late.
    assert times[-1] - times[0] > 0.8 * (len(times) - 1)


@pytest.mark.slow
def test_an_override_and_an_alarm_are_told_as_they_come_and_go(
    world: WatchedWorld,
) -> None:
    with subprocess.Popen(
        world.words("watch", "tower"),
        env=world.environment,
        stdout=subprocess.PIPE,
        text=True,
    ) as watch:
        assert watch.stdout is not None
        lines = iter(watch.stdout.readline, "")

        def heard(wanted: str) -> str:
            return next(line for line in lines if wanted in line)

        assert "tower: supply" in heard("tower: ")
        ordered = ["override", "tower", "on", "--for", "1h", "--because", "inventory"]
        assert world.call(*ordered).returncode == os.EX_OK
        assert "the override ends in" in heard("ordered it")
        told = world.call("status", "tower")
        assert 'because "inventory"' in told.stdout
        override = document(world, "tower")["stations"][0]["override"]
        assert override["supply"] == "on"
        assert override["because"] == "inventory"
        world.tower.mains = False
        try:
            assert "alarm supply_absent: On is commanded" in heard("alarm")
            told = world.call("status", "tower")
            assert told.returncode == 1
            assert "  alarm supply_absent, since " in told.stdout
            (alarm,) = document(world, "tower")["stations"][0]["alarms"]
            assert set(alarm) >= {"code", "text", "since"}
            assert is_recent(alarm["since"])
        finally:
            world.tower.mains = True
        assert "supply_absent is over" in heard("supply_absent")
        assert world.call("release", "tower").returncode == os.EX_OK
        heard("tower: supply")
        watch.send_signal(signal.SIGINT)
        watch.stdout.read()
        assert watch.wait(LIMIT_S) == os.EX_OK


@pytest.mark.slow
def test_a_watch_in_lines_ends_with_the_daemon_and_says_what_to_do(
    tmp_path: Path,
) -> None:
    with WatchedWorld(tmp_path) as world:
        absent = world.call("watch", "--json")
        assert absent.returncode == os.EX_UNAVAILABLE
        assert absent.stdout == ""
        assert "no tidegate daemon answers" in absent.stderr
        with (
            world.running() as daemon,
            subprocess.Popen(
                world.words("watch"),
                env=world.environment,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
            ) as watch,
        ):
            assert watch.stdout is not None
            assert watch.stderr is not None
            assert "hall: supply" in watch.stdout.readline()
            daemon.stop()
            assert watch.wait(LIMIT_S) == os.EX_UNAVAILABLE
            said = watch.stderr.read()
            assert "Start it: systemctl start tidegate" in said
            assert "Traceback" not in said
        assert world.call("status").returncode == os.EX_UNAVAILABLE
