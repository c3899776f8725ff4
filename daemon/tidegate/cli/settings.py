"""``tidegate settings``: what a person or a fleet tool does with the settings."""

from __future__ import annotations

from typing import Final

import click

from tidegate.cli.lazy import LazyGroup
from tidegate.cli.options import config_option

COMMANDS: Final = {
    "check": "Are the settings right, and what do they let expect?",
    "show": "Every value in force, and the file that set it.",
    "set": "Change a value in conf.d; a running daemon takes it at once.",
    "reload": "Let the running daemon take the settings files anew.",
    "schema": "JSON Schema 2020-12 of the settings, with every kind installed here.",
}


@click.group(
    name="settings", cls=LazyGroup, table=COMMANDS, prefix="tidegate.cli.settings_"
)
@config_option
def command() -> None:
    """Check, show and change the settings, reload them, print the schema."""
