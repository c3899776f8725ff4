"""Rule 4 of the core for the walk: a gauge that stands still for too long."""

from __future__ import annotations

from math import floor, inf

from tidegate.core.policy import HOUR_MS, Policy, Proof
from tidegate.core.watch import FROZEN_LEAST_MS, FROZEN_MOST_MS, FROZEN_SLOPE
from tidegate.tuning.outcome import Candidate
from tidegate.tuning.site import Site


class Freezing:
    """Rule 4 with a gauge in steps: a load so light that a step takes too long.

    To the daemon such a gauge looks frozen, and the supply goes on until it has moved,
    for a day at most, and was read three times in a minute. The slope is that of the steepest hour. A
    gauge that goes back and forth around each step stands still only in between.
    """

    def __init__(self, site: Site, policy: Policy) -> None:
        self._load = site.load
        self._floor = policy.floor_percent
        self._step = site.device.step_percent
        self._flicker = site.device.flicker_percent
        self._poll_h = policy.poll_ms / HOUR_MS
        self._slope = max(FROZEN_SLOPE, *site.loads)

    def limit_h(self, shown: float) -> float:
        """Return how long a value of the gauge may stay."""
        half = max(0.0, shown - self._floor) / 2 / self._slope
        most = max(FROZEN_LEAST_MS / HOUR_MS, min(FROZEN_MOST_MS / HOUR_MS, half))
        # A step is read half a poll late in the mean. The limits are whole polls as a
        # rule, so that only the reading after is later than them.
        return most + 1.5 * self._poll_h

    def looks_at(
        self, hour: float, level: float, until_h: float
    ) -> tuple[float, float]:
        """Return when the gauge looks frozen, and the level at which it then moves.

        Both are infinite if it does not until then.
        """
        load, step, wide = self._load, self._step, self._flicker
        gone = load.at(hour) + level
        shown = floor(level / step + 0.5) * step
        while hour < until_h:
            line = shown - step / 2
            moves_h = load.when(gone - (line + wide))
            limit_h = self.limit_h(shown)
            if moves_h - hour > limit_h:
                return hour + limit_h, shown + step / 2
            hour, shown = max(hour, load.when(gone - (line - wide))), shown - step
        return inf, inf


def freezing(site: Site, candidate: Candidate, policy: Policy) -> Freezing | None:
    """Return it where a load is light enough for that, and the rule is heard."""
    device = site.device
    is_deaf = policy.proof is not Proof.EXTERNAL_POWER
    # What is not read while it is off cannot look frozen then.
    is_deaf = is_deaf or policy.gauge_needs_supply
    if candidate.hold_percent is not None or is_deaf or not device.step_percent:
        return None
    found = Freezing(site, policy)
    shortest_h = found.limit_h(candidate.low_percent)
    lightest = min(site.loads)
    return found if lightest * shortest_h < device.step_percent else None
