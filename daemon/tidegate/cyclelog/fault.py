"""What can be wrong with a cycle log, and where."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

FaultKind = Literal[
    # Rows, and the links over them.
    "altered",
    "missing",
    "added",
    "reordered",
    "link_changed",
    # Files: another one in a place, one that is not built as a log is, a broken one.
    "swapped",
    "schema",
    "damaged",
    # Anchors that prove nothing.
    "bad_signature",
    "other_key",
    "unsigned",
]


@dataclass(frozen=True, slots=True)
class Fault:
    """The first thing wrong: the id of a row at or before which it lies, and what.

    ``row`` is ``None`` where it lies in no row.
    """

    row: int | None
    kind: FaultKind
    what: str
