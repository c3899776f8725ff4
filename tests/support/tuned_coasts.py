"""Readings of an invented device whose gauge needs the switched supply.

Made by adding up a known load and a known supply, second by second; nothing of the
daemon, the twin or the fit is in them. Off at the high mark, on after a given time.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from support.tuned_series import MONDAY_MS, point, read
from tidegate.history import Coast, Point, Series

Rate = Callable[[float], float]
_STEP_S = 5


@dataclass(frozen=True, kw_only=True)
class Kept:
    """How it is kept and read. ``lag_s``: the gauge follows the charge that late."""

    load: Rate
    net: Rate
    off_h: float
    high: float = 65.0
    days: float = 14.0
    poll_s: int = 60
    back_s: int = 30
    lag_s: int = 0
    is_whole: bool = True
    is_silent: bool = False
    celsius: tuple[float, float] | None = None


def coasted(kept: Kept) -> Series:
    """Return the series; before each coast the first of ``celsius``, then the other."""
    made = _Made(kept)
    for step in range(round(kept.days * 86_400 / _STEP_S)):
        made.live(step * _STEP_S)
    return read(
        made.points,
        policy={"gauge_needs_supply": True, "poll_ms": 1000 * kept.poll_s},
        coasts=tuple(made.coasts),
        breaks=tuple(each.place for each in made.coasts),
        step_s=float(kept.poll_s),
        is_whole=kept.is_whole,
    )


class _Made:
    def __init__(self, kept: Kept) -> None:
        self.points: list[Point] = []
        self.coasts: list[Coast] = []
        self._kept = kept
        self._level, self._shown = kept.high - 3, kept.high - 3
        self._on_s = self._next_s = 0
        self._off_s: int | None = None

    def live(self, now_s: int) -> None:
        """Go on by one step."""
        kept, hour = self._kept, now_s / 3600
        if self._off_s is not None:
            if now_s - self._off_s < 3600 * kept.off_h:
                self._level -= kept.load(hour) * _STEP_S / 3600
                self._shown = self._level
                return
            self._begin(now_s)
        if now_s >= self._next_s:
            self._next_s = now_s + kept.poll_s
            self._read(now_s)
        self._level += kept.net(hour) * _STEP_S / 3600
        share = _STEP_S / kept.lag_s if kept.lag_s else 1.0
        self._shown += share * (self._level - self._shown)

    def _begin(self, now_s: int) -> None:
        assert self._off_s is not None
        off, self._off_s, self._on_s = self._off_s, None, now_s
        self._next_s = now_s + self._kept.back_s
        self.coasts.append(
            Coast(MONDAY_MS + 1000 * off, MONDAY_MS + 1000 * now_s, len(self.points))
        )

    def _read(self, now_s: int) -> None:
        kept = self._kept
        level = float(round(self._shown)) if kept.is_whole else self._shown
        is_off = level >= kept.high and now_s - self._on_s >= 180
        warm = kept.celsius and kept.celsius[0 if is_off else 1]
        fed = None if kept.is_silent else True
        self.points.append(
            point(now_s / 60, level, is_fed=fed, temperature_c=warm or None)
        )
        if is_off:
            self._off_s = now_s
