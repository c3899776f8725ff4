"""Faults 34 and 35: kernel thresholds with a will of their own, a hub that was reset.

"If the effective window is outside the limits" is read as: an off whose effective
threshold lies more than 2 points from the level of the moment is none.
"""

from __future__ import annotations

import errno
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from faults.rigs import HOUR_S, MINUTE_S, lives
from faults.rigs_kernel import INHIBITS, THRESHOLDS, Held, OnAPort


def a_threshold_with_a_will(folder: Path) -> None:
    _rounded(_made(folder, "rounded"))
    _only_some(_made(folder, "only some"))
    _refused(_made(folder, "refused"))
    for number, offers in enumerate((INHIBITS, THRESHOLDS)):
        _reset(_made(folder, f"reset {number}"), offers)


def _made(folder: Path, name: str) -> Path:
    (made := folder / name).mkdir()
    return made


def _rounded(folder: Path) -> None:
    """To a step of three: what was asked and what is effective are both told."""

    async def life(site: Held) -> None:
        site.driver.takes = lambda end: 3 * (end // 3) if end < 100 else end
        async with site.living():
            await site.hours(1)
            assert site.holds, "a rounding inside the limits is an off"
            notes = [m["note"] for m in site.said("relay") if "note" in m]
            told = "% asked, 60 % effective"
            assert any(told in note for note in notes), (
                f"a rounding was not told: {notes}"
            )
            assert not site.alarms, site.alarms
        site.sound()

    lives(Held(folder, level=61, offers=THRESHOLDS), life)


def _only_some(folder: Path) -> None:
    """80 and 100 is all that it knows: charging would go on to 80."""

    async def life(site: Held) -> None:
        site.driver.takes = lambda end: 80 if end < 100 else 100
        async with site.living():
            await site.until(
                lambda: site.alarmed("relay_failed"),
                10 * MINUTE_S,
                "a threshold far from the level was taken for an off",
            )
            assert site.driver.end == 100, "left where it was not wanted"
            errors = [m["error"] for m in site.said("relay") if "error" in m]
            assert any("and is 80" in error for error in errors), errors
        site.sound()

    lives(Held(folder, level=60, offers=THRESHOLDS), life)


def _refused(folder: Path) -> None:
    async def life(site: Held) -> None:
        at = ("store", "charge_control_end_threshold")
        async with site.living():
            await site.reads(1)
            site.driver.failures[at] = [errno.EINVAL] * 100
            await site.until(
                lambda: site.alarmed("relay_failed"), 10 * MINUTE_S, "a refusal is told"
            )
            site.driver.failures.clear()
            await site.until(lambda: site.holds, HOUR_S, "tried again")
            await site.live(2 * MINUTE_S)
            assert not site.alarms, site.alarms
        site.sound()

    lives(Held(folder, level=60, offers=THRESHOLDS), life)


def _reset(folder: Path, offers: dict[str, Any]) -> None:
    """Forgotten more often than a contact would be told again in an hour."""

    async def life(site: Held) -> None:
        async with site.living():
            await site.hours(0.5)
            assert site.holds
            for turn in range(5):
                site.driver.reset()
                await site.until(
                    _of(site, holds=True),
                    3 * MINUTE_S,
                    f"a hold that the firmware forgot was not said again ({turn})",
                )
                await site.live(MINUTE_S)
            told = site.told("relay_external_change")
            assert told == [True, False] * 5, f"told {told}"
            assert not site.alarms, site.alarms
        site.sound()

    lives(Held(folder, level=60, offers=offers), life)


def _of(site: Held, *, holds: bool) -> Callable[[], bool]:
    return lambda: site.holds is holds


def a_hub_that_was_reset(folder: Path) -> None:
    async def life(site: OnAPort) -> None:
        async with site.living():
            site.set(capacity=66)
            await site.until(
                _is_off(site), 10 * MINUTE_S, "the other half kept its power"
            )
            await site.live(2 * MINUTE_S)
            assert site.state.drive.off_proven
            for turn in range(4):
                offs = site.port_offs
                site.hubs.reset_hub()
                assert site.has_power, "a reset turns ports on"
                await site.live(45)
                assert turn or site.told("relay_external_change"), (
                    "a hub's reset was not told"
                )
                await site.live(2 * MINUTE_S)
                again = site.port_offs - offs
                assert again == (turn < 2), f"turn {turn}: off {again} times"
            # A hub that is pulled and put back has all ports on, too.
            site.hubs.unplug_hub()
            await site.live(2 * MINUTE_S)
            assert site.alarmed("relay_failed"), "an unplugged hub was not told"
            site.hubs.plug_hub_back()
            for level in range(65, 59, -1):
                site.set(capacity=level)
                await site.live(20 * MINUTE_S)
            assert not site.alarmed("relay_failed")
            assert not site.has_power, "off is commanded and was not said again"
        assert site.has_power, "after a stop the port is on"
        site.sound()

    lives(OnAPort(folder), life)


def _is_off(site: OnAPort) -> Callable[[], bool]:
    return lambda: not site.has_power


CASES: Final[dict[int, Callable[[Path], None]]] = {
    34: a_threshold_with_a_will,
    35: a_hub_that_was_reset,
}
