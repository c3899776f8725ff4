"""``tidegate triage`` as its user meets it: text, document, pages, many, exit codes.

Source: exit codes of sysexits.h (4.2BSD), typed here from memory. The museum is
invented.
"""

from __future__ import annotations

import csv
import io
import json
import shutil
import unicodedata
from datetime import date, timedelta
from importlib import import_module
from pathlib import Path

import pytest

from support.audit_log import DAY, AuditLog
from support.cyclelog_faults import tampered
from support.triages import NO, YES, sound
from tidegate.cli.main import run
from tidegate.report.cautions import CAUTIONS
from tidegate.report.triage_index import file_names
from tidegate.triage.form import filled_form, read_form
from tidegate.triage.inspection import SIGNS, Inspection

GIVEN = {"battery": {"design_ah": 7}}
NEEDS = {"autonomy_wanted_h": 2.0, "battery_available": YES, "died_on_battery": NO}


def written(path, *, stations=("hall",), ah_per_point=0.05):
    """Write a log in which a battery swings from 90 to 20 % and back."""
    log = AuditLog(path)
    for place, name in enumerate(stations):
        log.station = name
        if place == 0:
            log.begin(given=GIVEN)
        else:
            log.settings(0, given=GIVEN)
        log.battery()
        for at, soc in enumerate([*range(90, 19, -1), *range(21, 91)]):
            charge = round(1000 * (1 + ah_per_point * soc))
            fed = 0 if at > 70 else 1
            log.read(60.0 * at, soc, charge_mah=charge, external_power_code=fed)
        log.switch(60 * 141, "off", seen=(False,))
        log.alarm(60 * 142, "relay_no_effect")
        log.read(60 * 143, 90, span_s=DAY, celsius=31)
    return log.close()


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return written(tmp_path_factory.mktemp("museum") / "cycles.db")


@pytest.fixture
def log(tmp_path, made):
    return Path(shutil.copy(made, tmp_path))


@pytest.fixture
def form(tmp_path):
    return saved(tmp_path / "hall.toml", **NEEDS)


@pytest.fixture(autouse=True)
def nobodys_settings(tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path / "nobody"))
    monkeypatch.delenv("XDG_CONFIG_HOME", raising=False)
    monkeypatch.delenv("TIDEGATE_CONFIG", raising=False)
    load = import_module("tidegate.settings.load")
    monkeypatch.setattr(load, "SYSTEM_FILE", tmp_path / "none.toml")


def saved(path, **answers):
    path.write_text(filled_form(sound(on=date.today(), **answers)))
    return path


def document(capsys):
    return json.loads(capsys.readouterr().out)


def asked(*words):
    return run(["triage", *map(str, words)])


# --- one device -----------------------------------------------------------------------


def test_a_worn_battery_with_its_log(log, form, capsys):
    """3.5 Ah over 70 points are 5 Ah, of 7 Ah 71 %: arithmetic."""
    assert asked("hall", "--inspection", form, "--log", log, "--json") == 0
    found = document(capsys)
    assert next(iter(found)) == "cautions"
    assert found["cautions"] == list(CAUTIONS)
    assert set(found) >= {
        *("station", "answer", "certain", "look_first", "reasons", "would_change"),
        *("evidence", "inspection"),
    }
    assert (found["station"], found["answer"]) == ("hall", "change_battery")
    assert found["certain"] is True
    assert found["look_first"] == []
    assert [each["code"] for each in found["reasons"]][:2] == [
        "worn_replaceable",
        "capacity",
    ]
    evidence = found["evidence"]
    assert evidence["kind"] == "cycle_log"
    assert evidence["capacity"]["capacity_ah"] == pytest.approx(5.0, abs=0.01)
    assert evidence["capacity"]["design_ah"] == 7
    assert evidence["switchings"] == {
        "count": 1,
        "missing": 1,
        "unconfirmed": 0,
        "failed": 0,
    }
    assert evidence["alarms_standing"] == ["relay_no_effect"]
    assert evidence["window"] == {"low_percent": 40, "high_percent": 60}
    assert found["inspection"]["autonomy_wanted_h"] == 2.0
    assert found["inspection"]["on"] == date.today().isoformat()


