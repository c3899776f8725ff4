"""Whether a file of the cycle log is still what its writer wrote.

Each link covers the rows since the link before, so a fault is known to lie between
two links; where more can be told (one link altered, two rows exchanged) it is. What
cannot be seen from the file alone: rows cut off at its end together with their links.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final, Literal

from tidegate.cyclelog import chain, schema
from tidegate.cyclelog.disk import aside_files, last_readable, past_files
from tidegate.cyclelog.reader import Reader, Stored
from tidegate.cyclelog.rows import LinkRow, RunRow

FaultKind = Literal["altered", "missing", "reordered", "added", "link_changed"]

# Exchanged rows are looked for in batches up to this many rows; beyond, they are
# reported as altered.
_PAIRS_UP_TO: Final = 200


@dataclass(frozen=True, slots=True)
class Fault:
    """The first thing wrong: the id of a row at or before which it lies, and what."""

    row: int
    kind: FaultKind
    what: str


@dataclass(frozen=True, slots=True)
class _Batch:
    """The rows up to a link, and the link as it is stored."""

    rows: Sequence[Stored]
    link: Stored

    @property
    def stored(self) -> LinkRow:
        row = schema.row_of(self.link[1], self.link[2])
        assert isinstance(row, LinkRow)
        return row

    def digest_after(self, before: str, rows: Sequence[Stored] | None = None) -> str:
        """Return what the link should be."""
        lines = [schema.line(*row) for row in (self.rows if rows is None else rows)]
        return chain.link(before, lines, schema.line(*self.link))


def check(reader: Reader) -> Fault | None:
    """Return the first fault of the file, ``None`` when it is whole.

    A past file beside it must be the one that it says it follows. Errors: LogError.
    """
    batches = _batches(reader)
    before, number = chain.START, 0
    held: _Batch | None = None
    for batch in batches:
        if isinstance(batch, Fault):
            return _broken(held, before, None) if held else batch
        if held is not None:
            return _broken(held, before, batch)
        fault = _counted(batch, number)
        if fault is not None:
            return fault
        if batch.digest_after(before) == batch.stored.digest:
            before, number = batch.stored.digest, batch.stored.number
        else:
            held = batch
    if held is not None:
        return _broken(held, before, None)
    return _untied(reader)


def _batches(reader: Reader) -> Iterator[_Batch | Fault]:
    """Yield the rows link by link; last, a fault if rows are left over or doubled."""
    rows: list[Stored] = []
    last_id: int | None = None
    for stored in reader.raw_whole():
        row_id, table, _ = stored
        if row_id == last_id:
            yield Fault(row_id, "added", f"two rows have the id {row_id}")
            return
        last_id = row_id
        if table is schema.LINK:
            yield _Batch(rows, stored)
            rows = []
        else:
            rows.append(stored)
    if rows:
        yield Fault(rows[0][0], "added", "rows follow the last link")


def _counted(batch: _Batch, number: int) -> Fault | None:
    link, link_id = batch.stored, batch.link[0]
    if link.number != number + 1 and link.rows <= len(batch.rows):
        return Fault(
            link_id,
            "missing",
            f"link {number + 1} is missing, next comes link {link.number}",
        )
    lost = link.rows - len(batch.rows)
    if lost > 0:
        return Fault(link_id, "missing", f"{lost} of {link.rows} rows are missing")
    if lost < 0:
        return Fault(link_id, "added", f"{-lost} rows more than the link covers")
    return None


def _broken(batch: _Batch, before: str, following: _Batch | None) -> Fault:
    """Return what is wrong with a batch whose link does not fit its rows."""
    link_id = batch.link[0]
    right = batch.digest_after(before)
    if following is not None and (
        following.digest_after(right) == following.stored.digest
    ):
        return Fault(link_id, "link_changed", "the link is not that of its rows")
    first_id = batch.rows[0][0] if batch.rows else link_id
    exchanged = _exchanged(batch, before)
    if exchanged is not None:
        one, other = exchanged
        return Fault(one, "reordered", f"rows {one} and {other} changed places")
    return Fault(
        first_id, "altered", f"a row from {first_id} to {link_id} is not as written"
    )


def _exchanged(batch: _Batch, before: str) -> tuple[int, int] | None:
    if len(batch.rows) > _PAIRS_UP_TO:
        return None
    for i, j in combinations(range(len(batch.rows)), 2):
        rows = list(batch.rows)
        (one, table, cells), (other, other_table, other_cells) = rows[i], rows[j]
        rows[i], rows[j] = (one, other_table, other_cells), (other, table, cells)
        if batch.digest_after(before, rows) == batch.stored.digest:
            return one, other
    return None


def _untied(reader: Reader) -> Fault | None:
    """Return a fault when none of the files beside it is the one that it follows."""
    past, aside = past_files(reader.path), aside_files(reader.path)
    if not past:
        return None
    ends = {last_readable(path).link for path in (*past, *aside)}
    if aside:
        ends.add("")  # nothing could be read of a damaged file
    for row_id, table, stored in reader.raw():
        if table.row is RunRow:
            row = schema.row_of(table, stored)
            assert isinstance(row, RunRow)
            if row.prev_link in ends:
                return None
            what = "the file that this one follows is not beside it"
            return Fault(row_id, "missing", what)
    return None
