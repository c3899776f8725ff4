"""Worlds that once broke a promise, kept so that none of them does again."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from support.search.lanes import Job


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """One such world, whole or as it was shrunk; ``found`` is what it showed, once.

    ``is_slow`` is for a world that takes longer than 0.2 s.
    """

    kind: str
    seed: int
    found: str
    hours: float | None = None
    only: frozenset[int] | None = None
    is_slow: bool = False

    def job(self, address: str) -> Job:
        """Return the job that draws it."""
        return Job(
            address=address,
            kind=self.kind,
            seed=self.seed,
            hours=self.hours,
            only=self.only,
        )


KEPT: Final[tuple[Kept, ...]] = (
    Kept(
        kind="whole",
        seed=28,
        hours=10.81,
        only=frozenset({14}),
        found="killed in the middle of an off, the next run let another follow at once",
        is_slow=True,
    ),
    Kept(
        kind="whole",
        seed=100047,
        hours=35.24,
        only=frozenset({34, 40, 61}),
        found="after a damaged file the state of the year before was taken up",
        is_slow=True,
    ),
    Kept(
        kind="whole",
        seed=100231,
        hours=23.92,
        only=frozenset({10, 11, 12, 27}),
        found="a board with crossed wires told the supply, and not its own contact",
        is_slow=True,
    ),
    Kept(
        kind="whole",
        seed=200011,
        hours=0.01,
        only=frozenset(),
        found="a first coast counted on 5 %/h, and the device drew 27",
        is_slow=True,
    ),
    Kept(
        kind="whole",
        seed=400075,
        hours=66.96,
        only=frozenset({17, 53, 86, 135, 144, 145}),
        found="a contact stuck open while the device went flat, and on was said once",
        is_slow=True,
    ),
    Kept(
        kind="whole",
        seed=600761,
        hours=28.4,
        only=frozenset({33, 35, 55, 72, 88, 89, 90}),
        found="an off that the disk refused up to the stop was still held to be known",
        is_slow=True,
    ),
    Kept(
        kind="whole",
        seed=600844,
        hours=38.81,
        only=frozenset({15, 30, 48}),
        found="what was told before a life had its file was not noted",
        is_slow=True,
    ),
    Kept(
        kind="core",
        seed=400378,
        hours=25.86,
        only=frozenset({7}),
        found="wires exchanged again under a relay that had worked; known",
        is_slow=True,
    ),
    Kept(
        kind="core",
        seed=100461,
        hours=63.75,
        only=frozenset({0}),
        found="a station that only measures was held to leave the supply on",
        is_slow=True,
    ),
    Kept(
        kind="core",
        seed=300081,
        hours=140.07,
        only=frozenset({6}),
        found="a relay that lives on its own contact was looked at in mid-fall",
        is_slow=True,
    ),
    Kept(
        kind="core",
        seed=100604,
        hours=35.52,
        only=frozenset({1}),
        found="flat in critical heat, and nothing was thought to keep it down",
        is_slow=True,
    ),
)