@pytest.mark.parametrize(
    ("wanted", "answer"), [(1.1, "window"), (1.4, "change_battery")]
)
def test_hours_wanted_are_held_against_what_the_log_saw(
    tmp_path, capsys, wanted, answer
):
    """70 points in 70 min: from full to a floor of 25 % it lasts 1.25 h."""
    log = written(tmp_path / "sound.db", ah_per_point=0.065)
    form = saved(tmp_path / "form.toml", **{**NEEDS, "autonomy_wanted_h": wanted})
    assert asked("--inspection", form, "--log", log, "--json") == 0
    found = document(capsys)
    assert (found["station"], found["answer"]) == ("hall", answer)
    lasts = found["evidence"]["autonomy"]["hours_from_full_to_floor_h"]
    assert lasts["value"] == pytest.approx(1.25, abs=0.02)


def test_the_text_begins_with_the_cautions_and_fits_80_columns(log, form, capsys):
    assert asked("hall", "--inspection", form, "--log", log) == 0
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= 79
    said = " ".join(text.split())
    places = [said.index(" ".join(each.split())) for each in CAUTIONS]
    assert places == sorted(places)
    assert places[0] == 0
    assert places[-1] < said.index("hall: change the battery.")
    assert said.index("What to do:") < said.index("Why:") < said.index("What would")
    assert "(worn_replaceable)" in said


@pytest.mark.parametrize("sign", SIGNS)
def test_a_sign_exits_with_1_and_says_what_to_do(tmp_path, capsys, sign):
    form = saved(tmp_path / "form.toml", **{sign: YES})
    assert asked("hall", "--inspection", form) == 1
    text = capsys.readouterr().out
    assert "hall: out of use at once." in text
    assert "pull the plug" in text


def test_what_nobody_looked_at_exits_with_1(tmp_path, capsys):
    form = tmp_path / "form.toml"
    form.write_text('lid_gap = "no"\n')
    assert asked("hall", "--inspection", form) == 1
    text = capsys.readouterr().out
    assert "hall: look first" in text
    assert "provisional" in text
    assert "(lid_gap)" not in text
    assert "(rocks)" in text


def test_an_old_inspection_exits_with_1(tmp_path, capsys):
    form = tmp_path / "form.toml"
    old = sound(on=date.today() - timedelta(days=200))
    form.write_text(filled_form(old))
    assert asked("--inspection", form, "--json") == 1
    assert [each["key"] for each in document(capsys)["look_first"]] == ["on"]


def test_the_form_is_printed_and_can_be_read(tmp_path, capsys):
    assert asked("--form") == 0
    file = tmp_path / "form.toml"
    file.write_text(capsys.readouterr().out)
    assert read_form(file) == Inspection()


def test_the_page_is_written_beside(tmp_path, log, form, capsys):
    page = tmp_path / "hall.html"
    assert asked("--inspection", form, "--log", log, "--html", page) == 0
    text = page.read_text()
    assert text.index('class="cautions"') < text.index("<h1>hall: change the battery")
    assert "Looked at by, date" in text
    assert "Wrote" in capsys.readouterr().err


def test_nothing_that_a_form_or_log_says_commands_a_terminal(tmp_path, capsys):
    form = saved(tmp_path / "form.toml", station="h\x1b[2Jall", notes="\x07\u202e")
    assert asked("--inspection", form) == 0
    text = capsys.readouterr().out
    odd = [c for c in text if unicodedata.category(c) in ("Cc", "Cf") and c != "\n"]
    assert odd == []
    assert "h\\x1b[2Jall" in text


# --- the log --------------------------------------------------------------------------


def test_without_any_log_it_says_so(form, capsys):
    assert asked("hall", "--inspection", form, "--json") == 0
    found = document(capsys)
    assert found["evidence"] is None
    assert "there are no settings" in found["without_log"]
    assert found["certain"] is False


def test_the_log_of_the_settings_is_taken_where_it_has_the_station(
    tmp_path, log, form, capsys
):
    settings = tmp_path / "tidegate.toml"
    settings.write_text(
        f'[log]\npath = "{log}"\n[station.hall]\ngauge = {{ kind = "twin" }}\n'
    )
    words = ("--inspection", form, "--json", "--config", settings)
    assert asked("hall", *words) == 0
    assert document(capsys)["answer"] == "change_battery"
    assert asked("foyer", *words) == 0
    assert "no foyer" in document(capsys)["without_log"]
    assert asked(*words) == 0
    assert "no station was named" in document(capsys)["without_log"]
    log.unlink()
    assert asked("hall", *words) == 0
    assert "not there yet" in document(capsys)["without_log"]


