"""``tidegate tune`` as its user meets it: options, text, document, page, exit codes.

Source: exit codes of sysexits.h (4.2BSD), typed here from memory.
"""

from __future__ import annotations

import io
import json
import re
import tomllib
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import click
import pytest

from support.audit_log import DAY, HOUR, POLICY, AuditLog
from support.tuning_cases import candidate, device, outcome, readings, several
from tidegate.cli import tune, tune_run
from tidegate.cli.logged import one_of
from tidegate.cli.main import run
from tidegate.cli.tune_question import question
from tidegate.cli.tune_source import source
from tidegate.cli.tune_text import lines
from tidegate.core.policy import Proof
from tidegate.cyclelog.rows import POWER_CODES
from tidegate.tuning import candidates
from tidegate.tuning.advice import advise
from tidegate.tuning.choice import choose
from tidegate.tuning.compare import compare
from tidegate.tuning.constraints import Constraints
from tidegate.tuning.fit import fit

GIVEN = {"autonomy": "2h", "relay_life": "10y", "max_window": "80", "supply": None}


# --- what was asked -------------------------------------------------------------------


def test_options_are_written_like_settings():
    asked = question(
        autonomy="90min", relay_life="7.5y", max_window="75 %", supply="2A, 500mA,0.5 A"
    )
    assert asked.autonomy_h == 1.5
    assert asked.relay_life_years == 7.5
    assert asked.max_window_percent == 75
    assert asked.supplies_a == (0.5, 2.0)
    assert question(**GIVEN).supplies_a == ()


@pytest.mark.parametrize(
    ("option", "text", "allowed"),
    [
        ("autonomy", "2", '"90s", "5min" or "2h"'),
        ("autonomy", "-2h", '"90s", "5min" or "2h"'),
        ("autonomy", "8d", "allowed is 0h to 7d"),
        ("relay_life", "10", "such as 10y"),
        ("relay_life", "101y", "from 0y to 100y"),
        ("relay_life", "nany", "such as 10y"),
        ("max_window", "96", "from 7 to 95 percent"),
        ("max_window", "high", "such as 80"),
        ("supply", "0.5", "0.5A,1A,2A"),
        ("supply", "0A", "above 0A"),
        ("supply", "1e9A", "up to 100A"),
        ("supply", "1A,,2A", "with commas"),
        ("supply", "1A,2A,3A,4A,5A,6A,7A", "at most 6 supplies"),
    ],
)
def test_nonsense_is_refused_with_what_is_allowed(option, text, allowed):
    with pytest.raises(click.UsageError, match=re.escape(allowed)):
        question(**{**GIVEN, option: text})


# --- the text -------------------------------------------------------------------------


def text_of(outcomes, constraints=None, made=None):
    choice = choose(outcomes, constraints or Constraints())
    made = made or device()
    return list(lines(choice, made, advise(choice, made)))


def test_the_text_has_the_order_of_every_page_and_fits():
    odd = candidate(30, 62.5, dwell_on_ms=600_000, dwell_off_ms=1_800_000)
    weak = candidate(45, 60, supply_a=0.5)
    held = candidate(58, 60, hold_percent=60.0)
    many = [
        *several(),
        outcome(odd, (1.0, 1.0, 1.0, 1.0)),
        outcome(weak, (12.0, 12.0, 12.0, 12.5), switchings=17_000.0),
        outcome(held, switchings=0.0),
    ]
    found = text_of(many, Constraints(can_hold=True))
    assert max(map(len, found)) <= 79
    text = "\n".join(found)
    for before, after in (
        ("Set wall-guide to", "% lost in"),
        ("% lost in", "Why:"),
        ("Why:", "What would change it:"),
        ("What would change it:", "  capacity"),
        ("  capacity", "What it rests on:"),
        ("What it rests on:", "tidegate is a control"),
    ):
        assert text.index(before) < text.index(after), after
    (row,) = [each for each in found if each.startswith("*")]
    assert row.split()[:2] == ["*", "30-62.5"]
    after = found[found.index(row) + 1]
    assert after.strip() == "recommended, dwell 10min on, 30min off"
    assert "present settings" in text


def test_the_text_of_nothing_feasible_names_what_is_missed():
    found = text_of(several(), Constraints(autonomy_h=50))
    assert max(map(len, found)) <= 79
    assert "present settings, misses autonomy" in "\n".join(found)
    assert not any(each.startswith("*") for each in found)


