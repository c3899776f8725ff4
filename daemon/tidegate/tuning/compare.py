"""What a year of each candidate would come to.

How it all follows, so that it can be recomputed by hand:

1. ``fit`` turns the log into points an hour: the load by hour of the week, the net
   charge while fed, where and how far charging slows, and how wide a cycle is beside
   its window.
2. ``course`` walks a year: with the supply off the level falls by the load of each
   hour, with it on it rises by the net charge, and the supply switches at the marks,
   after the dwell, within the budget of rule 10, and at the floor. For constant rates
   that is the closed form

       EFC a year = load / 100 * 8760 h * net charge / (net charge + load)
       switchings = 2 * 8760 h / (swing / load + swing / net charge)

   with rates in points an hour. The swing is high - low, plus ``swing_extra_percent``.
   Levels are true points: a gauge that rounds to whole percents shows a mark half a
   point early, so an audit of the same time, which counts whole steps of the gauge,
   finds up to a point a half cycle more.
3. Autonomy is the time in which the load adds up to low mark - floor, from each hour
   of the week; recovery the time in which the net charge brings that back. Where a
   dwell leads under the low mark, or some hours' load outruns the supply, it begins at
   the lowest level that may be there while fed (``reach``).
4. Losses are those of ``wear`` for that year, times 1, 3 and 5 (``losses``).
5. At another supply of so many amperes the net charge is the smaller of what the
   charger takes and supply - load (``resupplied``), ampere for ampere.
6. Relay life is the contact's operations over its switchings a year. A relay that
   only stops charging has no contact.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from math import hypot, inf

from tidegate.core.policy import Policy
from tidegate.tuning.course import Course, course, is_always_fed
from tidegate.tuning.device import Device, Rate
from tidegate.tuning.losses import Losses
from tidegate.tuning.outcome import Candidate, Outcome
from tidegate.tuning.paths import WEEK_H
from tidegate.tuning.reach import autonomy_of, fed_levels, recovery_h
from tidegate.tuning.resupplied import beyond_of, resupplied
from tidegate.tuning.site import YEAR_H, Site
from tidegate.wear.account import UNKNOWN

Progress = Callable[[int, int], None]


def compare(
    device: Device,
    policy: Policy,
    candidates: Sequence[Candidate],
    *,
    life: int | None = None,
    chemistry: str = UNKNOWN,
    can_hold: bool = False,
    progress: Progress | None = None,
) -> list[Outcome]:
    """Return the outcomes in the order of the candidates.

    Holds are left out where the relay cannot hold. ``progress`` is told how many of
    how many are done. Errors: LogUnreadable for a supply in A without a capacity.
    """
    asked = [each for each in candidates if can_hold or each.hold_percent is None]
    prepared = _Prepared(device, policy, life=life, chemistry=chemistry)
    found = []
    for done, candidate in enumerate(asked, start=1):
        found.append(prepared.outcome(candidate))
        if progress is not None:
            progress(done, len(asked))
    return found


def with_sigma(outcome: Outcome, device: Device, policy: Policy) -> Outcome:
    """Return it with ``sigma``: what the fit's uncertainty makes of its figures.

    Walked again with all loads, and then with all net charges, one standard deviation
    of their means up and down; half the difference, the two added in squares. For the
    autonomy each hour's load moves by a sigma of its own, all of them together, as a
    few hours decide it, unless it is that of the steepest load seen, whose sigma is not
    known. What the log has not shown (``beyond``) is not in it.
    """
    way = outcome.candidate
    bare = replace(device, fed_c=(), unfed_c=(), held_c=())
    spreads = []
    for load, rise in ((1, 0), (0, 1)):
        one, other = (
            _Prepared(_moved(bare, sign * load, sign * rise), policy).course(way)
            for sign in (-1, 1)
        )
        spreads.append(
            (
                _half(one.efc_per_year, other.efc_per_year),
                _half(one.switchings_per_year, other.switchings_per_year),
            )
        )
    efc, switchings = (hypot(*each) for each in zip(*spreads, strict=True))
    sigma = {"efc_per_year": efc, "switchings_per_year": switchings}
    if device.steepest_percent_per_h is None:
        light, heavy = (
            _Prepared(_by_hour(bare, sign), policy).autonomy_h(way) for sign in (-1, 1)
        )
        sigma["autonomy_h"] = _half(light, heavy)
    return replace(outcome, sigma=sigma)


class _Prepared:
    """A device at each of its supplies, laid out once."""

    def __init__(
        self,
        device: Device,
        policy: Policy,
        *,
        life: int | None = None,
        chemistry: str = UNKNOWN,
    ) -> None:
        self._device = device
        self._policy = policy
        self._life = life
        self._chemistry = chemistry
        self._sites: dict[float | None, Site] = {}
        self._back_h: dict[tuple[float | None, float], float] = {}
        self._losses: Losses | None = None

    def outcome(self, candidate: Candidate) -> Outcome:
        """Return all of a candidate."""
        site = self._site(candidate.supply_a)
        lived = self.course(candidate)
        levels = fed_levels(site, lived.down_to_percent)
        floor = self._policy.floor_percent
        worst_h, mean_h = autonomy_of(site, levels, to_percent=floor)
        back_h = self._recovery_h(candidate)
        return Outcome(
            candidate=candidate,
            losses=self._models(site).accounts(
                lived.stays,
                factor=YEAR_H / lived.walked_h,
                hold_percent=_hold_beside(candidate),
            ),
            efc_per_year=lived.efc_per_year,
            switchings_per_year=lived.switchings_per_year,
            relay_life_years=self._life_years(candidate, lived),
            autonomy_h=worst_h,
            autonomy_mean_h=mean_h,
            recovery_h=back_h,
            mean_soc_percent=lived.mean_percent,
            outside_h=lived.outside_h,
            under_h=lived.under_h,
            lowest_percent=min(levels),
            is_carried=site.is_carried and back_h < inf,
            beyond=self._beyond(candidate),
            off_h=lived.off_h,
        )

    def course(self, candidate: Candidate) -> Course:
        """Return a year of it."""
        return course(self._site(candidate.supply_a), candidate, self._policy)

    def autonomy_h(self, candidate: Candidate) -> float:
        """Return the hours down to the floor, from the worst hour of the week."""
        site = self._site(candidate.supply_a)
        levels = fed_levels(site, self.course(candidate).down_to_percent)
        return autonomy_of(site, levels, to_percent=self._policy.floor_percent)[0]

    def _recovery_h(self, candidate: Candidate) -> float:
        low, supply_a = candidate.low_percent, candidate.supply_a
        if (supply_a, low) not in self._back_h:
            site, floor = self._site(supply_a), self._policy.floor_percent
            back_h = recovery_h(site, from_percent=floor, to_percent=low)
            self._back_h[supply_a, low] = back_h
        return self._back_h[supply_a, low]

    def _models(self, site: Site) -> Losses:
        # Temperatures do not depend on the supply.
        if self._losses is None:
            self._losses = Losses(
                site.heats,
                resting=site.held_heat[:WEEK_H],
                chemistry=self._chemistry,
                is_warm_known=bool(self._device.fed_c),
            )
        return self._losses

    def _site(self, supply_a: float | None) -> Site:
        if supply_a not in self._sites:
            device = self._device
            at_supply = device if supply_a is None else resupplied(device, supply_a)
            self._sites[supply_a] = Site(at_supply)
        return self._sites[supply_a]

    def _life_years(self, candidate: Candidate, lived: Course) -> float | None:
        if is_always_fed(candidate, self._policy):
            return inf
        if self._life is None:
            return None
        switchings = lived.switchings_per_year
        return self._life / switchings if switchings else inf

    def _beyond(self, candidate: Candidate) -> tuple[str, ...]:
        device, found = self._device, []
        seen = device.seen_percent[1]
        if candidate.high_percent > seen:
            found.append(
                f"charging was never seen above {seen:.0f} %; it may slow down there"
            )
        if candidate.supply_a is not None:
            found += beyond_of(device, candidate.supply_a)
        return tuple(found)


def _hold_beside(candidate: Candidate) -> float:
    """Return the level of the hold to compare with: its own, or the middle."""
    if candidate.hold_percent is not None:
        return candidate.hold_percent
    return (candidate.low_percent + candidate.high_percent) / 2


def _moved(device: Device, load: int, rise: int) -> Device:
    return replace(
        device,
        load=_shifted(device.load, load * device.load_mean.sigma),
        rise=_shifted(device.rise, rise * device.rise_mean.sigma),
    )


def _by_hour(device: Device, sign: int) -> Device:
    load = tuple(
        replace(each, percent_per_h=each.percent_per_h + sign * each.sigma)
        for each in device.load
    )
    # Where it falls while fed, a heavier load takes more then too.
    rise = tuple(
        replace(each, percent_per_h=each.percent_per_h - sign * each.sigma)
        if each.percent_per_h < 0
        else each
        for each in device.rise
    )
    return replace(device, load=load, rise=rise)


def _shifted(rates: tuple[Rate, ...], by: float) -> tuple[Rate, ...]:
    return tuple(replace(each, percent_per_h=each.percent_per_h + by) for each in rates)


def _half(one: float, other: float) -> float:
    return 0.0 if one == other else abs(one - other) / 2
