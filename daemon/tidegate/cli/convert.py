"""``tidegate convert``: sizing of a battery eliminator."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from tidegate.cli.convert_options import design_options
from tidegate.cli.exits import Code
from tidegate.cli.logged import one_of
from tidegate.cli.options import (
    config_option,
    html_option,
    json_option,
    log_option,
    log_path,
    print_json,
    say,
    station_argument,
)

if TYPE_CHECKING:
    from tidegate.eliminator.measured import Measured
    from tidegate.history import Series


@click.command(
    epilog="Opening a device, cutting cell leads and soldering near a cell are work "
    "for trained people. Numbers here never overrule a data sheet or local law."
)
@station_argument
@design_options
@log_option
@html_option
@config_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    /,
    station: str | None,
    html: Path | None,
    *,
    as_json: bool,
    **options: Any,
) -> int:
    """Size a battery eliminator: a supply that stands in for a removed battery.

    Source, cable, contacts, regulator, hold-up capacitors, inrush, fuse and the way
    back are worked out, and each check shows its number, limit, margin, formula and
    source. What nobody said is taken as shown in [brackets], and told.

    A quantity has its unit: 1.2A, 800mA, 5W, 3.85V, 50ms, 2m, 30mohm, 10mF, 20%, 40C,
    40K/W. SOURCE is usb2, usb3, bc1.2, type-c, type-c-1.5a, type-c-3a, or a voltage and
    a current: 5V/3A.

    Without --load the load is what the log of STATION shows on battery alone.

    \b
    Examples (an invented museum):
      tidegate convert --load 1.2A --port unfed --thermal 40K/W
      tidegate convert hall --load 4W --peak 8W --for 50ms --regulator switching
      tidegate convert hall --log /mnt/copy/cycles.db --html hall.html
      tidegate convert --load 1A --source usb2 --cable 0.5mm2 --out 4.2V

    Exit code 0: all checks pass; 1: one fails or cannot be told; 64: usage; 65: a log
    that does not tell the load; 66: no such file; 74: the disk.
    """  # noqa: D301 - click takes this character for "leave these lines alone"
    # Late, so that help needs none of it.
    from tidegate.cli.convert_question import asked_of
    from tidegate.cli.convert_text import lines
    from tidegate.eliminator.document import as_document
    from tidegate.eliminator.sizing import sized
    from tidegate.report.cautions import CAUTIONS

    given = {
        f"--{name.strip('_').replace('_', '-')}": options[name] for name in options
    }
    load = None
    chemistry = "unknown"
    if given["--load"] is None:
        series, load = _logged(ctx, station)
        station = station or series.station or None
        chemistry = _known(series.given.chemistry)
    made = sized(asked_of(given, measured=load, chemistry=chemistry))
    if html is not None:
        from tidegate.report import convert_page

        convert_page.write(made, html, station=station)
        say(f"Wrote {html}.")
    if as_json:
        print_json(as_document(made, station=station, cautions=CAUTIONS))
    else:
        click.echo("\n".join(lines(made, station=station)))
    return Code.DONE if made.passes else Code.NO


def _logged(ctx: click.Context, station: str | None) -> tuple[Series, Measured]:
    """Return the log of a station and the load that it tells.

    Errors: click.UsageError where neither a load nor a log is named; LogError and
    SettingsError; LogEmpty for a log that does not tell it.
    """
    from tidegate.eliminator.measured import measured
    from tidegate.errors import LogEmpty
    from tidegate.history import opened, stations_in

    is_named = ctx.get_parameter_source("log") is ParameterSource.COMMANDLINE
    if station is None and not is_named:
        raise click.UsageError(
            "Say --load, such as --load 1.2A or --load 5W, or a STATION whose log "
            "tells it."
        )
    path = log_path(ctx)
    names = stations_in(path)
    series = opened(path, one_of(station, names, path))
    load = measured(series)
    if load is None:
        raise LogEmpty(
            f"{path} does not tell what the device draws: it holds no current of a "
            "trusted sign out of the battery with the supply off",
            remedy="Say it: --load 1.2A or --load 5W.",
        )
    return series, load


def _known(chemistry: str) -> str:
    from tidegate.eliminator.cell import CELLS

    return chemistry if chemistry in CELLS else "unknown"