def test_nothing_in_a_log_commands_a_terminal():
    made = device(station="hall\x1b[2J\u202e", sensor="\x07", notes=("a\x1bc",))
    found = text_of(several(), made=made)
    assert all(each.isprintable() for each in found)


# --- from readings to the end -----------------------------------------------------------


FITTED = {}


def fitted(series, zone):
    """Fit what was read, the same readings and settings once for all tests."""
    key = (series.points, series.given)
    if key not in FITTED:
        FITTED[key] = fit(series, zone)
    return replace(FITTED[key], station=series.station)


@pytest.fixture
def few(monkeypatch):
    """Fewer candidates, so that a test is quick."""
    monkeypatch.setattr(candidates, "WIDTHS_PERCENT", (10.0,))
    monkeypatch.setattr(candidates, "DWELLS_MS", ())
    monkeypatch.setattr(tune_run, "fit", fitted)


@pytest.fixture
def csv(tmp_path, few):
    path = tmp_path / "wall-guide.csv"
    path.write_text(readings(days=1.5))
    return path


@pytest.fixture(autouse=True)
def no_settings(monkeypatch, tmp_path):
    monkeypatch.setenv("TIDEGATE_CONFIG", str(tmp_path / "none.toml"))


SETTINGS = """\
[control]
socket = "/nonexistent/control.sock"

[station.wall-guide]
gauge = {{ kind = "command", run = ["guide-battery"] }}
relay = {{ kind = "serial-frame", port = "/dev/ttyUSB0", channel = 1, life = 200000 }}
window = {window}
limits = {{ floor = 20 }}
"""


def settings(folder: Path, window: str = "{ low = 60, high = 70 }") -> Path:
    path = folder / "tidegate.toml"
    path.write_text(SETTINGS.format(window=window))
    return path


def document(capsys):
    return json.loads(capsys.readouterr().out)


def test_a_file_made_by_hand_is_enough(csv, capsys):
    assert run(["tune", "--log", str(csv), "--json"]) == 0
    found = document(capsys)
    assert found["station"] == "wall-guide"
    assert found["days"] == pytest.approx(1.5, abs=0.1)
    # As it was made: 6 points an hour down, 12 up.
    assert found["device"]["load_percent_per_h"] == pytest.approx(6, rel=0.02)
    assert found["device"]["charge_percent_per_h"] == pytest.approx(12, rel=0.02)
    assert not any(each["is_present"] for each in found["candidates"])
    assert "nothing here is called present" in found["rests_on"][-1]
    assert found["applied"] is None
    # 30 points at 6 an hour.
    (middle,) = [
        each
        for each in found["candidates"]
        if each["window"] == {"low_percent": 55, "high_percent": 65}
    ]
    assert middle["autonomy_h"] == pytest.approx(5, rel=0.02)


def test_the_settings_say_what_is_present(csv, tmp_path, capsys):
    path = settings(tmp_path)
    args = ["tune", "wall-guide", "--log", str(csv), "--config", str(path), "--json"]
    assert run(args) == 0
    found = document(capsys)
    now = found["candidates"][0]
    assert now["is_present"] is True
    assert now["window"] == {"low_percent": 60, "high_percent": 70}
    assert found["constraints"]["floor_percent"] == 20
    assert now["relay_life_years"] == pytest.approx(
        200_000 / now["switchings_per_year"], rel=0.01
    )
    assert "station wall-guide in the settings" in found["rests_on"][-1]


def source_of(path, config=None):
    """Return what is read of a file before anything is reckoned."""
    ctx = click.Context(tune.command)
    if config is not None:
        ctx.meta["tidegate.config"] = config
    return source(ctx, path, None)


def test_settings_that_only_measure_still_tell_floor_and_battery(csv, tmp_path):
    path = settings(tmp_path)
    lines = [
        line
        for line in path.read_text().splitlines()
        if not line.startswith(("relay", "window"))
    ]
    path.write_text("\n".join([*lines, "battery = { design_ah = 6.5 }\n"]))
    found = source_of(csv, path)
    assert found.is_present_known is False
    assert "The settings hold no charge window" in found.remarks[0]
    assert found.series.given.policy.floor_percent == 20
    assert found.series.given.design_ah == 6.5


@pytest.mark.parametrize(
    ("changed", "can_hold"),
    [({}, False), ({"hold": True}, True), ({"proof": Proof.CHARGING}, True)],
)
def test_a_relay_that_holds_or_stops_the_charging_can_hold(tmp_path, changed, can_hold):
    path = cycled(tmp_path / "cycles.db", replace(POLICY, **changed))
    assert source_of(path).can_hold is can_hold


