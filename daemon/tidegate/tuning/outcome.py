"""What is compared, and what each would come to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from tidegate.wear.account import Account

# The years over which losses are told.
YEARS = (1, 3, 5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A way to run a station. Under a hold the marks are hold - 2 and hold.

    ``supply_a`` is what the supply gives at most, ``None`` for the one that is there.
    """

    low_percent: float
    high_percent: float
    dwell_on_ms: int
    dwell_off_ms: int
    hold_percent: float | None = None
    supply_a: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """A year of a candidate, and what the models say of years at its pace.

    ``losses`` is by year (1, 3, 5) the account of every model, beside float.
    ``autonomy_h`` is how long the device runs from the low mark, or from where else the
    charge may be, down to the floor: from the worst hour of the week and in the mean.
    ``lowest_percent`` is how low the charge may be while fed, ``None`` where that was
    not looked at. ``recovery_h`` is the longest way from the floor up to the low mark.
    ``relay_life_years`` is ``None`` where the life of the contact is not known, and
    infinite where none is switched. ``outside_h`` is how many hours a year the charge
    lies above the window, and ``under_h`` under it. ``is_carried``: the supply outruns
    the load over the week and brings the battery up again. ``beyond`` are sentences on
    what of it the log has not shown. ``off_h`` is how long an off lasts in the mean
    where it ends by time, as nothing is read meanwhile, else ``None``. ``sigma`` is one standard deviation of a figure by
    its name, as far as the fit tells one: ``efc_per_year``, ``switchings_per_year``, ``autonomy_h``.
    """

    candidate: Candidate
    losses: Mapping[int, Account]
    efc_per_year: float
    switchings_per_year: float
    relay_life_years: float | None
    autonomy_h: float
    autonomy_mean_h: float
    recovery_h: float
    mean_soc_percent: float
    outside_h: float
    under_h: float
    is_carried: bool
    lowest_percent: float | None = None
    beyond: tuple[str, ...] = ()
    off_h: float | None = None
    sigma: Mapping[str, float] | None = None

    @property
    def budgeted_per_year(self) -> float:
        """The switchings that rule 10 counts: not the ons that end an off by time."""
        per_year = self.switchings_per_year
        return per_year if self.off_h is None else per_year / 2

    @property
    def is_low_at_times(self) -> bool:
        """Whether it may lie under its low mark: by a dwell, or as load outruns supply.

        Levels are told to a whole percent, so by half a point at least.
        """
        lowest = self.lowest_percent
        return lowest is not None and lowest <= self.candidate.low_percent - 0.5