def test_a_csv_without_a_station_is_of_the_device(tmp_path, form, capsys):
    log = tmp_path / "hall.csv"
    log.write_text("time,soc_percent\n0,95\n60,95\n3600,94\n")
    assert asked("hall", "--inspection", form, "--log", log, "--json") == 0
    found = document(capsys)
    assert found["evidence"]["kind"] == "csv"
    assert found["evidence"]["from"] is None
    assert found["station"] == "hall"


def test_a_damaged_log_leaves_the_inspection_and_exits_with_65(log, form, capsys):
    tampered(log, lambda db: db.execute("DROP TABLE reading"))
    assert asked("hall", "--inspection", form, "--log", log, "--json") == 65
    out, err = capsys.readouterr()
    found = json.loads(out)
    assert found["evidence"] is None
    assert "cannot be read" in found["without_log"]
    assert err.startswith("tidegate: ")


def test_a_damaged_log_hides_no_danger(tmp_path, capsys):
    log = tmp_path / "cycles.db"
    log.write_bytes(b"SQLite format 3\0" + bytes(5000))
    form = saved(tmp_path / "form.toml", leak=YES)
    assert asked("hall", "--inspection", form, "--log", log) == 1
    assert "out of use at once" in capsys.readouterr().out


@pytest.mark.parametrize(("hour", "demanded"), [(0, False), (100, True)])
def test_an_alarm_of_a_log_is_met_by_a_look_on_a_day_after_it(
    tmp_path, capsys, hour, demanded
):
    """The log is of the first five days of March 2026, the look was on the third."""
    log = AuditLog(tmp_path / "hot.db")
    log.begin(given=GIVEN)
    log.battery()
    for at in range(121):
        if at == hour:
            log.alarm(3600 * at + 1, "battery_critical_heat")
            log.alarm(3600 * at + 60, "battery_critical_heat", raised=False)
        log.read(3600.0 * at + 61, 60)
    file = log.close()
    form = tmp_path / "form.toml"
    form.write_text(filled_form(sound(on=date(2026, 3, 3))))
    asked("hall", "--inspection", form, "--log", file, "--json")
    found = document(capsys)
    keys = [each["key"] for each in found["look_first"]]
    assert ("battery_critical_heat" in keys) is demanded
    assert found["evidence"]["heat"]["last_c"] == 25


@pytest.mark.parametrize("station", [None, "hal"])
def test_a_log_of_other_stations_hides_no_danger(tmp_path, capsys, station):
    log = written(tmp_path / "two.db", stations=("hall", "foyer"))
    form = saved(tmp_path / "form.toml", leak=YES)
    named = () if station is None else (station,)
    assert asked(*named, "--inspection", form, "--log", log) == 1
    out, err = capsys.readouterr()
    assert "out of use at once" in out
    assert "it was not read: " in " ".join(out.split())
    assert "tation" in err


@pytest.mark.parametrize(("sign", "code"), [(YES, 1), (NO, 78)])
def test_wrong_settings_hide_no_answer(tmp_path, capsys, sign, code):
    settings = tmp_path / "tidegate.toml"
    settings.write_text("log = 3\n")
    form = saved(tmp_path / "form.toml", leak=sign)
    assert asked("hall", "--inspection", form, "--config", settings) == code
    out, err = capsys.readouterr()
    assert f"hall: {'out of use at once' if sign is YES else 'window'}" in out
    assert "tidegate.toml" in err


def test_a_form_with_a_fault_hides_no_danger(tmp_path, capsys):
    form = tmp_path / "hall.toml"
    form.write_text("bulge = yes\n")
    assert asked("hall", "--inspection", form) == 1
    out, err = capsys.readouterr()
    assert "hall: out of use at once. A side is bulged." in out
    assert f"{form}: this is not TOML: line 1" in err
    form.write_text("bulge = nope\n")
    assert asked("hall", "--inspection", form) == 65
    assert capsys.readouterr().out == ""


def test_a_log_that_is_not_there(tmp_path, form, capsys):
    absent = tmp_path / "absent.db"
    assert asked("hall", "--inspection", form, "--log", absent) == 66
    assert "absent.db" in capsys.readouterr().err


# --- wrong usage ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("hall",), 64, "Nobody is there to be asked"),
        (("--inspection", "absent.toml"), 66, "there is no inspection at"),
        (("--inspection", "."), 65, "is a folder"),
        (("--many", "absent.csv"), 66, "there is no list of devices at"),
        (("--pages", "binder"), 64, "belong to --many"),
        (("--csv",), 64, "belong to --many"),
        (("hall", "--many", "museum.csv"), 64, "from the CSV alone"),
        (("--many", "museum.csv", "--log", "x.db"), 64, "from the CSV alone"),
        (("--inspection", "a", "--save", "b"), 64, "--inspection asks nothing"),
    ],
)
def test_wrong_usage_is_a_sentence(tmp_path, monkeypatch, capsys, words, code, said):
    monkeypatch.chdir(tmp_path)
    assert asked(*words) == code
    out, err = capsys.readouterr()
    assert out == ""
    assert said in err
    assert "Traceback" not in err


