"""``tidegate read``: one reading of a station, raw and judged."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

import click

from tidegate.cli.exits import Code
from tidegate.cli.options import (
    config_option,
    control_path,
    json_option,
    load_settings,
    print_json,
    same_settings,
    say,
    station_argument,
    station_names,
)
from tidegate.errors import (
    DaemonAbsent,
    Malformed,
    NotPermitted,
    OrderRefused,
    Unsupported,
)
from tidegate.words import visible

if TYPE_CHECKING:
    from tidegate.core.reading import Reading
    from tidegate.settings import StationSettings

LIMIT_S: Final = 5.0
CLOSE_LIMIT_S: Final = 2.0

_WORDS: Final = {
    "not_present": "there is no battery",
    "level_only": "the battery gives only a coarse level, no percentage",
    "out_of_range": "the state of charge is outside 0 to 100 %",
    "all_zero": "the gauge answers nothing but zeros or ones",
    "slow": "the read took longer than 5 s",
    "stale": "the sample is too old",
    "jump": "the state of charge leapt and is not confirmed",
    "unit_mismatch": "two quantities are in different units",
    "frozen": "the values never change",
    "updates_stopped": "somebody froze the device's battery service",
}


@click.command()
@station_argument
@config_option
@json_option
@click.pass_context
def command(ctx: click.Context, station: str | None, *, as_json: bool) -> int:
    """Read the gauge of STATION once and say whether the reading can be trusted.

    STATION may be left out when the settings hold only one. A daemon that runs it reads
    it in its turn and logs that as any reading; else the gauge is read from here, and
    nothing is logged. Nothing is switched.

    \b
    Examples (an invented museum):
      tidegate read hall
      tidegate read hall --json | jq .soc_percent

    Exit code 0: trusted; 1: not trusted; 64: usage; 69: nothing to read.
    """  # noqa: D301 - click takes this character for "leave these lines alone"
    document = _document(ctx, station)
    trusted = document["trusted"] is True
    if as_json:
        print_json(document)
    else:
        click.echo(as_text(document))
        if not trusted and document["raw"]:
            said = "\n".join(map(visible, str(document["raw"]).rstrip().split("\n")))
            say(f"The gauge said:\n{said}")
    return Code.DONE if trusted else Code.NO


def _document(ctx: click.Context, station: str | None) -> Mapping[str, Any]:
    """Return the reading, from the daemon where one runs the station."""
    if station is not None and (found := _of_daemon(ctx, station)) is not None:
        return found
    settings = load_settings(ctx)
    names = station_names(settings, station)
    if not names:
        raise next(iter(settings.unsupported.values()))
    if len(names) > 1:
        known = ", ".join(names)
        raise click.UsageError(f"Which station? The settings hold {known}.", ctx)
    name = names[0]
    if station is None and (found := _of_daemon(ctx, name)) is not None:
        return found
    from tidegate.station.reading_document import as_document

    chosen = settings.stations[name]
    return as_document(name, chosen.gauge.kind, asyncio.run(_read(name, chosen)))


def _of_daemon(ctx: click.Context, station: str) -> Mapping[str, Any] | None:
    """Return what a running daemon reads; None where none has this station for us."""
    from tidegate.control.client import Client
    from tidegate.control.protocol import WHERE

    try:
        with Client.connect(control_path(ctx)) as client:
            return client.ask("read", station=station, **same_settings(ctx))
    except (DaemonAbsent, NotPermitted, OrderRefused):
        # Nothing that runs here answers for it; then the gauge is read from here.
        return None
    except (Malformed, Unsupported) as error:
        if error.target != WHERE:
            raise  # the gauge's own
        return None  # a daemon of another version


async def _read(name: str, settings: StationSettings) -> Reading:
    # Late, so that --help needs neither pydantic nor the backends.
    from tidegate.assembly import make_gauge
    from tidegate.clock import SystemClock
    from tidegate.core.plausibility import judge
    from tidegate.errors import Unavailable
    from tidegate.host import Machine

    clock = SystemClock()
    machine = Machine(clock)
    host = machine.host(name, hint=lambda: None)
    gauge = make_gauge(settings, host)
    try:
        async with asyncio.timeout(max(LIMIT_S, gauge.facts.answers_within_s)):
            await gauge.open()
            sample = await gauge.read()
    except TimeoutError as error:
        raise Unavailable(
            f"the gauge did not answer within {LIMIT_S:g} s",
            target=name,
            remedy="Its driver or its bus hangs; look at the kernel's messages",
        ) from error
    finally:
        await _let_go(gauge, host)
        machine.workers.close()
    return judge(sample, at_ms=clock.boot_ms(), wall_ms=clock.wall_ms())


async def _let_go(gauge: Any, host: Any) -> None:
    try:
        async with asyncio.timeout(CLOSE_LIMIT_S):
            await gauge.close()
            await host.close()
    except TimeoutError:
        say("The gauge did not close in time.")


def as_text(document: Mapping[str, Any]) -> str:
    """Return the verdict in one sentence, then the quantities that there are."""
    if document["trusted"]:
        soc = f"{document['soc_percent']:g} %"
        power = {"yes": "on", "no": "off"}.get(document["external_power"], "unknown")
        status = document["battery_status"].replace("_", " ")
        head = f"{document['station']}: {soc}, {status}, external power {power}."
    else:
        why = document["why_not"]
        head = f"{document['station']}: not trusted, {_WORDS[why]} ({why})."
    rows = [
        f"  {label:<18} {_shown(document[key])}{unit}"
        for label, key, unit in (
            ("voltage", "voltage_v", " V"),
            ("current", "current_a", " A"),
            ("temperature", "temperature_c", " °C"),
            ("charge", "charge_ah", " Ah"),
            ("full charge", "full_charge_ah", " Ah"),
            ("design charge", "design_charge_ah", " Ah"),
            ("cycle count", "cycle_count", ""),
            ("health", "health", ""),
            ("pack", "pack", ""),
        )
        if document[key] is not None
    ]
    if document["flags"]:
        rows.append(f"  {'flags':<18} {', '.join(document['flags'])}")
    rows.append(f"  {'taken at':<18} {document['taken_at']}")
    return "\n".join([head, *rows])


def _shown(value: Any) -> str:
    # Texts are the device's own: anybody may have written them.
    return f"{value:g}" if isinstance(value, float) else visible(str(value))
