"""What a board's answer may turn out to be, and what that means for a person."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeVar

from tidegate.errors import Refused, Unavailable

T = TypeVar("T")


class Silent(Exception):
    """No byte came within the limit."""


class OtherState(Exception):
    """The board reports another state than the one it was told."""


def tried_twice(attempt: Callable[[], T], *, spoiled: type[Exception]) -> T:
    """Return what an attempt yields; a spoiled answer earns one repeat.

    For requests that may be repeated: none of them may toggle.
    """
    try:
        return attempt()
    except (spoiled, OtherState):
        return attempt()


@contextmanager
def told_plainly(target: str, *, limit_s: float) -> Iterator[None]:
    """Translate the two above. Errors: Unavailable, Refused."""
    try:
        yield
    except Silent as silent:
        raise Unavailable(
            f"the board did not answer within {limit_s:g} s",
            target=target,
            remedy="Check the board and its cable; unplug it and plug it in again.",
        ) from silent
    except OtherState as other:
        raise Refused(
            f"the board {other}",
            target=target,
            remedy="It does not hold what it is told: check its channels and its "
            "power, or change the board.",
        ) from other
