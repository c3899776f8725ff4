"""The plain form of the core's values: exact, typed, the same text everywhere."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

import pytest

from tidegate.core.events import OverridePlaced, SettingsChanged, Started
from tidegate.core.policy import Marks, Policy
from tidegate.core.reading import Supply
from tidegate.core.state import State, evidence, fresh
from tidegate.cyclelog.plain import canonical, digest, from_plain, to_plain
from tidegate.cyclelog.record import event_of, event_row, evidence_digest
from tidegate.errors import LogError


class Colour(StrEnum):
    RED = "red"
    BLUE = "blue"


@dataclass(frozen=True, slots=True)
class Point:
    x: float
    name: str | None = None


@dataclass(frozen=True, slots=True)
class Line:
    points: tuple[Point, ...]


@dataclass(frozen=True, slots=True)
class Drawing:
    shape: Point | Line | None
    colours: frozenset[Colour]
    pair: tuple[int, float]
    is_done: bool = False
    seen: bool | None = None


def test_the_plain_form_is_as_described() -> None:
    drawing = Drawing(
        shape=Line((Point(1.5), Point(-2, "b"))),
        colours=frozenset({Colour.RED, Colour.BLUE}),
        pair=(3, 4),
    )
    data = to_plain(drawing)
    assert canonical(data) == (
        '{"colours":["blue","red"],"is_done":false,"pair":[3,4000],'
        '"shape":{"is":"Line","points":[{"x":1500},{"name":"b","x":-2000}]}}'
    )
    assert from_plain(Drawing, data) == drawing


def test_text_is_kept_as_it_is() -> None:
    assert canonical({"a": 'é "\n'}) == '{"a":"é \\"\\n"}'


def test_a_digest_is_the_sha_256_of_the_text() -> None:
    # printf '{}' | sha256sum
    assert digest({}) == (
        "44136fa355b3678a1146ad16f7e8649e94fb4fc21fe77e8310c060f61caaff8a"
    )


def test_equal_values_have_equal_digests_whatever_their_number_type() -> None:
    assert digest(to_plain((25, 1.5))) == digest(to_plain((25.0, 1.5)))
    assert to_plain(Point(25)) == to_plain(Point(25.0))


@pytest.mark.parametrize("value", [0.1 + 0.2, 99.999, 1e6 + 0.001, -0.001])
def test_three_decimals_come_back_exactly(value: float) -> None:
    value = round(value, 3)
    assert from_plain(Point, to_plain(Point(value))) == Point(value)


def test_more_decimals_are_our_own_mistake() -> None:
    with pytest.raises(AssertionError, match="three decimals"):
        to_plain(Point(0.12345))


@pytest.mark.parametrize(
    "data",
    [
        None,
        [],
        {},
        {"x": 1.5},
        {"x": True},
        {"x": "1"},
        {"x": 1, "name": 5},
        {"x": 1, "unknown": 2},
    ],
)
def test_what_does_not_fit_is_a_log_error(data: object) -> None:
    with pytest.raises(LogError, match="no readable Point"):
        from_plain(Point, data)


@pytest.mark.parametrize("shape", [{"x": 1}, {"is": "Circle"}, 3, [1]])
def test_a_union_that_does_not_fit_is_a_log_error(shape: object) -> None:
    data = {"shape": shape, "colours": [], "pair": [1, 2]}
    with pytest.raises(LogError):
        from_plain(Drawing, data)


def test_a_field_that_came_later_has_its_default() -> None:
    assert from_plain(Drawing, {"shape": None, "colours": [], "pair": [1, 2]}) == (
        Drawing(shape=None, colours=frozenset(), pair=(1, 0.002))
    )


def test_a_state_comes_back_whole() -> None:
    state = fresh(Policy(marks=Marks(low_percent=55.0, high_percent=64.5)))
    assert from_plain(State, to_plain(state)) == state
    assert evidence_digest(state) == digest(to_plain(evidence(state)))
    other = replace(state, log_lost=True)
    assert evidence_digest(other) != evidence_digest(state)
    quiet = replace(state, quiet=replace(state.quiet, now_ms=5))
    assert evidence_digest(quiet) == evidence_digest(state)


@pytest.mark.parametrize(
    "event",
    [
        Started(same_boot=True, was_closed=False, relay=Supply.OFF),
        OverridePlaced(supply=Supply.ON, until_ms=5, because="inventory", by="A"),
        SettingsChanged(policy=Policy(floor_percent=30.5), relay_changed=True),
    ],
)
def test_an_event_comes_back_from_its_row(event: Started) -> None:
    row = event_row(event, station="lobby", boot_ms=1, wall_ms=2)
    assert event_of(row) == event


def test_an_event_that_nobody_knows_is_a_log_error() -> None:
    row = event_row(Started(), station="lobby", boot_ms=1, wall_ms=2)
    with pytest.raises(LogError, match="unknown kind"):
        event_of(replace(row, kind="vanished"))
    with pytest.raises(LogError, match="JSON"):
        event_of(replace(row, args="{"))
