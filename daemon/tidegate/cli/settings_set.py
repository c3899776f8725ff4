"""``tidegate settings set``: a value into conf.d, checked, and into the daemon."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import click

from tidegate.cli.exits import Code
from tidegate.cli.options import (
    config_option,
    config_path,
    control_path,
    json_option,
    load_settings,
    print_json,
    same_settings,
    say,
)
from tidegate.cli.set_file import UNSET, Edit, SetFile, edited
from tidegate.cli.set_key import DEFAULTS, STATION, key_of, value_of
from tidegate.cli.settings_check import checked, station_lines
from tidegate.cli.settings_reload import LIMIT_S, answer_lines, change_lines
from tidegate.control.client import Client
from tidegate.errors import DaemonAbsent, TidegateError, Unavailable
from tidegate.settings import Settings
from tidegate.settings.changes import changes
from tidegate.settings.files import Place
from tidegate.settings.load import main_file
from tidegate.settings.problems import KeyPath

_NEXT_START: Final = (
    "the change counts when the daemon next starts; the cycle log then shows it in the "
    "settings of the station"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plan:
    """What is to be written, and what the settings are before and after."""

    before: str | None
    text: str
    old: Settings
    new: Settings
    keys: tuple[KeyPath, ...]
    is_set: frozenset[KeyPath]


# A number below zero looks like an option, and is a value here.
@click.command(context_settings={"ignore_unknown_options": True})
@click.argument("pairs", nargs=-1, type=click.UNPROCESSED, metavar="[KEY VALUE]...")
@click.option(
    "--unset",
    multiple=True,
    metavar="KEY",
    help="Take a key out again that was set with this command.",
)
@click.option(
    "--dry-run", is_flag=True, help="Check and show it; write nothing, tell nobody."
)
@config_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    pairs: tuple[str, ...],
    unset: tuple[str, ...],
    *,
    dry_run: bool,
    as_json: bool,
) -> int:
    """Set KEY to VALUE in conf.d/90-set.toml beside the settings file.

    KEY begins with a station, with `defaults` or with another table (`station.NAME`
    works too). VALUE is as in the file; text needs no quotes of its own, unless it
    looks like a number. Several pairs are checked together.

    All settings are checked as they would be; wrong ones are refused, and nothing is
    written. A running daemon takes the change at once, and keeps in its cycle log who
    made it. If it refuses, the file is put back. Without a daemon the change counts at
    the next start. A file that comes later in conf.d wins, and is named.

    \b
    Examples (an invented museum):
      tidegate settings set hall.window.low 50
      tidegate settings set hall.window "{ low = 40, high = 60 }"
      tidegate settings set defaults.poll 1min tower.dwell.off 5min
      tidegate settings set --unset hall.window.low
      tidegate settings set hall.limits.floor 30 --dry-run

    Exit code 0: done; 1: refused for now, or not set; 64: usage; 69: the daemon did not
    answer; 75: somebody else keeps them locked; 77: you may not; 78: the settings would
    be wrong.
    """  # noqa: D301 - click takes this character for "leave these lines alone"
    old = load_settings(ctx)
    edits = _edits(pairs, unset, [*old.stations, *old.unsupported])
    document = carried_out(ctx, old, edits, dry_run=dry_run)
    if as_json:
        print_json(document)
    else:
        for line in lines_of(document):
            click.echo(line)
    return Code.DONE


def carried_out(
    ctx: click.Context, old: Settings, edits: Sequence[Edit], *, dry_run: bool = False
) -> dict[str, Any]:
    """Check, write and tell the daemon; return what came of it, as JSON data.

    ``old`` are the settings as they are. Errors: SettingsError, and then nothing is
    written; OrderRefused, NotPermitted, Busy, Unavailable, OSError.
    """
    main, _ = main_file(config_path(ctx), os.environ)
    file = SetFile(main)
    if dry_run:
        return _document(file, _planned(file, old, edits), None, written=False)
    with file.held() as has_waited:
        if has_waited:
            old = load_settings(ctx)  # what others changed meanwhile is not ours
        plan = _planned(file, old, edits)
        answer = _told(ctx, file, plan)
    return _document(file, plan, answer, written=True)


def _edits(
    pairs: tuple[str, ...], unset: tuple[str, ...], stations: list[str]
) -> list[Edit]:
    if len(pairs) % 2:
        # Which one it is nobody can tell, and a value may be a secret.
        raise click.UsageError("A key has no value; say KEY VALUE.")
    if not pairs and not unset:
        raise click.UsageError("Say KEY VALUE, or --unset KEY.")
    keys = zip(pairs[::2], pairs[1::2], strict=True)
    edits: list[Edit] = [(key_of(key, stations), value_of(text)) for key, text in keys]
    return [*edits, *((key_of(key, stations), UNSET) for key in unset)]


def _planned(file: SetFile, old: Settings, edits: Sequence[Edit]) -> _Plan:
    before = file.text()
    text = edited(before, edits)
    return _Plan(
        before=before,
        text=text,
        old=old,
        new=file.settings_with(text),
        keys=tuple(dict.fromkeys(path for path, _ in edits)),
        is_set=frozenset(path for path, value in edits if value is not UNSET),
    )


# --- writing and telling ------------------------------------------------------------------


def _told(ctx: click.Context, file: SetFile, plan: _Plan) -> Mapping[str, Any] | None:
    """Write the file and let the daemon take it; return what it answers, if it runs.

    Errors: what the daemon refuses with, the file as it was before.
    """
    try:
        client = Client.connect(control_path(ctx))
    except DaemonAbsent as error:
        _say_all(file.write(plan.text))
        # Not before: nothing counts where it could not be written.
        say(f"{error.what}: {_NEXT_START}")
        return None
    with client:
        _say_all(file.write(plan.text))
        try:
            return client.ask(
                "reload",
                limit_s=LIMIT_S,
                keys=[".".join(key) for key in plan.keys],
                file=os.path.realpath(file.path),
                **same_settings(ctx),
            )
        except DaemonAbsent as error:
            say(f"{error.what}: {_NEXT_START}")
            return None
        except Unavailable:
            say(f"{file.path} is written; whether the daemon took it is not known")
            raise
        except TidegateError:
            _put_back(file, plan.before)
            raise
        except KeyboardInterrupt:
            say(f"{file.path} is written; whether the daemon took it is not known")
            raise


def _put_back(file: SetFile, before: str | None) -> None:
    try:
        file.write(before)
    except (TidegateError, OSError) as error:
        # Why it was refused is still to be said; this must not stand in its place.
        say(
            f"the daemon does not take it, and {file.path} could not be put back "
            f"({error}): it still says what was refused, so edit it"
        )
        return
    was = "is as it was" if before is not None else "is not there, as before"
    say(f"the daemon does not take it, so {file.path} {was}")


def _say_all(texts: Iterable[str]) -> None:
    for text in texts:
        say(f"warning: {text}")


# --- what is said -------------------------------------------------------------------------


def _document(
    file: SetFile,
    plan: _Plan,
    answer: Mapping[str, Any] | None,
    *,
    written: bool,
) -> dict[str, Any]:
    changed = changes(plan.old, plan.new)
    names = {each.key for each in changed}
    document = checked(plan.new)
    stations = [
        each
        for each in document["stations"]
        if any(key.startswith(f"{STATION}.{each['station']}.") for key in names)
    ]
    return {
        "file": str(file.path),
        "written": written,
        "keys": [".".join(key) for key in plan.keys],
        "changed": [each.document() for each in changed],
        "outdone_by": [
            {"key": ".".join(key), "file": str(place.file), "line": place.line}
            for key, place in _outdone(file.path, plan)
        ],
        "warnings": document["warnings"],
        "stations": stations,
        "daemon": answer,
    }


def _outdone(path: Path, plan: _Plan) -> Iterable[tuple[KeyPath, Place]]:
    """Yield the keys that were set and are not in force, with who set them instead."""
    for key in plan.is_set:
        for full, place in plan.new.places.items():
            if full[: len(key)] == key and place.file != path:
                yield full, place
            if key[0] == DEFAULTS and _is_own(full, place, key):
                yield full, place


def _is_own(full: KeyPath, place: Place, key: KeyPath) -> bool:
    """Whether a station says itself what was set for all."""
    below = full[0] == STATION and full[2 : 1 + len(key)] == key[1:]
    return below and place.key[0] != DEFAULTS


def lines_of(document: Mapping[str, Any]) -> list[str]:
    """Return what was changed, in words."""
    lines = change_lines(document["changed"])
    if not lines:
        lines.append("no value in force is another than before")
    for each in document["outdone_by"]:
        line = "" if each["line"] is None else f":{each['line']}"
        lines.append(f"{each['key']} stays as {each['file']}{line} says")
    for station in document["stations"]:
        lines += station_lines(station)
    lines += [f"warning: {text}" for text in document["warnings"]]
    verb = "written" if document["written"] else "not written, as this is a dry run"
    lines.append(f"{verb}: {document['file']}")
    if document["daemon"] is not None:
        lines += [f"daemon: {text}" for text in answer_lines(document["daemon"])]
    return lines
