"""``tidegate log verify``: is every row as it was written, and is the end there?"""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tidegate.cli.exits import Code
from tidegate.cli.options import (
    config_option,
    json_option,
    log_option,
    log_path,
    print_json,
    say,
)

if TYPE_CHECKING:
    from tidegate.cyclelog.verify import AnchorChecked, FileChecked, Verdict

UNANCHORED = (
    "Not anchored: nothing in a file can show rows that were cut off at its end, nor "
    "that all of it was written again. Keep a head elsewhere (log sign, audit, or this "
    "one) and name it with --against."
)


@click.command()
@log_option
@click.option(
    "--against",
    type=click.Path(path_type=Path, readable=False),
    metavar="FILE",
    multiple=True,
    help="An anchor that was kept elsewhere; may be given again.",
)
@click.option(
    "--key",
    metavar="PUBLICKEY",
    help="The public key that must have signed every anchor: in hex, its fingerprint, "
    "or a file (PEM, hex, or a signed head known to be good).",
)
@config_option
@json_option
@click.pass_context
def command(
    ctx: click.Context, against: tuple[Path, ...], key: str | None, *, as_json: bool
) -> int:
    """Verify the cycle log: is every row, and every file, as it was written?

    Names the first that is not. Past files beside the log are verified first, oldest
    first. What a crash tore off the end was never confirmed, and is no fault; nor is
    it one that the oldest files were put away, but it is said.

    Nothing in a file can show that its end was cut off. An anchor can: a signed head
    (`tidegate log sign`), a head that `audit` or this command printed, as JSON or as
    text, or a copy of the log. A log that has the anchor's link is, up to there, what
    it was then. A signature proves only which key signed: --key says which it must be.

    Exit code 0: all as written; 1: a fault; 65: no log, no anchor, or none that can be
    read; 66: no such file; 69: signatures cannot be checked here; 74: the disk; 77: a
    file that this user may not read.
    """
    if key is not None and not against:
        raise click.UsageError("--key says who signed an anchor: name one: --against.")
    verdict = _verified(log_path(ctx), against, key)
    if as_json:
        print_json(as_document(verdict))
    else:
        for line in as_text(verdict):
            click.echo(printable(line))
        for note in verdict.notes:
            say(printable(note))
    return Code.DONE if verdict.fault is None else Code.NO


def _verified(log: Path, against: tuple[Path, ...], key: str | None) -> Verdict:
    # Late, so that help needs none of it.
    from tidegate.cyclelog.anchor import anchors_in
    from tidegate.cyclelog.verify import verify

    for file in against:
        _refuse_itself(file, log)
    try:
        return verify(
            log,
            anchors=[anchor for file in against for anchor in anchors_in(file)],
            key=None if key is None else public_key(key),
            progress=_progress if sys.stderr.isatty() else None,
        )
    finally:  # an error needs a clean line as well
        if sys.stderr.isatty():
            click.echo("\r\x1b[K", err=True, nl=False)


def _refuse_itself(anchor: Path, log: Path) -> None:
    """Refuse a file of the log itself as its anchor: it would always have its link."""
    from tidegate.cyclelog.disk import past_named

    files = [log, *(past_named(log) if log.parent.is_dir() else ())]
    if any(
        file.exists() and anchor.exists() and file.samefile(anchor) for file in files
    ):
        raise click.UsageError(
            f"--against {anchor} is of the log itself, which proves nothing; name what "
            "was kept elsewhere."
        )


def printable(line: str) -> str:
    """Return a line without anything that could move the cursor or begin another one.

    Some of it was read from a file that somebody may have tampered with.
    """
    return "".join(
        char if char.isprintable() else "\N{REPLACEMENT CHARACTER}" for char in line
    )


def public_key(named: str) -> str:
    """Return the public key, or its fingerprint, in hex. Errors: UsageError, LogError."""
    from tidegate.cyclelog import keys, signing

    text = named.strip().lower()
    if signing.HEX_32.fullmatch(text):
        return text
    path = Path(named)
    if not path.is_file():
        raise click.UsageError(f"--key {named} is neither 64 hex digits nor a file.")
    text = path.read_text(encoding="utf-8", errors="replace")
    if "PRIVATE KEY" in text:
        raise click.UsageError(
            f"{named} is a private key, which is nobody's but the device's; name the "
            "public_key of a signed head."
        )
    if "BEGIN PUBLIC KEY" in text:
        return keys.public_key_of_pem(text)
    found: set[str] = set(
        re.findall(r'"public_key"\s*:\s*"([0-9a-f]{64})"', text.lower())
    )
    found |= set(re.findall(r"\A\s*([0-9a-f]{64})\s*\Z", text.lower()))
    if len(found) != 1:
        raise click.UsageError(
            f"--key: {named} holds {len(found) or 'no'} public keys."
        )
    return found.pop()


