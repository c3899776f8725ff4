"""Any value of the core comes back from its plain form exactly."""

from __future__ import annotations

import json
from dataclasses import dataclass, fields, is_dataclass
from enum import Enum
from types import NoneType, UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tidegate.core.events import Event, GaugeFailed, ReadingArrived
from tidegate.core.policy import Policy
from tidegate.core.reading import Reading
from tidegate.core.state import State, evidence
from tidegate.cyclelog.plain import canonical, digest, from_plain, to_plain
from tidegate.cyclelog.record import event_of, event_row, evidence_digest

# Texts that UTF-8 can hold; the writer sees to the others.
TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
WHOLE = st.integers(-(2**53), 2**53)
THOUSANDTHS = st.integers(-(10**9), 10**9).map(lambda number: number / 1000)
LEAVES: dict[Any, st.SearchStrategy[Any]] = {
    int: WHOLE,
    float: THOUSANDTHS,
    str: TEXT,
    bool: st.booleans(),
    NoneType: st.none(),
}


def of(hint: Any) -> st.SearchStrategy[Any]:
    """Return a strategy for any hint of the core, written apart from the codec."""
    if hint in LEAVES:
        return LEAVES[hint]
    origin, arguments = get_origin(hint), get_args(hint)
    if origin in (Union, UnionType):
        return st.one_of([of(each) for each in arguments])
    if origin is frozenset:
        return st.frozensets(of(arguments[0]), max_size=4)
    if origin is tuple and arguments[-1] is Ellipsis:
        return st.lists(of(arguments[0]), max_size=3).map(tuple)
    if origin is tuple:
        return st.tuples(*[of(each) for each in arguments])
    if isinstance(hint, type) and issubclass(hint, Enum):
        return st.sampled_from(hint)
    assert is_dataclass(hint)
    hints = get_type_hints(hint)
    return st.builds(
        hint, **{field.name: of(hints[field.name]) for field in fields(hint)}
    )


@dataclass(frozen=True, slots=True)
class Leaf:
    amount: float
    name: str | None = None


@dataclass(frozen=True, slots=True)
class Twig:
    leaves: tuple[Leaf, ...]
    pair: tuple[int, bool, float | None]


@dataclass(frozen=True, slots=True)
class Branch:
    grows: Leaf | Twig | None
    others: tuple[Leaf | Twig, ...]
    marks: frozenset[str]
    numbers: frozenset[int] = frozenset()


@settings(max_examples=30, deadline=None)
@pytest.mark.parametrize("kind", [Branch, Policy, Reading, State, *get_args(Event)])
@given(data=st.data())
def test_a_value_comes_back(kind: type, data: st.DataObject) -> None:
    value = data.draw(of(kind))
    text = canonical(to_plain(value))
    assert from_plain(kind, json.loads(text)) == value


@settings(max_examples=30, deadline=None)
@given(value=of(Branch), other=of(Branch))
def test_texts_are_equal_exactly_when_values_are(value: Branch, other: Branch) -> None:
    same = canonical(to_plain(value)) == canonical(to_plain(other))
    assert same is (value == other)
    assert (digest(to_plain(value)) == digest(to_plain(other))) is same


@settings(max_examples=30, deadline=None)
@given(state=of(State))
def test_a_state_from_the_log_has_the_same_evidence(state: State) -> None:
    back = from_plain(State, json.loads(canonical(to_plain(state))))
    assert evidence(back) == evidence(state)
    assert evidence_digest(back) == evidence_digest(state)


@settings(max_examples=60, deadline=None)
@given(event=of(Event))
def test_an_event_comes_back_from_its_row(event: Event) -> None:
    if (
        isinstance(event, ReadingArrived | GaugeFailed)
        or "Switching" in type(event).__name__
    ):
        with pytest.raises(AssertionError):
            event_row(event, station="lobby", boot_ms=1, wall_ms=2)
    else:
        row = event_row(event, station="lobby", boot_ms=1, wall_ms=2)
        assert event_of(row) == event
