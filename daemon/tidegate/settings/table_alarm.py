"""`[alarm]`: a program of the operator's that is started on an alarm; off by default."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, StringConstraints

from tidegate.core.policy import MINUTE_MS, MS
from tidegate.settings.durations import Between
from tidegate.settings.models import Table

# A NUL ends an argument: execve(2).
Argument = Annotated[str, StringConstraints(pattern=r"^[^\x00]*$")]


class AlarmSettings(Table):
    """A program of the operator's that is started on an alarm."""

    run: Annotated[tuple[Argument, ...], Field(strict=False, min_length=1)] | None = (
        Field(
            default=None,
            description="program and arguments, started when an alarm is raised and "
            "when it is over; no shell reads them",
        )
    )
    limit_ms: Annotated[int, Between("1s", "10min")] = Field(
        default=30 * MS,
        alias="limit",
        description="a program that runs longer is ended",
    )
    apart_ms: Annotated[int, Between("1s", "24h")] = Field(
        default=MINUTE_MS,
        alias="apart",
        description="for the same alarm of a station it is started at most so often",
    )
