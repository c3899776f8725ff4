"""The accounts of an audit side by side: the time read, and more of the same."""

from __future__ import annotations

from tidegate.audit.result import Audit
from tidegate.report.ink import hours_of
from tidegate.wear.account import Account

Named = tuple[str, Account]


def accounts(audit: Audit) -> tuple[Named, ...]:
    """Return each account with the time that it is of, () without any model."""
    if audit.wear is None or not audit.wear.models or audit.wear.days <= 0:
        return ()
    ahead = [(f"in {_years(each.years)}", each.account) for each in audit.at_this_pace]
    return ((f"{_days(audit.wear.days)} read", audit.wear), *ahead)


def deciding(audit: Audit) -> tuple[Named, ...]:
    """Return those up to the one on which the verdict rests, which is the last."""
    found = accounts(audit)
    _, last = audit.deciding
    places = [index for index, (_, each) in enumerate(found) if each is last]
    return found[: places[0] + 1] if places else ()


def lasting(audit: Audit) -> str:
    """Return over which time the losses are told on which the verdict rests."""
    years, wear = audit.deciding
    if years is not None:
        return f"if it goes on like this for {_years(years)}"
    return "" if wear is None else f"over the {_days(wear.days)} read"


def _years(years: int) -> str:
    return "1 year" if years == 1 else f"{years} years"


def _days(days: float) -> str:
    if days < 1:
        return hours_of(86_400 * days)
    return f"{days:,.0f} days" if days >= 100 else f"{days:.3g} days"
