"""The result of a commissioning run as a table for people."""

from __future__ import annotations

import shutil
import textwrap
from typing import Any, Final

WIDTH_MOST: Final = 100
_READBACK: Final = {
    None: "the relay was not opened",
    "none": "none: the relay cannot tell",
    "echo": "it repeats the command",
    "latch": "its latch",
    "sensed": "the contact itself",
}
_TIMER: Final = {
    "none": "the relay has none",
    "not_tested": "not tested",
    "failed": "did not return the supply",
}


def lines(document: dict[str, Any]) -> list[str]:
    """Return the verdict in a sentence, the numbers, then what is unsafe and what to do."""
    return [
        wrapped(_verdict(document)),
        "",
        *_latencies(document),
        *(f"  {label:<12} {text}" for label, text in _facts(document)),
        "",
        *_findings(document),
        *_signed(document),
    ]


def _verdict(document: dict[str, Any]) -> str:
    station, why = document["station"], document["why"]
    if document["verdict"] == "proven":
        rounds = max(step["round"] for step in document["rounds"])
        often = "1 round" if rounds == 1 else f"each of {rounds} rounds"
        return f"{station}: proven. The supply followed off and on in {often}."
    words = {
        "not_proven": "not proven",
        "refused": "refused, nothing was proven",
        "aborted": "ended early, nothing was proven",
    }
    return f"{station}: {words[document['verdict']]}: {why}."


def _latencies(document: dict[str, Any]) -> list[str]:
    rows = [
        f"  {supply:<12} {_s(spread['min_ms'])} {_s(spread['median_ms'])} "
        f"{_s(spread['max_ms'])}"
        for supply, spread in document["latency"].items()
        if spread is not None
    ]
    if not rows:
        return []
    return [f"  {'until seen':<12} {'least':>8} {'median':>8} {'most':>8}", *rows]


def _s(value_ms: int) -> str:
    return f"{value_ms / 1000:6.1f} s"


def _facts(document: dict[str, Any]) -> list[tuple[str, str]]:
    readback, wiring, timer = (
        document["readback"],
        document["wiring"],
        document["timer"],
    )
    grade = "" if readback["grade"] is None else f"grade {readback['grade']}, "
    counted = readback["agreed"] + readback["disagreed"]
    agreed = f"; agreed {readback['agreed']} of {counted} times" if counted else ""
    seen = wiring["seen"] or "not seen"
    fits = "as `contact` says" if wiring["seen"] == wiring["contact"] else ""
    if wiring["seen"] and not fits:
        fits = f"`contact` says {wiring['contact']}"
    timer_said = _TIMER.get(timer["result"])
    if timer_said is None:
        timer_said = f"returned the supply after {timer['returned_ms'] / 1000:.1f} s"
    if timer["declared_s"] is not None:
        timer_said += f" (declared: {timer['declared_s']:g} s)"
    is_on = {True: "on, as the gauge shows", False: "not seen", None: "not known"}
    if document["latency"]["off"] is None and not wiring["reversed"]:
        is_on[True] += ", which has not shown an off"
    return [
        ("readback", f"{grade}{_READBACK[readback['name']]}{agreed}"),
        ("wiring", f"{seen}{', ' if fits else ''}{fits}"),
        ("timer", timer_said),
        ("supply now", is_on[document["supply_is_on"]]),
    ]


def _findings(document: dict[str, Any]) -> list[str]:
    lines: list[str] = []
    for title, unsafe in (("Unsafe:", True), ("Also:", False)):
        mine = [each for each in document["findings"] if each["unsafe"] is unsafe]
        if mine:
            lines += [
                title,
                *(wrapped(f"{each['text']} {each['remedy']}", 2) for each in mine),
                "",
            ]
    return lines


def _signed(document: dict[str, Any]) -> list[str]:
    recorded = "in the cycle log" if document["recorded"] else "not in the cycle log"
    return [wrapped(f"By {document['by']} ({document['because']}), {recorded}.")]


def wrapped(text: str, indent: int = 0) -> str:
    """Return a paragraph as wide as the terminal, blanks at its beginning kept."""
    width = max(40, min(shutil.get_terminal_size().columns, WIDTH_MOST))
    kept = " " * (len(text) - len(text.lstrip()))
    return textwrap.fill(
        text.strip(),
        width,
        initial_indent=kept + " " * indent,
        subsequent_indent=kept + " " * (indent + (2 if indent else 0)),
        break_long_words=False,
        break_on_hyphens=False,
    )
