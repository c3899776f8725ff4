"""What ``tune`` says of another window beside what the daemon then does there.

Each device (``support.tuned_twin``, twenty from their numbers; all invented) is kept
for four weeks by the real daemon under one window, with its real log. From that log
alone another window, for some devices at another supply too, is told beforehand. Then
the daemon keeps the device there, on the twin. Loads by the hour of the week, charger,
supply, resistance, heat, polls of 30 s to 2 min, whole percents, and for half of them
lag and noise.

A year at a poll of 2 min takes most of a minute here. With shorter polls the time is
as much shorter (92 days at 30 s), so each device costs as much; figures are a year.

Where the gauge needs the switched supply nothing is read without it, in the log that is
learned from as in the life that is told. What the daemon learns in its first days ends
its offs sooner than later on, so four weeks of that life do not count.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, replace
from datetime import UTC
from pathlib import Path

import pytest

from support.tuned_twin import STATION, Lived, TwinDevice, twin_device
from tidegate import notice
from tidegate.core.policy import DAY_MS, HOUR_MS, MINUTE_MS
from tidegate.history import opened
from tidegate.tuning.compare import compare
from tidegate.tuning.fit import fit
from tidegate.tuning.outcome import Candidate, Outcome
from tidegate.tuning.reach import lasts_h
from tidegate.tuning.site import Site

SEEN_DAYS = 28
BLIND_SETTLED_DAYS = 28
# From Monday 3:00 on each 11 hours: nights, mornings, visitors, every day.
STARTS = range(3, 168, 11)


@dataclass(frozen=True, kw_only=True)
class Told:
    """What was told beforehand; autonomy by the hour of the week it begins at."""

    outcome: Outcome
    autonomy_h: dict[int, float]


def told(device: TwinDevice, log: Path) -> Told:
    series = opened(log, STATION)
    found = fit(series, UTC)
    rules, asked = series.given.policy, device.asked
    dwell_ms = round(asked.dwell_min * MINUTE_MS)
    is_same = asked.supply_a == device.seen.supply_a
    way = Candidate(
        low_percent=asked.low,
        high_percent=asked.high,
        dwell_on_ms=dwell_ms,
        dwell_off_ms=dwell_ms,
        supply_a=None if is_same else asked.supply_a,
    )
    (outcome,) = compare(found, rules, [way])
    site = Site(found)
    return Told(
        outcome=outcome,
        autonomy_h={
            hour: lasts_h(
                site, hour, from_percent=asked.low, to_percent=rules.floor_percent
            )
            for hour in STARTS
        },
    )


def judge(
    device: TwinDevice,
    said: Told,
    lived: Lived,
    *,
    share: float = 0.05,
    autonomy: float = 0.1,
) -> None:
    """Compare; the numbers are shown by ``-rP``."""
    outcome = said.outcome
    efc = outcome.efc_per_year / lived.efc_per_year - 1
    switchings = outcome.switchings_per_year / lived.switchings_per_year - 1
    truth = {hour: device.lasts_h(device.asked, hour) for hour in said.autonomy_h}
    lasts = [each / truth[hour] - 1 for hour, each in said.autonomy_h.items()]
    worst = max(lasts, key=abs)
    # What is told of a candidate: autonomy from the worst hour, and in the mean.
    least = min(said.autonomy_h.values()) / min(truth.values()) - 1
    mean = sum(said.autonomy_h.values()) / sum(truth.values()) - 1
    print(  # noqa: T201 - the table of the errors
        f"device {device.seed}: {lived.efc_per_year:.0f} EFC a year {efc:+.2%}, "
        f"{lived.switchings_per_year:.0f} switchings {switchings:+.2%}, "
        f"autonomy {least:+.2%}, in the mean {mean:+.2%}, of one hour {worst:+.2%}"
    )
    assert abs(efc) < share
    assert abs(switchings) < share
    assert abs(least) < autonomy
    assert abs(mean) < autonomy
    assert abs(worst) < autonomy, "from any one hour of the week"
    assert outcome.autonomy_h <= 1.001 * min(said.autonomy_h.values())


@pytest.fixture(autouse=True)
def _quiet() -> None:
    notice.configure(stream=io.StringIO(), level="error")


@pytest.mark.slow
@pytest.mark.timeout(1200)
@pytest.mark.parametrize("seed", range(1, 21))
def test_a_year_of_a_device(seed: int, tmp_path: Path) -> None:
    device = twin_device(seed)
    device.lives(device.seen, SEEN_DAYS, tmp_path / "seen.db")
    said = told(device, tmp_path / "seen.db")
    days = 1 + 365 * min(1.0, device.poll_s / 120)
    judge(device, said, device.lives(device.asked, days, tmp_path / "asked.db"))


@pytest.mark.slow
def test_some_days_of_a_device_at_another_supply(tmp_path: Path) -> None:
    """The same from a week, of which many hours were never seen, over some days."""
    device = twin_device(2)
    assert device.asked.supply_a != device.seen.supply_a
    device.lives(device.seen, 7, tmp_path / "seen.db")
    said = told(device, tmp_path / "seen.db")
    lived = device.lives(device.asked, 5, tmp_path / "asked.db")
    judge(device, said, lived, share=0.08, autonomy=0.2)


def blind(seed: int) -> TwinDevice:
    """Return the same device, its gauge on the switched supply."""
    return replace(twin_device(seed), reconnect_s=5 + 7 * seed)


def judge_blind(device: TwinDevice, folder: Path, *, seen_days: int, days: int) -> None:
    """Learn, tell, live; how long its offs were is compared too."""
    device.lives(device.seen, seen_days, folder / "seen.db")
    said = told(device, folder / "seen.db")
    settled_ms = BLIND_SETTLED_DAYS * DAY_MS
    lived = device.lives(
        device.asked,
        BLIND_SETTLED_DAYS + days,
        folder / "asked.db",
        settled_ms=settled_ms,
    )
    judge(device, said, lived, autonomy=0.15)
    series = opened(folder / "asked.db", STATION)
    from_ms = series.from_ms + settled_ms
    offs = [each for each in series.coasts if each.off_ms > from_ms]
    assert abs(2 * len(offs) - lived.switchings) <= 4, "each of its offs was unread"
    off_h = sum(each.on_ms - each.off_ms for each in offs) / len(offs) / HOUR_MS
    assert said.outcome.off_h == pytest.approx(off_h, rel=0.05)


@pytest.mark.slow
@pytest.mark.timeout(600)
@pytest.mark.parametrize(
    ("seed", "seen_days", "days"),
    [(2, 21, 14), *((each, 28, 28) for each in (1, 3, 6))],
)
def test_weeks_of_a_device_whose_gauge_needs_the_supply(
    seed: int, seen_days: int, days: int, tmp_path: Path
) -> None:
    judge_blind(blind(seed), tmp_path, seen_days=seen_days, days=days)
