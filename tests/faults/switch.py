"""What a fault is, and how to switch off the product's handling of just that one.

A switch puts something else in the place of the product's handling while it is off;
the product itself has no such switch. ``notices`` is how the check then fails: a
pattern of the sentence that it says, so that it fails for the right reason.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import Any, Final
from unittest import mock

# Names the switch that is off, for what a check runs in a process of its own.
VARIABLE: Final = "TIDEGATE_TESTS_SWITCHED_OFF"


@dataclass(frozen=True, slots=True)
class Switch:
    """``places`` are dotted names in the product, each with what stands there instead.

    An instead that is given as a function of no arguments named ``make_...`` is called
    when the switch goes off, for what depends on the handling that it replaces.
    """

    off: str
    places: tuple[tuple[str, Any], ...]
    notices: str
    error: type[BaseException] = AssertionError

    @contextmanager
    def switched_off(self, fault: int) -> Iterator[None]:
        """Run the product without this handling."""
        with ExitStack() as stack:
            for place, instead in self.places:
                made = _made(instead)
                stack.enter_context(mock.patch(place, made))
            name = f"{fault}:{self.off}"
            stack.enter_context(mock.patch.dict(os.environ, {VARIABLE: name}))
            yield


def _made(instead: Any) -> Any:
    name = getattr(instead, "__name__", "")
    return instead() if name.startswith("make_") else instead


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault of the list; ``must`` is what has to happen, in a sentence."""

    number: int
    name: str
    must: str
    switches: tuple[Switch, ...]


def switch(
    off: str, notices: str, *places: tuple[str, Any | Callable[[], Any]]
) -> Switch:
    return Switch(off=off, places=places, notices=notices)
