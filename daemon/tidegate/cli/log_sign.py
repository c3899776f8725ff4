"""``tidegate log sign``: the end of the log, signed by the key of this device."""

from __future__ import annotations

import json
import os
import tempfile
from pathlib import Path

import click

from tidegate.cli.exits import Code
from tidegate.cli.options import config_option, log_option, log_path, say


@click.command()
@log_option
@click.option(
    "--key",
    type=click.Path(path_type=Path, readable=False),
    metavar="FILE",
    help="The private key; made if there is none. Else beside the log, with .key.",
)
@click.option(
    "--to",
    type=click.Path(path_type=Path, dir_okay=False, readable=False),
    metavar="FILE",
    help="Write the signed head to this file as well.",
)
@config_option
@click.pass_context
def command(ctx: click.Context, key: Path | None, to: Path | None) -> int:
    """Sign the end of the cycle log as it is now, with the Ed25519 key of this device.

    Prints the signed head, one JSON document. Keep it, and the public key in it, where
    whoever could change the log cannot: `tidegate log verify --against` finds what was
    cut off or written again since.

    A signature proves which key signed, and no more. Whoever owns the device can write
    another log and sign that. It does not verify the log either: `log verify` does.

    The key is made on first use, readable by this user only, and never written over.
    On a read-only folder name another place with --key. Exit code 0: signed; 65: no
    log, or no key in the key's file; 66: no such file; 69: the library is not
    installed; 74: the disk; 77: a key that is not private to this user, or a place
    that this user may not use.
    """
    path = log_path(ctx)
    # Late, so that help needs none of it.
    from tidegate.clock import SystemClock
    from tidegate.cyclelog import keys, signing
    from tidegate.cyclelog.reader import Reader

    place = keys.key_path(path) if key is None else key
    if to is not None:
        _refuse(to, place)
    with Reader(path) as reader:
        head = signing.head_of(reader, wall_ms=SystemClock().wall_ms())
    private, is_new = keys.device_key(place)
    signed = keys.sign(private, head)
    text = json.dumps(signing.document_of(signed), indent=2, ensure_ascii=False)
    if to is not None:
        _write(to, f"{text}\n")
    click.echo(text)
    if is_new:
        say(
            f"Made the key {place}. Keep its public key elsewhere, to know it again: "
            f"{signed.public_key}"
        )
    return Code.DONE


def _refuse(to: Path, key: Path) -> None:
    """Refuse to write over a log or a key. Errors: UsageError."""
    if to.resolve() == key.resolve():
        raise click.UsageError(f"--to {to} is the key itself; name another file.")
    if not to.is_file():
        return
    with to.open("rb") as file:
        start = file.read(100)
    if start.startswith(b"SQLite format 3\0") or b"PRIVATE KEY" in start:
        raise click.UsageError(
            f"--to {to} is a log or a key, which is never written over; name another "
            "file."
        )


def _write(path: Path, text: str) -> None:
    """Write a file whole or not at all; into what is no file (a pipe) as it comes."""
    path = path.resolve()
    if path.exists() and not path.is_file():
        path.write_text(text, encoding="utf-8")
        return
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}-")
    except OSError as error:  # the name that failed is none that the person gave
        raise type(error)(error.errno, error.strerror, str(path)) from error
    written = Path(name)
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fchmod(file.fileno(), 0o666 & ~_umask())
            os.fsync(file.fileno())
        written.replace(path)
    except BaseException:
        written.unlink()
        raise


def _umask() -> int:
    # It can only be read by setting it.
    mask = os.umask(0o077)
    os.umask(mask)
    return mask
