"""``tidegate convert`` as its user meets it: text, document, errors, the log's load.

Source: exit codes of sysexits.h (4.2BSD), typed here from memory. The museum and its
numbers are invented.
"""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

import pytest

from support.audit_log import HOUR, AuditLog
from support.core_rig import OFF, ON, running
from tidegate.cli.main import run
from tidegate.core.effects import Reason
from tidegate.cyclelog.rows import POWER_CODES
from tidegate.report.cautions import CAUTIONS
from tidegate.settings import load

CONFIG = Path(__file__).parents[2] / "config"
GOOD = ("--load", "1.2A", "--port", "unfed", "--thermal", "40K/W")


def document(capsys, *arguments, code=0):
    assert run(["convert", *arguments, "--json"]) == code
    return json.loads(capsys.readouterr().out)


def printed(capsys, *arguments, code=0):
    assert run(["convert", *arguments]) == code
    out, err = capsys.readouterr()
    assert err == ""
    return out


def flat(text):
    return " ".join(text.split())


def refused(capsys, *arguments):
    assert run(["convert", *arguments]) == 64
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("tidegate: ")
    assert err.count("\n") == 1
    return err


# --- the document ---------------------------------------------------------------------


def test_the_document_has_units_in_its_keys(capsys):
    found = document(capsys, "hall", *GOOD)
    assert set(found) == {
        "cautions",
        "station",
        "passes",
        "failed",
        "cannot_be_told",
        "asked",
        "assumed",
        "notes",
        "checks",
        "feed",
        "longest_cable_m",
        "hold_up",
        "start",
        "fuse",
        "five_to_4_2_v",
        "settings_command",
        "to_build",
        "pack_asks",
        "limits",
    }
    assert found["cautions"] == list(CAUTIONS)
    assert any("plus and minus" in each for each in found["to_build"])
    assert (found["station"], found["passes"], found["failed"]) == ("hall", True, [])
    named = (
        r".*_(a|v|c|w|s|m|f|j|ohm|a2s|coulomb|percent|ohm_per_km|k_per_w)$"
        r"|parts|choices"
    )
    for table in ("feed", "fuse", "hold_up", "start"):
        for key, value in found[table].items():
            if isinstance(value, float):
                assert re.fullmatch(named, key), key
    for each in found["checks"]:
        (value,) = (key for key in each if key.startswith("value_"))
        unit = value.removeprefix("value_")
        assert {f"limit_{unit}", f"margin_{unit}", "formula", "source"} <= set(each)
        assert each["outcome"] == "passes"
    assert found["hold_up"]["bank"]["parts"] >= 1
    assert found["fuse"] == {
        "rating_a": 1.6,
        "melting_a2s": 2.56,
        "surely_melts_a": 3.36,
    }
    start = found["start"]
    assert start["bridged_after_s"] >= start["with_precharge"]["to_95_percent_s"]
    assert found["settings_command"] == (
        "tidegate settings set hall.battery.fitted false"
    )


def test_the_handbook_rows_come_out_of_the_command(capsys):
    """The drop of 24 AWG, 2 m, 1.5 A; hold-up of 2 A and 5 W; 1.875 W of heat."""
    exact = ("--esr", "0ohm", "--tolerance", "0%", "--ageing", "0%")
    found = document(
        capsys,
        *("--load", "1.5A", "--length", "2m", "--stranding", "0%", "--copper", "20C"),
        *("--contacts", "0ohm", "--peak", "2A", "--for", "10ms", *exact),
        code=1,
    )
    drop_v = found["feed"]["source_v"] - found["feed"]["after_cable_v"]
    assert drop_v == pytest.approx(0.5053, abs=1e-4)
    assert found["hold_up"]["needed_f"] == pytest.approx(0.040, rel=1e-3)
    found = document(
        capsys,
        *("--load", "1W", "--peak", "5W", "--for", "50ms", "--out", "4.2V"),
        *("--allowed-drop", "0.8V", *exact),
        code=1,
    )
    assert found["hold_up"]["needed_f"] == pytest.approx(0.08224, rel=1e-3)
    # 5.1 V at the regulator: a plain supply of 5.1 V at its highest, next to it.
    found = document(
        capsys,
        *("--load", "1.5A", "--source", "4.857142857V/3A", "--length", "1cm"),
        *("--thermal", "10K/W"),
        code=1,
    )
    (junction,) = (each for each in found["checks"] if each["code"] == "junction")
    assert (junction["value_c"] - 40) / 10 == pytest.approx(1.875, abs=0.01)