def test_the_settings_say_whether_the_relay_can_hold(csv, tmp_path):
    path = settings(tmp_path, "{ hold = 60 }")
    assert source_of(csv, settings(tmp_path)).can_hold is False
    text = re.sub(r"window = .*", "window = { hold = 60 }", path.read_text())
    path.write_text(re.sub(r"relay = .*", 'relay = { kind = "kernel" }', text))
    found = source_of(csv, path)
    assert found.can_hold is True
    assert found.series.given.policy.hold is True


def test_a_file_of_a_kernel_relays_station_is_not_cycled(csv, tmp_path):
    """What can hold only stops charging, so a window of it is walked like a hold."""
    path = settings(tmp_path)
    text = path.read_text()
    assert source_of(csv, path).series.given.policy.proof is Proof.EXTERNAL_POWER
    path.write_text(re.sub(r"relay = .*", 'relay = { kind = "kernel" }', text))
    assert source_of(csv, path).series.given.policy.proof is Proof.CHARGING


@pytest.mark.parametrize("needs", [True, False])
def test_the_settings_say_whether_the_gauge_needs_the_supply(csv, tmp_path, needs):
    """A file shows no offs, but how they end is another matter."""
    path = settings(tmp_path)
    text = path.read_text().replace(
        'run = ["guide-battery"]',
        f'run = ["guide-battery"], needs_supply = {str(needs).lower()}',
    )
    path.write_text(text + 'max_off = "1h"\n')
    given = source_of(csv, path).series.given.policy
    assert given.gauge_needs_supply is needs
    assert given.max_off_ms == 3_600_000


PLANS = {
    "rise": [{"at": "08:00"}],
    "relearn": {"every": "90d"},
}


@pytest.mark.parametrize("given", [{}, {"rise": [], "relearn": None}, *PLANS])
def test_plans_of_the_last_settings_in_a_log_are_known(tmp_path, given):
    plans = {given: PLANS[given]} if isinstance(given, str) else given
    log = AuditLog(tmp_path / "cycles.db")
    log.begin(given=PLANS)
    log.battery()
    log.read(10, 50, span_s=HOUR)
    log.settings(2 * HOUR, given=plans)
    assert source_of(log.close()).has_plans is isinstance(given, str)


def test_plans_of_the_settings_are_known(csv, tmp_path):
    path = settings(tmp_path)
    assert source_of(csv, path).has_plans is False
    path.write_text(f'{path.read_text()}relearn = {{ every = "90d" }}\n')
    assert source_of(csv, path).has_plans is True


def test_a_file_without_time_of_day_knows_no_worst_hour(tmp_path, few, capsys):
    """6 points an hour in all hours, so that the steepest is as all are."""
    rows = readings(days=1.5).splitlines()
    seconds = [f"{300 * at},{row.split(',', 1)[1]}" for at, row in enumerate(rows[1:])]
    path = tmp_path / "wall-guide.csv"
    path.write_text("\n".join([rows[0], *seconds, ""]))
    assert run(["tune", "--log", str(path), "--json"]) == 0
    found = document(capsys)
    assert found["constraints"]["autonomy_worst"] == "steepest_seen"
    steepest = found["device"]["steepest_load_percent_per_h"]
    assert steepest == pytest.approx(6, rel=0.05)
    (middle,) = [
        each
        for each in found["candidates"]
        if each["window"] == {"low_percent": 55, "high_percent": 65}
    ]
    assert middle["autonomy_h"] == pytest.approx(
        (middle["lowest_fed_percent"] - 25) / steepest, abs=0.01
    )
    assert middle["temperature_mean_c"] is None


def test_a_file_of_one_device_is_of_whatever_is_named(tmp_path):
    path = tmp_path / "x.csv"
    assert one_of("hall", (), path) == "hall"
    assert one_of(None, (), path) is None
    assert one_of(None, ("foyer",), path) == "foyer"
    for named, known in ((None, ("hall", "foyer")), ("hall", ("foyer",))):
        with pytest.raises(click.UsageError):
            one_of(named, known, path)


def test_wrong_settings_are_said_and_not_guessed_around(csv, tmp_path, capsys):
    path = settings(tmp_path, "{ low = 70, high = 60 }")
    args = ["tune", "wall-guide", "--log", str(csv), "--config", str(path)]
    assert run(args) == 78
    assert "found low = 70 and high = 60" in capsys.readouterr().err


