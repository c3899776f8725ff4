"""What the commands share: --config, --log, --html, --json, the station, output.

stdout is data, stderr is talk.
"""

from __future__ import annotations

import difflib
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from tidegate.words import in_json

if TYPE_CHECKING:
    from tidegate.settings import Settings

F = TypeVar("F", bound=Callable[..., Any])

_CONFIG = "tidegate.config"
_LOG = "tidegate.log"


def config_option(function: F) -> F:
    """Add ``--config FILE``; ``load_settings`` finds its value."""
    return click.option(
        "--config",
        type=click.Path(path_type=Path),
        metavar="FILE",
        expose_value=False,
        callback=_keep_config,
        help="Settings file; else $TIDEGATE_CONFIG, the place for your own settings, "
        "/etc/tidegate/tidegate.toml.",
    )(function)


def log_option(function: F) -> F:
    """Add ``--log FILE``; ``log_path`` finds its value."""
    return click.option(
        "--log",
        # Not click's own check: what cannot be read is no wrong usage.
        type=click.Path(path_type=Path, readable=False),
        metavar="FILE",
        expose_value=False,
        callback=_keep_log,
        help="The cycle log; else `log.path` of the settings.",
    )(function)


def json_option(function: F) -> F:
    """Add ``--json``, handed to the command as ``as_json``."""
    return click.option(
        "--json", "as_json", is_flag=True, help="Print one JSON document."
    )(function)


def html_option(function: F) -> F:
    """Add ``--html FILE``, handed to the command as ``html``."""
    return click.option(
        "--html",
        type=click.Path(path_type=Path, dir_okay=False),
        metavar="FILE",
        help="Write the page to this file as well: pictures and tables, one file, "
        "offline.",
    )(function)


def station_argument(function: F) -> F:
    """Add an optional ``STATION``, handed to the command as ``station``."""
    return click.argument("station", required=False, shell_complete=known_stations)(
        function
    )


def known_stations(
    ctx: click.Context, parameter: click.Parameter, begun: str
) -> list[str]:
    """Return the stations of the settings for a shell that completes a name.

    Settings that are wrong or not readable complete nothing: whoever presses a key
    has asked no question yet.
    """
    from tidegate.errors import TidegateError

    try:
        settings = load_settings(ctx)
    except (TidegateError, OSError):
        return []
    names = (*settings.stations, *settings.unsupported)
    return [name for name in names if name.startswith(begun)]


def config_path(ctx: click.Context) -> Path | None:
    """Return what ``--config`` named, on this command or one before it."""
    path: Path | None = ctx.meta.get(_CONFIG)
    return path


def log_path(ctx: click.Context) -> Path:
    """Return what ``--log`` named, else the log of the settings.

    Whoever audits a log needs no settings. Errors: SettingsError, SettingsMissing
    without ``--log``.
    """
    named: Path | None = ctx.meta.get(_LOG)
    if named is not None:
        return named
    return Path(load_settings(ctx).log.path)


def control_path(ctx: click.Context) -> Path:
    """Return the control socket of the daemon that the settings are for.

    Whoever may order need not be able to read them: without any, it is where a daemon
    puts it by itself. Errors: SettingsError; DaemonAbsent where it is switched off.
    """
    # pydantic is heavy, and help must be quick.
    from tidegate.control.place import client_place
    from tidegate.errors import DaemonAbsent, SettingsError, SettingsMissing
    from tidegate.settings.control_alone import control_alone

    try:
        control = control_alone(config_path(ctx))
    except SettingsMissing:
        raise
    except SettingsError:
        # A daemon that runs has read better ones; it can still be told.
        place = client_place()
        if os.path.lexists(place):
            return place
        raise
    if not control.enabled:
        raise DaemonAbsent(
            "the control socket is switched off in the settings",
            remedy="Set `enabled = true` in [control] and start the daemon again",
        )
    return Path(control.socket or client_place())


def same_settings(ctx: click.Context) -> dict[str, Any]:
    """Return the argument with which a daemon of other settings refuses.

    Two daemons may have a station of the same name. Empty where there are no settings
    to go by.
    """
    from tidegate.settings.load import main_file

    main, _ = main_file(config_path(ctx), os.environ)
    return {"config": os.path.realpath(main)} if os.path.lexists(main) else {}


def load_settings(ctx: click.Context) -> Settings:
    """Return the operator's settings. Errors: SettingsError, SettingsMissing."""
    # pydantic is heavy, and help must be quick.
    from tidegate import settings

    return settings.load(config_path(ctx))


def station_names(settings: Settings, named: str | None) -> list[str]:
    """Return the station named, or all of them where none is.

    Errors: click.UsageError for a name that is not in the settings, Unsupported for
    one that this machine cannot run.
    """
    if named is None:
        return list(settings.stations)
    if named in settings.unsupported:
        raise settings.unsupported[named]
    if named in settings.stations:
        return [named]
    known = [*settings.stations, *settings.unsupported]
    close = difflib.get_close_matches(named, known, n=1, cutoff=0.5)
    hint = f"did you mean {close[0]}?" if close else f"there are {', '.join(known)}."
    raise click.UsageError(f"There is no station {named!r} in the settings; {hint}")


def print_json(document: Any) -> None:
    """Print one JSON document on stdout."""
    click.echo(in_json(json.dumps(document, indent=2, ensure_ascii=False)))


def say(text: str) -> None:
    """Say something to the person, on stderr."""
    click.echo(text, err=True)


def _keep_log(
    ctx: click.Context, parameter: click.Parameter, value: Path | None
) -> None:
    if value is not None:
        ctx.meta[_LOG] = value


def _keep_config(
    ctx: click.Context, parameter: click.Parameter, value: Path | None
) -> None:
    if value is not None:
        ctx.meta[_CONFIG] = value
