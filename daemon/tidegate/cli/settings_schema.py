"""``tidegate settings schema``: the settings as JSON Schema."""

from __future__ import annotations

import click

from tidegate.cli.exits import Code
from tidegate.cli.options import config_option, json_option, print_json, say
from tidegate.settings import schema


@click.command()
@config_option
@json_option
def command(*, as_json: bool) -> int:
    """Print JSON Schema 2020-12 of the settings, with every kind installed here.

    It is JSON with or without --json.
    """
    del as_json
    document, left_out = schema()
    print_json(document)
    for error in left_out:
        say(f"left out: {error}")
    return Code.DONE