def test_supplies_need_a_capacity(csv, capsys):
    assert run(["tune", "--log", str(csv), "--supply", "1A"]) == 65
    assert "battery.design_ah" in capsys.readouterr().err


def test_a_page_is_written_beside_the_text(tmp_path, capsys, monkeypatch):
    tuned_to(monkeypatch, several())
    page = tmp_path / "tune.html"
    assert run(["tune", "--log", "x.db", "--html", str(page)]) == 0
    said = capsys.readouterr()
    assert f"Wrote {page}." in said.err
    assert said.out.startswith("Set wall-guide to")
    assert page.read_text().startswith("<!doctype html>")
    assert run(["tune", "--log", "x.db", "--html", str(tmp_path / "no" / "x")]) == 74


def test_no_candidate_meets_the_constraints_is_a_no(capsys, monkeypatch):
    tuned_to(monkeypatch, several(), Constraints(autonomy_h=72))
    assert run(["tune", "--log", "x.db"]) == 1
    assert capsys.readouterr().out.startswith("No candidate meets what is asked")


def test_progress_is_shown_on_a_terminal_only(csv, capsys, monkeypatch):
    told = []
    monkeypatch.setattr(tune, "_progress", told.append)
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    assert run(["tune", "--log", str(csv)]) == 0
    assert told == sorted(told)
    assert told[-1] == 1
    assert max(map(len, capsys.readouterr().out.splitlines())) <= 79


def test_a_station_must_be_there_and_be_named(tmp_path, few, capsys):
    path = tmp_path / "two.csv"
    other = readings(days=1.5, station="foyer").split("\n", 1)[1]
    path.write_text(readings(days=0.2, station="hall") + other)
    assert run(["tune", "--log", str(path)]) == 64
    assert "Name a station; there are " in capsys.readouterr().err
    assert run(["tune", "hal", "--log", str(path)]) == 64
    assert "did you mean hall?" in capsys.readouterr().err
    with pytest.raises(click.UsageError, match="there is hall"):
        one_of("kiosk", ("hall",), path)
    assert run(["tune", "foyer", "--log", str(path), "--json"]) == 0
    assert document(capsys)["station"] == "foyer"


@pytest.mark.parametrize(
    ("text", "code", "says"),
    [
        (None, 66, "there is no cycle log at"),
        ("", 65, ""),
        ("time,soc_percent\n0,sixty\n", 65, "soc_percent"),
        (readings(days=0.1), 65, "wall-guide"),
        ("not a log at all\n", 65, ""),
    ],
)
def test_short_and_damaged_files(tmp_path, capsys, text, code, says):
    path = tmp_path / "wall-guide.csv"
    if text is not None:
        path.write_text(text)
    assert run(["tune", "wall-guide", "--log", str(path)]) == code
    err = capsys.readouterr().err
    assert says in err
    assert err.startswith("tidegate: ")
    assert "Traceback" not in err


def test_a_short_or_damaged_cycle_log(tmp_path, capsys):
    log = AuditLog(tmp_path / "cycles.db")
    log.begin()
    log.battery()
    log.read(10, 50, span_s=HOUR)
    path = log.close()
    assert run(["tune", "hall", "--log", str(path)]) == 65
    assert "hall" in capsys.readouterr().err
    data = bytearray(path.read_bytes())
    data[2_000:] = b"\xff" * (len(data) - 2_000)
    path.write_bytes(data)
    assert run(["tune", "hall", "--log", str(path)]) == 65
    assert "Traceback" not in capsys.readouterr().err


def cycled(path, policy):
    """Return a cycle log of a day: 12 points an hour down and up."""
    log = AuditLog(path)
    log.begin(policy=policy)
    log.battery()
    at_s, level, step = 10.0, 60.0, -1.0
    while at_s < DAY:
        step = 1.0 if level <= 50 else -1.0 if level >= 70 else step
        power = POWER_CODES.index("yes" if step > 0 else "no")
        log.read(at_s, level, span_s=270, external_power_code=power)
        level += step
        at_s += 300
    return log.close()


