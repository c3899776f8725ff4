"""`rise` and `relearn` in the operator's file: what is taken and what is refused.

Times are those of TOML 1.0 (Offset Date-Time, Local Date-Time, Local Time). Stations
and numbers are invented.
"""

from __future__ import annotations

from datetime import datetime, time, timedelta, timezone
from pathlib import Path

import pytest

from tidegate.core.policy import DAY_MS, HOUR_MS
from tidegate.errors import SettingsError
from tidegate.settings import load
from tidegate.settings.plain import without_secrets

CONFIG = Path(__file__).parents[2] / "config"
HALL = """
[station.hall]
gauge = { kind = "twin" }
relay = { kind = "twin" }
window = { low = 55, high = 65 }
"""
HOLD = """
[station.hall]
gauge = { kind = "sysfs" }
relay = { kind = "kernel" }
window = { hold = 60 }
"""


def loaded(folder: Path, text: str):
    file = folder / "tidegate.toml"
    file.write_text(text)
    return load(file)


def hall(folder: Path, text: str, station: str = HALL):
    return loaded(folder, station + text).stations["hall"]


def refused(folder: Path, text: str, station: str = HALL) -> str:
    with pytest.raises(SettingsError) as caught:
        hall(folder, text, station)
    said = str(caught.value).split("tidegate.toml", 1)[1]
    return said.replace(":6: ", "", 1).replace(":7: ", "", 1).removeprefix(": ")


def test_the_example_says_what_its_text_promises() -> None:
    station = load(CONFIG / "plans.toml").stations["entrance-guide"]

    local, offset, weekly = (rise.at for rise in station.rise)
    assert local == datetime(2026, 12, 24, 18)
    hour = timezone(timedelta(hours=1))
    assert offset == datetime(2027, 2, 1, 7, 30, tzinfo=hour)
    assert weekly == time(9)
    assert [rise.to_percent for rise in station.rise] == [90, 85, 80]
    assert [rise.for_ms // HOUR_MS for rise in station.rise] == [6, 4, 2]
    assert station.rise[2].days == ("sat",)
    assert station.relearn is not None


def test_an_empty_relearn_has_the_defaults_of_the_example(tmp_path: Path) -> None:
    found = hall(tmp_path, "relearn = {}")

    assert (
        found.relearn == load(CONFIG / "plans.toml").stations["entrance-guide"].relearn
    )
    assert found.relearn is not None
    assert found.relearn.every_ms == 90 * DAY_MS
    assert found.has_plans


def test_without_them_there_are_no_plans(tmp_path: Path) -> None:
    found = hall(tmp_path, "")

    assert (found.rise, found.relearn, found.has_plans) == ((), None, False)


RISE = "rise = [{{ at = {at}, to = {to}, for = {lasts}{more} }}]"


@pytest.mark.parametrize(
    ("at", "to", "lasts", "more"),
    [
        ("09:00:00", "65.5", '"1min"', ""),
        ("23:59:59.5", "95", '"7d"', ', days = ["mon", "sun"]'),
        ("2024-01-01T00:00:00", "80", '"2h"', ""),
        ("2199-12-31T23:59:59-12:00", "80", '"2h"', ', because = "x"'),
    ],
)
def test_taken(tmp_path: Path, at: str, to: str, lasts: str, more: str) -> None:
    found = hall(tmp_path, RISE.format(at=at, to=to, lasts=lasts, more=more))

    assert len(found.rise) == 1
    assert without_secrets(found)["rise"][0]["at"].startswith(at[:8])


NOT_A_TIME = (
    "allowed is a moment such as 2026-12-24T18:00:00, or a time of day such as "
    "09:00:00, both without quotes"
)


@pytest.mark.parametrize(
    ("at", "to", "lasts", "more", "said"),
    [
        ('"9:00"', "80", '"2h"', "", f'at: found "9:00", {NOT_A_TIME}'),
        ("2026-12-24", "80", '"2h"', "", f"at: found 2026-12-24, {NOT_A_TIME}"),
        (
            "2023-12-31T23:00:00", "80", '"2h"', "",
            "at: found 2023-12-31 23:00:00, allowed are the years 2024 to 2199",
        ),
        (
            "09:00:00", "65", '"2h"', "",
            "to: found to = 65 and a window up to 65, allowed is more than that, at "
            "most 95",
        ),
        ("09:00:00", "95.1", '"2h"', "", "to: found 95.1, allowed is 95 or less"),
        (
            "09:00:00", "80.1234", '"2h"', "",
            "to: found 80.1234, allowed are 3 decimals at most",
        ),
        ("09:00:00", "80", '"59s"', "", 'for: found "59s", allowed is "1min" to "7d"'),
        ("09:00:00", "80", '"8d"', "", 'for: found "8d", allowed is "1min" to "7d"'),
        (
            "2026-12-24T18:00:00", "80", '"2h"', ', days = ["sat"]',
            "days: found days with a date, allowed is a date alone, or days with a "
            "time of day",
        ),
        (
            "09:00:00", "80", '"2h"', ', days = ["Sat"]',
            'days.0: found "Sat", allowed is "mon", "tue", "wed", "thu", "fri", "sat" '
            'or "sun"; did you mean "sat"?',
        ),
        (
            "09:00:00", "80", '"2h"', ", becuase = 1",
            'becuase: unknown key, allowed is "at", "days", "to", "for" and "because"; '
            'did you mean "because"?',
        ),
    ],
)  # fmt: skip
def test_a_rise_refused(
    tmp_path: Path, at: str, to: str, lasts: str, more: str, said: str
) -> None:
    text = RISE.format(at=at, to=to, lasts=lasts, more=more)

    assert refused(tmp_path, text) == f"station.hall.rise.0.{said}"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("relearn = { low = 30 }", None),
        (
            "relearn = { low = 29.9 }",
            ".low: found floor = 25 and low = 29.9, allowed is a low at least 5 above "
            "the floor",
        ),
        ("relearn = { low = 40, high = 70 }", None),
        ('relearn = { low = 36, high = 85 }\ndwell = { off = "32min" }', None),
        (
            'relearn = { low = 36, high = 85 }\ndwell = { off = "40min" }',
            ".low: found low = 36, and an off that dwells for 40 min, in which 10 "
            "points may go; allowed is a low from 38 on, or a shorter dwell",
        ),
        (
            "relearn = { low = 40, high = 69.9 }",
            ": found low = 40 and high = 69.9, allowed is a high from low + 30 to 95",
        ),
        ('relearn = { every = "7d" }', None),
        (
            'relearn = { every = "6d" }',
            '.every: found "6d", allowed is "7d" to "3650d"',
        ),
        ("relearn = { high = 96 }", ".high: found 96, allowed is 95 or less"),
        (
            "relearn = { evry = 1 }",
            '.evry: unknown key, allowed is "every", "low" and "high"; did you mean '
            '"every"?',
        ),
    ],
)
def test_a_relearn_refused(tmp_path: Path, text: str, said: str | None) -> None:
    if said is None:
        assert hall(tmp_path, text).relearn is not None
    else:
        assert refused(tmp_path, text) == f"station.hall.relearn{said}"


