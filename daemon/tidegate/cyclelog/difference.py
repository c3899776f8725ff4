"""In which field two states of a station differ first."""

from __future__ import annotations

from dataclasses import replace

from tidegate.core.state import State
from tidegate.cyclelog.plain import to_plain


def first_other(mine: State, logged: State) -> str | None:
    """Return the path of the first field in which two states differ.

    Time that passed without an event has no row, so the clocks may have gone on, both
    of them by as much.
    """
    passed_ms = logged.quiet.now_ms - mine.quiet.now_ms
    if passed_ms > 0:
        lived_ms = mine.quiet.lived_ms + passed_ms
        quiet = replace(mine.quiet, now_ms=logged.quiet.now_ms, lived_ms=lived_ms)
        mine = replace(mine, quiet=quiet)
    if mine == logged:
        return None
    one, other = to_plain(mine), to_plain(logged)
    assert isinstance(one, dict)
    assert isinstance(other, dict)
    for name in sorted({*one, *other}):
        a, b = one.get(name), other.get(name)
        if isinstance(a, dict) and isinstance(b, dict):
            for inner in sorted({*a, *b}):
                if a.get(inner) != b.get(inner):
                    return f"{name}.{inner}"
        elif a != b:
            return name
    return None