def as_document(verdict: Verdict) -> dict[str, Any]:
    """Return the verdict under the stable keys of ``log verify --json``."""
    fault = verdict.fault
    file = verdict.fault_file
    return {
        "ok": fault is None,
        "anchored": verdict.anchored,
        "rows": verdict.rows,
        "links": verdict.links,
        "first_fault": None
        if fault is None
        else {
            "row": fault.row,
            "kind": fault.kind,
            "what": fault.what,
            "file": None if file is None else str(file),
        },
        "head": _head(verdict),
        "files": [_file(each) for each in verdict.files],
        "set_aside": [str(path) for path in verdict.set_aside],
        "anchors": [_anchor(each) for each in verdict.anchors],
        "notes": list(verdict.notes),
    }


def _at(wall_ms: int) -> str:
    from tidegate.cyclelog.signing import moment

    return moment(wall_ms)


def _head(verdict: Verdict) -> dict[str, Any] | None:
    if verdict.head is None:
        return None
    path, link = verdict.head
    return {
        "file": str(path),
        "link": link.digest,
        "number": link.number,
        "row": link.row,
        "at": _at(link.wall_ms),
    }


def _file(file: FileChecked) -> dict[str, Any]:
    examined = file.examined
    return {
        "file": str(file.path),
        "rows": examined.rows,
        "links": examined.links,
        "first_link": examined.first or None,
        "last_link": examined.last.digest if examined.last else None,
    }


def _anchor(checked: AnchorChecked) -> dict[str, Any]:
    anchor = checked.anchor
    return {
        "file": str(anchor.source),
        "kind": anchor.kind,
        "link": anchor.link,
        "number": anchor.number,
        "row": anchor.row,
        "found_in": None if checked.file is None else str(checked.file),
        "fault": None if checked.fault is None else checked.fault.kind,
        "public_key": None if anchor.signed is None else anchor.signed.public_key,
        "signed_at": None if anchor.signed is None else anchor.signed.head.signed_at,
    }


def as_text(verdict: Verdict) -> list[str]:
    """Return the answer in its first line, then the files, the head and the anchors."""
    fault, count = verdict.fault, len(verdict.files)
    written = f"{verdict.rows} rows and {verdict.links} links are as written"
    if fault is None:
        lines = [f"Whole: {written}, in {count} file{'' if count == 1 else 's'}."]
    else:
        row = "" if fault.row is None else f" at row {fault.row}"
        file = "" if verdict.fault_file is None else f" of {verdict.fault_file.name}"
        lines = [
            f"Fault: {fault.kind}{row}{file}: {fault.what}.",
            f"Before it, {written}.",
        ]
    for each in verdict.files if count > 1 else ():
        examined = each.examined
        lines.append(
            f"  {each.path.name}: {examined.rows} rows, {examined.links} links"
        )
    lines += [f"Set aside, and not verified: {path.name}" for path in verdict.set_aside]
    if verdict.head is not None:
        path, link = verdict.head
        lines.append(
            f"Head: {link.digest} (link {link.number} of {path.name}, row {link.row}, "
            f"{_at(link.wall_ms)})"
        )
    return lines + _anchored(verdict)


def _anchored(verdict: Verdict) -> list[str]:
    if not verdict.anchors:
        return [UNANCHORED]
    lines = []
    for each in verdict.anchors:
        if each.fault is not None:
            said = f"{each.fault.kind}: {each.fault.what}"
        elif each.file is None:
            said = "not reached"
        else:
            said = f"{each.anchor.where} is in {each.file.name}"
        lines.append(f"Anchor {each.anchor.source.name}: {said}{_signer(each)}.")
    if verdict.anchored:
        lines.append(
            "What came after the newest anchor could be cut off without a trace."
        )
    return lines


def _signer(checked: AnchorChecked) -> str:
    signed = checked.anchor.signed
    if signed is None or checked.fault is not None:
        return ""
    return f", signed {signed.head.signed_at} by the key {signed.public_key}"


def _progress(rows: int, about: int) -> None:
    click.echo(f"\r{rows} of about {about} rows", err=True, nl=False)
