"""What really happened to a twin, and how much of it lay in the charge window."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final, NamedTuple

_MS_AN_HOUR: Final = 3_600_000
MARGIN_PERCENT: Final = 1.0

Span = tuple[int, int]


class Truth(NamedTuple):
    """One moment of a twin. A tuple, because a simulated week makes 1e5 of them.

    Charge and temperature run straight from one record to the next; the rest holds
    from its record until the next one.
    """

    at_ms: int
    soc_percent: float
    temperature_c: float
    mains: bool
    closed: bool
    alive: bool

    @property
    def external_power(self) -> bool:
        """Whether the device is fed."""
        return self.mains and self.closed


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """How a battery was kept, by its true charge, from its first entry on.

    Everything is zero or ``None`` for a battery that never came into the window.
    """

    counted_s: float
    inside_s: float
    excluded_s: float
    lowest_soc_percent: float | None
    highest_soc_percent: float | None
    equivalent_full_cycles: float

    @property
    def in_window_percent(self) -> float:
        """The share of the counted seconds spent in the window."""
        return 100 * self.inside_s / self.counted_s if self.counted_s else 0.0

    @property
    def excluded_hours(self) -> float:
        """The hours that do not count."""
        return self.excluded_s / 3600


@dataclass(slots=True)
class Diary:
    """Keeps every ``Truth`` that a device tells; give it to ``Device.observe``."""

    records: list[Truth] = field(default_factory=list)

    def __call__(self, truth: Truth) -> None:
        self.records.append(truth)

    def kept(
        self, *, low_percent: float, high_percent: float, excluded: Iterable[Span] = ()
    ) -> Kept:
        """Return how well the window was kept.

        A second counts as inside between a point under the low and a point over the
        high mark. Seconds without mains and the ``excluded`` spans (boot clock, ms)
        do not count, nor does what came before the first entry.
        """
        low, high = low_percent - MARGIN_PERCENT, high_percent + MARGIN_PERCENT
        records = _from_entry(self.records, low, high)
        spans = _merged(excluded)
        counted = inside = excluded_ms = full = 0.0
        for before, after in pairwise(records):
            full += abs(after.soc_percent - before.soc_percent) / 200
            length_ms = after.at_ms - before.at_ms
            free = list(_free(before, after, spans))
            counted_ms = sum(end - start for start, end in free)
            excluded_ms += length_ms - counted_ms
            counted += counted_ms
            inside += sum(
                _inside_ms(before, after, piece, (low, high)) for piece in free
            )
        socs = [record.soc_percent for record in records]
        return Kept(
            counted_s=counted / 1000,
            inside_s=inside / 1000,
            excluded_s=excluded_ms / 1000,
            lowest_soc_percent=min(socs, default=None),
            highest_soc_percent=max(socs, default=None),
            equivalent_full_cycles=full,
        )


def _from_entry(records: Sequence[Truth], low: float, high: float) -> list[Truth]:
    for index, record in enumerate(records):
        if low <= record.soc_percent <= high:
            return list(records[index:])
    return []


def _merged(spans: Iterable[Span]) -> list[Span]:
    merged: list[Span] = []
    for start, end in sorted(spans):
        if merged and start <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(merged[-1][1], end))
        else:
            merged.append((start, end))
    return merged


def _free(before: Truth, after: Truth, spans: Sequence[Span]) -> Iterator[Span]:
    """Yield the parts between two records that count."""
    if not before.mains:
        return
    start = before.at_ms
    for from_ms, until_ms in spans:
        if until_ms <= start or from_ms >= after.at_ms:
            continue
        if from_ms > start:
            yield start, from_ms
        start = min(until_ms, after.at_ms)
    if start < after.at_ms:
        yield start, after.at_ms


def _inside_ms(
    before: Truth, after: Truth, piece: Span, band: tuple[float, float]
) -> float:
    """Return how long a straight line stays between two levels within a piece."""
    start, end = piece
    rise = after.soc_percent - before.soc_percent
    if rise == 0:
        return float(end - start) if band[0] <= before.soc_percent <= band[1] else 0.0
    length = after.at_ms - before.at_ms
    times = sorted(
        before.at_ms + (level - before.soc_percent) / rise * length for level in band
    )
    return max(0.0, min(end, times[1]) - max(start, times[0]))
