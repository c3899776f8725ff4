"""A cycle log of a station-year: the real core and the real writer, no shell.

The battery is invented: it moves 6.7 %/h either way, so ten points up and down take
three hours; the room is 21 to 29 °C warm over the day and a few degrees warmer in
summer. Read every 90 s instead of every 30, which takes a third of the time to make and
leaves most of the rows: runs of equal readings end with the percent, not with a poll.
"""

from __future__ import annotations

from math import cos, pi
from pathlib import Path

from support.cyclelog_life import Life
from tidegate.core.events import ReadingArrived
from tidegate.core.plausibility import judge
from tidegate.core.policy import Marks, Policy
from tidegate.core.reading import BatteryStatus, ExternalPower, Sample, Supply
from tidegate.virtual import VirtualClock

# Not quite to the end of the year, where the log goes on in another file.
DAYS = 364
POLL_MS = 90_000
DAY_MS = 86_400_000
PERCENT_H = 6.7
FULL_AH = 6.7
MARKS = Marks(low_percent=55.0, high_percent=65.0)


class StationYear(Life):
    """Quicker than its base by building each sample once."""

    def __init__(self, path: Path) -> None:
        # Midnight of 1 January 2026, UTC, so that no file is begun on the way.
        clock = VirtualClock(wall_ms=1_767_225_600_000)
        policy = Policy(marks=MARKS, poll_ms=POLL_MS)
        super().__init__(
            path,
            clock,
            policy=policy,
            load_percent_h=PERCENT_H,
            charge_percent_h=PERCENT_H,
            poll_ms=POLL_MS,
        )

    async def read(self, **_: object) -> None:
        at_ms = self.clock.boot_ms()
        on = self.contact is Supply.ON
        sample = Sample(
            soc_percent=float(int(self.soc)),
            battery_status=BatteryStatus.CHARGING if on else BatteryStatus.DISCHARGING,
            external_power=ExternalPower.YES if on else ExternalPower.NO,
            voltage_v=round(3.33 + self.soc / 130 + (0.03 if on else -0.03), 3),
            current_a=0.449 if on else -0.449,
            current_sign_trusted=True,
            temperature_c=celsius(at_ms),
            temperature_sensor="pack",
            charge_ah=round(self.soc * FULL_AH / 100, 3),
            full_charge_ah=FULL_AH,
            design_charge_ah=7.0,
            health="good",
            took_s=0.004,
        )
        wall_ms = self.clock.wall_ms()
        reading = judge(sample, at_ms=at_ms, wall_ms=wall_ms)
        await self.feed(ReadingArrived(reading=reading))


def celsius(at_ms: int) -> float:
    """Return the battery's temperature in tenths of a degree, as gauges tell it."""
    day = at_ms / DAY_MS
    return round(26.0 - 4.0 * cos(2 * pi * day) - 2.0 * cos(2 * pi * day / 365), 1)


async def write(path: Path, *, days: int = DAYS) -> None:
    """Write the log of so many days."""
    year = StationYear(path)
    await year.start()
    for _ in range(days):
        await year.live(24 * 60)
        year.write_state()
    await year.stop()
