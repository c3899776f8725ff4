"""The numbers of an audit that need words to be right: of what, over which time."""

from __future__ import annotations

from math import ceil, floor
from typing import Final

from tidegate.audit.result import Audit, Measured, Switchings
from tidegate.report.finding import counted
from tidegate.report.ink import hours_of, share_of
from tidegate.report.switchings import at_this_pace

# What is less than this share of a time is not told apart from all of it; a choice.
_ALL: Final = 0.99


def percent(value: float) -> str:
    """Return whole percents; all and none are said only of all and none."""
    if 99 < value < 100:
        return f"{floor(10 * value) / 10:.1f} %"
    if 0 < value < 1:
        return f"{ceil(10 * value) / 10:.1f} %"
    return f"{value:.0f} %"


def efc(count: float) -> str:
    """Return equivalent full cycles, whole from 100 on."""
    return f"{count:,.0f}" if count >= 100 else f"{count:.2f}"


# --- charge ---------------------------------------------------------------------------


def unread(audit: Audit) -> str:
    """Return why there is no charge in the log, "" where there is."""
    if audit.soc.lowest_percent is not None:
        return ""
    return "none that can be trusted" if audit.readings.count else "none was read"


def from_to(audit: Audit) -> str:
    """Return the lowest and the highest charge read."""
    low, high = audit.soc.lowest_percent, audit.soc.highest_percent
    return "unknown" if low is None or high is None else f"{low:.0f} to {high:.0f} %"


def read_with_window(audit: Audit) -> str:
    """Return of which time the share in the window is."""
    window_s, covered_s = audit.soc.window_s, audit.readings.covered_s
    if window_s >= _ALL * covered_s:
        return "the time read"
    return (
        f"the {hours_of(window_s)} read with a window in force (of {hours_of(covered_s)} "
        "read)"
    )


# --- paces ----------------------------------------------------------------------------


def is_gappy(audit: Audit) -> bool:
    """Return whether some of the time is in gaps."""
    return audit.readings.covered_s * 1000 < _ALL * (audit.until_ms - audit.from_ms)


def cycled(audit: Audit) -> str:
    """Return the equivalent full cycles and their pace."""
    cycles, gaps = audit.cycles, ""
    if is_gappy(audit):
        gaps = " at least" if cycles.efc_in_gaps else ""
        gaps += ", gaps included"
    said = efc(cycles.efc)
    if cycles.efc_per_year is None:
        return said
    rate = f"{cycles.efc_per_year:,.0f} a year"
    return f"{said}; {rate}{gaps or ' at this pace'}"


def switched(audit: Audit) -> str:
    """Return how many switchings there were, and how many a day."""
    made = audit.switchings
    said = f"{made.count:,}"
    if made.unlogged:
        said += f" and up to {made.unlogged:,} that the log lost"
    if made.per_day is None:
        return said
    gaps = ", gaps included" if is_gappy(audit) else ""
    return f"{said}, {made.per_day:.1f} a day{gaps}"


def effects(made: Switchings) -> str:
    """Return what came of the switchings, as far as it was not as it should be."""
    return f"{made.missing:,} without effect, {made.unconfirmed:,} not confirmed"


# --- relay ----------------------------------------------------------------------------


def contact(made: Switchings) -> str:
    """Return what the contact went through, of what it lasts; "" for nothing."""
    if not (made.used or made.operations_of_log):
        return ""
    if not made.has_contact:
        return f"{counted(made.used, 'operation')}, of a kind without a contact"
    said = counted(made.used, "contact operation")
    if made.life:
        said = f"{made.used:,} of {made.life:,} contact operations"
    if made.operations_of_log > made.used:
        said += f" in this time, {whole_log(made)}"
    if made.life_years is not None:
        said += f"; {at_this_pace(made.life_years)}"
    return said


def whole_log(made: Switchings) -> str:
    """Return the operations of the whole log, of what the contact lasts."""
    said = f"{made.operations_of_log:,} in the whole log"
    if not made.life:
        return said
    return f"{said} ({share_of(made.operations_of_log, made.life)})"


# --- the cell -------------------------------------------------------------------------


def capacity(found: Measured) -> str:
    """Return a measured capacity with its doubt and what that is of."""
    if found.capacity_ah is None or found.capacity_sigma_ah is None:
        return found.why_no_capacity
    sigma = f"{found.capacity_sigma_ah:.2f}"
    doubt = f"± {sigma} Ah" if float(sigma) else "± less than 0.005 Ah"
    of = "rounding alone" if found.sigma_of == "rounding" else found.sigma_of
    return f"{found.capacity_ah:.2f} Ah {doubt} (one sigma, from {of})"