def test_a_cycle_log_that_only_measured_has_no_present_window(
    tmp_path, few, capsys, monkeypatch
):
    walked = []

    def compared(device, *others, **more):
        walked.append(device)
        return compare(device, *others, **more)

    monkeypatch.setattr(tune_run, "compare", compared)
    path = cycled(tmp_path / "cycles.db", replace(POLICY, marks=None))
    assert run(["tune", "hall", "--log", str(path), "--json"]) == 0
    found = document(capsys)
    assert not any(each["is_present"] for each in found["candidates"])
    assert "The log holds no charge window" in found["rests_on"][-1]
    (chosen,) = [each for each in found["candidates"] if each["is_recommended"]]
    assert chosen["sigma"]["autonomy_h"] > 0
    # The log has a temperature, so a cooler place can be told; all models cost less.
    (cooler,) = [
        each
        for each in found["recommendation"]["would_change"]
        if each.startswith("If the battery were 5 °C cooler")
    ]
    there, cool = walked
    for name in ("fed_c", "unfed_c"):
        pairs = zip(getattr(there, name), getattr(cool, name), strict=True)
        assert {round(warm - less, 6) for warm, less in pairs} == {5}
    low, high, before_low, before_high = map(float, re.findall(r"\d+\.\d", cooler))
    assert low < before_low
    assert high < before_high


# --- --apply --------------------------------------------------------------------------


class Person:
    """Somebody at a terminal who answers once."""

    def __init__(self, answer: str) -> None:
        self.answers = [answer]

    def isatty(self) -> bool:
        return True

    def readline(self, *_: object) -> str:
        return f"{self.answers.pop()}\n"


def tuned_to(monkeypatch, outcomes, constraints=None):
    """Let the command come to this choice."""
    choice = choose(outcomes, constraints or Constraints())
    made = device()
    found = tune_run.Tuned(
        device=made, policy=POLICY, choice=choice, advice=advise(choice, made)
    )
    asked = SimpleNamespace(is_supply_free=None)

    def tuned(*_: object, is_supply_free: bool, **__: object) -> tune_run.Tuned:
        asked.is_supply_free = is_supply_free
        return found

    monkeypatch.setattr(tune_run, "tuned", tuned)
    return asked


def apply(path, *words):
    return run(["tune", "--log", "x.db", "--config", str(path), "--apply", *words])


def written(path):
    return tomllib.loads((path.parent / "conf.d" / "90-set.toml").read_text())


def test_apply_writes_window_and_dwell_as_settings_set_does(
    tmp_path, capsys, monkeypatch
):
    path = settings(tmp_path)
    it = candidate(45, 57.5, dwell_on_ms=600_000, dwell_off_ms=600_000)
    asked = tuned_to(monkeypatch, [outcome(candidate(60, 70)), outcome(it, (1.0,) * 4)])
    assert apply(path, "--yes") == 0
    assert asked.is_supply_free is False, "a supply cannot be set"
    said = capsys.readouterr()
    assert written(path) == {
        "station": {
            "wall-guide": {
                "window": {"low": 45, "high": 57.5},
                "dwell": {"on": "10min", "off": "10min"},
            }
        }
    }
    assert "station.wall-guide.window.low: 60 -> 45" in said.out
    assert f"written: {tmp_path / 'conf.d' / '90-set.toml'}" in said.out
    assert "counts when the daemon next starts" in said.err
    # Set already, as the settings now say; the log did not know.
    assert apply(path, "--yes") == 1
    assert "nothing to apply: the settings of wall-guide say so" in (
        capsys.readouterr().err
    )


def test_apply_in_the_document(tmp_path, capsys, monkeypatch):
    path = settings(tmp_path)
    made = [outcome(candidate(60, 70)), outcome(candidate(45, 55), (1.0,) * 4)]
    tuned_to(monkeypatch, made)
    assert apply(path, "--yes", "--json") == 0
    found = document(capsys)
    assert found["applied"]["written"] is True
    assert found["applied"]["keys"] == ["station.wall-guide.window"]


def test_apply_asks_a_person_first(tmp_path, capsys, monkeypatch):
    path = settings(tmp_path)
    made = [outcome(candidate(60, 70)), outcome(candidate(45, 55), (1.0,) * 4)]
    tuned_to(monkeypatch, made)
    monkeypatch.setattr("sys.stdin", Person("n"))
    assert apply(path) == 1
    said = capsys.readouterr()
    assert "station.wall-guide.window.low: 60 -> 45" in said.err
    assert "nothing was written" in said.err
    assert not (tmp_path / "conf.d").exists()
    monkeypatch.setattr("sys.stdin", Person("y"))
    assert apply(path) == 0
    assert written(path)["station"]["wall-guide"]["window"] == {"low": 45, "high": 55}


