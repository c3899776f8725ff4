"""A group of commands that imports only the one that is used, so that help is quick."""

from __future__ import annotations

import difflib
import importlib
from collections.abc import Mapping
from typing import Any

import click


class LazyGroup(click.Group):
    """Commands by name, each with the line that lists it.

    The module of a command is ``prefix`` and its name, and offers it as ``command``.
    """

    def __init__(
        self, *args: Any, table: Mapping[str, str], prefix: str, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self._table = table
        self._prefix = prefix

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self._table)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in self._table:
            return None
        module = importlib.import_module(f"{self._prefix}{cmd_name}")
        command: click.Command = module.command
        return command

    def resolve_command(self, ctx: click.Context, args: list[str]) -> Any:
        if args and args[0] not in self._table and not args[0].startswith("-"):
            close = difflib.get_close_matches(args[0], self._table, n=1, cutoff=0.5)
            hint = f" Did you mean {close[0]}?" if close else ""
            ctx.fail(f"There is no command {args[0]!r}.{hint}")
        return super().resolve_command(ctx, args)

    def format_commands(
        self, ctx: click.Context, formatter: click.HelpFormatter
    ) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(self._table.items()))
