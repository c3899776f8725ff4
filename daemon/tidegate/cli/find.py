"""``tidegate find``: the gauges and relays in reach, with settings to paste."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import click

from tidegate.cli.exits import Code, fail
from tidegate.cli.options import json_option, print_json, say

if TYPE_CHECKING:
    from tidegate.find import Source

WIDTH_MOST: Final = 100
LEAST, MOST = "1s", "5min"


def _seconds(ctx: click.Context, parameter: click.Parameter, value: str) -> float:
    """Return the seconds of a time that is written as in the settings."""
    # pydantic is behind it, and help must be quick.
    from tidegate.settings.durations import duration_ms

    try:
        limit_ms = duration_ms(value)
    except ValueError as error:
        raise click.BadParameter(str(error), ctx, parameter) from error
    if not duration_ms(LEAST) <= limit_ms <= duration_ms(MOST):
        said = f'found "{value}", allowed is "{LEAST}" to "{MOST}".'
        raise click.BadParameter(said, ctx, parameter)
    return limit_ms / 1_000


@click.command()
@click.option(
    "--probe",
    metavar="PORT",
    help="Also open this one port and ask the board on it what it is. A board may move "
    "its contacts when its port is opened. Without this nothing is opened.",
)
@click.option(
    "--limit",
    "limit_s",
    callback=_seconds,
    default="8s",
    show_default=True,
    metavar="TIME",
    help='How long each kind may search, such as "8s".',
)
@json_option
def command(probe: str | None, limit_s: float, *, as_json: bool) -> int:
    """List the gauges and relays in reach, with settings to paste.

    Every kind searches at the same time: batteries of this machine, Android devices
    at its adb server, serial ports, relay boards, hub ports, GPIO lines, Bluetooth.
    What was passed over is listed too, with the reason. Nothing is switched.

    \b
    A first station:
      1. tidegate find               shows lines such as
           gauge = { kind = "sysfs", name = "BAT0" }
      2. put one gauge and one relay into a settings file:
           [station.lobby]
           gauge = ...
           relay = ...
           window = { low = 55, high = 65 }
      3. tidegate settings check     says whether they are right
      4. tidegate read lobby         shows what the gauge says

    Exit code 0: something a station could use was found; 69: nothing; 70: a survey
    of ours has a fault; 75: another tidegate holds the port to probe.
    """  # noqa: D301 - click takes this character for "leave these lines alone"
    # Late, so that --help needs neither pydantic nor the backends.
    from tidegate import notice
    from tidegate.cli import found
    from tidegate.find import look

    notice.configure(level="error")
    warnings: list[str] = []

    def warn(text: str) -> None:
        warnings.append(text)
        say(f"warning: {text}")

    for text in _collisions():
        warn(text)
    sources = look(limit_s=limit_s, probe=probe, said=_progress, warn=warn)
    if as_json:
        print_json(found.as_document(sources, warnings))
    else:
        click.echo("\n".join(found.as_text(sources, width=_width())))
    return exit_code(sources)


def exit_code(sources: Sequence[Source]) -> Code:
    """Return the code of a search; a fault of ours is said as any other."""
    from tidegate.cli.found import things_of
    from tidegate.find import State

    for source in sources:
        # A fault of somebody else's backend is a line; one of ours must not be missed.
        if source.state is State.BROKEN and source.distribution == "tidegate":
            assert source.error is not None
            return fail(source.error)
    usable = any(thing.line is not None for thing in things_of(sources))
    return Code.DONE if usable else Code.UNAVAILABLE


def _collisions() -> list[str]:
    from tidegate.registry import ROLES

    return [
        text
        for kinds in ROLES.values()
        for kind in kinds.known()
        for text in kinds.passed_over(kind)
    ]


def _progress(source: Source) -> None:
    """Say on stderr how the search of one kind went."""
    from tidegate.find import State

    if source.state is State.BY_HAND:
        return
    went = {State.SEARCHED: "", State.CUT: ", given up"}.get(
        source.state, f", {source.state.value}"
    )
    count = len(source.things)
    say(f"{source.role} {source.kind}: {count} in {source.took_s:.1f} s{went}")


def _width() -> int | None:
    """Return where to break lines; ``None`` for a file or a pipe, where nothing is."""
    if not sys.stdout.isatty():
        return None
    return min(shutil.get_terminal_size().columns, WIDTH_MOST)