def test_a_hold_may_rise_and_not_relearn(tmp_path: Path) -> None:
    """What only stops charging cannot lower a level (power_supply class, sysfs ABI:
    charge_behaviour inhibit-charge leaves external power in place).
    """
    rise = RISE.format(at="09:00:00", to=80, lasts='"2h"', more="")
    (warning,) = loaded(tmp_path, HOLD + rise).warnings
    assert "the level stays up" in warning

    assert refused(tmp_path, "relearn = {}", HOLD) == (
        'station.hall.relearn: found relearn with relay kind "kernel", which only '
        "stops charging and so cannot lower a level, allowed is a contact"
    )


@pytest.mark.parametrize("key", ["rise", "relearn"])
def test_what_only_measures_has_no_plans(tmp_path: Path, key: str) -> None:
    measures = '[station.hall]\ngauge = { kind = "twin" }\n'
    values = {
        "rise": RISE.format(at="09:00:00", to=80, lasts='"2h"', more=""),
        "relearn": "relearn = {}",
    }

    said = refused(tmp_path, values[key], measures)

    assert f"found {key} without a relay and a window" in said


def test_plans_of_the_defaults_reach_what_has_a_relay(tmp_path: Path) -> None:
    text = (
        "[defaults]\nrelearn = {}\n"
        + RISE.format(at="09:00:00", to=80, lasts='"2h"', more=', days = ["sat"]')
        + HALL
        + '[station.tower]\ngauge = { kind = "twin" }\n'
        + '[station.cellar]\ngauge = { kind = "twin" }\nrelay = '
        + '{ kind = "twin", channel = 2 }\nwindow = { low = 55, high = 65 }\nrise = []\n'
    )

    stations = loaded(tmp_path, text).stations

    assert len(stations["hall"].rise) == 1
    assert stations["hall"].relearn is not None
    assert not stations["tower"].has_plans
    assert stations["cellar"].rise == ()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            "relearn = {}\nrise = ["
            '{ at = 09:00:00, days = ["mon", "tue", "wed"], to = 80, for = "2h" }, '
            '{ at = 08:00:00, days = ["thu", "fri", "sat", "sun"], to = 80, for = "3h" }'
            "]",
            "will never begin",
        ),
        (
            'relearn = {}\nrise = [{ at = 09:00:00, days = ["sat"], to = 80, '
            'for = "6d" }]',
            "will never begin",
        ),
        (
            'relearn = {}\nrise = [{ at = 09:00:00, days = ["sat"], to = 80, '
            'for = "143h" }]',
            None,
        ),
        ("relearn = { low = 63, high = 95 }", "which is 65 %: it will never begin"),
        ("relearn = { low = 62.9, high = 95 }", None),
        (
            "relearn = { low = 63, high = 95 }\n"
            + RISE.format(at="09:00:00", to=80, lasts='"2h"', more=', days = ["sat"]'),
            None,
        ),
        ("relearn = { low = 50, high = 80 }", "spans 30 points"),
        ("relearn = { low = 50, high = 81 }", None),
        (
            "relearn = {}\n" + RISE.format(at="09:00:00", to=80, lasts='"2h"', more=""),
            "will never begin",
        ),
        (
            "relearn = {}\n"
            + RISE.format(at="09:00:00", to=80, lasts='"2h"', more=', days = ["sat"]'),
            None,
        ),
    ],
)
def test_worth_a_second_look(tmp_path: Path, text: str, said: str | None) -> None:
    warnings = loaded(tmp_path, HALL + text).warnings

    if said is None:
        assert warnings == ()
    else:
        (warning,) = warnings
        assert said in warning
