"""What a station is made of, and what is known of it from the runs before."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from tidegate.contract import Gauge, Relay, Target
from tidegate.core.policy import Policy
from tidegate.core.state import State


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What a station is made of. ``policy`` asks the open backends for their facts.

    ``given`` is what the operator set, without secrets, as canonical JSON; a change
    of its relay part forgets what was learned about the old relay. ``turn`` is how many
    stations of the process start before it.
    """

    name: str
    gauge: Callable[[Any], Gauge]
    relay: Callable[[Any], Relay] | None
    policy: Callable[[Gauge, Relay | None], Policy]
    target: Target | None = None
    given: str = "{}"
    turn: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Past:
    """What the cycle log knows of the station from the runs before."""

    state: State | None = None
    same_boot: bool = False
    was_closed: bool = True
    relay_changed: bool = False
