"""`[metrics]`: figures for whoever collects them; off by default."""

from __future__ import annotations

import ipaddress
import re
from pathlib import Path
from typing import Annotated, Self

from pydantic import Field, model_validator

from tidegate.core.policy import MINUTE_MS
from tidegate.settings.durations import Between
from tidegate.settings.models import Table
from tidegate.settings.problems import problem, shown

_ADDRESS = re.compile(r"(?:\[([0-9A-Fa-f:.]+)\]|([0-9.]+)):([0-9]{1,5})")


class MetricsSettings(Table):
    """Figures for whoever collects them."""

    textfile: Annotated[Path, Field(strict=False)] | None = Field(
        default=None,
        description="file to write the metrics into, such as the folder of "
        "node-exporter's textfile collector; its name ends in .prom",
    )
    every_ms: Annotated[int, Between("1s", "1h")] = Field(
        default=MINUTE_MS,
        alias="every",
        description="the file is written at most so often, and only with an event",
    )
    listen: str | None = Field(
        default=None,
        description="address and port to tell the metrics at over HTTP, such as "
        "127.0.0.1:9464",
    )
    listen_beyond_loopback: bool = Field(
        default=False,
        description="let other machines ask too; they need no password, and nothing is "
        "encrypted",
    )

    @property
    def address(self) -> tuple[str, int] | None:
        """Host and port of ``listen``."""
        found = None if self.listen is None else _ADDRESS.fullmatch(self.listen)
        return None if found is None else (found[1] or found[2], int(found[3]))

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        file = self.textfile
        if file is not None and not (file.is_absolute() and file.suffix == ".prom"):
            raise problem(
                f"found {shown(str(file))}, allowed is a full path whose name ends in "
                ".prom, for collectors pass over all others",
                at=("textfile",),
            )
        if self.listen is not None:
            self._check_listen(self.listen)
        elif self.listen_beyond_loopback:
            raise problem(
                "found listen_beyond_loopback without listen, allowed is both or neither",
                at=("listen_beyond_loopback",),
            )
        return self

    def _check_listen(self, listen: str) -> None:
        host, port = self.address or ("", 0)
        try:
            address = ipaddress.ip_address(host)
        except ValueError:
            address = None
        if address is None or not 1 <= port <= 65_535:
            raise problem(
                f"found {shown(listen)}, allowed is an address and a port, such as "
                '"127.0.0.1:9464" or "[::1]:9464"',
                at=("listen",),
            )
        if not address.is_loopback and not self.listen_beyond_loopback:
            raise problem(
                f"found {shown(listen)}, which other machines reach, allowed is "
                '"127.0.0.1:9464" or another address of loopback, or '
                "listen_beyond_loopback = true: then anybody who reaches the port may "
                "read the metrics",
                at=("listen",),
            )
