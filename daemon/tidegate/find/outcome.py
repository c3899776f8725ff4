"""How the search for one kind went, and what it found."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Literal

from tidegate.contract import Found
from tidegate.errors import TidegateError, Unsupported
from tidegate.registry import install_command
from tidegate.settings.inline import inline

Role = Literal["gauge", "relay"]


class State(StrEnum):
    """How the search for one kind went."""

    SEARCHED = "searched"
    CUT = "cut"
    BY_HAND = "by_hand"
    MISSING = "missing"
    FAILED = "failed"
    BROKEN = "broken"


@dataclass(frozen=True, slots=True, kw_only=True)
class Thing:
    """One thing in reach, and the kind that could use it."""

    role: Role
    kind: str
    found: Found

    @property
    def line(self) -> str | None:
        """The line to paste into a station's table; ``None`` for what is not usable."""
        if self.found.table is None:
            return None
        return f"{self.role} = {inline(self.found.table)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """How the search for one kind went.

    ``missing``: this machine or installation lacks something. ``failed``: it was
    refused or out of reach. ``broken``: its survey has a fault, which is ``error``.
    """

    role: Role
    kind: str
    distribution: str
    state: State
    why: str = ""
    remedy: str = ""
    took_s: float = 0.0
    error: BaseException | None = None
    things: tuple[Thing, ...] = ()


def shown(text: str) -> str:
    """Return a text as one line of signs that can be shown.

    What a device calls itself is a stranger's text: a line of it must not pass for one
    of ours, nor steer the terminal.
    """
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def told(source: Source, error: BaseException) -> Source:
    """Return the source with what stopped it."""
    if isinstance(error, TidegateError):
        state = State.MISSING if isinstance(error, Unsupported) else State.FAILED
        why = shown(error.what).removeprefix(f"{source.role} {source.kind}: ")
        return replace(source, state=state, why=why, remedy=shown(error.remedy))
    said = shown(str(error))
    return replace(
        source,
        state=State.BROKEN,
        why=f"its survey has a fault ({type(error).__name__}: {said})",
        remedy=f"Report it, or install it again: {install_command(source.distribution)}",
        error=error,
    )