def test_a_wrong_form_names_its_line_and_the_nearest_key(tmp_path, capsys):
    form = tmp_path / "hall.toml"
    form.write_text('lid_gap = "no"\nsmel = "no"\n')
    assert asked("--inspection", form) == 65
    assert f'{form}:2: smel: unknown key; did you mean "smell"?' in (
        capsys.readouterr().err
    )


def test_a_form_of_another_station_is_refused(tmp_path, capsys):
    form = saved(tmp_path / "form.toml", station="foyer")
    assert asked("hall", "--inspection", form) == 64
    assert "is of 'foyer', not of 'hall'" in capsys.readouterr().err
    assert asked("--inspection", form, "--json") == 0
    assert document(capsys)["station"] == "foyer"


def test_a_log_of_many_stations_wants_a_name(tmp_path, form, capsys):
    log = written(tmp_path / "two.db", stations=("hall", "foyer"))
    assert asked("--inspection", form, "--log", log) == 64
    assert "Name a station" in capsys.readouterr().err
    assert asked("hal", "--inspection", form, "--log", log) == 64
    assert "did you mean hall?" in capsys.readouterr().err


def test_a_page_that_cannot_be_written(tmp_path, form):
    assert asked("--inspection", form, "--html", tmp_path / "no" / "x.html") == 74


# --- many -----------------------------------------------------------------------------

SEEN = ",".join(["no"] * len(SIGNS))
HEAD = f"on,station,{','.join(SIGNS)},always_fed,holds_itself,log\n"


def listed(*rows):
    """Return a list of devices that were looked at today."""
    return HEAD + "".join(f"{date.today()},{row}\n" for row in rows)


@pytest.fixture
def museum(tmp_path, log):
    file = tmp_path / "museum.csv"
    unseen = SEEN.replace("no", "unknown", 1)
    file.write_text(
        listed(
            f"hall,{SEEN},yes,no,{log.name}",
            f"foyer,{SEEN},no,no,",
            f"entrance,{unseen},no,no,",
            f"cellar,{SEEN.replace('no', 'yes', 1)},no,no,absent.db",
            f"gallery,{SEEN},often,no,",
            f"index,{SEEN},yes,no,nobody.db",
        )
    )
    return file


def test_many_come_worst_first_and_bad_rows_lose_no_others(museum, capsys):
    assert asked("--many", museum, "--json") == 65
    out, err = capsys.readouterr()
    found = json.loads(out)
    assert found["cautions"] == list(CAUTIONS)
    assert [(each["station"], each["answer"]) for each in found["devices"]] == [
        ("cellar", "out_of_use"),
        ("entrance", "nothing"),
        ("hall", "change_battery"),
        ("foyer", "nothing"),
    ]
    assert found["devices"][1]["provisional"] is True
    assert [(each["line"], each["column"]) for each in found["faults"]] == [
        (5, "log"),
        (6, "always_fed"),
        (7, "log"),
    ]
    assert "line 6, column always_fed: found 'often'" in err
    assert found["not_judged"] == [
        {"line": 6, "station": "gallery"},
        {"line": 7, "station": "index"},
    ]


def test_many_as_text(museum, capsys):
    assert asked("--many", museum) == 65
    text, err = capsys.readouterr()
    assert max(map(len, text.splitlines())) <= 79
    assert "line 5, column log" in err
    assert "line 6" not in err  # it is among what was not judged
    said = " ".join(text.split())
    assert said.startswith(CAUTIONS[0])
    assert (
        "4 devices: 1 out of use at once, 1 look first, 1 change the battery, 1 nothing "
        "needed; 2 rows not judged; 3 faults in the list."
    ) in said
    # Before the devices: what to do, and what nobody has judged.
    places = [
        said.index(words)
        for words in (
            "What to do with each that is out of use: 1. Stop. Do not charge it",
            "licensed collector. Mark it",
            "Not judged: mend the row",
            "- gallery: line 6, column always_fed",
            "- index: line 7, column log",
            "cellar out of use at once",
            "foyer nothing needed",
        )
    ]
    assert places == sorted(places)


