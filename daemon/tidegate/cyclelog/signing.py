"""The end of a log, signed by the key of this device.

A signature proves which key signed, and that the log had this end then; not whose the
key is, nor that the log is true. Whoever owns the device can write another log and
sign that. So heads and the public key belong somewhere else as well.

A signed head is a JSON object: ``form`` is ``tidegate signed head 1``; ``head`` holds
the eight values of ``Head``; ``public_key`` and ``signature`` are in hex,
``key_sha256`` is the SHA-256 of the 32 bytes of the public key. The signature is
Ed25519 (RFC 8032, PureEdDSA) over these lines in UTF-8, each followed by one line
feed (0x0A): the form, then name, one blank and value of ``link``, ``first_link``,
``number``, ``row``, ``rows``, ``machine``, ``linked_at``, ``signed_at``. A number is
in decimal, text as it is with the four escapes of a row's line.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

from tidegate.clock import rfc3339
from tidegate.cyclelog import schema
from tidegate.cyclelog.reader import Reader
from tidegate.errors import LogEmpty, LogUnreadable

FORM: Final = "tidegate signed head 1"
HEX_32: Final = re.compile(r"[0-9a-f]{64}")
_HEX_64: Final = re.compile(r"[0-9a-f]{128}")
_KEYS: Final = {"form", "head", "public_key", "key_sha256", "signature"}
_MOMENT: Final = re.compile(r"([0-9-]{10}T[0-9:.]{8,12}Z)?")
_FORMS: Final = {
    "link": HEX_32,
    "first_link": HEX_32,
    "machine": re.compile(r"[^\ud800-\udfff]*"),
    "linked_at": _MOMENT,
    "signed_at": _MOMENT,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """The end of a log file. ``first_link`` tells which file it is.

    ``number`` is the link's place in its file, ``row`` its id, ``rows`` how many rows
    the file has, links apart. ``machine`` is what its last run row says. Times are
    RFC 3339 in UTC, by the wall clock of the device.
    """

    link: str
    first_link: str
    number: int
    row: int
    rows: int
    machine: str
    linked_at: str
    signed_at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SignedHead:
    """A head, and who says so; key and signature in hex."""

    head: Head
    public_key: str
    signature: str


def head_of(reader: Reader, *, wall_ms: int) -> Head:
    """Return the end of a file as it is now.

    Errors: LogError; LogEmpty without links, LogUnreadable for a file that was
    tampered with so that its end is none.
    """
    with reader.at_one_moment() as connection:
        try:
            head = _head(connection, schema.tables(reader.version), wall_ms)
        except (AttributeError, TypeError, ValueError) as error:
            raise LogUnreadable(
                f"{reader.path} ends in what no writer stores",
                remedy="See what tidegate log verify says of it.",
            ) from error
    if head is None:
        raise LogEmpty(
            f"{reader.path} has no link yet",
            remedy="Look again once a daemon has written to it.",
        )
    return head


def _head(
    connection: sqlite3.Connection, tables: Sequence[schema.Table], wall_ms: int
) -> Head | None:
    last = connection.execute(
        'SELECT "id", "number", "wall_ms", "digest" FROM "link" '
        'ORDER BY "id" DESC LIMIT 1'
    ).fetchone()
    if last is None:
        return None
    row, number, linked_ms, digest = last
    (first,) = connection.execute(
        'SELECT "digest" FROM "link" ORDER BY "id" LIMIT 1'
    ).fetchone()
    run = connection.execute(
        'SELECT "machine" FROM "run" ORDER BY "id" DESC LIMIT 1'
    ).fetchone()
    counts = (
        connection.execute(f'SELECT count(*) FROM "{table.name}"').fetchone()[0]
        for table in tables
        if table is not schema.LINK
    )
    return _checked(
        Head(
            link=digest.hex(),
            first_link=first.hex(),
            number=number,
            row=row,
            rows=sum(counts),
            machine=run[0] if run else "",
            linked_at=moment(linked_ms),
            signed_at=moment(wall_ms),
        )
    )


def _checked(head: Head) -> Head:
    """Return the head when its values are of the form that they have in every head.

    Whoever reads one on a screen must not meet other lines in it. Errors: ValueError.
    """
    for name, value in asdict(head).items():
        if name in ("number", "row", "rows"):
            is_right = type(value) is int and value >= 0
        else:
            is_right = isinstance(value, str) and bool(_FORMS[name].fullmatch(value))
        if not is_right:
            raise ValueError(f"{name} is {value!r}")
    return head


def statement(head: Head) -> bytes:
    """Return the bytes that are signed, as this module's docstring says."""
    lines = [FORM, *(f"{key} {_shown(value)}" for key, value in asdict(head).items())]
    return "".join(f"{line}\n" for line in lines).encode("utf-8")


def document_of(signed: SignedHead) -> dict[str, Any]:
    """Return the signed head as JSON data."""
    return {
        "form": FORM,
        "head": asdict(signed.head),
        "public_key": signed.public_key,
        "key_sha256": fingerprint(signed.public_key),
        "signature": signed.signature,
    }


def signed_head_of(document: Mapping[str, Any]) -> SignedHead:
    """Return the signed head that this JSON object is. Errors: LogUnreadable.

    What is in it and not signed is refused, or it would seem to be signed too.
    """
    try:
        if document["form"] != FORM:
            raise ValueError(f"its form is {document['form']!r}, known is {FORM!r}")
        head = _checked(Head(**document["head"]))
        signature = _hex(document["signature"], _HEX_64)
        public_key = _hex(document["public_key"], HEX_32)
        if document["key_sha256"] != fingerprint(public_key):
            raise ValueError("its key_sha256 is that of another key")
        unsigned = document.keys() - _KEYS
        if unsigned:
            raise ValueError(f"{min(unsigned)!r} in it is not signed")
        return SignedHead(head=head, public_key=public_key, signature=signature)
    except (KeyError, TypeError, ValueError) as error:
        raise LogUnreadable(
            f"this is no signed head ({error})",
            remedy="Name a file that tidegate log sign wrote, unchanged.",
        ) from error


def fingerprint(public_key: str) -> str:
    """Return the SHA-256 of a public key, both in hex."""
    from hashlib import sha256

    return sha256(bytes.fromhex(public_key)).hexdigest()


def moment(wall_ms: int) -> str:
    """Return UTC as RFC 3339 says; "" for a clock that no calendar has."""
    try:
        return rfc3339(wall_ms)
    except (ValueError, OverflowError):
        return ""


def _hex(value: object, pattern: re.Pattern[str]) -> str:
    text = str(value).lower()
    if not pattern.fullmatch(text):
        raise ValueError(f"{text[:16]}… is not the hex that is wanted")
    return text


def _shown(value: int | str) -> str:
    return schema.escaped(value) if isinstance(value, str) else str(value)
