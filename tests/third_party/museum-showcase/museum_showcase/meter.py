"""The meter of a showcase: charge and supply of the wall guide in it.

Source: the museum's own driver, which is invented. A line such as ``61.5 % fed``.
"""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Literal

from pydantic import Field

from museum_showcase.showcases import read_text, survey
from tidegate.contract import Backend, Found, Gauge, GaugeFacts, GaugeSettings, Host
from tidegate.core.reading import ExternalPower, Sample
from tidegate.errors import Malformed, Unavailable

KIND = "showcase-meter"
_LINE = re.compile(r"(\d{1,3}(?:\.\d)?) % (fed|cut)")
_POWER = {"fed": ExternalPower.YES, "cut": ExternalPower.NO}


class Settings(GaugeSettings):
    """One showcase."""

    kind: Literal["showcase-meter"] = "showcase-meter"
    showcase: str = Field(pattern=r"^/.", description="the folder of the showcase")


class Meter(Gauge):
    """The meter of one showcase. Errors: Unavailable, Malformed."""

    def __init__(self, settings: Settings, host: Host) -> None:
        self._path = Path(settings.showcase) / "meter"
        self._worker = host.worker(f"{KIND} {settings.showcase}")
        self._is_open = False

    @property
    def facts(self) -> GaugeFacts:
        return GaugeFacts(
            needs_supply=False,
            host_is_device=False,
            latency_s=1.0,
            gives=frozenset({"soc_percent", "external_power"}),
        )

    async def open(self) -> None:
        self._is_open = True

    async def close(self) -> None:
        self._is_open = False

    async def read(self) -> Sample:
        if not self._is_open:
            raise Unavailable(
                "the meter is not open", target=str(self._path), remedy="Open it first"
            )
        line = await self._worker.call(read_text, self._path)
        match = _LINE.fullmatch(line)
        if match is None:
            raise Malformed(
                f"the meter says {line[:40]!r}",
                target=str(self._path),
                remedy="Ask the museum's workshop",
            )
        return Sample(
            soc_percent=float(match[1]), external_power=_POWER[match[2]], raw=line
        )


def find(host: Host, probe: str | None) -> AsyncIterator[Found]:
    """Look for showcases with a meter; there is nothing to probe."""
    return survey(host, KIND, "meter")


BACKEND = Backend(kind=KIND, settings=Settings, make=Meter, survey=find)
