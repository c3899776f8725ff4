"""Frozen values of the core to JSON and back, driven by their type hints.

The values are trees of frozen dataclasses, enums, whole numbers, floats with at most
three decimals, text, bools, ``None``, tuples and frozensets. In JSON a float is a
whole number of thousandths, an enum its value, a tuple or frozenset a list (the
latter sorted), a dataclass an object of its fields. Where a hint allows more than
one dataclass the object also says which, under the key ``is``, which no field can
have. A field that is ``None`` by default and by value is left out. No float ever
reaches JSON, so equal values give equal text everywhere.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Hashable
from dataclasses import fields, is_dataclass
from enum import Enum
from functools import cache
from types import NoneType, UnionType
from typing import Any, TypeVar, Union, cast, get_args, get_origin, get_type_hints

from tidegate.cyclelog.sha import sha256
from tidegate.errors import LogError

T = TypeVar("T")
Json = None | bool | int | str | list[Any] | dict[str, Any]

_TAG = "is"
_THOUSANDTHS = 1000


def to_plain(value: object) -> Json:
    """Return the value as JSON data; ``value`` may be any tree named above.

    A number whose hint is ``object`` counts as a float, so that ``25`` and ``25.0``
    agree in a tuple that nobody typed.
    """
    return _out(value, type(value) if is_dataclass(value) else object)


def from_plain(wanted: type[T], data: object) -> T:
    """Return the value that ``to_plain`` made ``data`` from.

    Errors: LogError when the data do not fit the type.
    """
    try:
        return cast(T, _in(wanted, data))
    except (KeyError, ValueError, TypeError, OverflowError, RecursionError) as error:
        raise LogError(
            f"the cycle log holds no readable {wanted.__name__} here ({error})",
            remedy="It was written by another version, or altered.",
        ) from error


def canonical(data: object) -> str:
    """Return JSON data as the one text that stands for them."""
    return json.dumps(
        data, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    )


def digest(data: object) -> str:
    """Return the SHA-256 of the canonical text, in lower-case hex."""
    return sha256(canonical(data).encode("utf-8", "backslashreplace")).hexdigest()


@cache
def _hints(kind: type) -> dict[str, Any]:
    return get_type_hints(kind)


@cache
def _members(hint: Hashable) -> tuple[Any, ...]:
    """Return what a hint allows besides ``None``."""
    if get_origin(hint) in (Union, UnionType):
        return tuple(member for member in get_args(hint) if member is not NoneType)
    return (hint,)


def _out(value: Any, hint: Any) -> Json:
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, Enum):
        return cast(Json, value.value)
    if isinstance(value, (int, float)):
        return _number(value, hint)
    if isinstance(value, str):
        return value
    if isinstance(value, (tuple, frozenset)):
        return _items(value, hint)
    if is_dataclass(value):
        return _object(value, tagged=len(_members(hint)) > 1 or hint is object)
    raise TypeError(f"{type(value).__name__} has no plain form")


def _number(value: float, hint: Hashable) -> int:
    members = _members(hint)
    if isinstance(value, int) and float not in members and object not in members:
        return value
    scaled = value * _THOUSANDTHS
    whole = round(scaled)
    assert math.isclose(scaled, whole, rel_tol=1e-12, abs_tol=1e-6), (
        f"{value!r} has more than three decimals"
    )
    return whole


def _items(value: tuple[Any, ...] | frozenset[Any], hint: Any) -> list[Json]:
    hints = _item_hints(_members(hint)[0], len(value))
    if isinstance(value, frozenset):
        inner = hints(0)
        return sorted((_out(item, inner) for item in value), key=canonical)
    return [_out(item, hints(index)) for index, item in enumerate(value)]


def _item_hints(hint: Any, length: int) -> Callable[[int], Any]:
    arguments = get_args(hint)
    if not arguments:
        return lambda _: object
    if arguments[1:] == (Ellipsis,) or len(arguments) != length:
        return lambda _: arguments[0]
    return lambda index: arguments[index]


def _object(value: Any, *, tagged: bool) -> dict[str, Json]:
    kind: type = type(value)
    hints = _hints(kind)
    out = {
        field.name: _out(getattr(value, field.name), hints[field.name])
        for field in fields(value)
        if field.default is not None or getattr(value, field.name) is not None
    }
    return {_TAG: kind.__name__, **out} if tagged else out


def _in(hint: Any, data: Any) -> Any:
    members = _members(hint)
    if data is None and (members != (hint,) or hint is NoneType):
        return None
    if len(members) == 1:
        return _one(members[0], data)
    if all(is_dataclass(member) for member in members):
        named = {member.__name__: member for member in members}
        return _fields(named[data[_TAG]], data)
    if set(members) == {int, float}:
        return _one(float, data)
    raise TypeError(f"a union of {members} has no plain form")


def _one(hint: Any, data: Any) -> Any:
    if is_dataclass(hint):
        return _fields(hint, data)
    origin = get_origin(hint) or hint
    if origin is frozenset:
        return frozenset(_in(get_args(hint)[0], item) for item in _typed(list, data))
    if origin is tuple:
        items = _typed(list, data)
        arguments = get_args(hint)
        if arguments[1:] == (Ellipsis,):
            return tuple(_in(arguments[0], item) for item in items)
        return tuple(
            _in(inner, item) for inner, item in zip(arguments, items, strict=True)
        )
    if isinstance(hint, type) and issubclass(hint, Enum):
        return hint(data)
    if hint is float:
        return _typed(int, data) / _THOUSANDTHS
    return _typed(hint, data)


def _fields(kind: Any, data: Any) -> Any:
    hints = _hints(kind)
    given = {name: item for name, item in _typed(dict, data).items() if name != _TAG}
    return kind(**{name: _in(hints[name], item) for name, item in given.items()})


def _typed(kind: type[T], data: object) -> T:
    # bool is an int to Python, yet true is no number in a log.
    if not isinstance(data, kind) or (isinstance(data, bool) and kind is not bool):
        raise TypeError(f"{data!r} is no {kind.__name__}")
    return data
