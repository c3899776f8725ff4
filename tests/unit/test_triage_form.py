"""The form of an inspection: read, written, and what is said of a wrong one.

Source: TOML 1.0 for the file; RFC 4180 for the list. The museum is invented.
"""

from __future__ import annotations

import tomllib
from datetime import date
from pathlib import Path

import pytest

from support.triages import NO, TODAY, UNKNOWN, YES, sound
from tidegate.triage.fleet import Device, Lost, read_fleet
from tidegate.triage.form import (
    FormAbsent,
    FormError,
    empty_form,
    filled_form,
    read_form,
)
from tidegate.triage.inspection import KEYS, SIGNS, Inspection
from tidegate.triage.questions import QUESTION, QUESTIONS, NotThis

EXAMPLES = Path(__file__).parents[2] / "config" / "inspection"


def read(tmp_path, text):
    file = tmp_path / "hall.toml"
    file.write_text(text)
    return read_form(file)


def test_every_key_has_its_question_safety_first():
    assert [each.key for each in QUESTIONS[: len(SIGNS)]] == list(SIGNS)
    assert {each.key for each in QUESTIONS} == set(KEYS)
    assert all(QUESTION[key].looks for key in SIGNS)


def test_the_empty_form_is_toml_with_nothing_known(tmp_path):
    text = empty_form()
    assert set(tomllib.loads(text)) == {
        each.key for each in QUESTIONS if each.kind == "told"
    }
    assert read(tmp_path, text) == Inspection()
    assert max(map(len, text.splitlines())) <= 88
    for key in KEYS:
        assert f"\n{key} =" in text or f"\n# {key} =" in text


def test_a_filled_form_reads_as_what_was_filled_in(tmp_path):
    told = sound(
        autonomy_wanted_h=2.5,
        age_years=3.0,
        design_ah=7.0,
        station='say "hall"',
        by="R. Moss\x7f\\\n",
        notes="ä \u202e",
        died_on_battery=YES,
    )
    assert read(tmp_path, filled_form(told)) == told


@pytest.mark.parametrize("file", sorted(EXAMPLES.glob("*.toml")), ids=lambda f: f.name)
def test_the_example_loads(file):
    found = read_form(file)
    assert found.station == file.stem
    assert found.unseen() == found.signs() == ()
    assert "invented" in file.read_text()


def test_the_example_asks_as_the_form_does():
    lines = (EXAMPLES / "entrance-guide.toml").read_text().splitlines()
    asked = [each for each in empty_form().splitlines() if each.startswith("# ")]
    asked = [each for each in asked if not each.endswith("=")]
    assert [each for each in asked if each not in lines] == []
    assert "The date must be that of your own look." in " ".join(lines)


def test_the_example_of_many_loads():
    rows = read_fleet(EXAMPLES / "museum.csv")
    assert [type(row) for row in rows] == [Device] * 4
    assert rows[0].inspection == read_form(EXAMPLES / "entrance-guide.toml")
    assert rows[3].inspection.signs() == ("lifted_screen",)


@pytest.mark.parametrize(
    ("value", "told"),
    [
        ("true", YES),
        ("false", NO),
        ('"yes"', YES),
        ('"No"', NO),
        ('"?"', UNKNOWN),
        ('"unknown"', UNKNOWN),
    ],
)
def test_yes_and_no_may_be_written_in_the_ways_of_people(tmp_path, value, told):
    assert read(tmp_path, f"lid_gap = {value}").lid_gap is told


@pytest.mark.parametrize(
    ("text", "signs"),
    [
        ("bulge = yes", ("bulge",)),
        ('  Smell="Y"\nleak = True', ("smell", "leak")),
        ('leak = "yes"\nleak = "no"', ("leak",)),
        ('rocks = " YES "\nage_years = "old"', ("rocks",)),
        ("leak = true\nsmel = 3", ("leak",)),
        ("rocks = 'yes'\nby = '\xe4'", ("rocks",)),
        ('"rocks" = "yes"\nage_years = "old"', ("rocks",)),
        ('[safety]\nleak = "yes"', ("leak",)),
        ('bulge = "no"\nsmell = nope', ()),
        ('# bulge = "yes"\nsmell = ', ()),
        ("bulge = yesterday", ()),
        ("died_on_battery = yes", ()),
    ],
)
def test_a_sign_is_not_lost_in_a_form_with_a_fault(tmp_path, text, signs):
    file = tmp_path / "hall.toml"
    file.write_bytes(text.encode("latin-1"))
    with pytest.raises(FormError) as caught:
        read_form(file)
    assert caught.value.seen.signs() == signs
    assert caught.value.seen == Inspection(**dict.fromkeys(signs, YES))


