"""What a crash left at the end of a log file, told so that nobody takes it for a fault.

A commit is whole in the WAL or it is nothing: SQLite reads up to the last frame that
ends a commit and whose running checksum is right. What lies behind was never
acknowledged to anybody. Source: SQLite, "Database File Format", section 4 (the WAL).
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

_HEADER: Final = 32
_FRAME_HEADER: Final = 24
_MAGIC: Final = {0x377F0682: "<", 0x377F0683: ">"}
_PAGES: Final = {2**power for power in range(9, 17)}
_WORD: Final = 0xFFFFFFFF
_UNITS: Final = ((1, 0), (0, 1))
# Frames of a WAL that are summed at once; a measured choice, flat around it.
_AT_ONCE: Final = 128
_LOCKS: Final = Path("/proc/locks")


@dataclass(frozen=True, slots=True, kw_only=True)
class WalEnd:
    """Bytes of whole commits in a WAL, and of one behind them that never ended."""

    committed_bytes: int
    torn_bytes: int


def explanations(path: Path) -> list[str]:
    """Return in sentences what stands beside a file, and why that is no fault."""
    said = []
    wal, journal = (path.with_name(path.name + end) for end in ("-wal", "-journal"))
    if in_use(path):
        said.append(
            f"A tidegate is writing {path.name}; what it had committed when this "
            "began was verified."
        )
    elif wal.exists():
        with suppress(FileNotFoundError):  # a writer that just began emptied it
            said += _of_wal(wal, wal_end(wal.read_bytes()))
    if journal.exists() and journal.stat().st_size:
        said.append(
            f"{journal.name} is left of a change that was never finished: SQLite "
            "undoes it, and the file was read as it was before."
        )
    return said


def _of_wal(wal: Path, end: WalEnd) -> list[str]:
    said = []
    if end.committed_bytes:
        said.append(
            f"The last writer did not close the log (a crash, a kill or a power cut): "
            f"{wal.name} holds commits of {end.committed_bytes} bytes that may not "
            "be in the main file yet. They are part of the log; keep both files together."
        )
    if end.torn_bytes:
        said.append(
            f"The last {end.torn_bytes} bytes of {wal.name} are a commit that a crash "
            "tore. Nothing in it had been confirmed to anybody; it does not count."
        )
    return said


def in_use(path: Path) -> bool:
    """Return whether a writer holds the log's lock, without touching the lock.

    Even a shared lock, held for a moment, could keep a daemon from starting.
    """
    lock = path.with_name(path.name + ".lock")
    if not (lock.exists() and _LOCKS.exists()):
        return False
    inode = str(lock.stat().st_ino)
    held = (line.split() for line in _LOCKS.read_text().splitlines())
    return any(
        "FLOCK" in words and words[-3].rpartition(":")[2] == inode for words in held
    )


def wal_end(data: bytes) -> WalEnd:
    """Return how far a WAL holds whole commits.

    Frames of another salt are left from before the WAL was begun again: no part of it.
    """
    if len(data) < _HEADER:
        return WalEnd(committed_bytes=0, torn_bytes=0)
    magic, _, page, _ = struct.unpack_from(">4I", data)
    order, salt = _MAGIC.get(magic), data[16:24]
    if order is None:
        return WalEnd(committed_bytes=0, torn_bytes=0)
    begun = _checksum(data[:24], (0, 0), order)
    if page not in _PAGES or begun != struct.unpack_from(">2I", data, 24):
        return WalEnd(committed_bytes=0, torn_bytes=0)
    at = committed = _HEADER
    step = _FRAME_HEADER + page
    for sums in _running(data, step, begun, order):
        _, size, *_, one, two = struct.unpack_from(">6I", data, at)
        if data[at + 8 : at + 16] != salt or sums != (one, two):
            break
        at += step
        if size:  # the size after a commit
            committed = at
    return WalEnd(
        committed_bytes=committed - _HEADER,
        torn_bytes=_torn(data, committed, step, salt) - committed,
    )


def _torn(data: bytes, committed: int, step: int, salt: bytes) -> int:
    """Return where the frames of this salt end, the one that was cut off included."""
    at = committed
    while at < len(data) and data[at + 8 : at + 16] == salt:
        at = min(at + step, len(data))
    return at


def _running(
    data: bytes, step: int, sums: tuple[int, int], order: str
) -> Iterator[tuple[int, int]]:
    """Yield the running checksum after each whole frame.

    It is linear: what a frame adds does not depend on the sums before it.
    """
    one, two = sums
    (a, c), (b, d) = (_checksum(bytes(step - 16), unit, order) for unit in _UNITS)
    for at in range(_HEADER, len(data), _AT_ONCE * step):
        whole = min(len(data) - at, _AT_ONCE * step) // step
        for first, second in _added(data[at : at + whole * step], step, order):
            one, two = (
                (a * one + b * two + first) & _WORD,
                (c * one + d * two + second) & _WORD,
            )
            yield one, two


def _added(frames: bytes, step: int, order: str) -> Iterable[tuple[int, int]]:
    """Return what each of these frames adds to both sums.

    For all at once: the same word of every frame is one long number, 64 bits each.
    """
    count, words = len(frames) // step, step // 4
    wide = bytearray(2 * len(frames))
    for byte in range(4):
        wide[byte if order == "<" else 3 - byte :: 8] = frames[byte::4]
    lanes = memoryview(wide).cast("Q")
    low = int.from_bytes(b"\xff\xff\xff\xff\0\0\0\0" * count, "little")
    one = two = 0
    # Of its header a frame covers the first two words.
    for at in (0, *range(_FRAME_HEADER // 4, words, 2)):
        one += two + int.from_bytes(lanes[at::words].tobytes(), "little")
        two += one + int.from_bytes(lanes[at + 1 :: words].tobytes(), "little")
        # Both grow by less than 2 bits each time, and a lane has 32 to spare.
        if at % 16 == 0:
            one, two = one & low, two & low
    sums = ((each & low).to_bytes(8 * count, "little") for each in (one, two))
    return zip(*(struct.unpack(f"<{count}Q", each) for each in sums), strict=True)


def _checksum(data: bytes, sums: tuple[int, int], order: str) -> tuple[int, int]:
    one, two = sums
    words = iter(struct.unpack(f"{order}{len(data) // 4}I", data))
    for first, second in zip(words, words, strict=True):
        one = (one + first + two) & _WORD
        two = (two + second + one) & _WORD
    return one, two
