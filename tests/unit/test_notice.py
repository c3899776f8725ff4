"""Diagnostic messages: one form for people, one for programs, never a fault."""

import io
import json
import os
import subprocess
import sys

import pytest

from tidegate import notice
from tidegate.core.policy import HOUR_MS, MINUTE_MS
from tidegate.virtual import VirtualClock


def python(program, **environ):
    """Run a program in an interpreter of its own and return its ends."""
    return subprocess.run(
        [sys.executable, "-c", program],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path), **environ},
        capture_output=True,
        timeout=60,
        check=True,
    )


def test_a_program_gets_one_json_object_a_line():
    stream = io.StringIO()
    notice.configure(stream=stream)

    log = notice.logger(station="lobby")
    log.info("gauge lost", path="/sys/class", soc_percent=61.5)
    log.warning("two\nlines", name="R\udce9gie")

    first, second = map(json.loads, stream.getvalue().splitlines())
    assert first.pop("timestamp").endswith("Z")
    assert first == {
        "station": "lobby",
        "message": "gauge lost",
        "level": "info",
        "path": "/sys/class",
        "soc_percent": 61.5,
    }
    assert (second["message"], second["level"]) == ("two\nlines", "warning")


def test_a_person_at_a_terminal_gets_text():
    master, slave = os.openpty()
    with os.fdopen(slave, "w") as stream:
        notice.configure(stream=stream)
        notice.logger(station="lobby").warning("supply absent")
        text = os.read(master, 65536).decode()
    os.close(master)
    assert "supply absent" in text
    assert "lobby" in text
    with pytest.raises(json.JSONDecodeError):
        json.loads(text)


def test_messages_under_the_level_are_left_out():
    stream = io.StringIO()
    notice.configure(stream=stream, level="warning")
    notice.logger().info("small talk")
    notice.logger().error("trouble")
    (line,) = stream.getvalue().splitlines()
    assert json.loads(line)["message"] == "trouble"


def test_a_traceback_stays_in_its_line():
    stream = io.StringIO()
    notice.configure(stream=stream)
    try:
        raise ValueError("deep inside")
    except ValueError:
        notice.logger().exception("a backend broke")
    (line,) = stream.getvalue().splitlines()
    assert "ValueError: deep inside" in json.loads(line)["exception"]


def test_a_closed_pipe_stops_nothing():
    reader, writer = os.pipe()
    stream = os.fdopen(writer, "w", buffering=1)
    sink = notice.configure(stream=stream)
    notice.logger().info("read")
    assert json.loads(os.read(reader, 65536))["message"] == "read"
    assert sink.dropped == 0

    os.close(reader)
    notice.logger().info("nobody reads")
    assert sink.dropped == 1
    stream.close()
    notice.logger().info("closed")
    assert sink.dropped == 2


def test_a_full_pipe_keeps_nobody_waiting():
    """Whoever reads it hangs, as a log service on a disk that does. Source: pipe(7)."""
    reader, writer = os.pipe()
    with os.fdopen(writer, "w") as stream, os.fdopen(reader, "rb") as heard:
        sink = notice.configure(stream=stream)
        told = 0
        while not sink.dropped:
            notice.logger().info("small", number=told)
            told += 1
        notice.logger().error("long", trace="x" * 100_000)
        assert sink.dropped == 2
        os.set_blocking(reader, False)
        assert len(heard.read().splitlines()) == told - 1
        notice.logger().error("long", trace="x" * 100_000)  # more than a pipe holds
        heard.read()
        notice.logger().info("again")
        cut, line = heard.read().splitlines()
        assert cut == b""
        assert json.loads(line)["message"] == "again"
        assert sink.dropped == 3


def test_goes_to_stderr_and_only_there():
    done = python(
        "from tidegate import notice; notice.configure(); notice.logger().info('x')"
    )
    assert done.stdout == b""
    assert json.loads(done.stderr)["message"] == "x"


def test_an_odd_locale_does_not_matter():
    """INTERFACES I, fault 49: C locale, names that are no UTF-8."""
    done = python(
        "from tidegate import notice; notice.configure();"
        "notice.logger().info('gauge', model='R\\udce9gie \\xb0C')",
        LC_ALL="C",
        PYTHONUTF8="0",
        PYTHONCOERCECLOCALE="0",
    )
    assert json.loads(done.stderr)["model"] == "R\udce9gie °C"


@pytest.mark.parametrize("library", ["rich", "greenlet"])
def test_a_library_is_not_imported_though_it_is_there(tmp_path, library):
    """They cost a daemon 5 MB and 1 MB; afterwards others may still import them."""
    (tmp_path / library).mkdir()
    (tmp_path / library / "__init__.py").write_text("print('imported')\n")
    path = os.pathsep.join([str(tmp_path), *sys.path])

    assert python(f"import {library}", PYTHONPATH=path).stdout == b"imported\n"
    assert python("import tidegate.notice", PYTHONPATH=path).stdout == b""
    after = python(f"import tidegate.notice, {library}", PYTHONPATH=path)
    assert after.stdout == b"imported\n"


def test_the_first_and_every_tenth_are_written_with_the_count():
    """INTERFACES I, fault 48."""
    clock = VirtualClock()
    quiet = notice.Quiet(clock)
    told = []
    for _ in range(31):
        told.append(quiet.count("lobby", "unavailable"))
        clock.advance(30_000)
    assert [count for count in told if count] == [1, 10, 20, 30]
    assert [index for index, count in enumerate(told) if count] == [0, 9, 19, 29]


@pytest.mark.parametrize(
    ("after_ms", "want"), [(HOUR_MS - 1, 0), (HOUR_MS, 2), (HOUR_MS + 1, 2)]
)
def test_a_rare_one_is_written_when_an_hour_has_passed(after_ms, want):
    clock = VirtualClock()
    quiet = notice.Quiet(clock)
    assert quiet.count("lobby", "slow") == 1
    clock.advance(after_ms)
    assert quiet.count("lobby", "slow") == want


def test_the_hour_counts_from_the_last_one_written():
    clock = VirtualClock()
    quiet = notice.Quiet(clock)
    told = []
    for _ in range(13):  # one every 50 minutes
        told.append(quiet.count("lobby", "slow"))
        clock.advance(50 * MINUTE_MS)
    assert told == [1, 0, 3, 0, 5, 0, 7, 0, 9, 10, 0, 12, 0]


def test_stations_and_faults_are_counted_apart():
    quiet = notice.Quiet(VirtualClock())
    assert quiet.count("lobby", "slow") == 1
    assert quiet.count("hall", "slow") == 1
    assert quiet.count("lobby", "malformed") == 1
    assert quiet.count("lobby", "slow") == 0


def test_after_its_end_the_next_is_a_first():
    quiet = notice.Quiet(VirtualClock())
    for _ in range(4):
        quiet.count("lobby", "slow")
    assert quiet.over("lobby", "slow") == 4
    assert quiet.over("lobby", "slow") == 0
    assert quiet.count("lobby", "slow") == 1
