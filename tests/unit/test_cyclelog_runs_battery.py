"""Whatever a battery row tells ends a run of equal readings; two checks must agree.

The run asks the samples, which is quicker than a row of each reading.
"""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any, Final

import pytest

from tidegate.core.reading import Flag, Reading, Sample, WhyNot
from tidegate.cyclelog.record import battery_row, same_battery
from tidegate.cyclelog.rows import BatteryRow, ReadingRow
from tidegate.cyclelog.runs import ReadingRuns

QUIET: Final = Sample(soc_percent=60.0, voltage_v=3.8, temperature_c=25.0)
OTHERWISE: Final[dict[str, Any]] = {
    "present": False,
    "current_sign_trusted": True,
    "temperature_sensor": "battery",
    "full_charge_ah": 6.5,
    "design_charge_ah": 7.0,
    "cycle_count": 12,
    "health": "Good",
    "pack": "museum/one",
    "flags": frozenset({Flag.COARSE}),
    "claims": WhyNot.LEVEL_ONLY,
}


def reading(sample: Sample, at_ms: int) -> Reading:
    return Reading(sample=sample, at_ms=at_ms, wall_ms=at_ms)


def test_each_column_of_a_battery_row_is_among_them() -> None:
    own = {"id", "boot_ms", "wall_ms", "station"}
    columns = {each.name.replace("_mah", "_ah") for each in fields(BatteryRow)} - own
    assert columns == OTHERWISE.keys()


@pytest.mark.parametrize("name", OTHERWISE)
def test_what_a_battery_row_tells_ends_the_run(name: str) -> None:
    other = replace(QUIET, **{name: OTHERWISE[name]})
    before, after = reading(QUIET, 1_000), reading(other, 31_000)
    rows = [battery_row(each, station="hall") for each in (before, after)]
    assert not same_battery(rows[0], rows[1])

    runs = ReadingRuns("hall")
    assert runs.offer(before, apart=False, same_reads=1, same_since_ms=1_000) == []
    closed = runs.offer(after, apart=False, same_reads=1, same_since_ms=31_000)
    assert [type(row) for row in closed] == [BatteryRow, ReadingRow]
    assert [type(row) for row in runs.flush()] == [BatteryRow, ReadingRow]


def test_nothing_of_it_and_the_run_goes_on() -> None:
    runs = ReadingRuns("hall")
    for at_ms in (1_000, 31_000):
        took = replace(QUIET, took_s=at_ms / 1_000_000)
        same = runs.offer(
            reading(took, at_ms), apart=False, same_reads=1, same_since_ms=at_ms
        )
        assert same == []
    (_, row) = runs.flush()
    assert isinstance(row, ReadingRow)
    assert row.reads == 2
