"""``tidegate wear``: the document, the table, and what it says to a wrong question."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tidegate.cli.main import run

WINDOW = ("--cycle", "55-65", "--period", "3h")


def asked(capsys: pytest.CaptureFixture[str], *arguments: str) -> list[dict[str, Any]]:
    assert run(["wear", *arguments, "--json"]) == 0
    document: list[dict[str, Any]] = json.loads(capsys.readouterr().out)
    return document


def printed(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert run(["wear", *arguments]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    return out


def test_a_hold_as_a_document(capsys: pytest.CaptureFixture[str]) -> None:
    found = {each["name"]: each for each in asked(capsys, "--hold", "100")}
    # Rates of blast-lite 1.1.1 (nmc111_gr_Sanyo2Ah_2014, nca_gr_Panasonic3Ah_2018,
    # nmc111_gr_Kokam75Ah_2017) in closed form; the formula of Xu et al., DOI
    # 10.1109/TSG.2016.2578950; simses 1.3.12 lfp_sony.
    want = {
        "schmalstieg2014": (95.5987, 89.9672, 85.2833),
        "nca_keil_preger": (93.1086, 87.9053, 84.2898),
        "kokam_nmc": (94.9004, 92.4514, 90.9413),
        "xu2016": (92.6061, 88.2428, 84.4491),
        "naumann_lfp": (93.227, 88.269, 84.855),
    }
    assert list(found) == list(want)
    for name, left in want.items():
        remaining = found[name]["remaining_percent"]
        assert list(remaining) == ["1", "3", "5"]
        assert list(remaining.values()) == pytest.approx(left, abs=1e-3)
        assert found[name]["float_remaining_percent"] == remaining
        assert found[name]["efc_per_year"] == 0
    assert found["kokam_nmc"]["outside"] == ["5 years (tested up to 3 years)"]


def test_cycling_as_a_document(capsys: pytest.CaptureFixture[str]) -> None:
    (found,) = asked(
        capsys,
        *WINDOW,
        "--temperature",
        "25",
        "--years",
        "5",
        "--model",
        "schmalstieg2014",
    )
    # Rates of blast-lite 1.1.1 over one sweep from 55 to 65 %, in closed form.
    assert found["remaining_percent"] == {"5": pytest.approx(80.960, abs=5e-3)}
    assert found["hold_remaining_percent"] == {"5": pytest.approx(90.9077, abs=1e-3)}
    assert found["efc_per_year"] == pytest.approx(292)
    assert found["outside"] == [
        "stored at 25 °C (tested 35 to 50 °C)",
        "cycled at 25 °C (tested 35 °C)",
        "cycled at 0.067 C (tested 1 C)",
        "5 years (tested up to 3 years)",
    ]


def test_years_are_named_as_they_are(capsys: pytest.CaptureFixture[str]) -> None:
    found = asked(capsys, "--hold", "60", "--years", "2, 0.5,1.0,1")
    assert list(found[0]["remaining_percent"]) == ["2", "0.5", "1"]


def test_several_models_in_their_order(capsys: pytest.CaptureFixture[str]) -> None:
    found = asked(capsys, "--hold", "60", "--model", "xu2016", "--model", "kokam_nmc")
    assert [each["name"] for each in found] == ["kokam_nmc", "xu2016"]


@pytest.mark.parametrize("chemistry", ["unknown", "lfp"])
def test_lfp_counts_where_declared(
    capsys: pytest.CaptureFixture[str], chemistry: str
) -> None:
    found = asked(capsys, "--hold", "60", "--chemistry", chemistry)
    assert [each["counts"] for each in found] == [True] * 4 + [chemistry == "lfp"]


@pytest.mark.parametrize(
    "arguments",
    [
        (*WINDOW, "--years", "1,2,3,4,5.25,10"),
        ("--hold", "100"),
        ("--hold", "60", "--temperature", "47.5"),
        (*WINDOW, "--chemistry", "lfp", "--temperature", "-10"),
    ],
)
def test_the_text_fits_a_terminal(
    capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...]
) -> None:
    out = printed(capsys, *arguments)
    assert max(len(line) for line in out.splitlines()) <= 80
    assert "not a measured state of health" in " ".join(out.split())
    assert "10.1109/TSG.2016.2578950" in out


def test_a_narrow_terminal_gets_one_year_under_another(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    out = printed(capsys, *WINDOW)
    table, _, rest = out.partition("Sources:")
    assert max(len(line) for line in table.splitlines()) <= 40
    assert table.count("better than float") == 3
    assert "10.1109/TSG.2016.2578950" in rest


def test_the_table_of_a_window(capsys: pytest.CaptureFixture[str]) -> None:
    table = printed(capsys, *WINDOW, "--years", "1").partition("What it means")[0]
    rows = {line.split()[0]: line.split()[1:] for line in table.splitlines() if line}
    # To 0.1 %: blast-lite 1.1.1 in closed form, as above, for the window, float, hold.
    assert rows["schmalstieg2014"] == ["92.8", "95.6", "97.3"]
    assert rows["model"] == ["this", "float", "hold"]
    assert rows["better"] == ["than", "float", "2", "of", "4"]
    assert rows["naumann_lfp"][0] == "*"


def test_float_itself_is_not_set_against_float(
    capsys: pytest.CaptureFixture[str],
) -> None:
    out = printed(capsys, "--hold", "100", "--years", "1")
    assert "better than float" not in out
    assert "This costs as much as float by every model" in out


def test_cycling_that_is_worse_is_said_to_be(
    capsys: pytest.CaptureFixture[str],
) -> None:
    out = " ".join(printed(capsys, *WINDOW).split())
    assert "- 2 of 4 models say that this costs less than float; for " in out
    assert "To change: hold the level instead of cycling" in out


def test_a_verdict_that_changes_with_time_is_said_to(
    capsys: pytest.CaptureFixture[str],
) -> None:
    lfp = ("--cycle", "40-80", "--period", "3h", "--chemistry", "lfp")
    out = " ".join(printed(capsys, *lfp).split())
    assert "What it means, over 5 years: - 0 of 5 models say" in out
    assert "2 of 5 after 1 year, 1 of 5 after 3 years, 0 of 5 after 5 years." in out
    assert "changes with time" not in printed(capsys, "--hold", "60")


@pytest.mark.parametrize(
    ("cycle", "period", "said"),
    [
        ("40-80", "3h", "1,168 equivalent full cycles a year"),
        ("0-100", "1min", "525,600 equivalent full cycles a year"),
        ("55-65", "24h", "36.5 equivalent full cycles a year"),
        ("99.99-100", "365d", "less than 0.01 equivalent full cycles a year"),
    ],
)
def test_the_pace_is_a_number_one_can_read(
    capsys: pytest.CaptureFixture[str], cycle: str, period: str, said: str
) -> None:
    out = printed(capsys, "--cycle", cycle, "--period", period, "--years", "1")
    assert said in " ".join(out.split())


@pytest.mark.parametrize("cycle", ["55\N{EN DASH}65", "55%-65%", " 55 - 65 %"])
def test_levels_as_people_write_them(
    capsys: pytest.CaptureFixture[str], cycle: str
) -> None:
    got = asked(capsys, "--cycle", cycle, "--period", "3h")
    assert got == asked(capsys, *WINDOW)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "Say one of --hold LEVEL and --cycle LOW-HIGH"),
        (("--hold", "50", *WINDOW), "Say one of --hold LEVEL and --cycle LOW-HIGH"),
        (("--hold", "101"), "not in the range 0<=x<=100"),
        (("--hold", "nan"), "nan is no number"),
        (("--hold", "50", "--temperature", "61"), "not in the range -20<=x<=60"),
        (("--hold", "50", "--period", "3h"), "--period belongs to --cycle"),
        (("--cycle", "65-55", "--period", "3h"), "the lower level comes first"),
        (("--cycle", "55-55", "--period", "3h"), "the lower level comes first"),
        (("--cycle", "55-101", "--period", "3h"), "100 is the highest"),
        (("--cycle", "55", "--period", "3h"), "write two levels in percent"),
        (("--cycle", "55-65"), "--cycle needs --period"),
        (("--cycle", "55-65", "--period", "3"), "one of the units s, min, h and d"),
        (("--cycle", "55-65", "--period", "59s"), "allowed is 1min to 365d"),
        (("--cycle", "55-65", "--period", "366d"), "allowed is 1min to 365d"),
        (("--hold", "50", "--years", "1,x"), "write numbers above 0 and up to 30"),
        (("--hold", "50", "--years", "0"), "write numbers above 0 and up to 30"),
        (("--hold", "50", "--years", "31"), "write numbers above 0 and up to 30"),
        (("--hold", "50", "--years", "nan"), "write numbers above 0 and up to 30"),
        (("--hold", "50", "--model", "xu"), "did you mean xu2016?"),
        (("--hold", "50", "--model", "-"), "it is schmalstieg2014, nca_keil_preger"),
        (("--hold", "50", "--chemistry", "lead"), "'lead' is not one of"),
    ],
)
def test_a_wrong_question_is_answered_plainly(
    capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], said: str
) -> None:
    assert run(["wear", *arguments]) == 64
    out, err = capsys.readouterr()
    assert out == ""
    assert said in err
    assert len(err.splitlines()) == 1


def test_help_teaches(capsys: pytest.CaptureFixture[str]) -> None:
    out = printed(capsys, "--help")
    assert "tidegate wear --cycle 55-65 --period 3h" in out
    assert "no measurement" in " ".join(out.split())
