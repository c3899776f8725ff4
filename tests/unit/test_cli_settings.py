"""The command line as its own process: one plain sentence, the right exit code.

Source: exit codes of sysexits.h (4.2BSD), typed here from memory.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import click
import pytest

import tidegate
from tidegate import errors
from tidegate.cli import exits, log, options
from tidegate.cli.main import COMMANDS, run
from tidegate.settings import from_tables

ROOT = Path(__file__).parents[2]
GAUGE = 'gauge = { kind = "command", run = ["guide-battery"] }\n'
RELAY = 'relay = { kind = "serial-frame", port = "/dev/ttyUSB0", channel = 1 }\n'
STATION = f"[station.whale]\n{GAUGE}{RELAY}window = {{ low = 55, high = 65 }}\n"


def tidegate_process(
    *arguments: str, **environ: str
) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "tidegate", *arguments],
        env={
            **os.environ,
            "PYTHONPATH": os.pathsep.join((f"{ROOT}/daemon", f"{ROOT}/backends")),
            **environ,
        },
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )


@pytest.mark.parametrize(
    ("data", "code", "sentence"),
    [
        pytest.param(
            STATION.replace("high", "hihg").encode(),
            78,
            ':4: station.whale.window.hihg: unknown key, allowed is "low", "high" and '
            '"hold"; did you mean "high"?',
            id="typo",
        ),
        pytest.param(
            STATION.replace("55", "75").encode(),
            78,
            ":4: station.whale.window: found low = 75 and high = 65, "
            "allowed is a high mark from low + 2 to 95",
            id="marks inverted",
        ),
        pytest.param(
            STATION.replace("serial-frame", "serial-fame").encode(),
            78,
            ':3: station.whale.relay.kind: there is no relay kind "serial-fame". '
            'Did you mean "serial-frame" or "serial-text" or "serial-line"? Known kinds '
            "are ",
            id="unknown backend",
        ),
        pytest.param(
            STATION.replace(GAUGE, "").encode(),
            78,
            ":1: station.whale.gauge: missing, needed is what reads the battery",
            id="missing key",
        ),
        pytest.param(
            STATION.replace('port = "/dev/ttyUSB0", ', "").encode(),
            78,
            ":3: station.whale.relay.port: missing, needed is device path",
            id="missing port",
        ),
        pytest.param(
            b"\x00\x01\xfe\xff" * 400,
            78,
            ": this is not a text file (byte 2 is not UTF-8). Name a TOML file",
            id="binary garbage",
        ),
        pytest.param(
            b"[station.whale]\npoll = \n",
            78,
            ":2: this is not TOML: invalid value, column 8. Write keys as key = value, "
            "tables as [name], text in quotes",
            id="syntax error",
        ),
        pytest.param(None, 78, ": this is a folder. Name the TOML file in it", id="folder"),
    ],
)  # fmt: skip
def test_wrong_input_ends_with_one_plain_sentence(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    data: bytes | None,
    code: int,
    sentence: str,
) -> None:
    file = tmp_path / "tidegate.toml"
    file.mkdir() if data is None else file.write_bytes(data)

    assert run(["settings", "check", "--config", str(file)]) == code
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(f"tidegate: {file}{sentence}")
    assert err.count("\n") == 1
    assert "Traceback" not in err


def test_wrong_input_ends_a_process_in_the_same_way(tmp_path: Path) -> None:
    file = tmp_path / "tidegate.toml"
    file.write_bytes(b"\x00\x01\xfe\xff" * 400)

    done = tidegate_process("settings", "check", "--config", str(file))

    assert (done.returncode, done.stdout) == (78, "")
    assert done.stderr == (
        f"tidegate: {file}: this is not a text file (byte 2 is not UTF-8). "
        "Name a TOML file\n"
    )


def test_an_absent_file_is_66(tmp_path: Path) -> None:
    done = tidegate_process("settings", "check", TIDEGATE_CONFIG=f"{tmp_path}/none")

    assert (done.returncode, done.stdout) == (66, "")
    assert done.stderr == (
        f"tidegate: {tmp_path}/none: there is no such settings file, "
        "which TIDEGATE_CONFIG names. Name one with --config FILE\n"
    )


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["setings"], "There is no command 'setings'. Did you mean settings?"),
        (["settings", "check", "--jsn"], "--jsn"),
        (["settings", "check", "extra"], "extra"),
        (["settings", "check", "--config"], "--config"),
    ],
)
def test_wrong_usage_is_64_not_2(
    arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(arguments) == 64
    out, err = capsys.readouterr()
    assert out == ""
    assert said in err
    assert '--help".' in err
    assert err.count("\n") == 1


def test_without_a_command_the_help_is_talk(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert run([]) == 64
    out, err = capsys.readouterr()
    assert out == ""
    assert "Commands:" in err


def test_help_lists_every_command_and_imports_none() -> None:
    code = (
        "import sys; from tidegate.cli.main import run; assert run(['--help']) == 0;"
        "print([name for name in sys.modules if name.startswith('tidegate.')"
        " or name == 'pydantic'], file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, "PYTHONPATH": f"{ROOT}/daemon"},
        capture_output=True,
        text=True,
        timeout=30,
        check=True,
    )

    for name, line in COMMANDS.items():
        assert name in done.stdout
        assert line[:40] in done.stdout
    assert "tidegate.cli.main" in done.stderr
    assert "pydantic" not in done.stderr
    assert "tidegate.cli.settings" not in done.stderr


def test_the_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--version"]) == 0
    assert capsys.readouterr().out == f"tidegate {tidegate.__version__}\n"


def test_the_help_of_a_command_is_its_line_in_the_list(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert run(["settings", "--help"]) == 0
    assert COMMANDS["settings"] in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize("name", [*COMMANDS, *(f"log {each}" for each in log.COMMANDS)])
def test_every_help_fits_a_terminal_and_shows_no_marks(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A stray \\b of the help's source would be shown, and its examples folded."""
    assert run([*name.split(), "--help"]) == 0
    said = capsys.readouterr().out
    assert said.startswith(f"Usage: tidegate {name} ")
    assert "\\b" not in said
    assert max(len(line) for line in said.splitlines()) <= 80


