"""A link to Modbus units: who uses it, and what a reply that says no means.

A link is a bus or a connection with any number of units behind it, shared by all
relays on them. It is used by one thread only, so one request is on its way at a time;
each has its own limit, and a unit that is dead costs the others no more than that.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from tidegate.errors import BackendError, Malformed, Refused, Unavailable, Unsupported
from tidegate_backends.wire.modbus import ExceptionReply, Request

# Acknowledge, busy, and a gateway that does not reach the unit: none is a no.
_LATER: Final = frozenset({0x05, 0x06, 0x0A, 0x0B})


@dataclass(frozen=True, slots=True)
class User:
    """One relay on the link.

    ``call_s``: the longest that a call of it takes. ``registers``: what it wants to
    stand in which register of which unit.
    """

    call_s: float
    registers: Mapping[tuple[int, int], int] = field(default_factory=dict)


class Link(ABC):
    """An open link. Errors of ``ask``: Unavailable, Refused, Malformed.

    ``form`` is what all its users have to agree on.
    """

    def __init__(self, form: str = "") -> None:
        self.form = form
        self._users: dict[object, User] = {}

    @abstractmethod
    def open(self, limit_s: float) -> None:
        """Open, unless open; in the link's thread."""

    @abstractmethod
    def ask(self, unit: int, request: Request, *, limit_s: float, target: str) -> int:
        """Return what a unit replies; in the link's thread, tried once.

        Raises NotYet, and sends nothing, while a late reply could be mistaken.
        """

    @abstractmethod
    def retire(self) -> None:
        """Let go of the link for good; never raises."""

    # ---- what its users know of each other, in the event loop's thread

    def join(self, user: object, facts: User, form: str, *, target: str) -> None:
        """Become a user.

        Errors: Unsupported when two want the link in different forms, or different
        timers of one unit.
        """
        if self.form != form:
            raise Unsupported(
                f"another station opened this bus with {self.form}, not {form}",
                target=target,
                remedy="Give all stations on one bus the same baud, parity, stop_bits.",
            )
        for other in self._users.values():
            for place in facts.registers.keys() & other.registers.keys():
                if facts.registers[place] != other.registers[place]:
                    raise Unsupported(
                        f"another station wants {other.registers[place]} in register "
                        f"{place[1]} of unit {place[0]}, not {facts.registers[place]}",
                        target=target,
                        remedy="A unit has one timer: give all its stations the same.",
                    )
        self._users[user] = facts

    def leave(self, user: object) -> None:
        """Be a user no longer."""
        self._users.pop(user, None)

    @property
    def turn_s(self) -> float:
        """The longest that a call waits and takes when every user makes one."""
        return sum(user.call_s for user in self._users.values())


def no(reply: ExceptionReply, *, target: str) -> BackendError:
    """Return the error for a unit that cannot do what was asked."""
    what = f"the unit replies with {reply}"
    if reply.code in _LATER:
        return Unavailable(
            what, target=target, remedy="Try again; check the unit behind a gateway."
        )
    advice = {
        0x01: "The unit does not know this function; see its data sheet.",
        0x02: "Check `coil` and the timer's registers; they are counted from 0.",
        0x03: "Check the values of the timer in the unit's data sheet.",
    }
    remedy = advice.get(reply.code, "See the unit's data sheet; restart the unit.")
    return Refused(what, target=target, remedy=remedy)


class NotYet(Exception):
    """A late reply may still come that looks like the one to this request."""

    def __init__(self, for_s: float) -> None:
        super().__init__(f"not for another {for_s:g} s")
        self.for_s = for_s


class Silent(Exception):
    """Nothing came within the limit."""


class Spoiled(Exception):
    """Something came within the limit, and it is no reply."""


# The causes of errors for which the unit is to blame; the link itself works.
OF_THE_UNIT: Final = (Silent, Spoiled, ExceptionReply)


def silent(unit: int, limit_s: float, *, target: str) -> Unavailable:
    """Return the error for a unit from which nothing came."""
    return Unavailable(
        f"unit {unit} did not reply within {limit_s:g} s",
        target=target,
        remedy="Check the unit's power, its number and, on a bus, the two wires, their "
        "polarity, baud and parity.",
    )


def spoiled(error: Spoiled, *, target: str, remedy: str) -> Malformed:
    """Return the error for bytes that are no reply."""
    return Malformed(
        f"what came is not a reply of the unit ({error})", target=target, remedy=remedy
    )
