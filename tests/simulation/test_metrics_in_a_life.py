"""The metrics over days of a daemon in virtual time, read by another project's parser.

Reloads, a station that goes and comes back, a clock that is set: no counter goes
backwards, and in the end they are the sums over the cycle log.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from support.log_sums import sums
from support.reload_rig import ReloadRig
from support.shell_rig import lives
from tidegate.publish.openmetrics import OPENMETRICS, text
from tidegate.publish.part import Counting
from tidegate.publish.tally import Tally
from tidegate.service import Service

Series = tuple[str, frozenset[tuple[str, str]]]
HOUR_S = 3_600
POLL_MS = 30_000


class Counted(ReloadRig):
    """A daemon whose metrics are asked for."""

    def made(self) -> Service:
        service = super().made()
        self.counting = Counting(Tally())
        service._parts = (self.counting,)
        return service

    def found(self) -> dict[Series, float]:
        """Return all counters, as somebody who asks now gets them."""
        assert self.service is not None
        views = self.counting.tally.views(self.service.settings.stations)
        told = text_string_to_metric_families(text(views, OPENMETRICS))
        return {
            (sample.name, frozenset(sample.labels.items())): sample.value
            for family in told
            if family.type in ("counter", "histogram")
            for sample in family.samples
        }


def get(found: dict[Series, float], name: str, **labels: str) -> float:
    key = frozenset({"station": "lobby", **labels}.items())
    return found[f"tidegate_{name}_total", key]


def stations(found: dict[Series, float]) -> set[str]:
    return {dict(labels)["station"] for _, labels in found}


def test_two_days_add_up_to_what_the_log_says(tmp_path: Path) -> None:
    rig = Counted(tmp_path, names=("lobby", "tower"))
    before: dict[Series, float] = {}

    async def hours(count: int) -> None:
        for _ in range(count):
            await rig.live(HOUR_S)
            now = rig.found()
            for series, value in now.items():
                assert value >= before.get(series, 0.0), series
            before.clear()
            before.update(now)

    async def life() -> None:
        async with rig.living():
            await hours(12)
            rig.give("lobby", window={"low": 40, "high": 60})
            assert (await rig.reload()).stations["lobby"] == "changed"
            await hours(6)
            rig.clock.step_wall(-90 * 86_400_000)
            await hours(3)
            rig.take("tower")
            await rig.reload()
            assert stations(rig.found()) == {"lobby"}
            await hours(3)
            rig.give("tower")
            await rig.reload()
            await hours(12)
            assert stations(rig.found()) == {"lobby", "tower"}

    lives(rig, life)
    rig.sound()
    logged = sums(rig.log, "lobby", until_ms=2**62, most_ms=4 * POLL_MS)
    found = rig.found()
    assert logged.cycles > 1
    assert get(found, "equivalent_full_cycles") == pytest.approx(logged.cycles)
    switched = {
        (dict(labels)["to"], dict(labels)["reason"]): value
        for (name, labels), value in found.items()
        if name == "tidegate_switchings_total" and dict(labels)["station"] == "lobby"
    }
    assert switched == logged.switchings
    assert sum(switched.values()) > 20