def test_check_tells_what_to_expect(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """10 points at 2 down and 10 up an hour are 6 h, at 12 and 20 they are 4/3 h."""
    file = tmp_path / "tidegate.toml"
    file.write_text(STATION.replace("channel = 1", "channel = 1, life = 100000"))

    assert run(["settings", "check", "--config", str(file)]) == 0
    out, err = capsys.readouterr()

    assert err == ""
    assert "expected switchings: 0.33 to 1.5 an hour" in out
    assert "relay life: 7.6 to 34 years at 100000 operations" in out
    assert "light duty: load 2 %/h, net charge 10 %/h" in out
    assert out.endswith("the settings are right\n")


@pytest.mark.parametrize(
    ("life", "said"),
    [
        # 500 operations at 1/3 and 3/2 an hour: 1,500 h and 333 h, of 8,760 a year.
        (500, "0.038 to 0.17 years"),
        (500_000, "38 to over 100 years"),
        # As a relay without a contact may have.
        (10_000_000, "over 100 years"),
    ],
)
def test_a_relay_that_lasts_for_weeks_or_for_ever(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], life: int, said: str
) -> None:
    file = tmp_path / "tidegate.toml"
    file.write_text(STATION.replace("channel = 1", f"channel = 1, life = {life}"))

    assert run(["settings", "check", "--config", str(file)]) == 0
    assert f"  relay life: {said} at {life} operations\n" in capsys.readouterr().out


