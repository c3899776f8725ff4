"""The adb gauge with one handling missing: what ``switches_adb`` puts in its place."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

from tidegate.contract import GaugeFacts
from tidegate.core.reading import Sample
from tidegate.core.state import State
from tidegate_backends.adb.patience import Patience
from tidegate_backends.gauges.adb import AdbGauge
from tidegate_backends.programs import Program
from tidegate_backends.wire import dumpsys

_known_facts = AdbGauge.facts


def a_box(state: State, now_ms: int) -> bool:
    del state, now_ms
    return False


def texts_told_apart(self: Any, error: Exception) -> None:
    self.last_error = str(error)
    self._told.add("gauge")
    if count := self._station.quiet.count(self._station.name, "gauge"):
        self._station.log.warning("gauge", error=self.last_error, count=count)


def a_text_looked_at(out: str, err: str, *, design_ah: float | None = None) -> Sample:
    """Take the number behind "level", and 0 where there is none."""
    del err, design_ah
    found = re.search(r"level: *(\d+)", out)
    return Sample(soc_percent=float(found[1]) if found else 0.0)


def make_an_end() -> Callable[[list[str]], tuple[dict[str, str], bool]]:
    """Read every line there is; of a key that comes twice the last counts."""
    known = dumpsys._dumped

    def dumped(lines: list[str]) -> tuple[dict[str, str], bool]:
        values, is_stopped = known(lines)
        for line in lines:
            key, colon, value = line.strip().partition(": ")
            if colon and key in values:
                values[key] = value
        return values, is_stopped

    return dumped


def a_whole_dump(values: Mapping[str, str], *, is_followed: bool) -> None:
    del values, is_followed


def make_freezing_unseen() -> Callable[[list[str]], tuple[dict[str, str], bool]]:
    known = dumpsys._dumped
    return lambda lines: (known(lines)[0], False)


def a_count(self: Patience, now_ms: int) -> None:
    self.hangs += 1
    self._asked_again_ms = now_ms + 120_000


def patience(self: Patience, now_ms: int) -> None:
    del self, now_ms


def consent(self: Patience) -> bool:
    return self.hangs == 10


async def an_end(self: Program) -> None:
    """Neither kill nor reap: it is left to the end of the loop."""
    del self


def facts_of_another_cable(self: AdbGauge) -> GaugeFacts:
    facts: GaugeFacts = _known_facts.fget(self)  # type: ignore[attr-defined]
    return GaugeFacts(
        needs_supply=False,
        host_is_device=facts.host_is_device,
        latency_s=facts.latency_s,
        gives=facts.gives,
    )


def the_first(self: AdbGauge) -> tuple[str, ...]:
    """Take the device that the server has met first or, later on, last."""
    del self
    return ("-t", "2")


def silence(state: State) -> bool:
    del state
    return False
