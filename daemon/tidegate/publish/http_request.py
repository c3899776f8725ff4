"""A request for the metrics, read from bytes, and the head of its answer.

Pure. Source: RFC 9112 (HTTP/1.1), sections 3 (request line, Host) and 9.6 (close);
RFC 9110, sections 12.5.1 (Accept), 15.5.6 (405 names what is allowed), 15.5.20 (421);
OpenMetrics 1.0, section "Protocol negotiation".
"""

from __future__ import annotations

import ipaddress
import re
from dataclasses import dataclass
from typing import Final
from urllib.parse import urlsplit

from tidegate.publish.openmetrics import CLASSIC, OPENMETRICS

PATH: Final = "/metrics"
_LINE: Final = re.compile(r"([!#$%&'*+.^_`|~0-9A-Za-z-]+) (\S+) HTTP/1\.([01])")
# The blanks around a value are cut off apart: a pattern for them that fails tries each
# length of each of them, with 8 KiB of blanks for hours.
_FIELD: Final = re.compile(r"([!#$%&'*+.^_`|~0-9A-Za-z-]+):(.*)")
_NAMED: Final = "application/openmetrics-text"
_HOLDERS: Final = ("text/plain", "text/*", "*/*")
_REASONS: Final = {
    200: "OK",
    400: "Bad Request",
    404: "Not Found",
    405: "Method Not Allowed",
    421: "Misdirected Request",
}


@dataclass(frozen=True, slots=True)
class Asked:
    """What a request comes to: its status, and for 200 in which format."""

    status: int
    media_type: str = "text/plain; charset=utf-8"
    is_head: bool = False


def asked(head: bytes, *, any_name: bool) -> Asked:
    """Return what a request wants, from all bytes before its empty line.

    Without ``any_name`` a name other than localhost is refused: a web page that has its
    own name resolved to this machine's loopback must not read from here.
    """
    line, *fields = head.decode("latin-1").split("\r\n")
    found = _LINE.fullmatch(line)
    if found is None:
        return Asked(400)
    method, target, minor = found.groups()
    is_head = method == "HEAD"  # which no answer has a body for
    held = _held(fields)
    if held is None or len(held.get("host", [])) > 1:
        return Asked(400, is_head=is_head)
    if minor == "1" and "host" not in held:
        return Asked(400, is_head=is_head)
    if not any_name and not _is_here(held.get("host", [""])[0]):
        return Asked(421, is_head=is_head)
    if _path(target) != PATH:
        return Asked(404, is_head=is_head)
    if method not in ("GET", "HEAD"):
        return Asked(405)
    accept = ",".join(held.get("accept", []))
    return Asked(200, media_type=_wanted(accept), is_head=is_head)


def answer(to: Asked, body: bytes) -> bytes:
    """Return the whole answer; the connection ends with it."""
    lines = [
        f"HTTP/1.1 {to.status} {_REASONS[to.status]}",
        f"Content-Type: {to.media_type}",
        f"Content-Length: {len(body)}",
        "Cache-Control: no-store",
        "Vary: Accept",
        "X-Content-Type-Options: nosniff",
        "Connection: close",
    ]
    if to.status == 405:
        lines.append("Allow: GET, HEAD")
    head = "\r\n".join([*lines, "", ""]).encode("ascii")
    return head if to.is_head else head + body


def said(status: int) -> bytes:
    """Return the body of an answer that is not 200."""
    return f"{_REASONS[status]}. The metrics are at {PATH}.\n".encode("ascii")


def _held(fields: list[str]) -> dict[str, list[str]] | None:
    """Return the header fields by lower-case name, ``None`` if they are none."""
    held: dict[str, list[str]] = {}
    for field in fields:
        found = _FIELD.fullmatch(field)
        if found is None:
            return None
        held.setdefault(found[1].lower(), []).append(found[2].strip(" \t"))
    return held


def _path(target: str) -> str | None:
    try:
        return urlsplit(target).path
    except ValueError:
        return None


def _is_here(host: str) -> bool:
    """Whether the field Host names an address, this machine or nothing at all."""
    try:
        name = urlsplit(f"//{host}").hostname
        if name in (None, "localhost"):
            return True
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def _wanted(accept: str) -> str:
    """Return the better of the two formats; the classic one where neither is.

    Of the ranges that hold the classic one the closest counts; OpenMetrics must be
    named, for a reader that takes anything may know the other alone.
    """
    weights: dict[str, float] = {}
    for entry in accept.split(","):
        name, *parameters = (part.strip().lower() for part in entry.split(";"))
        given = dict(part.partition("=")[::2] for part in parameters)
        if name == _NAMED and given.get("version", "1.0.0").strip('"') != "1.0.0":
            continue
        weights[name] = max(weights.get(name, 0.0), _weight(given.get("q", "1")))
    classic = next((weights[name] for name in _HOLDERS if name in weights), 0.0)
    ours = weights.get(_NAMED, 0.0)
    return OPENMETRICS if ours > 0 and ours >= classic else CLASSIC


def _weight(text: str) -> float:
    return float(text) if re.fullmatch(r"[01](\.[0-9]{0,3})?", text) else 0.0
