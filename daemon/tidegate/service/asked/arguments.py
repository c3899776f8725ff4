"""Arguments of a question, checked: wrong ones are the asker's fault, said plainly."""

from __future__ import annotations

import difflib
import os
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any, Final, NoReturn

from tidegate.control.protocol import TEXT_MOST, WHERE, is_one_line
from tidegate.errors import Malformed, OrderRefused
from tidegate.words import visible

if TYPE_CHECKING:
    from tidegate.service.root import Service
    from tidegate.station.shell import Station

PATH_MOST: Final = 4_096
# What any question may carry; ``check_settings`` reads it.
CONFIG: Final = "config"


def only(arguments: Mapping[str, Any], *known: str) -> None:
    """Refuse arguments that nobody knows: they would seem to have been heard.

    Errors: Malformed.
    """
    for name in arguments:
        if name not in known and name != CONFIG:
            _wrong(name, f"is unknown, known are {', '.join(known) or 'none'}")


def text(
    arguments: Mapping[str, Any],
    name: str,
    *,
    default: str | None = None,
    most: int = TEXT_MOST,
) -> str:
    """Return a text of one line. Errors: Malformed; too where it is not there and has
    no default.
    """
    value = arguments.get(name, default)
    if not isinstance(value, str):
        _wrong(name, "needs a text")
    value = value.strip()
    if len(value) > most:
        _wrong(name, f"is longer than {most} characters")
    if not is_one_line(value):
        _wrong(name, "holds control characters or line ends")
    return value


def whole(arguments: Mapping[str, Any], name: str, *, least: int, most: int) -> int:
    """Return a whole number within bounds. Errors: Malformed."""
    value = arguments.get(name)
    if type(value) is not int or not least <= value <= most:
        _wrong(name, f"needs a whole number from {least} to {most}")
    return value


def choice(arguments: Mapping[str, Any], name: str, known: Iterable[str]) -> str:
    """Return one of the known words. Errors: Malformed."""
    value, words = arguments.get(name), tuple(known)
    if value not in words:
        _wrong(name, f"needs one of {', '.join(words)}")
    return str(value)


def flag(arguments: Mapping[str, Any], name: str) -> bool:
    """Return a yes or no, no where it is not there. Errors: Malformed."""
    value = arguments.get(name, False)
    if not isinstance(value, bool):
        _wrong(name, "needs true or false")
    return value


def station_of(service: Service, arguments: Mapping[str, Any]) -> Station:
    """Return the station that ``station`` names.

    Errors: Malformed, OrderRefused where none of that name is running.
    """
    check_settings(service, arguments)
    name = text(arguments, "station")
    station = service.stations.get(name)
    if service.is_ending:
        raise OrderRefused("the daemon is stopping; the supply goes on everywhere")
    if why := service.turnover.names.get(name):
        raise OrderRefused(
            f"station {name} is out for {why}", remedy="Wait until that is over"
        )
    if station is not None:
        return station
    if name in service.settings.unsupported:
        raise service.settings.unsupported[name]
    known = [*service.stations]
    close = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    hint = f"Did you mean {close[0]}?" if close else f"There are {', '.join(known)}"
    raise OrderRefused(f"the daemon has no station {name}", remedy=hint)


def check_settings(service: Service, arguments: Mapping[str, Any]) -> None:
    """Refuse who means a daemon of other settings, as far as they say which.

    Errors: Malformed, OrderRefused.
    """
    if CONFIG not in arguments:
        return
    meant = text(arguments, CONFIG, most=PATH_MOST)
    files = service.settings.files
    if files and os.path.realpath(files[0]) != meant:
        raise OrderRefused(
            f"the daemon that answers runs on {files[0]}, and you mean that of {meant}",
            remedy=f"Say --config {files[0]}, or start a daemon with the other file",
        )


def _wrong(name: str, what: str) -> NoReturn:
    raise Malformed(
        f"the argument {visible(name[:40])!r} {what}",
        target=WHERE,
        remedy="Use the same tidegate for the daemon and for its commands",
    )
