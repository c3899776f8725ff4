"""``--because``: why somebody orders something, as it will stand in the log."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

F = TypeVar("F", bound=Callable[..., Any])


def because_option(text: str) -> Callable[[F], F]:
    """Return ``--because TEXT`` with this help; one line that fits into the log."""
    return click.option(
        "--because", default="", metavar="TEXT", callback=one_line, help=text
    )


def one_line(ctx: click.Context, parameter: click.Parameter, value: str) -> str:
    """Return an option's text as it may stand in the log; a callback of click."""
    from tidegate.control.protocol import TEXT_MOST, is_one_line

    value = value.strip()
    if len(value) > TEXT_MOST:
        raise click.BadParameter(
            f"found {len(value)} characters, allowed are {TEXT_MOST}."
        )
    if not is_one_line(value):
        raise click.BadParameter("found more than one line, or control characters.")
    return value
