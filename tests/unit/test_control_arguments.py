"""Arguments of a question: what is taken, and what is refused with which error.

Source: Unicode, general categories; a zero-width non-joiner (Cf) belongs to Persian.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from tidegate.errors import Malformed, OrderRefused, Unsupported
from tidegate.service.asked import arguments as given


def service(**changes: Any) -> Any:
    """What these functions look at of a service."""
    known = {
        "stations": {"hall": "the hall", "tower": "the tower"},
        "settings": SimpleNamespace(
            unsupported={"cellar": Unsupported("no such kind", target="cellar")},
            files=("/etc/tidegate/tidegate.toml",),
        ),
        "turnover": SimpleNamespace(names={}),
        "is_ending": False,
    }
    return SimpleNamespace(**(known | changes))


def test_a_text_is_one_line_of_any_script() -> None:
    assert given.text(
        {"because": "  Übung \u0645\u06cc\u200c\u0634\u0648\u062f "}, "because"
    ) == ("Übung \u0645\u06cc\u200c\u0634\u0648\u062f")
    assert given.text({}, "because", default="") == ""


@pytest.mark.parametrize(
    "value", [None, 7, ["x"], "x" * 201, "a\nb", "a\rb", "\x1b[2J", "a\u2028b", "\0"]
)
def test_what_is_no_text_is_refused(value: object) -> None:
    with pytest.raises(Malformed):
        given.text({"because": value}, "because", default="")
    with pytest.raises(Malformed):
        given.text({}, "because")


@pytest.mark.parametrize("value", [None, True, 59, 61, 60.0, "60", 10**30])
def test_what_is_no_whole_number_within_bounds_is_refused(value: object) -> None:
    with pytest.raises(Malformed, match="from 60 to 60"):
        given.whole({"for_ms": value}, "for_ms", least=60, most=60)
    assert given.whole({"for_ms": 60}, "for_ms", least=60, most=60) == 60


@pytest.mark.parametrize("value", [None, "ON", ["on"], {"on": 1}, 1])
def test_what_is_no_choice_is_refused(value: object) -> None:
    with pytest.raises(Malformed, match="one of on, off"):
        given.choice({"supply": value}, "supply", ("on", "off"))


@pytest.mark.parametrize("value", [0, 1, "true", None, []])
def test_what_is_no_flag_is_refused(value: object) -> None:
    with pytest.raises(Malformed):
        given.flag({"quick": value}, "quick")
    assert given.flag({"quick": True}, "quick") is True
    assert given.flag({}, "quick") is False


def test_what_nobody_knows_is_refused_rather_than_left_out() -> None:
    given.only({"station": "hall", "config": "/x"}, "station")
    with pytest.raises(Malformed, match="'forms' is unknown"):
        given.only({"station": "hall", "forms": 3}, "station", "for_ms")


@pytest.mark.parametrize(
    ("name", "changes", "kind", "said"),
    [
        ("hal", {}, OrderRefused, "Did you mean hall?"),
        ("attic", {}, OrderRefused, "There are hall, tower"),
        ("cellar", {}, Unsupported, "no such kind"),
        ("hall", {"is_ending": True}, OrderRefused, "is stopping"),
        (
            "hall",
            {"turnover": SimpleNamespace(names={"hall": "a commissioning run"})},
            OrderRefused,
            "out for a commissioning run",
        ),
    ],
)
def test_a_station_that_cannot_be_asked_is_said(
    name: str, changes: dict[str, Any], kind: type[Exception], said: str
) -> None:
    with pytest.raises(kind) as caught:
        given.station_of(service(**changes), {"station": name})
    assert said in str(caught.value)


def test_who_means_other_settings_is_refused() -> None:
    asked = {"station": "hall", "config": "/srv/ana/tidegate.toml"}
    with pytest.raises(OrderRefused, match=r"--config /etc/tidegate/tidegate\.toml"):
        given.station_of(service(), asked)
    same = {"station": "hall", "config": "/etc/tidegate/tidegate.toml"}
    assert given.station_of(service(), same) == "the hall"
