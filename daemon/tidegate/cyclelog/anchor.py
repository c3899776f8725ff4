"""Anchors: what was kept elsewhere of a log, and whether the log still has it.

An anchor names a link. A log that has this link is, up to there, what it was when the
anchor was taken, because each link covers all before it. Anchors are signed heads,
heads that an audit or a verification printed (a JSON document, or text with the 64
hex digits of the link), and copies of the log.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

from tidegate.cyclelog import keys, signing
from tidegate.cyclelog.check import Examined
from tidegate.cyclelog.fault import Fault, FaultKind
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.signing import SignedHead
from tidegate.errors import LogAbsent, LogError, LogUnreadable

AnchorKind = Literal["signed", "head", "copy"]

_SQLITE: Final = b"SQLite format 3\0"
_LARGEST_BYTES: Final = 64 << 20
_HEX: Final = re.compile(r"(?<![0-9a-f])[0-9a-f]{64}(?![0-9a-f])")
# A number with separators in it is none that can be read for certain.
_COUNT: Final = r"\s+([0-9]{1,18})(?!\w|[.,\s]\d)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Anchor:
    """A link that the log must have; ``None`` and "" for what the anchor leaves out.

    ``is_exact``: number and row were given as data, not read out of a text.
    """

    source: Path
    kind: AnchorKind
    link: str
    number: int | None = None
    row: int | None = None
    first_link: str = ""
    signed: SignedHead | None = None
    is_exact: bool = True

    @property
    def where(self) -> str:
        """Where in the log the anchor is, as far as it says."""
        place = "" if self.number is None else f" {self.number}"
        return f"link{place}" + ("" if self.row is None else f", row {self.row}")


def anchors_in(path: Path) -> tuple[Anchor, ...]:
    """Return the anchors that a file holds, at least one. Errors: LogError."""
    try:
        with path.open("rb") as file:
            start = file.read(len(_SQLITE))
            if start == _SQLITE:
                return (_of_copy(path),)
            # So much as there is: a buffer for all that is allowed would be made at once.
            size = os.fstat(file.fileno()).st_size or _LARGEST_BYTES
            data = start + file.read(min(size, _LARGEST_BYTES))
    except FileNotFoundError as error:
        raise LogAbsent(f"there is no anchor at {path}") from error
    except OSError as error:
        raise LogError(
            f"the anchor {path} cannot be read: {(error.strerror or '').lower()}",
            remedy="Read it as its owner, or name another file.",
        ) from error
    text = data.decode("utf-8-sig", "replace")
    try:
        document = json.loads(text, object_pairs_hook=_unambiguous)
    except (ValueError, RecursionError) as error:
        if signing.FORM in text:
            raise _no_anchor(
                path, f"a signed head that is not whole ({error})"
            ) from error
        return (_of_text(path, text),)
    found = tuple(_of_document(path, document))
    if not found:
        raise _no_anchor(path, "no head")
    return found


def _unambiguous(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Return a JSON object in which no key stands twice: programs differ in which of
    the two they read.
    """
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key stands twice in it")
    return found


def _of_copy(path: Path) -> Anchor:
    with Reader(path) as reader:
        head = signing.head_of(reader, wall_ms=0)
    return Anchor(
        source=path,
        kind="copy",
        link=head.link,
        number=head.number,
        row=head.row,
        first_link=head.first_link,
    )


def _of_document(path: Path, document: Any) -> list[Anchor]:
    found: list[Anchor] = []
    for item in document if isinstance(document, list) else [document]:
        if not isinstance(item, dict):
            continue
        if "signature" in item or "form" in item:
            found.append(_of_signed(path, signing.signed_head_of(item)))
            continue
        if "head" in item or "link" in item:
            found.append(_of_head(path, item.get("head", item)))
    return list(dict.fromkeys(found))


def _of_head(path: Path, head: Any) -> Anchor:
    link = head.get("link") if isinstance(head, dict) else None
    if not (isinstance(link, str) and _HEX.fullmatch(link.lower())):
        raise _no_anchor(path, "a head without a link")
    return Anchor(
        source=path,
        kind="head",
        link=link.lower(),
        number=_count(head.get("number")),
        row=_count(head.get("row")),
    )


