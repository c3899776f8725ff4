"""The text of ``tidegate audit``: it reads in a minute, at 80 columns.

All that is left out here is in the document and on the page.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import tzinfo
from typing import Final

from tidegate.audit.result import Audit
from tidegate.cli.audit_rows import overview
from tidegate.cli.paragraphs import wrapped
from tidegate.report.audit_finding import verdict
from tidegate.report.cautions import CAUTIONS
from tidegate.wear import finding
from tidegate.wear.account import Account, ModelLoss
from tidegate.words import visible

WIDTH: Final = 79
_LABEL: Final = 13
_NAME: Final = 18
_CELL: Final = 6
_GROUP: Final = 3 * _CELL + 2
# Of the finding of the models: what it costs, what to change, what a hold would do.
# The rest of it repeats the table and the numbers above it.
_TOLD: Final = ("Over ", "To change: ", "A hold at ")
_MOST_TOLD: Final = 2
_OUTSIDE: Final = "†"
_LEGEND: Final = (
    f"{_OUTSIDE} partly outside what the model's tests covered: see --html."
)


def lines(audit: Audit, zone: tzinfo) -> Iterator[str]:
    """Yield the whole text, the verdict first; nothing in it commands a terminal."""
    for line in _lines(audit, zone):
        yield visible(line)


def _lines(audit: Audit, zone: tzinfo) -> Iterator[str]:
    yield from _wrapped(verdict(audit))
    yield ""
    for label, value in overview(audit, zone):
        yield from _labelled(label, value)
    if audit.wear is not None:
        yield ""
        yield from _models(audit, audit.wear)
        yield from _advice(audit)
    yield ""
    yield from _limits(audit)
    yield from _head(audit)
    yield from _wrapped(CAUTIONS[0])


def _labelled(label: str, value: str) -> Iterator[str]:
    first = f"  {label:<{_LABEL}}"
    yield from _wrapped(value, first=first, rest=" " * len(first))


# --- models ---------------------------------------------------------------------------


def _models(audit: Audit, wear: Account) -> Iterator[str]:
    accounts = {_days(wear.days): wear}
    for each in audit.at_this_pace:
        years = "1 year" if each.years == 1 else f"{each.years} years"
        accounts[f"{years} like this"] = each.account
    over = "".join(f"{name + ' ':>{_GROUP}}" for name in accounts)
    yield f"{'% lost from new':<{_NAME}}{over}".rstrip()
    hold = f"  (hold: {wear.hold_percent:g} %)"
    heads = "".join(f"{head:>{_CELL - 1}} " for head in ("this", "float", "hold"))
    yield (f"{hold:<{_NAME}}" + len(accounts) * f"{heads:>{_GROUP}}").rstrip()
    for rows in zip(*(each.models for each in accounts.values()), strict=True):
        name = f"  {rows[0].name}" + ("" if rows[0].counts else " *")
        yield (f"{name:<{_NAME}}" + "".join(map(_losses, rows))).rstrip()
    better = (f"{each.better} of {each.of}" for each in accounts.values())
    said = "".join(f"{each + ' ':>{_GROUP}}" for each in better)
    yield f"{'  less than float':<{_NAME}}{said}".rstrip()
    if any(
        each.outside or each.float_outside or each.hold_outside
        for wear in accounts.values()
        for each in wear.models
    ):
        yield from _wrapped(_LEGEND, first="  ", rest="  ")


def _days(days: float) -> str:
    return f"{days:.3g} days" if days >= 1 else f"{24 * days:.2g} h"


def _losses(model: ModelLoss) -> str:
    found = (model.loss_percent, model.float_loss_percent, model.hold_loss_percent)
    outside = (model.outside, model.float_outside, model.hold_outside)
    cells = (
        f"{loss:.1f}{_OUTSIDE if phrases else ' '}"
        for loss, phrases in zip(found, outside, strict=True)
    )
    told = "".join(f"{each:>{_CELL}}" for each in cells)
    return f"{told:>{_GROUP}}"


def _advice(audit: Audit) -> Iterator[str]:
    _, wear = audit.deciding
    assert wear is not None
    said = [each for each in finding.sentences(wear) if each.startswith(_TOLD)]
    for each in said[:_MOST_TOLD]:
        yield from _item(each)


# --- the end --------------------------------------------------------------------------


def _limits(audit: Audit) -> Iterator[str]:
    wear = audit.wear
    is_all = wear is None or all(each.counts for each in wear.models)
    star = "" if is_all else " (* counts only if so declared)"
    yield from _item(f"Estimates for other cells, not measured health{star}.")
    yield from _item("No model here covers LCO cells, more than 4.2 V or swelling.")
    count = len(audit.notes)
    notes = "1 note" if count == 1 else f"{count} notes"
    yield from _item(
        f"All limits, gaps, alarms and {notes} on this log: --html, --json."
    )


def _head(audit: Audit) -> Iterator[str]:
    head = audit.head
    # Digits without separators, and the link on a line of its own: programs read it.
    yield from _item(
        f"Keep elsewhere for log verify --against: link {head.number}, row {head.row} of "
        f"{head.path.name}"
    )
    yield f"  head {head.link}"


def _item(text: str) -> list[str]:
    return _wrapped(text, first="- ", rest="  ")


def _wrapped(text: str, *, first: str = "", rest: str = "") -> list[str]:
    return wrapped(text, WIDTH, first=first, rest=rest)