def test_every_number_of_a_check_can_be_worked_out_again(capsys):
    found = document(capsys, *GOOD, "--source", "usb3", "--length", "3m", code=1)
    for each in found["checks"]:
        unit = next(k for k in each if k.startswith("value_")).removeprefix("value_")
        value, limit = each[f"value_{unit}"], each[f"limit_{unit}"]
        if value is None or limit is None:
            continue
        margin = each[f"margin_{unit}"]
        sign = 1 if each["limit_is"] == "at_most" else -1
        assert margin == pytest.approx(sign * (limit - value), abs=1e-8)
        if each["outcome"] != "cannot_be_told":
            assert (margin >= -1e-9) is (each["outcome"] == "passes")
    assert "source_current" in found["failed"]


def test_what_nobody_said_is_told(capsys):
    found = document(capsys, *GOOD)
    assert "--cable 24AWG" in found["assumed"]
    assert "--source 5V/3A" in found["assumed"]
    assert not any(
        each.startswith(("--load", "--thermal")) for each in found["assumed"]
    )
    found = document(capsys, *GOOD, "--cable", "0.5mm2", "--regulator", "switching")
    assert "--stranding 0%" in found["assumed"]
    assert "--efficiency 90%" in found["assumed"]
    # Each of them can be pasted, and changes nothing.
    said = " ".join(found["assumed"]).split()
    again = document(
        capsys, *GOOD, "--cable", "0.5mm2", "--regulator", "switching", *said
    )
    assert again.pop("assumed") == []
    found.pop("assumed")
    assert again == found


# --- the text -------------------------------------------------------------------------


@pytest.mark.parametrize(
    "arguments",
    [
        GOOD,
        ("hall", "--load", "4W", "--peak", "9W", "--for", "50ms", "--source", "usb2"),
        ("--load", "8A", "--length", "9m", "--cable", "28AWG", "--blocking", "none"),
        ("--load", "1A", "--esr", "30ohm", "--regulator", "buck-boost"),
        ("--load", "1A", "--chemistry", "lfp", "--regulator", "switching"),
    ],
)
def test_cautions_come_first_and_79_columns_are_enough(capsys, arguments):
    out = printed(capsys, *arguments, code=0 if arguments is GOOD else 1)
    lines = out.splitlines()
    assert max(map(len, lines)) <= 79
    told = flat(out.replace("\n- ", "\n").replace("\n  ", "\n"))
    places = [told.index(each) for each in CAUTIONS]
    assert places == sorted(places)
    verdict = re.search(r"All \d+ checks pass|Do not build it so|Not decided yet", told)
    assert verdict is not None
    assert verdict.start() > places[-1]
    assert verdict.start() < told.index("Source: ")


def test_a_good_design_says_so(capsys):
    said = flat(printed(capsys, *GOOD))
    assert (
        "All 12 checks pass for 1.2 A at 3.85 V from 5 V/3 A over 1 m of 24 AWG and a "
        "linear regulator, with 4 × 10 mF for a hold-up of 1.2 A over 10 ms." in said
    )
    assert "To mend" not in said


def test_what_fails_is_named_first_and_mended(capsys):
    said = flat(printed(capsys, *GOOD, "--length", "3m", code=1))
    assert (
        "Do not build it so: 1 of 12 checks fails (voltage left for the regulator)."
        in said
    )
    assert "To mend: thicker cable: 21 AWG" in said


def test_what_cannot_be_told_is_not_a_yes(capsys):
    said = flat(printed(capsys, "--load", "1.2A", code=1))
    assert "Not decided yet: none of 12 checks fails, but 2 cannot be told" in said
    assert "To mend: say what data sheet and heat sink give" in said


def test_the_pack_and_the_settings_are_told(capsys):
    said = flat(printed(capsys, "hall", *GOOD))
    for words in (
        "10 kΩ at 25 °C",
        "Identity: a resistor",
        "Gauge bus:",
        "5 V in, 4.2 V out (common practice, no source)",
        "tidegate settings set hall.battery.fitted false",
        "[station.hall] battery = { fitted = false }",
        Reason.NO_BATTERY.value,
    ):
        assert words in said
    assert "STATION.battery.fitted" in printed(capsys, *GOOD)


