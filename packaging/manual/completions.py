"""Completion scripts for the three shells, as click makes them."""

from __future__ import annotations

from typing import Final

import click
from click.shell_completion import get_completion_class

# The shell, and the name under which its vendors look for a script.
FILES: Final = {
    "bash": "tidegate.bash",
    "zsh": "_tidegate",
    "fish": "tidegate.fish",
}


def scripts(group: click.Group) -> dict[str, str]:
    """Return the text of each script by the name of its file."""
    found = {}
    for shell, name in FILES.items():
        kind = get_completion_class(shell)
        assert kind is not None, f"click has no completion for {shell}"
        made = kind(group, {}, "tidegate", "_TIDEGATE_COMPLETE")
        # Not source(): that asks the bash of this machine for its version.
        found[name] = made.source_template % made.source_vars()
    return found