def test_apply_replaces_a_window_by_a_hold_as_a_whole(tmp_path, capsys, monkeypatch):
    path = settings(tmp_path)
    hold = candidate(58, 60, hold_percent=60.0)
    made = [outcome(candidate(60, 70)), outcome(hold, (1.0,) * 4, switchings=0)]
    tuned_to(monkeypatch, made, Constraints(can_hold=True))
    # A contact cannot hold: the settings would be wrong, and nothing is written.
    assert apply(path, "--yes") == 78
    assert "found hold with relay kind" in capsys.readouterr().err
    assert not (tmp_path / "conf.d").exists()


@pytest.mark.parametrize(
    ("outcomes", "code", "says"),
    [
        ([outcome(candidate(60, 70))], 1, "of wall-guide is recommended\n"),
        ([outcome(candidate(60, 70), autonomy_h=0.1)], 1, ""),
    ],
)
def test_apply_refuses_where_nothing_is_to_change(
    tmp_path, capsys, monkeypatch, outcomes, code, says
):
    tuned_to(monkeypatch, outcomes)
    assert apply(settings(tmp_path), "--yes") == code
    assert says in capsys.readouterr().err
    assert not (tmp_path / "conf.d").exists()


def test_apply_needs_a_station_of_the_settings(tmp_path, capsys, monkeypatch):
    path = settings(tmp_path)
    path.write_text(path.read_text().replace("wall-guide", "hall"))
    made = [outcome(candidate(60, 70)), outcome(candidate(45, 55), (1.0,) * 4)]
    tuned_to(monkeypatch, made)
    assert apply(path, "--yes") == 64
    assert "no station 'wall-guide' in the settings" in capsys.readouterr().err


def test_apply_refuses_early_what_could_never_be_applied(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(tune_run, "tuned", None)  # nothing is reckoned
    args = ["tune", "hall", "--log", "x.db", "--apply", "--yes", "--config"]
    assert run([*args, str(tmp_path / "none.toml")]) == 66
    assert run([*args, str(settings(tmp_path))]) == 64
    assert "no station 'hall' in the settings" in capsys.readouterr().err
    assert run([*args, str(settings(tmp_path, "{ low = 70, high = 60 }"))]) == 78


def test_apply_refuses_marks_reckoned_down_to_a_lower_floor(
    tmp_path, capsys, monkeypatch
):
    path = settings(tmp_path)
    made = [outcome(candidate(60, 70)), outcome(candidate(45, 55), (1.0,) * 4)]
    tuned_to(monkeypatch, made)
    path.write_text(path.read_text().replace("floor = 20", "floor = 30"))
    assert apply(path, "--yes") == 1
    said = capsys.readouterr().err
    assert "a floor of 30 %, and autonomy was reckoned down to 25 %" in said
    assert not (tmp_path / "conf.d").exists()


def test_apply_promises_nothing_that_could_not_be_written(
    tmp_path, capsys, monkeypatch
):
    made = [outcome(candidate(60, 70)), outcome(candidate(45, 55), (1.0,) * 4)]
    tuned_to(monkeypatch, made)
    (tmp_path / "conf.d").write_text("a file where the folder should be")
    assert apply(settings(tmp_path), "--yes") != 0
    said = capsys.readouterr()
    assert "counts when the daemon next starts" not in said.err
    assert "written:" not in said.out


def test_apply_says_that_the_settings_are_not_those_of_the_readings(
    tmp_path, capsys, monkeypatch
):
    tuned_to(monkeypatch, [outcome(candidate(50, 58))])
    assert apply(settings(tmp_path), "--yes") == 1
    assert "no longer those of the readings" in capsys.readouterr().err


def test_apply_without_anybody_to_ask_is_refused(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr("sys.stdin", io.StringIO())
    assert apply(settings(tmp_path)) == 64
    assert "say --yes to write without asking" in capsys.readouterr().err
    assert run(["tune", "--log", "x.db", "--yes"]) == 64
    assert "--yes belongs to --apply" in capsys.readouterr().err


def test_help_teaches_by_examples(capsys):
    assert run(["tune", "--help"]) == 0
    said = capsys.readouterr().out
    assert "tidegate tune hall --autonomy 4h" in said
    assert "invented museum" in said
    assert max(map(len, said.splitlines())) <= 80
