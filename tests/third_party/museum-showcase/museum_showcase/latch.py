"""The latch of a showcase: a coil that opens and closes the supply in it.

Source: the museum's own driver, which is invented. The file ``coil`` holds 0 or 1.
"""

from __future__ import annotations

import os
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Literal

from pydantic import Field

from museum_showcase.showcases import read_text, survey
from tidegate.contract import (
    Backend,
    Found,
    Host,
    Readback,
    Relay,
    RelayFacts,
    RelaySettings,
    Target,
    energised,
    supply_of,
)
from tidegate.core.reading import Supply
from tidegate.errors import Malformed, Refused, Unavailable

KIND = "showcase-latch"


class Settings(RelaySettings):
    """One showcase."""

    kind: Literal["showcase-latch"] = "showcase-latch"
    showcase: str = Field(pattern=r"^/.", description="the folder of the showcase")

    def target(self) -> Target:
        return Target(os.path.normpath(self.showcase), "coil")


class Latch(Relay):
    """The coil of one showcase. Errors: Unavailable, Refused (sealed), Malformed."""

    def __init__(self, settings: Settings, host: Host) -> None:
        self._settings = settings
        self._folder = Path(settings.showcase)
        self._worker = host.worker(f"{KIND} {settings.showcase}")
        self._is_open = False

    @property
    def facts(self) -> RelayFacts:
        return RelayFacts(
            readback=Readback.LATCH,
            reopen_disturbs=False,
            latency_s=0.1,
            fails_on=self._settings.contact == "normally-closed",
        )

    async def open(self) -> None:
        await self._worker.call(read_text, self._folder / "coil")
        self._is_open = True

    async def close(self) -> None:
        self._is_open = False

    async def set(self, supply: Supply) -> None:
        self._check_open()
        driven = energised(supply, self._settings.contact)
        await self._worker.call(self._drive, driven)

    async def get(self) -> Supply | None:
        self._check_open()
        text = await self._worker.call(read_text, self._folder / "coil")
        if text not in ("0", "1"):
            raise Malformed(
                f"the coil says {text[:40]!r}",
                target=str(self._folder),
                remedy="Ask the museum's workshop",
            )
        return supply_of(text == "1", self._settings.contact)

    def _drive(self, driven: bool) -> None:
        if (self._folder / "sealed").exists():
            raise Refused(
                "a conservator has sealed the showcase",
                target=str(self._folder),
                remedy="Ask for the seal to be lifted",
            )
        if not self._is_open:
            return  # closed meanwhile: an order that comes late is none
        new = self._folder / ".coil"
        try:
            new.write_text(f"{driven:d}\n", encoding="ascii")
            new.rename(self._folder / "coil")
        except OSError as error:
            raise Unavailable(
                f"the showcase does not answer ({error.strerror})",
                target=str(self._folder),
                remedy="Look whether the showcase is plugged in",
            ) from error

    def _check_open(self) -> None:
        if not self._is_open:
            raise Unavailable(
                "the latch is not open",
                target=str(self._folder),
                remedy="Open it first",
            )


def find(host: Host, probe: str | None) -> AsyncIterator[Found]:
    """Look for showcases with a coil; there is nothing to probe."""
    return survey(host, KIND, "coil")


BACKEND = Backend(kind=KIND, settings=Settings, make=Latch, survey=find)