def _of_signed(path: Path, signed: SignedHead) -> Anchor:
    return Anchor(
        source=path,
        kind="signed",
        link=signed.head.link,
        number=signed.head.number,
        row=signed.head.row,
        first_link=signed.head.first_link,
        signed=signed,
    )


def _of_text(path: Path, text: str) -> Anchor:
    lines = [line for line in text.lower().splitlines() if _HEX.search(line)]
    if len({link for line in lines for link in _HEX.findall(line)}) > 1:
        lines = [line for line in lines if re.search(r"\b(link|head)\b", line)]
    links = {link for line in lines for link in _HEX.findall(line)}
    if len(links) != 1:
        raise _no_anchor(path, f"{len(links) or 'no'} links")
    number, row = (
        re.search(rf"\b{word}{_COUNT}", lines[0]) for word in ("link", "row")
    )
    return Anchor(
        source=path,
        kind="head",
        link=links.pop(),
        number=None if number is None else int(number[1]),
        row=None if row is None else int(row[1]),
        is_exact=False,
    )


def _count(value: Any) -> int | None:
    return value if type(value) is int else None


def _no_anchor(path: Path, found: str) -> LogUnreadable:
    return LogUnreadable(
        f"{path} is no anchor: {found} found in it where one is wanted",
        remedy="Name a signed head, a head that was printed, or a copy of the log.",
    )


# --- against a log --------------------------------------------------------------------


def distrusted(anchor: Anchor, key: str | None) -> Fault | None:
    """Return a fault when the signature does not hold, or is not of the key named.

    ``key`` is a public key or its fingerprint in hex; with one, whatever is unsigned
    is refused. Errors: Unsupported when signatures cannot be checked here.
    """
    signed, name = anchor.signed, anchor.source.name
    if signed is None:
        if key is None:
            return None
        what = f"{name} carries no signature, so the key named says nothing of it"
        return Fault(None, "unsigned", what)
    if not keys.is_genuine(signed):
        return Fault(
            None, "bad_signature", f"the signature in {name} is not of its head"
        )
    if key is not None and key not in (
        signed.public_key,
        signing.fingerprint(signed.public_key),
    ):
        what = f"{name} is signed by another key, {signed.public_key}"
        return Fault(None, "other_key", what)
    return None


def lost(anchor: Anchor, files: Sequence[Examined]) -> Fault | None:
    """Return a fault when a log that is whole does not have the anchor's link.

    ``files`` are those of the log, oldest first, with this link looked out for.
    """
    for file in files:
        link = file.found.get(anchor.link)
        if link is not None:
            return _misplaced(anchor, link.number, link.row)
    name, last = anchor.source.name, files[-1].last
    end = 0 if last is None else last.row
    if _was_put_away(anchor, files):
        what = f"the file with the {anchor.where} of {name} is not here"
        return Fault(anchor.row, "missing", what)
    kind = _how_lost(anchor, files, end)
    if kind == "missing":
        doubt = "" if anchor.first_link else ", or another log stands in its place"
        what = (
            f"the log ends at row {end}, but {name} has its {anchor.where}: cut{doubt}"
        )
    else:
        what = (
            f"this log has another {anchor.where} than {name}: it is another log, "
            "or was written again"
        )
    return Fault(end or None if kind == "missing" else anchor.row, kind, what)


def _misplaced(anchor: Anchor, number: int, row: int) -> Fault | None:
    if not anchor.is_exact or (
        anchor.number in (None, number) and anchor.row in (None, row)
    ):
        return None
    what = (
        f"{anchor.source.name} says {anchor.where}; in this log that link is link "
        f"{number}, row {row}"
    )
    return Fault(row, "altered", what)


def _was_put_away(anchor: Anchor, files: Sequence[Examined]) -> bool:
    begin = files[0].begin
    if anchor.row is None or begin is None or not begin.prev_link:
        return False
    return anchor.row < begin.first_id


def _how_lost(anchor: Anchor, files: Sequence[Examined], end: int) -> FaultKind:
    """Return whether the log was cut before the anchor, or is another."""
    if anchor.first_link:
        same = [file for file in files if file.first == anchor.first_link]
        cut = bool(same) and (anchor.number or 0) > same[0].links
        return "missing" if cut else "swapped"
    if anchor.row is not None:
        return "missing" if anchor.row > end else "swapped"
    cut = anchor.number is None or anchor.number > files[-1].links
    return "missing" if cut else "swapped"
