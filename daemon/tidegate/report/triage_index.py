"""The page that lists many triages, worst first, each with a link to its own."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from html import escape as attribute
from typing import Final

from tidegate.report.finding import counted
from tidegate.report.parts import escape, paragraphs
from tidegate.report.triage_page import cautions, listed
from tidegate.report.triage_said import name_of, why
from tidegate.report.triage_style import styled
from tidegate.triage import steps
from tidegate.triage.fleet import Fault
from tidegate.triage.result import WORDS, Answer, Triage

INDEX: Final = "index.html"
OUT_OF_USE: Final = "What to do with each that is out of use:"
NOT_JUDGED: Final = (
    "Not judged: mend the row and triage again; until then nobody has said that it is "
    "safe."
)
_HEAD: Final = ("device", "answer", "why")
_LONGEST: Final = 60


def file_names(stations: Sequence[str]) -> list[str]:
    """Return a name of a file for each station: plain, unlike the others and the index.

    Names that differ in case only are one file on some disks.
    """
    taken = {INDEX}
    found = []
    for station in stations:
        plain = (
            re.sub(r"[^A-Za-z0-9_-]+", "-", station).strip("-")[:_LONGEST] or "device"
        )
        name, number = f"{plain}.html", 1
        while name.lower() in taken:
            number += 1
            name = f"{plain}-{number}.html"
        taken.add(name.lower())
        found.append(name)
    return found


def answer_of(triage: Triage) -> str:
    """Return the answer with what stands in its way, in a few words."""
    if triage.is_provisional:
        return f"look first (provisional: {triage.words})"
    return triage.words if triage.is_certain else f"{triage.words} (not certain)"


def summary(
    triages: Sequence[Triage], faults: Sequence[Fault], *, lost: int = 0
) -> str:
    """Return what came of all of them, in a sentence; ``lost`` were not judged."""
    counts: Counter[str] = Counter()
    for each in triages:
        key = "look first" if each.is_provisional else each.words
        counts[key] += 1
    order = [WORDS[Answer.OUT_OF_USE], "look first", *list(WORDS.values())[1:]]
    parts = [f"{counts[key]} {key}" for key in order if counts[key]]
    said = f"{counted(len(triages), 'device')}: {', '.join(parts) or 'no answer'}"
    if lost:
        said += f"; {counted(lost, 'row')} not judged"
    if faults:
        said += f"; {counted(len(faults), 'fault')} in the list"
    return f"{said}."


def index(
    triages: Sequence[Triage],
    names: Sequence[str],
    faults: Sequence[Fault],
    *,
    lost: int = 0,
) -> str:
    """Return the whole page; ``names`` are the files of the triages, in their order.

    ``lost`` is how many rows were not judged.
    """
    rows = "".join(_row(each, name) for each, name in zip(triages, names, strict=True))
    head = "".join(f'<th scope="col" role="columnheader">{each}</th>' for each in _HEAD)
    body = [
        cautions(),
        f"<h1>{escape(summary(triages, faults, lost=lost))}</h1>",
        *_out_of_use(triages),
        *_faults(faults, lost),
        '<table role="table" class="devices"><thead role="rowgroup">'
        f'<tr role="row">{head}</tr></thead><tbody role="rowgroup">{rows}</tbody></table>',
        paragraphs(["Worst first. Each device has a page of its own, for a binder."]),
    ]
    return styled("triage of many devices", body)


def _out_of_use(triages: Sequence[Triage]) -> list[str]:
    if not any(each.is_out for each in triages):
        return []
    return [f"<h2>{escape(OUT_OF_USE)}</h2>", listed("ol", steps.OUT_OF_USE)]


def _faults(faults: Sequence[Fault], lost: int) -> list[str]:
    if not faults:
        return []
    said = [paragraphs([NOT_JUDGED])] if lost else []
    return ["<h2>What could not be read</h2>", *said, listed("ul", map(str, faults))]


def _row(triage: Triage, name: str) -> str:
    link = f'<a href="{attribute(name)}">{escape(name_of(triage))}</a>'
    return (
        f'<tr role="row"><th scope="row" role="rowheader">{link}</th>'
        f'<td role="cell">{escape(answer_of(triage))}</td>'
        f'<td role="cell">{escape(why(triage))}</td></tr>'
    )
