"""The text of ``tidegate tune``: verdict, table, numbers, evidence, cautions."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Final

from tidegate.cli.paragraphs import wrapped
from tidegate.report.cautions import CAUTIONS
from tidegate.tuning import said
from tidegate.tuning.advice import Advice, constraints_said, shown
from tidegate.tuning.choice import Choice
from tidegate.tuning.device import Device
from tidegate.tuning.outcome import Candidate
from tidegate.words import visible

WIDTH: Final = 79
_AMPERE: Final = re.compile(r"(?<=[0-9]) (?=A\b)")
_LABEL: Final = 13
_WINDOW: Final = 16
_CELLS: Final = (9, 12, 8, 8, 10, 9, 7)
_DWELL: Final = 8
_HEADS: Final = (
    ("", "% lost in", "models", "largest", "autonomy", "switched", "EFC"),
    ("dwell", "{years}", "< float", "regret", "h", "a year", "a year"),
)


def lines(choice: Choice, device: Device, advice: Advice) -> Iterator[str]:
    """Yield the whole text, the verdict first; nothing in it commands a terminal."""
    for line in _lines(choice, device, advice):
        yield visible(line).rstrip()


def _lines(choice: Choice, device: Device, advice: Advice) -> Iterator[str]:
    yield from _wrapped(advice.verdict)
    if rows := choice.rows():
        yield ""
        yield from _table(choice, rows)
    yield from _section("Why", advice.reasons)
    yield from _section("What would change it", advice.would_change)
    yield ""
    yield from _numbers(choice, device)
    yield from _section("What it rests on", advice.rests_on)
    yield ""
    for each in advice.own_limits:
        yield from _item(each)
    yield from _item("Estimates for other cells, not measured health of this one.")
    yield from _item("No model here covers LCO cells, more than 4.2 V or swelling.")
    yield from _item(
        "All limits and candidates, every model for the front: --html, --json."
    )
    yield from _wrapped(CAUTIONS[0])


# --- the table ------------------------------------------------------------------------


def _table(choice: Choice, rows: Sequence[int]) -> Iterator[str]:
    has_supplies = any(choice.outcomes[row].candidate.supply_a for row in rows)
    over = said.years(choice.years)
    for place, heads in enumerate(_HEADS):
        names = [head.format(years=over) for head in heads]
        first = f"  window{', supply' if has_supplies else ''}" if place else ""
        yield _row(first, names)
    for row in rows:
        yield from _candidate(choice, row)


def _candidate(choice: Choice, place: int) -> Iterator[str]:
    it = choice.outcomes[place]
    account = choice.account(place)
    loss = said.percent(account.loss_percent).replace(" %", "").replace(" to ", "-")
    regret = f"{choice.regret(place)[0]:.1f}" if choice.regrets else ""
    cells = (
        _dwell(it.candidate),
        loss,
        f"{account.better}/{account.of}",
        regret,
        said.hours(it.autonomy_h).removesuffix(" h"),
        said.count(it.switchings_per_year),
        said.count(it.efc_per_year),
    )
    sign = "*" if place == choice.recommended else " "
    name = f"{sign} {_name(it.candidate)}"
    yield _row(name, cells)
    what = _what(choice, place)
    if what:
        yield from _wrapped(what, first="    ", rest="    ")


def _what(choice: Choice, place: int) -> str:
    """Return in words what is special about a row."""
    words, it = [], choice.outcomes[place].candidate
    if place == choice.recommended:
        words.append("recommended")
    if place == choice.present:
        words.append("present settings")
    words += [f"misses {rule.replace('_', ' ')}" for rule in choice.broken[place]]
    if it.hold_percent is None and not _dwell(it):
        words.append(f"dwell {said.dwell(it)}")
    words += said.beyond_window(choice.outcomes[place])
    return ", ".join(words)


def _name(it: Candidate) -> str:
    window = said.window(it).replace(" to ", "-").replace("hold at", "hold")
    return window if it.supply_a is None else f"{window} {it.supply_a:g} A"


def _dwell(it: Candidate) -> str:
    """Return the dwell where there is one and it fits into its column."""
    words = "" if it.hold_percent is not None else said.dwell(it)
    return words if len(words) <= _DWELL else ""


def _row(name: str, cells: Sequence[str]) -> str:
    tail = "".join(f"{cell:>{wide}}" for cell, wide in zip(cells, _CELLS, strict=True))
    return f"{name:<{_WINDOW}}{tail}"


# --- numbers --------------------------------------------------------------------------


def _numbers(choice: Choice, device: Device) -> Iterator[str]:
    yield from _labelled("asked", "; ".join(constraints_said(choice.constraints)))
    yield from _labelled("load", said.rate(device.load_mean))
    yield from _labelled("charge", f"{said.rate(device.rise_mean)}{_limits(device)}")
    yield from _labelled("capacity", said.capacity(device.capacity))
    yield from _labelled("temperature", said.temperature(shown(choice), device.sensor))


def _limits(device: Device) -> str:
    found = [
        f"{name} at most {value:.0f} points an hour"
        for name, value in (
            ("charger", device.charger_percent_per_h),
            ("supply", device.supply_percent_per_h),
        )
        if value is not None
    ]
    return f"; {', '.join(found)}" if found else ""


def _section(title: str, texts: Sequence[str]) -> Iterator[str]:
    if not texts:
        return
    yield ""
    yield f"{title}:"
    for each in texts:
        yield from _item(each)


def _labelled(label: str, value: str) -> Iterator[str]:
    first = f"  {label:<{_LABEL}}"
    yield from _wrapped(value, first=first, rest=" " * len(first))


def _item(text: str) -> list[str]:
    return _wrapped(text, first="- ", rest="  ")


def _wrapped(text: str, *, first: str = "", rest: str = "") -> list[str]:
    # The current of a supply stays on the line of its unit.
    tied = _AMPERE.sub("\N{NO-BREAK SPACE}", text)
    return wrapped(tied, WIDTH, first=first, rest=rest)
