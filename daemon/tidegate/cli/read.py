"""``tidegate read``: one reading of a station, raw and judged."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any, Final

import click

from tidegate.cli.exits import Code
from tidegate.cli.options import (
    config_option,
    json_option,
    load_settings,
    print_json,
    say,
    station_argument,
    station_names,
)
from tidegate.clock import rfc3339

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
# With these verdicts the claimed charge is no measurement at all.
_NO_NUMBER: Final = frozenset(
    {"not_present", "level_only", "out_of_range", "all_zero", "unit_mismatch"}
)


@click.command()
@station_argument
@config_option
@json_option
@click.pass_context
def command(ctx: click.Context, station: str | None, *, as_json: bool) -> int:
    """Read the gauge of STATION once and say whether the reading can be trusted.

    STATION may be left out when the settings hold only one. Nothing is switched and
    nothing is logged. Exit code 0: trusted; 1: not trusted; 69: nothing to read.
    """
    settings = load_settings(ctx)
    names = station_names(settings, station)
    if not names:
        raise next(iter(settings.unsupported.values()))
    if len(names) > 1:
        known = ", ".join(names)
        raise click.UsageError(f"Which station? The settings hold {known}.", ctx)
    name = names[0]
    chosen = settings.stations[name]
    reading = asyncio.run(_read(name, chosen))
    document = as_document(name, chosen.gauge.kind, reading)
    if as_json:
        print_json(document)
    else:
        click.echo(as_text(document))
        if not reading.trusted and reading.sample.raw:
            say(f"The gauge said:\n{reading.sample.raw.rstrip()}")
    return Code.DONE if reading.trusted else Code.NO


async def _read(name: str, settings: StationSettings) -> Reading:
    # Late, so that --help needs neither pydantic nor the backends.
    from tidegate.clock import SystemClock
    from tidegate.core.plausibility import judge
    from tidegate.errors import Unavailable
    from tidegate.host import Machine
    from tidegate.service import make_gauge

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


def as_document(name: str, kind: str, reading: Reading) -> dict[str, Any]:
    """Return the reading under the stable keys of ``read --json``."""
    sample = reading.sample
    why_not = None if reading.why_not is None else reading.why_not.value
    return {
        "station": name,
        "gauge": kind,
        "taken_at": rfc3339(reading.wall_ms),
        "trusted": reading.trusted,
        "why_not": why_not,
        "soc_percent": None if why_not in _NO_NUMBER else sample.soc_percent,
        "battery_status": sample.battery_status.value,
        "external_power": sample.external_power.value,
        "present": sample.present,
        "voltage_v": sample.voltage_v,
        "current_a": sample.current_a,
        "current_sign_trusted": sample.current_sign_trusted,
        "temperature_c": sample.temperature_c,
        "temperature_sensor": sample.temperature_sensor,
        "charge_ah": sample.charge_ah,
        "full_charge_ah": sample.full_charge_ah,
        "design_charge_ah": sample.design_charge_ah,
        "cycle_count": sample.cycle_count,
        "health": sample.health,
        "pack": sample.pack,
        "uptime_s": sample.uptime_s,
        "took_s": sample.took_s,
        "flags": sorted(flag.value for flag in sample.flags),
        "raw": sample.raw,
    }


def as_text(document: dict[str, Any]) -> str:
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
    return f"{value:g}" if isinstance(value, float) else str(value)
