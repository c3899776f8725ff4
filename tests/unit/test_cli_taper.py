"""``tidegate taper`` as its user meets it: files, text, document, page, exit codes.

Source: exit codes of sysexits.h (4.2BSD), typed here from memory. The museum and its
devices are invented.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from support.audit_log import HOUR, AuditLog
from support.charges import Device, csv_text, rows
from tidegate.cli.main import run
from tidegate.report.cautions import CAUTIONS

PLAIN = Device(seed=1)
TAPERS = Device(taper="falling", from_percent=50, last_fifth_h=10, most_h=40, seed=2)


@pytest.fixture
def tapering(tmp_path: Path) -> Path:
    return written(tmp_path / "tapers.csv", TAPERS)


def written(path: Path, made: Device) -> Path:
    path.write_text(csv_text(rows(made)), encoding="utf-8")
    return path


def log_of(path: Path, made: Device, *, stations: tuple[str, ...] = ("hall",)) -> Path:
    """Write a charge as rows of a cycle log, and a day at full after it."""
    log = AuditLog(path)
    for place, name in enumerate(stations):
        log.station = name
        if place == 0:
            log.begin()
        else:
            log.settings(0)
        log.battery()
        told = rows(made)
        for row in told:
            log.read(
                row.at_s,
                row.soc_percent,
                celsius=row.temperature_c,
                voltage_mv=round(1000 * (row.voltage_v or 0)),
                current_ma=round(1000 * (row.current_a or 0)),
            )
        log.read(told[-1].at_s + 60, 99, span_s=24 * HOUR)
    return log.close()


# --- answers and exit codes -----------------------------------------------------------


def test_a_taper_is_told_from_a_csv(
    tapering: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["taper", "hall", "--log", str(tapering)]) == 0

    said = capsys.readouterr().out
    first, second = said.splitlines()[:2]
    assert first.startswith("hall tapers its own charging (confidence high)")
    assert second.startswith("Confidence high:")
    assert "\nEvidence\n- for a taper: " in said
    assert "still rests full" in " ".join(said.split())
    assert max(map(len, said.splitlines())) <= 80
    assert " ".join(CAUTIONS[0].split()) in " ".join(said.replace("- ", "").split())


def test_none_is_told_too(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = written(tmp_path / "plain.csv", PLAIN)

    assert run(["taper", "--log", str(path)]) == 0

    said = capsys.readouterr().out
    assert said.startswith("The device does not taper its own charging")
    assert "- against one: " in said


def test_unclear_is_a_no(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = written(tmp_path / "late.csv", replace(PLAIN, start_percent=72))

    assert run(["taper", "hall", "--log", str(path)]) == 1

    said = capsys.readouterr().out
    assert said.startswith("Whether hall tapers its own charging is unclear")
    assert "start at 20 to 30 %" in " ".join(said.split())
    assert "tidegate taper hall --record" in said


def test_a_note_of_time_and_level_is_enough(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A line every ten minutes, as somebody with a watch and a pencil writes it."""
    told = rows(replace(TAPERS, charge_a=0.8, every_s=600.0))
    lines = [f"{row.at_s:.0f},{row.soc_percent:g}" for row in told]
    path = tmp_path / "hand.csv"
    path.write_text("time,soc_percent\n" + "\n".join(lines) + "\n")

    assert run(["taper", "hall", "--log", str(path), "--json"]) == 0

    document = json.loads(capsys.readouterr().out)
    assert document["verdict"] == "tapers"
    assert document["confidence"] in ("medium", "low")
    assert [each["sign"] for each in document["evidence"] if each["weight"]] == [
        "last_fifth_hours",
        "early_fall",
    ]
    assert document["charges"][0]["from"] is None


def test_a_cycle_log_is_read_with_its_days(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = log_of(tmp_path / "cycles.db", TAPERS)

    assert run(["taper", "hall", "--log", str(path), "--json"]) == 0

    document = json.loads(capsys.readouterr().out)
    assert document["verdict"] == "tapers"
    (charge,) = document["charges"]
    assert charge["from"].startswith("2026-03-01T00:")
    assert charge["current_a"] == pytest.approx(2.0, rel=0.05)
    assert charge["rests"] is True


# --- which part of it -----------------------------------------------------------------


def test_since_and_until_choose_a_charge(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = log_of(tmp_path / "cycles.db", TAPERS)
    arguments = ["taper", "hall", "--log", str(path), "--json"]

    assert run([*arguments, "--until", "2026-03-02T00:00Z"]) == 0
    assert json.loads(capsys.readouterr().out)["charges_found"] == 1
    assert run([*arguments, "--since", "20h"]) == 1
    assert json.loads(capsys.readouterr().out)["charges_found"] == 0


def test_a_time_in_which_nothing_was_read_is_said(
    tapering: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code = run(["taper", "--log", str(tapering), "--since", "2099-01-01"])

    assert code == 65
    assert "no trusted reading in that time" in capsys.readouterr().err


def test_of_several_stations_one_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = log_of(tmp_path / "cycles.db", PLAIN, stations=("hall", "tower"))

    assert run(["taper", "--log", str(path)]) == 64
    assert "there are hall, tower in " in capsys.readouterr().err
    assert run(["taper", "hal", "--log", str(path)]) == 64
    assert "did you mean hall?" in capsys.readouterr().err
    assert run(["taper", "tower", "--log", str(path)]) == 0


# --- what is wrong --------------------------------------------------------------------


def test_a_file_that_is_not_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["taper", "--log", str(tmp_path / "none.csv")]) == 66
    assert "there is no cycle log at" in capsys.readouterr().err


def test_a_line_that_is_wrong_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "wrong.csv"
    path.write_text("time,soc_percent\n0,25\n60,much\n")

    assert run(["taper", "--log", str(path)]) == 65
    assert "line 3, column soc_percent" in capsys.readouterr().err


@pytest.mark.parametrize(
    "words",
    [
        ["--to", "x.csv"],
        ["--continue"],
        ["--anyway"],
        ["--for", "2h"],
        ["--record", "--since", "3h"],
        ["--record", "--for", "59min"],
        ["--record", "--for", "49h"],
        ["--record", "--for", "soon"],
    ],
)
def test_words_that_do_not_go_together_are_refused(
    words: list[str], tapering: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["taper", "hall", "--log", str(tapering), *words]) == 64
    assert capsys.readouterr().out == ""


def test_a_name_that_would_steer_the_terminal_is_only_shown(
    tapering: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["taper", "ha\x1b[2Jll", "--log", str(tapering)]) == 0

    assert "\x1b" not in capsys.readouterr().out


# --- the page -------------------------------------------------------------------------


def test_the_page_is_written_beside_the_answer(
    tapering: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page = tmp_path / "hall.html"

    assert run(["taper", "hall", "--log", str(tapering), "--html", str(page)]) == 0

    assert capsys.readouterr().err == f"Wrote {page}.\n"
    assert "<h1>hall tapers its own charging" in page.read_text(encoding="utf-8")


def test_help_is_quick_and_says_what_it_takes(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert run(["taper", "--help"]) == 0

    said = capsys.readouterr().out
    for word in ("--record", "--to", "--html", "--since", "Exit code 0", "20 to 30 %"):
        assert word in said
