"""The text of ``tidegate wear``: a table, the finding, the sources, in 80 columns."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Sequence
from typing import Final

from tidegate.cli.paragraphs import wrapped
from tidegate.wear import finding, handbook
from tidegate.wear.account import FLOAT_PERCENT, Account, ModelLoss
from tidegate.wear.model import Model

WIDTH: Final = 79
_LEAST: Final = 40  # narrower than this it is cut off
_NAME: Final = 18
_CELL: Final = 6


def lines(
    duty: str, *, models: Sequence[Model], accounts: dict[str, Account]
) -> Iterator[str]:
    """Yield the whole answer; ``duty`` names what was asked for."""
    longest = max(accounts.values(), key=lambda each: each.days)
    yield from _wrapped(f"{duty}: {_pace(longest.efc_per_year)}.")
    yield from _wrapped(
        "Left of the capacity, in percent, after so many years from new, by each "
        f"model. Float is at {FLOAT_PERCENT:g} %, hold at {longest.hold_percent:g} %, "
        "at the same temperature."
    )
    all_years = list(accounts)
    side_by_side = (_width() - _NAME) // (3 * _CELL + 1)
    for start in range(0, len(all_years), side_by_side):
        yield ""
        some = all_years[start : start + side_by_side]
        yield from _table({years: accounts[years] for years in some})
    if not all(each.counts for each in longest.models):
        yield from _wrapped(
            "* not counted: for batteries declared as LFP (--chemistry lfp)", rest="  "
        )
    over = _years(next(each for each in accounts if accounts[each] is longest))
    yield from _section(f"What it means, over {over}", _meaning(longest, accounts))
    yield from _section("Outside the tests behind a model", _outside(longest))
    yield from _section("What no number here covers", finding.LIMITS)
    yield from _section("Sources", [_source(model) for model in models])


def _table(accounts: dict[str, Account]) -> Iterator[str]:
    heads, columns = [], []
    for years, each in accounts.items():
        shown = _columns(each)
        width = _CELL * len(shown) + 1
        heads.append(_years(years).rjust(width))
        columns.append(" " + "".join(name.rjust(_CELL) for name in shown))
    yield " " * _NAME + "".join(heads)
    yield "model".ljust(_NAME) + "".join(columns)
    first = next(iter(accounts.values()))
    for place, model in enumerate(first.models):
        name = model.name if model.counts else f"{model.name} *"
        cells = [_cells(each, place) for each in accounts.values()]
        yield name.ljust(_NAME) + "".join(cells)
    if first.of and "float" in _columns(first):
        counts = [
            f"{each.better} of {each.of}".rjust(len(column))
            for each, column in zip(accounts.values(), columns, strict=True)
        ]
        yield "better than float".ljust(_NAME) + "".join(counts)


def _columns(account: Account) -> dict[str, str]:
    """Return the columns, without those that repeat what was asked for."""
    shown = {"this": "loss_percent"}
    for name, losses in (
        ("float", "float_loss_percent"),
        ("hold", "hold_loss_percent"),
    ):
        if account.efc_per_year or _differ(account.models, losses):
            shown[name] = losses
    return shown


def _differ(models: Sequence[ModelLoss], losses: str) -> bool:
    return any(abs(getattr(each, losses) - each.loss_percent) > 1e-9 for each in models)


def _cells(account: Account, place: int) -> str:
    model = account.models[place]
    left = [100 - getattr(model, losses) for losses in _columns(account).values()]
    return " " + "".join(f"{each:.1f}".rjust(_CELL) for each in left)


def _meaning(account: Account, accounts: dict[str, Account]) -> Iterator[str]:
    verdict, *more = finding.sentences(account)
    yield verdict
    if account.of > 1 and len({each.better for each in accounts.values()}) > 1:
        counts = (
            f"{each.better} of {each.of} after {_years(years)}"
            for years, each in accounts.items()
        )
        yield f"How many say less than float changes with time: {', '.join(counts)}."
    yield from more
    if account.mean_c is not None:
        yield from handbook.sentences(account.mean_c)


def _pace(efc_per_year: float) -> str:
    if not efc_per_year:
        return "no cycles"
    told = f"{efc_per_year:,.0f}" if efc_per_year >= 100 else f"{efc_per_year:.3g}"
    if efc_per_year < 0.01:
        told = "less than 0.01"
    return f"{told} equivalent full cycles a year"


def _years(years: str) -> str:
    return f"{years} year" if years == "1" else f"{years} years"


def _outside(account: Account) -> Iterator[str]:
    for each in account.models:
        if each.outside:
            yield f"{each.name}: {'; '.join(each.outside)}"


def _source(model: Model) -> str:
    return f"{model.name}: {model.cell}; {model.paper}, DOI {model.doi}"


def _section(title: str, texts: Sequence[str] | Iterator[str]) -> Iterator[str]:
    found = list(texts)
    if not found:
        return
    yield ""
    yield f"{title}:"
    for text in found:
        yield from _wrapped(text, first="- ", rest="  ")


def _wrapped(text: str, *, first: str = "", rest: str = "") -> list[str]:
    return wrapped(text, _width(), first=first, rest=rest)


def _width() -> int:
    return max(_LEAST, min(shutil.get_terminal_size().columns, WIDTH))