def test_nothing_out_of_use_asks_for_no_such_steps(tmp_path, capsys):
    file = tmp_path / "museum.csv"
    file.write_text(listed(f"foyer,{SEEN},no,no,"))
    assert asked("--many", file) == 0
    text = capsys.readouterr().out
    assert "What to do with each" not in text
    assert "Not judged" not in text


def test_many_as_a_table(museum, capsys):
    assert asked("--many", museum, "--csv") == 65
    out, err = capsys.readouterr()
    rows = list(csv.DictReader(io.StringIO(out)))
    assert [row["station"] for row in rows] == [
        *("cellar", "entrance", "hall", "foyer"),
        *("gallery", "index"),
    ]
    assert rows[0]["what_to_do"].startswith("Stop. Do not charge it")
    assert "First look" in rows[1]["what_to_do"]
    assert [(row["answer"], row["reason_code"]) for row in rows[4:]] == [
        ("", "not_judged"),
        ("", "not_judged"),
    ]
    assert "found 'often'" in rows[4]["reason"]
    assert rows[1]["look_first"] == "lid_gap"
    assert rows[0]["reason_code"] == "swelling"
    assert CAUTIONS[0] in err


def test_no_name_is_a_formula_in_a_table(tmp_path, capsys):
    file = tmp_path / "museum.csv"
    file.write_text(listed(f"=1+1,{SEEN},no,no,"))
    assert asked("--many", file, "--csv") == 0
    assert "'=1+1" in capsys.readouterr().out


def test_a_page_for_each_and_one_that_lists_them(museum, tmp_path, capsys):
    folder = tmp_path / "binder"
    assert asked("--many", museum, "--pages", folder, "--json") == 65
    pages = [each["page"] for each in document(capsys)["devices"]]
    assert sorted(each.name for each in folder.iterdir()) == sorted(
        ["index.html", *pages]
    )
    index = (folder / "index.html").read_text()
    places = [index.index(f'href="{page}"') for page in pages]
    assert places == sorted(places)
    assert "line 6, column always_fed" in index
    assert index.index('class="cautions"') < index.index("What to do with each")
    assert index.index("Do not charge it") < index.index("line 6, column") < places[0]
    assert "Not judged" in index


def test_a_page_keeps_its_name_when_an_answer_changes(tmp_path, capsys):
    file = tmp_path / "museum.csv"
    named = []
    for word in ("no", "yes"):
        seen = SEEN.replace("no", word, 1)
        file.write_text(listed(f"a/b,{SEEN},no,no,", f"a-b,{seen},no,no,"))
        asked("--many", file, "--pages", tmp_path / "binder", "--json")
        devices = document(capsys)["devices"]
        named.append({each["station"]: each["page"] for each in devices})
    assert named[0] == named[1] == {"a/b": "a-b.html", "a-b": "a-b-2.html"}


def test_pages_of_an_older_list_are_told(museum, tmp_path, capsys):
    folder = tmp_path / "binder"
    folder.mkdir()
    (folder / "attic.html").write_text("nothing needed")
    asked("--many", museum, "--pages", folder)
    assert "also holds 1 older page of no device in this list" in (
        capsys.readouterr().err
    )
    (folder / "attic.html").unlink()
    asked("--many", museum, "--pages", folder)
    assert "older page" not in capsys.readouterr().err


def test_pages_that_cannot_be_written_hide_no_danger(museum, tmp_path, capsys):
    (tmp_path / "file").write_text("")
    assert asked("--many", museum, "--pages", tmp_path / "file" / "binder") == 74
    assert "cellar    out of use at once" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("rows", "code"),
    [
        (f"foyer,{SEEN},no,no,", 0),
        (f"foyer,{SEEN.replace('no', 'unknown', 1)},no,no,", 1),
        (f"foyer,{SEEN.replace('no', 'yes', 1)},no,no,", 1),
        (f"foyer,{SEEN},often,no,", 65),
    ],
)
def test_the_exit_code_of_many(tmp_path, rows, code):
    file = tmp_path / "museum.csv"
    file.write_text(listed(rows))
    assert asked("--many", file) == code


def test_names_of_files_are_plain_and_apart():
    names = file_names(["index", "../x", "Hall", "hall", "ä/ö", "ü", "w" * 300])
    assert names[:3] == ["index-2.html", "x.html", "Hall.html"]
    assert len({name.lower() for name in names}) == len(names)
    assert all("/" not in name and len(name) < 80 for name in names)