def test_what_it_prints_to_paste_can_be_pasted(capsys, tmp_path):
    out = printed(capsys, "hall", *GOOD)
    pasted = out[out.index("  [station.hall]") :].replace("\n  ", "\n").strip()
    lines = [*pasted.splitlines(), 'gauge = { kind = "sysfs" }']
    assert tomllib.loads("\n".join(lines))["station"]["hall"]["battery"] == {
        "fitted": False
    }
    file = tmp_path / "tidegate.toml"
    file.write_text('[log]\npath = "cycles.db"\n' + "\n".join(lines), "utf-8")
    found = load(file)
    assert not found.stations["hall"].battery.fitted
    # And the command: it writes the same.
    file.write_text(
        '[log]\npath = "cycles.db"\n[station.hall]\ngauge = { kind = "sysfs" }\n',
        "utf-8",
    )
    (command,) = (line.split() for line in out.splitlines() if "settings set" in line)
    assert run([*command[1:], "--config", str(file)]) == 0
    assert not load(file).stations["hall"].battery.fitted


def test_the_example_of_a_converted_guide():
    found = load(CONFIG / "converted.toml").stations["foyer-guide"]
    assert not found.battery.fitted
    assert not found.controls


def test_what_is_said_of_tidegate_then_is_so():
    """Rule 1 comes first: no mark, no override off and no heat takes the supply."""
    rig = running(70, fitted=False)
    rig.read(95).override(OFF, for_s=3600).read(95).read(95, temp=70, after_s=5)
    rig.steady(600, soc=95, temp=70)
    assert (rig.reason, rig.supply) == (Reason.NO_BATTERY, ON)
    assert all(supply is ON for supply, _ in rig.switched)


@pytest.mark.parametrize(
    "arguments",
    [
        ("--source", "60V/3A", "--full", "60V"),
        ("--source", "1mV/3A", "--regulator", "switching"),
        ("--source", "5V/1mA", "--regulator", "switching", "--efficiency", "100%"),
        ("--load", "1mA", "--for", "1us", "--length", "1cm", "--contacts", "0ohm"),
        ("--load", "20A", "--for", "60s", "--length", "100m", "--ambient", "120C"),
        ("--out", "60V", "--regulator", "buck-boost", "--cut-off", "60V"),
        ("--out", "2mV", "--allowed-drop", "1mV", "--cut-off", "1mV"),
        ("--bank", "100x100F", "--ageing", "95%", "--tolerance", "95%"),
        ("--bank", "1uF", "--esr", "1000ohm", "--precharge", "none"),
    ],
)
def test_at_the_ends_of_what_is_allowed_it_still_answers(capsys, arguments):
    begins = () if "--load" in arguments else ("--load", "1A")
    out = printed(capsys, *begins, *arguments, code=1)
    assert max(map(len, out.splitlines())) <= 79
    assert not re.search(r"no end of|(nan|inf)", out)
    document(capsys, *begins, *arguments, code=1)


def test_examples_of_the_help_are_answered(capsys, tmp_path):
    assert run(["convert", "--help"]) == 0
    examples = [
        line.split()[2:]
        for line in capsys.readouterr().out.splitlines()
        if line.strip().startswith("tidegate convert ")
    ]
    assert len(examples) == 4
    log = str(logged(tmp_path / "cycles.db"))
    for each in examples:
        said = [log if word.startswith("/mnt/") else word for word in each]
        said = [str(tmp_path / w) if w.endswith(".html") else w for w in said]
        assert run(["convert", *said]) in (0, 1)
        assert "Cautions:" in capsys.readouterr().out
    assert (tmp_path / "hall.html").exists()


def test_a_log_of_a_moment_or_of_an_unknown_supply_says_so(tmp_path, capsys):
    path = tmp_path / "by-hand.csv"
    columns = "time,soc_percent,voltage_v,current_a,current_sign_trusted\n"
    path.write_text(columns + "0,60,4,-0.5,true\n60,60,4,-0.5,true\n", "utf-8")
    (note,) = document(capsys, "--log", str(path), code=1)["notes"]
    assert "too short a time" in note
    assert "a weak supply helped" in note
    log = str(logged(tmp_path / "cycles.db"))
    (note,) = document(capsys, "--log", log, code=1)["notes"]
    assert "too short" not in note
    assert "weak supply" not in note


# --- the load of the log --------------------------------------------------------------


def logged(path, *, sign=True, volts=4000, chemistry="unknown"):
    """Ten hours on battery: 0.5 A, 0.4 h of 0.9 A, one read of 1.6 A; and a charge."""
    log = AuditLog(path)
    log.begin(given={"battery": {"chemistry": chemistry}})
    log.battery(current_sign_trusted=sign)
    off = {"external_power_code": POWER_CODES.index("no"), "voltage_mv": volts}
    log.read(10, 60, span_s=9.5 * HOUR, current_ma=-500, **off)
    log.read(9.6 * HOUR, 55, span_s=0.4 * HOUR, current_ma=-900, **off)
    log.read(10.05 * HOUR, 54, current_ma=-1600, **off)
    log.read(
        10.1 * HOUR,
        54,
        span_s=HOUR,
        current_ma=2000,
        external_power_code=POWER_CODES.index("yes"),
        voltage_mv=volts,
    )
    return log.close()


