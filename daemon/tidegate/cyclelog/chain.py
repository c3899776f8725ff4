"""The hash chain of the cycle log: each link covers all rows since the link before.

A link is the SHA-256 over, in this order and each followed by one line feed: the link
before in lower-case hex, the line of each row since in the order of the ids, and the
line of the link's own row without its digest. The first link of a file follows
``START``; the run row that begins a file carries the last link of the file before, so
the chain goes on from file to file.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from tidegate.cyclelog.sha import sha256

START: Final = "0" * 64


def link(before: str, lines: Iterable[str], own_line: str) -> str:
    """Return the link that follows ``before`` and covers these lines."""
    hasher = sha256()
    for line in (before, *lines, own_line):
        hasher.update(line.encode("utf-8"))
        hasher.update(b"\n")
    return hasher.hexdigest()
