"""``tidegate wear``: what each published model says of a hold or of cycling."""

from __future__ import annotations

from typing import Any, Final

import click

from tidegate.cli import wear_question, wear_table
from tidegate.cli.options import json_option, print_json
from tidegate.wear.account import Account, account
from tidegate.wear.model import Model

CHEMISTRIES: Final = ("unknown", "lco", "nmc", "nca", "lmo", "lfp")


@click.command(
    epilog="The numbers are estimates for other cells than yours, from new. They are no "
    "measurement; `tidegate audit` shows what was measured."
)
@click.option(
    "--hold",
    "hold_percent",
    type=wear_question.Within(0, 100),
    metavar="LEVEL",
    help="Held at one level, in percent. --hold 100 is float, the charger as it comes.",
)
@click.option(
    "--cycle",
    metavar="LOW-HIGH",
    help="Up and down between two levels in percent, as a relay does: 55-65.",
)
@click.option(
    "--period",
    metavar="TIME",
    help="How long once up and down takes, evenly: 90min, 3h, 1d.",
)
@click.option(
    "--temperature",
    "temperature_c",
    type=wear_question.Within(-20, 60),
    default=25.0,
    show_default=True,
    metavar="CELSIUS",
    help="Of the battery, all the time.",
)
@click.option(
    "--years",
    default="1,3,5",
    show_default=True,
    metavar="LIST",
    help="After how many years.",
)
@click.option(
    "--model",
    "names",
    multiple=True,
    metavar="NAME",
    help="Only this model; may be given again. Else all.",
)
@click.option(
    "--chemistry",
    type=click.Choice(CHEMISTRIES),
    default="unknown",
    show_default=True,
    help="Of the battery. The model of an LFP cell counts only for lfp.",
)
@json_option
def command(
    *,
    hold_percent: float | None,
    cycle: str | None,
    period: str | None,
    temperature_c: float,
    years: str,
    names: tuple[str, ...],
    chemistry: str,
    as_json: bool,
) -> None:
    """Say what each published model leaves of a battery's capacity.

    It compares a hold or a cycling with float at 100 % and with a hold at the middle,
    at the same temperature. Is the window worth its cycles in a warm hall?

    \b
        tidegate wear --cycle 55-65 --period 3h --temperature 30
        tidegate wear --hold 60 --years 2

    Equivalent full cycles a year come from the load and the supply: a cycle of 10
    points every 3 h is 292 a year, every 12 h 73.
    """  # noqa: D301 - click takes this character for "leave these lines alone"
    asked = wear_question.question(
        hold_percent, cycle, period=period, temperature_c=temperature_c
    )
    models = wear_question.models(names)
    accounts = {
        text: account(
            asked.year.times(float(text)),
            hold_percent=asked.hold_percent,
            chemistry=chemistry,
            models=models,
        )
        for text in wear_question.years(years)
    }
    if as_json:
        print_json(as_document(models, accounts, temperature_c=temperature_c))
        return
    for line in wear_table.lines(asked.name, models=models, accounts=accounts):
        click.echo(line)


def as_document(
    models: list[Model], accounts: dict[str, Account], *, temperature_c: float
) -> list[dict[str, Any]]:
    """Return the stable form of ``wear --json``: a list, an object a model."""
    longest = max(accounts.values(), key=lambda each: each.days)
    return [
        {
            "name": model.name,
            "remaining_percent": _left(accounts, place, "loss_percent"),
            "float_remaining_percent": _left(accounts, place, "float_loss_percent"),
            "hold_remaining_percent": _left(accounts, place, "hold_loss_percent"),
            "hold_percent": longest.hold_percent,
            "temperature_c": temperature_c,
            "efc_per_year": round(longest.efc_per_year, 3),
            "outside": list(longest.models[place].outside),
            "counts": longest.models[place].counts,
            "cell": model.cell,
            "chemistry": model.chemistry,
            "paper": model.paper,
            "doi": model.doi,
        }
        for place, model in enumerate(models)
    ]


def _left(accounts: dict[str, Account], place: int, what: str) -> dict[str, float]:
    return {
        years: round(100 - getattr(each.models[place], what), 4)
        for years, each in accounts.items()
    }