def test_check_as_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "tidegate.toml"
    file.write_text(
        STATION.replace("high = 65", "high = 60")
        + f"[station.coral]\n{GAUGE}[station.left]\ngauge = {{ kind = 'sysfs' }}\n"
    )

    # --config may also stand before the sub-command.
    assert run(["settings", "--config", str(file), "check", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)

    assert found["ok"] is True
    assert found["files"] == [str(file)]
    assert "under 8 the budget may run out" in found["warnings"][0]
    whale, coral, _ = found["stations"]
    assert whale["window"] == {"low": 55, "high": 60, "hold": None}
    assert whale["switchings_per_hour"]["light"] == 0.667
    # At 12 and 20 the window asks for 3 an hour; the budget of a day allows 2.
    assert 1.5 < whale["switchings_per_hour"]["heavy"] <= 2.0
    assert whale["hours_above_window_per_day"]["light"] == 0.0
    assert whale["hours_above_window_per_day"]["heavy"] > 8.0
    assert whale["relay_life_years"] is None
    assert (coral["relay"], coral["switchings_per_hour"]) == (None, None)


def test_check_says_no_where_a_station_cannot_run_here(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    site = tmp_path / "hall_kit-1.dist-info"
    site.mkdir()
    (site / "METADATA").write_text(
        "Metadata-Version: 2.1\nName: hall-kit\nVersion: 1\n"
    )
    (site / "entry_points.txt").write_text("[tidegate.gauges]\nhall = no_hall:X\n")
    monkeypatch.syspath_prepend(str(tmp_path))
    file = tmp_path / "tidegate.toml"
    file.write_text(f"{STATION}[station.coral]\ngauge = {{ kind = 'hall' }}\n")

    assert run(["settings", "check", "--config", str(file)]) == 1
    assert (
        'station coral: cannot run here: gauge hall: the library "no_hall" is not '
        "installed. Install it: pip install"
    ) in capsys.readouterr().out


def test_show_says_which_file_set_each_value(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, dropped = tmp_path / "tidegate.toml", tmp_path / "conf.d/50-x.toml"
    dropped.parent.mkdir()
    file.write_text(STATION)
    dropped.write_text("[defaults]\npoll = '60s'\n")

    assert run(["settings", "show", "--config", str(file)]) == 0
    lines = {
        text.strip(): source
        for text, _, source in (
            line.partition("  # ") for line in capsys.readouterr().out.splitlines()
        )
    }

    assert lines["station.whale.window.low = 55"] == f"{file}:4"
    assert lines['station.whale.gauge.run = ["guide-battery"]'] == f"{file}:2"
    assert lines['station.whale.poll = "1min"'] == f"{dropped}:2"
    assert lines['station.whale.dwell.on = "3min"'] == "default"
    assert lines["station.whale.settle = (not set)"] == "default"
    assert lines['log.path = "/var/lib/tidegate/cycles.db"'] == "default"


def test_show_as_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "tidegate.toml"
    file.write_text(STATION)

    assert run(["settings", "show", "--json", "--config", str(file)]) == 0
    rows = {row.pop("key"): row for row in json.loads(capsys.readouterr().out)}

    assert rows["station.whale.window.high"] == {
        "value": 65,
        "file": str(file),
        "line": 4,
        "default": False,
    }
    assert rows["station.whale.budget.per_day"] == {
        "value": 48,
        "file": None,
        "line": None,
        "default": True,
    }


@pytest.mark.parametrize("arguments", [["schema"], ["schema", "--json"]])
def test_schema_is_json(
    arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["settings", *arguments]) == 0
    found = json.loads(capsys.readouterr().out)
    assert "relay-serial-frame" in found["$defs"]


def caused(error: errors.TidegateError, cause: Exception) -> errors.TidegateError:
    error.__cause__ = cause
    return error


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (errors.SettingsMissing("x"), 66),
        (errors.SettingsError("x"), 78),
        (errors.Unavailable("x", target="t"), 69),
        (errors.Unsupported("x", target="t"), 69),
        (errors.Refused("x", target="t"), 69),
        (errors.Malformed("x", target="t"), 69),
        (errors.Busy("x", target="t"), 75),
        (errors.LogError("x"), 74),
        (OSError(28, "No space left on device"), 74),
        (PermissionError(13, "Permission denied", "/x"), 77),
        (caused(errors.SettingsError("x"), PermissionError()), 77),
        (caused(errors.Unavailable("x", target="t"), PermissionError()), 77),
        (ZeroDivisionError("x"), 70),
        (AssertionError(), 70),
    ],
)
def test_every_error_has_its_exit_code(error: Exception, code: int) -> None:
    assert exits.exit_code(error) == code


def broken(monkeypatch: pytest.MonkeyPatch, error: BaseException) -> None:
    """Make ``tidegate settings`` a command that fails."""

    @click.command()
    def command() -> None:
        raise error

    monkeypatch.setattr("tidegate.cli.settings.command", command)


def test_a_bug_says_where_its_traceback_went(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
) -> None:
    broken(monkeypatch, ZeroDivisionError("in\nhalves"))
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    monkeypatch.delenv("TIDEGATE_DEBUG", raising=False)

    assert run(["settings"]) == 70
    err = capsys.readouterr().err
    (report,) = tmp_path.glob("tidegate-*.txt")

    assert err == (
        "tidegate: this is a fault in tidegate (ZeroDivisionError: in halves). Please "
        f"report it with {report}, or set TIDEGATE_DEBUG=1 to see where\n"
    )
    assert "Traceback" in report.read_text()


def test_the_traceback_is_shown_on_demand(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    broken(monkeypatch, ZeroDivisionError("x"))
    monkeypatch.setenv("TIDEGATE_DEBUG", "1")

    assert run(["settings"]) == 70
    assert "Traceback" in capsys.readouterr().err


def test_in_a_journal_the_traceback_stands_beside_it(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """systemd.exec(5): PrivateTmp= hides a report, and takes it away at the stop."""
    broken(monkeypatch, ZeroDivisionError("x"))
    found = os.fstat(2)
    monkeypatch.setenv("JOURNAL_STREAM", f"{found.st_dev}:{found.st_ino}")
    monkeypatch.delenv("TIDEGATE_DEBUG", raising=False)

    with os.fdopen(os.dup(2), "w", buffering=1) as stream:
        monkeypatch.setattr(sys, "stderr", stream)
        assert run(["settings"]) == 70
    err = capfd.readouterr().err
    assert "Traceback" in err
    assert "report it with" not in err


def test_a_bug_keeps_its_code_where_stderr_was_closed_before_we_began(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Python's sys, on stderr: it can be None where there is nobody to write to."""
    broken(monkeypatch, ZeroDivisionError("x"))
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    monkeypatch.delenv("TIDEGATE_DEBUG", raising=False)
    monkeypatch.setattr(sys, "stderr", None)

    assert run(["settings"]) == 70
    assert len([*tmp_path.glob("tidegate-*.txt")]) == 1


def test_a_bug_without_a_place_for_its_traceback(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
) -> None:
    broken(monkeypatch, ZeroDivisionError("x"))
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "none"))
    monkeypatch.delenv("TIDEGATE_DEBUG", raising=False)

    assert run(["settings"]) == 70
    assert capsys.readouterr().err.endswith("Set TIDEGATE_DEBUG=1 to see where\n")


def test_an_interrupt_is_130(monkeypatch: pytest.MonkeyPatch) -> None:
    broken(monkeypatch, KeyboardInterrupt())
    assert run(["settings"]) == 130


def test_a_reader_that_went_away_is_no_bug(tmp_path: Path) -> None:
    file = tmp_path / "tidegate.toml"
    file.write_text(STATION)
    read_end, write_end = os.pipe()
    os.close(read_end)
    with os.fdopen(write_end, "wb") as gone:
        done = subprocess.run(
            [sys.executable, "-m", "tidegate", "settings", "schema"],
            env={**os.environ, "PYTHONPATH": f"{ROOT}/daemon:{ROOT}/backends"},
            stdout=gone,
            stderr=subprocess.PIPE,
            text=True,
            timeout=30,
            check=False,
        )

    assert (done.returncode, done.stderr) == (74, "")


def test_a_station_is_picked_by_name() -> None:
    gauge = {"kind": "command", "run": ["guide-battery"]}
    settings = from_tables(
        {"station": {"whale": {"gauge": gauge}, "coral": {"gauge": gauge}}}
    )

    assert options.station_names(settings, None) == ["whale", "coral"]
    assert options.station_names(settings, "coral") == ["coral"]
    with pytest.raises(click.UsageError, match="did you mean coral"):
        options.station_names(settings, "corall")
    with pytest.raises(click.UsageError, match="there are whale, coral"):
        options.station_names(settings, "x")


@pytest.mark.parametrize(
    ("environ", "coloured"),
    [
        ({}, True),
        ({"NO_COLOR": ""}, True),
        ({"NO_COLOR": "1"}, False),
        ({"TERM": "dumb"}, False),
    ],
)
def test_colour_is_left_out_where_it_is_not_wanted(
    environ: dict[str, str], *, coloured: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Source: no-color.org; set and not empty means no colour."""
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    for name, value in environ.items():
        monkeypatch.setenv(name, value)
    seen: list[bool | None] = []

    @click.command()
    @click.pass_context
    def command(ctx: click.Context) -> None:
        seen.append(ctx.color)

    monkeypatch.setattr("tidegate.cli.settings.command", command)

    assert run(["settings"]) == 0
    # None lets click look whether there is a terminal at all.
    assert seen == [None if coloured else False]
