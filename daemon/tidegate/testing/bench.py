"""What an author gives the clauses to work with: a backend and its peer."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from typing import Final

from tidegate.contract import Contact, Gauge, Relay
from tidegate.core.reading import Supply
from tidegate.errors import BackendError
from tidegate.testing.clauses import Fault, Stall

CONTACTS: Final[tuple[Contact, ...]] = (
    "normally-closed",
    "normally-open",
    "latching",
)
Reasons = Mapping[type[BackendError], str]


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeBench:
    """A gauge's peer, healthy at first, as the clauses need it.

    ``make`` returns a new gauge, not yet open. ``lacks`` names what ``facts.gives``
    promises and this one peer does not have. ``faults`` must reach each error that
    the gauge declares; ``cannot_happen_here`` gives the reason for one that this peer
    can never bring about. ``stall`` holds a read, ``open_stall`` an opening; without
    them a call is cut short where it first waits. ``limit_s`` bounds one clause.
    """

    make: Callable[[], Gauge]
    lacks: frozenset[str] = frozenset()
    faults: tuple[Fault, ...] = ()
    cannot_happen_here: Reasons = field(default_factory=dict)
    stall: Stall | None = None
    open_stall: Stall | None = None
    limit_s: float = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RelayBench:
    """A relay's peer, as the clauses need it.

    ``make`` returns a new relay, not yet open, for a contact wired like that.
    ``supply_becomes`` watches the contact itself, not the relay: it returns whether
    the supply, wired like that, is now or very soon as said. ``faults`` must reach
    each error that the relay declares; ``cannot_happen_here`` gives the reason for
    one that this peer can never bring about. ``stall`` holds a set, ``get_stall`` a
    get, ``open_stall`` an opening; without them a call is cut short where it first
    waits. ``limit_s`` bounds one clause.
    """

    make: Callable[[Contact], Relay]
    supply_becomes: Callable[[Contact, Supply], Awaitable[bool]]
    faults: tuple[Fault, ...] = ()
    cannot_happen_here: Reasons = field(default_factory=dict)
    stall: Stall | None = None
    get_stall: Stall | None = None
    open_stall: Stall | None = None
    contacts: tuple[Contact, ...] = CONTACTS
    limit_s: float = 20.0