def test_the_load_of_a_log_is_power(tmp_path, capsys):
    path = logged(tmp_path / "cycles.db", chemistry="lfp")
    found = document(capsys, "--log", str(path), code=1)
    assert found["station"] == "hall"
    # 0.5 A for 95.9 % of the time at 4 V; the most is 1.6 A.
    assert found["asked"]["load"]["power_w"] == pytest.approx(2.0)
    assert found["asked"]["peak"]["power_w"] == pytest.approx(6.4)
    assert found["asked"]["chemistry"] == "lfp"
    (note,) = found["notes"]
    assert "does not show peaks of ms" in note
    assert "30 s from read to read" in note


def test_what_is_said_wins_over_the_log(tmp_path, capsys):
    path = logged(tmp_path / "cycles.db")
    found = document(capsys, "hall", "--log", str(path), "--peak", "9W", code=1)
    assert found["asked"]["load"]["power_w"] == pytest.approx(2.0)
    assert found["asked"]["peak"]["power_w"] == 9
    found = document(capsys, "hall", "--load", "1A", "--log", str(path), code=1)
    assert found["asked"]["load"] == {"current_a": 1, "power_w": None}
    assert found["notes"] == []


def test_without_voltages_it_is_a_current(tmp_path, capsys):
    path = logged(tmp_path / "cycles.db", volts=None)
    found = document(capsys, "--log", str(path), code=1)
    assert found["asked"]["load"] == {"current_a": 0.5, "power_w": None}


def test_a_csv_tells_it_too(tmp_path, capsys):
    path = tmp_path / "by-hand.csv"
    rows = "".join(f"{60 * i},60,4,{-0.5 - i / 1000},true,no\n" for i in range(100))
    path.write_text(
        "time,soc_percent,voltage_v,current_a,current_sign_trusted,external_power\n"
        + rows,
        "utf-8",
    )
    found = document(capsys, "--log", str(path), code=1)
    # The 95th of 100 equal shares, and the last.
    assert found["asked"]["load"]["power_w"] == pytest.approx(4 * 0.594)
    assert found["asked"]["peak"]["power_w"] == pytest.approx(4 * 0.599)


def test_what_a_weak_supply_helped_with_is_no_load(tmp_path, capsys):
    path = tmp_path / "by-hand.csv"
    # An hour of each but the last, which is as long as the usual step.
    rows = ("0,-0.5,no", "3600,-0.1,yes", "7200,-0.1,no", "10800,-0.7,no")
    lines = [each.replace(",", ",60,true,", 1) for each in rows]
    columns = "time,soc_percent,current_sign_trusted,current_a,external_power"
    path.write_text("\n".join([columns, *lines]), "utf-8")
    found = document(capsys, "--log", str(path), code=1)
    assert found["asked"]["load"]["current_a"] == 0.7
    assert "are from 3.0 h on battery alone" in found["notes"][0]


def test_a_log_without_a_trusted_sign_does_not_tell(tmp_path, capsys):
    path = logged(tmp_path / "cycles.db", sign=False)
    assert run(["convert", "hall", "--log", str(path)]) == 65
    assert "Say it: --load 1.2A or --load 5W." in capsys.readouterr().err


def test_logs_that_are_not_there_or_not_clear(tmp_path, capsys):
    assert run(["convert", "hall", "--log", str(tmp_path / "none.db")]) == 66
    log = AuditLog(tmp_path / "two.db")
    log.begin()
    log.battery()
    log.read(10, 60)
    log.station = "foyer"
    log.settings(20)
    log.battery()
    log.read(20, 60)
    path = log.close()
    capsys.readouterr()
    said = refused(capsys, "--log", str(path))
    assert "Name a station; there are foyer, hall in " in said
    assert "There is no station 'hal'" in refused(capsys, "hal", "--log", str(path))


# --- errors ---------------------------------------------------------------------------

