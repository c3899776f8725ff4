"""A third party's gauge that stops the whole daemon on order: for an invented museum.

Installed beside tidegate with an entry point, as any third party's. While there is a
file ``wait`` in its folder a read does not come back; while there is one ``block`` it
stops the event loop, which no backend may.
"""

from __future__ import annotations

import asyncio
import threading
from pathlib import Path
from typing import Literal

from tidegate.contract import Backend, Gauge, GaugeFacts, GaugeSettings, Host
from tidegate.core.reading import Sample


class Settings(GaugeSettings):
    """The folder of the orders, and of the level in a file ``soc``."""

    kind: Literal["blocking"] = "blocking"
    folder: Path


class BlockingGauge(Gauge):
    """Reads a file. Raises nothing of its own."""

    def __init__(self, settings: Settings, host: Host) -> None:
        self._folder = settings.folder

    @property
    def facts(self) -> GaugeFacts:
        return GaugeFacts(needs_supply=False, host_is_device=False, latency_s=0.0)

    async def open(self) -> None:
        """Nothing is held open."""

    async def close(self) -> None:
        """Nothing is held open."""

    async def read(self) -> Sample:
        if (self._folder / "block").exists():
            threading.Event().wait()
        # An order can only be looked for again: nobody tells of a file that went.
        while (self._folder / "wait").exists():  # noqa: ASYNC110
            await asyncio.sleep(0.05)
        return Sample(soc_percent=float((self._folder / "soc").read_text()))


BACKEND = Backend(kind="blocking", settings=Settings, make=BlockingGauge)
