"""``tidegate log``: what an auditor does with a cycle log."""

from __future__ import annotations

from typing import Final

import click

from tidegate.cli.lazy import LazyGroup

COMMANDS: Final = {
    "verify": "Is every row as it was written? Names the first that is not.",
    "replay": "Does every switching follow from what was read and set?",
    "export": "CSV, JSON Lines, Parquet, or a consistent copy.",
    "sign": "Sign the end of the log with the key of this device.",
}


@click.group(name="log", cls=LazyGroup, table=COMMANDS, prefix="tidegate.cli.log_")
def command() -> None:
    """Verify, replay, export and sign the cycle log.

    None of these writes to the log; all work while a daemon does, and on a read-only
    folder.
    """
