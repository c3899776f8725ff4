"""The metrics of a real daemon, read by the parsers of another project.

``prometheus-client`` 0.26 has one parser for OpenMetrics and one for the classic text
format. The numbers are held against sums over the cycle log, taken by SQL.
"""

from __future__ import annotations

import http.client
import os
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest
from prometheus_client import Metric
from prometheus_client.openmetrics.parser import (
    text_string_to_metric_families as openmetrics,
)
from prometheus_client.parser import text_string_to_metric_families as classic

from support.live_world import Battery, LiveWorld
from support.log_sums import sums
from support.ports import free_port

Values = dict[tuple[str, frozenset[tuple[str, str]]], float]
OPENMETRICS = "application/openmetrics-text;version=1.0.0"


def values(families: Iterator[Metric]) -> Values:
    """Return the samples of one station by name and labels."""
    found: Values = {}
    for family in families:
        for sample in family.samples:
            labels = dict(sample.labels)
            assert labels.pop("station") == "bat0", sample
            found[sample.name, frozenset(labels.items())] = sample.value
    return found


def get(found: Values, name: str, **labels: str) -> float:
    return found[name, frozenset(labels.items())]


def asked(port: int, accept: str) -> tuple[str, str]:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    connection.request("GET", "/metrics", headers={"Accept": accept})
    answer = connection.getresponse()
    assert answer.status == 200
    kind, text = answer.headers["Content-Type"], answer.read().decode()
    connection.close()
    return kind, text


def settings(world: LiveWorld, port: int) -> Path:
    world.settings(
        "battery = { design_ah = 7.0 }\n"
        f'[metrics]\ntextfile = "{world.folder}/tidegate.prom"\nevery = "1s"\n'
        f'listen = "127.0.0.1:{port}"\n'
    )
    return world.folder / "tidegate.prom"


@pytest.mark.slow
def test_both_ways_agree_with_the_cycle_log(tmp_path: Path) -> None:
    port = free_port()
    with LiveWorld(tmp_path, Battery("BAT0", soc_percent=64.0)) as world:
        file = settings(world, port)
        with world.daemon() as daemon:
            world.wait_until(lambda: world.board.driven(), 30, "off at the high mark")
            world.wait_until(lambda: 'to="off"' in read(file), 10, "in the file")
            # The umask of a service does not keep the collector from reading it.
            assert stat.S_IMODE(file.stat().st_mode) == 0o644
            by_file = values(classic(read(file)))
            kind, text = asked(port, OPENMETRICS)
            assert kind == "application/openmetrics-text; version=1.0.0; charset=utf-8"
            by_endpoint = values(openmetrics(text))
            assert asked(port, "*/*")[0] == "text/plain; version=0.0.4; charset=utf-8"
            assert daemon.stop() == 0, daemon.said
        assert not file.exists(), "figures of a daemon that is gone"
    for found in (by_file, by_endpoint):
        check_against_the_log(found, world.log)


def read(file: Path) -> str:
    return file.read_text(encoding="utf-8") if file.exists() else ""


def check_against_the_log(found: Values, log: Path) -> None:
    last_s = get(found, "tidegate_last_reading_timestamp_seconds")
    logged = sums(log, "bat0", until_ms=round(last_s * 1_000))
    assert logged.cycles > 0.01
    assert get(found, "tidegate_equivalent_full_cycles_total") == pytest.approx(
        logged.cycles
    )
    moved = "tidegate_charge_moved_coulombs_total"
    per_percent_c = 7.0 * 3_600 / 100
    into_c, out_of_c = (
        get(found, moved, direction="in"),
        get(found, moved, direction="out"),
    )
    assert into_c == pytest.approx(logged.rise_percent * per_percent_c)
    assert out_of_c == pytest.approx(logged.fall_percent * per_percent_c)
    outside = "tidegate_out_of_window_seconds_total"
    assert get(found, outside, side="low") == pytest.approx(logged.below_s)
    assert get(found, outside, side="high") == pytest.approx(logged.above_s)
    switched = {
        (dict(labels)["to"], dict(labels)["reason"]): value
        for (name, labels), value in found.items()
        if name == "tidegate_switchings_total"
    }
    assert switched == logged.switchings == {("off", "at_high_mark"): 1}
    check_histogram(found, logged.took_s)


def check_histogram(found: Values, took_s: list[float]) -> None:
    name, backend = "tidegate_backend_switch_seconds", "serial-frame"
    assert get(found, f"{name}_count", backend=backend) == len(took_s)
    assert get(found, f"{name}_sum", backend=backend) == pytest.approx(sum(took_s))
    buckets = {
        dict(labels)["le"]: value
        for (each, labels), value in found.items()
        if each == f"{name}_bucket"
    }
    assert len(buckets) == 6
    for bound, value in buckets.items():
        assert value == sum(each <= float(bound) for each in took_s)


@pytest.mark.slow
def test_after_a_kill_the_file_stays_and_shows_its_age(tmp_path: Path) -> None:
    with LiveWorld(tmp_path, Battery("BAT0", rate_percent_s=0.0)) as world:
        file = settings(world, free_port())
        with world.daemon() as daemon:
            name = "tidegate_last_reading_timestamp_seconds"
            world.wait_until(lambda: f"\n{name}" in read(file), 20, "a first reading")
            daemon.kill()
        assert get(values(classic(read(file))), name) > 1.7e9


@pytest.mark.slow
def test_a_hung_disk_keeps_neither_control_nor_the_stop(tmp_path: Path) -> None:
    """Opening a pipe that nobody reads waits in the kernel for ever."""
    with LiveWorld(tmp_path, Battery("BAT0", soc_percent=64.0)) as world:
        file = settings(world, port := free_port())
        os.mkfifo(file.with_name(f".{file.name}.new"))
        with world.daemon() as daemon:
            world.wait_until(lambda: world.board.driven(), 30, "off at the high mark")
            world.wait_until(lambda: not world.board.driven(), 30, "on at the low mark")
            found = values(openmetrics(asked(port, OPENMETRICS)[1]))
            dropped = get(found, "tidegate_publish_dropped_total", sink="textfile")
            assert dropped > 5
            assert daemon.stop() == 0, daemon.said
            assert "did not end in time" in daemon.said


@pytest.mark.slow
def test_a_port_in_use_is_said_and_control_goes_on(tmp_path: Path) -> None:
    from support.raw_peer import RawPeer

    with (
        RawPeer() as other,
        LiveWorld(tmp_path, Battery("BAT0", rate_percent_s=0.0)) as world,
    ):
        settings(world, other.port)
        with world.daemon() as daemon:
            world.wait_until(lambda: bool(world.board.heard()), 20, "the first frame")
            assert daemon.stop() == 0, daemon.said
            assert "Another program listens there" in daemon.said
            assert f"127.0.0.1:{other.port}" in daemon.said