def test_what_is_left_out_is_not_known(tmp_path):
    found = read(tmp_path, 'smell = "no"\n')
    assert found.smell is NO
    assert set(found.unseen()) == {*SIGNS} - {"smell"}
    assert found.autonomy_wanted_h is None


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            '\nlid_gab = "no"',
            ':2: lid_gab: unknown key; did you mean "lid_gap"?',
        ),
        (
            'bulge = "some"',
            ':1: bulge: found "some", allowed is "yes", "no" or "unknown"',
        ),
        ("bulge = 1", ':1: bulge: found 1, allowed is "yes", "no" or "unknown"'),
        (
            "# years\nage_years = 51",
            ":2: age_years: found 51, allowed is a number from 0 to 50",
        ),
        ("age_years = nan", "found nan, allowed is a number"),
        ("age_years = true", "found true, allowed is a number"),
        ("autonomy_wanted_h = -1", "found -1, allowed is a number from 0 to 1000"),
        ('on = "soon"', 'found "soon", allowed is a date such as 2026-03-02'),
        ("on = 2026-03-02T06:00:00Z", "allowed is a date"),
        (f'notes = "{"w" * 201}"', "allowed is text of at most 200 characters"),
        ("[lid_gap]\nmm = 3", ":1: lid_gap: found a table, allowed is"),
        ("lid_gap = ", "this is not TOML: "),
        ("a = " + "[" * 2000, "nested too deep"),
    ],
)
def test_a_wrong_form_names_file_line_key_and_what_is_allowed(tmp_path, text, said):
    with pytest.raises(FormError) as caught:
        read(tmp_path, text)
    assert said in str(caught.value)
    assert "hall.toml" in str(caught.value)


def test_all_faults_are_told_at_once(tmp_path):
    with pytest.raises(FormError) as caught:
        read(tmp_path, 'smel = "no"\nleak = 3\nage_years = "old"\n')
    lines = str(caught.value).splitlines()
    assert [line.split(":")[1] for line in lines] == ["1", "2", "3"]


def test_files_that_are_no_forms(tmp_path):
    with pytest.raises(FormAbsent, match="--form"):
        read_form(tmp_path / "absent.toml")
    with pytest.raises(FormError, match="folder"):
        read_form(tmp_path)
    (tmp_path / "large.toml").write_bytes(b"#" * (1 << 18) + b"\n")
    with pytest.raises(FormError, match="too large"):
        read_form(tmp_path / "large.toml")
    (tmp_path / "latin.toml").write_bytes(b"# a\nby = '\xe4'\n")
    with pytest.raises(FormError, match=r"latin\.toml:2: the text is not UTF-8"):
        read_form(tmp_path / "latin.toml")


@pytest.mark.parametrize("text", ["", "maybe", "yes no"])
def test_what_is_typed_must_be_an_answer(text):
    with pytest.raises(NotThis, match='"yes", "no" or "unknown"'):
        QUESTION["smell"].read(text)


def test_what_is_typed_is_read_by_its_kind():
    assert QUESTION["smell"].read(" N ") is NO
    assert QUESTION["age_years"].read("3.5") == 3.5
    assert QUESTION["on"].read("2026-03-02") == TODAY == date(2026, 3, 2)
    with pytest.raises(NotThis, match="a number from 0 to 50"):
        QUESTION["age_years"].read("old")


# --- many -----------------------------------------------------------------------------


def fleet(tmp_path, text):
    file = tmp_path / "museum.csv"
    file.write_text(text)
    return read_fleet(file)


def test_a_bad_cell_loses_its_row_and_no_other(tmp_path):
    rows = fleet(
        tmp_path,
        "station,smell,age_years,log\n"
        "hall,no,3,hall.db\n"
        "foyer,none,old,\n"
        "\n"
        "cellar,no\n"
        ",no,1,\n"
        "hall,no,1,\n"
        "entrance,unknown,,\n",
    )
    assert [type(row) for row in rows] == [Device, Lost, Lost, Lost, Lost, Device]
    assert rows[0].log == tmp_path / "hall.db"
    assert [str(fault) for row in rows for fault in row.faults] == [
        'line 3, column smell: found \'none\', allowed is "yes", "no" or "unknown"',
        "line 3, column age_years: found 'old', allowed is a number from 0 to 50",
        "line 5: 2 cells, the first line names 4",
        "line 6, column station: a device needs a name",
        "line 7, column station: hall stands in line 2 too",
    ]


def test_a_sign_of_danger_is_never_lost_for_another_cell(tmp_path):
    (row,) = fleet(tmp_path, "station,rocks,age_years\nhall,yes,old\n")
    assert isinstance(row, Device)
    assert row.inspection.signs() == ("rocks",)
    assert [fault.column for fault in row.faults] == ["age_years"]


@pytest.mark.parametrize(
    ("text", "stations"),
    [
        ("station,rocks,notes\nhall,yes,so, what\n", ["hall"]),
        ("station,rocks,notes\nhall,yes\n", ["hall"]),
        ("station,rocks\n,yes\n", ["(line 2)"]),
        ("station,rocks\nhall,no\nhall,yes\n", ["hall", "hall"]),
        ("station,rocks\nhall,yes\nhall,no\n", ["hall"]),
        ('station,rocks,notes\nhall,yes,"a\nb"\n', ["hall"]),
        ("station,rocks,log\nhall,yes,a\0b\n", ["hall"]),
        ("station;rocks;notes\nhall;Yes;a,b\n", ["hall"]),
    ],
)
def test_no_shape_of_a_row_loses_a_sign(tmp_path, text, stations):
    rows = [row for row in fleet(tmp_path, text) if isinstance(row, Device)]
    assert [row.station for row in rows] == stations
    assert all(row.inspection.signs() == ("rocks",) for row in rows)