UNIT = "the unit is missing; allowed is "
WRONG = {
    "--load 1.2": f"{UNIT}A or mA or W or mW: 1.2A or 5W",
    "--load 1,2A": "there is no unit ',2A' here; allowed is A or mA or W or mW",
    "--load 1.2V": "there is no unit 'V' here",
    "--load much": "write a number with its unit",
    "--load 0A": "allowed is 0.001 to 20 A",
    "--load 200W": "allowed is 0.001 to 100 W",
    "--peak 5": UNIT,
    "--peak 0.5A": "a peak is not less than the load",
    "--for 50": f"{UNIT}s or ms",
    "--for 2min": "there is no unit 'min' here",
    "--for 61s": "allowed is 1e-06 to 60 s",
    "--source usb": "did you mean usb",
    "--source mains": "it is usb2, usb3, bc1.2, type-c, type-c-1.5a or type-c-3a, or",
    "--source 5/3": f"{UNIT}V or mV",
    "--source 5V/3": f"{UNIT}A or mA",
    "--cable 24": "write a gauge or a cross-section with its unit: 24AWG or 0.5mm2",
    "--cable 40AWG": "allowed is 10AWG to 36AWG",
    "--cable 0.6mm2": "there is no such size; it is 0.14, 0.25",
    "--length 2": f"{UNIT}m or cm or mm: 2m or 50cm",
    "--length 0m": "allowed is 0.01 to 100 m",
    "--contacts 0.12": f"{UNIT}ohm or mohm",
    "--stranding 96%": "allowed is 0 to 95 %",
    "--copper 300C": "allowed is 0 to 120 C",
    "--regulator boost": "'linear', 'switching', 'buck-boost'",
    "--efficiency 90%": "--efficiency belongs to --regulator switching",
    "--efficiency 0.9 --regulator switching": f"{UNIT}%: 90%",
    "--efficiency 120% --regulator switching": "allowed is 30 to 100 %",
    "--out 3.85": f"{UNIT}V or mV: 3.85V",
    "--dropout 0.3": UNIT,
    "--dropout 0.3V --regulator buck-boost": "--dropout belongs to --regulator linear",
    "--thermal 40": f"{UNIT}K/W",
    "--allowed-drop 4V": "allowed is less than the output, 3.85V",
    "--esr 30": f"{UNIT}ohm or mohm",
    "--tolerance 20": f"{UNIT}%: 20%",
    "--ageing x": "write a number with its unit",
    "--bank 4x10": f"{UNIT}F or mF",
    "--bank 0x10mF": "allowed is 1 to 100 parts",
    "--ambient 40": f"{UNIT}C",
    "--chemistry gold": "'unknown', 'lco'",
    "--full 4.35": UNIT,
    "--cut-off 3": UNIT,
    "--blocking fuse": "'none', 'diode', 'ideal'",
    "--port open": "'fed', 'unfed'",
    "--sink 1": UNIT,
    "--precharge 10": f"{UNIT}ohm or mohm",
    "--fuse 2": UNIT,
    "--melting 4A2s": "--melting belongs to --fuse",
    "--melting 4 --fuse 2A": f"{UNIT}A2s",
}


@pytest.mark.parametrize("wrong", WRONG)
def test_a_wrong_option_says_what_is_allowed(capsys, wrong):
    words = wrong.split()
    begins = () if "--load" in words else ("--load", "1A")
    said = refused(capsys, *begins, *words)
    assert WRONG[wrong] in said
    assert wrong.split()[0] in said


def test_every_option_has_a_wrong_case():
    from tidegate.cli.convert import command

    free = {"--config", "--log", "--html", "--json", "--configured"}
    options = {
        parameter.opts[0]
        for parameter in command.params
        if parameter.opts[0].startswith("--")
    }
    assert {wrong.split()[0] for wrong in WRONG} == options - free


def test_a_load_must_be_said_or_logged(capsys):
    assert "Say --load, such as --load 1.2A or --load 5W" in refused(capsys)


def test_no_resistor_is_none(capsys):
    found = document(capsys, *GOOD, "--precharge", "none", code=1)
    assert found["start"]["precharge_ohm"] == 0
    assert found["start"]["bridged_after_s"] is None
    sized_too = document(capsys, *GOOD, "--precharge", "auto")
    assert sized_too["start"]["precharge_ohm"] > 0
    assert sized_too == document(capsys, *GOOD)


def test_units_are_read_as_people_write_them(capsys):
    one = document(
        capsys,
        *("--load", "1200mA", "--for", "0.01s", "--length", "100 cm"),
        *("--cable", "AWG 24", "--esr", "0.03Ω", "--ambient", "40 °C"),
        code=1,
    )
    two = document(capsys, "--load", "1.2A", code=1)
    for found in (one, two):
        found.pop("assumed")
    assert one == two


def test_help_names_units_and_codes(capsys):
    assert run(["convert", "--help"]) == 0
    said = flat(capsys.readouterr().out)
    assert "A quantity has its unit: 1.2A, 800mA, 5W" in said
    assert "Exit code 0: all checks pass; 1: one fails or cannot be told" in said
    assert "work for trained people" in said
