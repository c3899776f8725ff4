"""``tidegate override``: an operator's order to a running daemon, with an end."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import click

from tidegate.cli.because import because_option
from tidegate.cli.exits import Code
from tidegate.cli.moments import length_text, local_text
from tidegate.cli.options import (
    config_option,
    control_path,
    json_option,
    known_stations,
    print_json,
    same_settings,
)
from tidegate.words import visible

MINUTE_MS: Final = 60_000
DAY_MS: Final = 24 * 60 * MINUTE_MS


def _for_ms(ctx: click.Context, parameter: click.Parameter, value: str) -> int:
    from tidegate.settings.durations import duration_ms

    try:
        for_ms = duration_ms(value)
    except ValueError as error:
        raise click.BadParameter(f"{error}.") from error
    if not MINUTE_MS <= for_ms <= DAY_MS:
        raise click.BadParameter(f"found {value}, allowed is 1min to 24h.")
    return for_ms


@click.command()
@click.argument("station", shell_complete=known_stations)
@click.argument("supply", type=click.Choice(["on", "off"]))
@click.option(
    "--for",
    "for_ms",
    required=True,
    metavar="TIME",
    callback=_for_ms,
    help="How long, at most 24h, such as 90min or 2h.",
)
@because_option(
    "What it is for; it stands in the log beside your name, for those who come after "
    "you."
)
@config_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    station: str,
    supply: str,
    for_ms: int,
    because: str,
    *,
    as_json: bool,
) -> int:
    """Order the supply of STATION on or off for a time; the daemon must run.

    The order comes before the charge window and does not wait for dwell. Safety comes
    before the order: a hot or cold battery keeps an ordered on waiting; the floor, no
    battery, a gauge that cannot be trusted and a lockout end an ordered off before its
    time, and an alarm tells of it. The relay's budget may keep an off waiting. What
    outranks the order right now is said. It ends by itself, or with `release`; a new
    order replaces it.

    You must be root, or a member of the group of operators. The cycle log keeps who
    ordered what, for how long and why.

    \b
    Examples (an invented museum):
      tidegate override hall on --for 2h --because "inventory, may be unplugged"
      tidegate override tower off --for 90min --because "charger is being changed"

    Exit code 0: the order is in force, and 1: it is not; 64: usage; 69: no daemon
    answers; 77: you may not.
    """  # noqa: D301 - click takes this character for "leave these lines alone"
    from tidegate.control.client import Client

    with Client.connect(control_path(ctx)) as client:
        answer = client.ask(
            "override",
            station=station,
            supply=supply,
            for_ms=for_ms,
            because=because,
            **same_settings(ctx),
        )
    if as_json:
        print_json(answer)
    else:
        click.echo(as_text(answer))
    return Code.DONE if answer.get("in_force") is True else Code.NO


def as_text(answer: Mapping[str, Any]) -> str:
    """Return the order as it stands, and what outranks it, in words."""
    station, supply = visible(str(answer["station"])), str(answer["supply"])
    because = f' because "{visible(str(answer["because"]))}"' * bool(answer["because"])
    by = visible(str(answer["by"]))
    above = answer["outranked_by"]
    if not answer["in_force"]:
        return (
            f"{station}: the order for {supply} was ended at once, "
            f"{visible(str(above['text']))}: the supply is to be {above['supply']}."
        )
    first = (
        f"{station}: supply {supply} until {local_text(str(answer['until']))} "
        f"({length_text(int(answer['for_s']))}), ordered by {by}{because}."
    )
    return "\n".join([first, _rank(supply, answer), *_warning(supply)])


def _rank(supply: str, answer: Mapping[str, Any]) -> str:
    above = answer["outranked_by"]
    if above is None:
        if answer["commanded"] == supply:
            return f"No rule outranks it, and dwell does not matter: it is {supply}."
        return (
            "No rule outranks it, and dwell does not matter: it follows with the next "
            "trusted reading."
        )
    text = visible(str(above["text"]))
    if above["supply"] == supply:
        return f"A rule above it wants {supply} as well right now: {text}."
    return (
        f"It waits, and the supply stays {above['supply']}, as a rule above it rules "
        f"right now: {text}."
    )


def _warning(supply: str) -> list[str]:
    if supply == "on":
        return []
    return [
        "It ends before its time where safety wants on: at the floor, without a "
        "battery,",
        "with a gauge that is lost, frozen or implausible, and under a lockout.",
    ]