def test_a_sign_in_a_form_with_a_fault_is_not_lost_in_a_list(tmp_path):
    (tmp_path / "hall.toml").write_text("smell = yes\n")
    (row,) = fleet(tmp_path, "station,inspection,smell\nhall,hall.toml,no\n")
    assert isinstance(row, Device)
    assert row.inspection.signs() == ("smell",)
    assert [each.column for each in row.faults] == ["inspection"]


def test_a_form_of_another_station_is_no_comfort_for_this_one(tmp_path):
    (tmp_path / "foyer.toml").write_text('station = "foyer"\nsmell = "no"\n')
    (row,) = fleet(tmp_path, "station,inspection\nhall,foyer.toml\n")
    assert isinstance(row, Lost)
    assert [str(each) for each in row.faults] == [
        "line 2, column inspection: foyer.toml is of 'foyer'"
    ]


@pytest.mark.parametrize(
    ("signs", "on"), [("", date(2024, 5, 1)), (",no" * len(SIGNS), TODAY)]
)
def test_the_day_of_a_list_makes_no_old_form_younger(tmp_path, signs, on):
    """Only who looked for every sign anew has a day of their own."""
    old = sound(on=date(2024, 5, 1))
    (tmp_path / "hall.toml").write_text(filled_form(old))
    head = f",{','.join(SIGNS)}" if signs else ""
    (row,) = fleet(
        tmp_path,
        f"station,inspection,on{head}\nhall,hall.toml,{TODAY}{signs}\n",
    )
    assert row.inspection.on == on


@pytest.mark.parametrize("column", ["log", "inspection", "notes"])
def test_what_is_no_text_loses_its_row(tmp_path, column):
    (row,) = fleet(tmp_path, f"station,{column}\nhall,a\0b\n")
    assert isinstance(row, Lost)
    assert (row.faults[0].column, "no text" in row.faults[0].text) == (column, True)


@pytest.mark.parametrize(
    "text",
    [
        'station,rocks,notes\nhall,no,"12 inch\nfoyer,yes,\n',
        'station,rocks,notes\nhall,no,"12 inch\nfoyer,yes,"a\n',
    ],
)
def test_a_quote_left_open_swallows_no_device(tmp_path, text):
    with pytest.raises(FormError, match="quotes in pairs"):
        fleet(tmp_path, text)


def test_a_quote_left_open_until_another_ends_it_is_told(tmp_path):
    """The row of the foyer is in the notes of the hall: RFC 4180 allows it."""
    (row,) = fleet(tmp_path, 'station,rocks,notes\nhall,no,"12\nfoyer,yes,"\n')
    assert isinstance(row, Lost)
    assert "is a quote left open?" in str(row.faults[0])


def test_a_list_of_a_spreadsheet_with_its_mark_and_line_ends(tmp_path):
    file = tmp_path / "museum.csv"
    file.write_bytes("\ufeffstation;notes\r\nhall;ä, b\r\n".encode())
    (row,) = read_fleet(file)
    assert (row.station, row.inspection.notes) == ("hall", "ä, b")


def test_a_list_lies_over_its_forms_but_takes_no_sign_back(tmp_path):
    (tmp_path / "hall.toml").write_text('smell = "yes"\nleak = "no"\nage_years = 2\n')
    (row,) = fleet(
        tmp_path, "station,inspection,smell,age_years\nhall,hall.toml,no,3\n"
    )
    assert row.inspection.smell is YES
    assert row.inspection.leak is NO
    assert row.inspection.age_years == 3


def test_a_form_that_cannot_be_read_is_told_with_its_row(tmp_path):
    (tmp_path / "hall.toml").write_text("smell = 3\n")
    rows = fleet(tmp_path, "station,inspection\nhall,hall.toml\nfoyer,absent.toml\n")
    assert all(isinstance(row, Lost) for row in rows)
    said = [str(fault) for row in rows for fault in row.faults]
    assert "line 2, column inspection:" in said[0]
    assert "hall.toml:1: smell: found 3" in said[0]
    assert "there is no inspection" in said[1]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is empty"),
        ("smell\nno\n", ":1: there is no column station"),
        ("station,smel\nhall,no\n", 'column smel: unknown key; did you mean "smell"?'),
        ("station,lok\nhall,x\n", 'column lok: unknown key; did you mean "log"?'),
        ("station,smell,smell\nhall,no,no\n", "column smell: it stands there twice"),
    ],
)
def test_a_list_that_is_none_names_line_and_column(tmp_path, text, said):
    with pytest.raises(FormError) as caught:
        fleet(tmp_path, text)
    assert said in str(caught.value)


def test_a_list_that_is_not_there(tmp_path):
    with pytest.raises(FormAbsent):
        read_fleet(tmp_path / "absent.csv")
    with pytest.raises(FormError, match="folder"):
        read_fleet(tmp_path)
