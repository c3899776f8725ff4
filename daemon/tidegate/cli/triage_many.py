"""``tidegate triage --many``: many devices of a CSV, worst first, a page for each."""

from __future__ import annotations

import csv
import io
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any, Final

import click

from tidegate.cli.exits import Code
from tidegate.cli.options import print_json, say
from tidegate.cli.paragraphs import wrapped
from tidegate.cli.zone import SystemZone
from tidegate.errors import LogError
from tidegate.report import triage_index, triage_page
from tidegate.report.cautions import CAUTIONS
from tidegate.report.triage_said import name_of, why
from tidegate.triage.deciding import decided
from tidegate.triage.document import as_document
from tidegate.triage.evidence import Evidence
from tidegate.triage.fleet import Device, Fault, Lost, of_log, read_fleet
from tidegate.triage.result import Triage
from tidegate.words import visible

WIDTH: Final = 79
_NAME_MOST: Final = 20
_CSV: Final = (
    *("station", "answer", "provisional", "certain", "look_first", "reason_code"),
    *("reason", "page"),
)


@dataclass(slots=True)
class _Found:
    """What came of the rows so far."""

    triages: list[Triage] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)


def run(path: Path, pages: Path | None, *, as_json: bool, as_csv: bool) -> int:
    """Judge the devices of a CSV and return the exit code.

    Errors: FormAbsent, FormError for no such list at all, OSError.
    """
    if as_json and as_csv:
        raise click.UsageError("Either --json or --csv.")
    rows = read_fleet(path)
    found = _judged(rows)
    found.triages.sort(key=lambda each: each.rank)
    names = triage_index.file_names([name_of(each) for each in found.triages])
    if pages is not None:
        _written(found, names, pages)
    if as_json:
        print_json(_document(found, names if pages else None))
    elif as_csv:
        for caution in CAUTIONS:
            say(caution)  # stdout is the table alone
        click.echo(_table(found.triages, names if pages else None), nl=False)
    else:
        for line in _lines(found):
            click.echo(visible(line))
    for fault in found.faults:
        say(f"tidegate: {path}: {fault}")
    if found.faults:
        return Code.DATA
    is_no = any(each.is_out or each.is_provisional for each in found.triages)
    return Code.NO if is_no else Code.DONE


def _judged(rows: Sequence[Device | Lost]) -> _Found:
    found = _Found()
    today = date.today()
    for place, row in enumerate(rows):
        found.faults += row.faults
        if isinstance(row, Device):
            _progress(place, len(rows))
            evidence, why_not = _evidence(row, found)
            # A row that lost its log keeps its place only for a sign of danger.
            if evidence is not None or row.log is None or row.inspection.signs():
                found.triages.append(
                    decided(
                        row.inspection,
                        evidence,
                        today=today,
                        station=row.station,
                        without_log=why_not,
                    )
                )
    _progress(len(rows), len(rows))
    return found


def _evidence(device: Device, found: _Found) -> tuple[Evidence | None, str]:
    if device.log is None:
        return None, "the list names none"
    from tidegate.errors import LogEmpty
    from tidegate.history import stations_in
    from tidegate.triage.seen import evidence

    try:
        known = stations_in(device.log)
        if known and device.station not in known:
            raise LogEmpty(
                f"{device.log} holds nothing about {device.station!r}",
                remedy=f"It has {', '.join(known)}.",
            )
        design_ah = device.inspection.design_ah
        return evidence(device.log, device.station, design_ah=design_ah), ""
    except (LogError, OSError) as error:
        fault = of_log(device, error)
        found.faults.append(fault)
        return None, f"it cannot be read: {fault.text}"


def _progress(done: int, of: int) -> None:
    if sys.stderr.isatty():
        end = "\r\x1b[K" if done >= of else ""
        click.echo(f"\r{done} of {of} devices{end}", err=True, nl=False)


def _written(found: _Found, names: Sequence[str], pages: Path) -> None:
    pages.mkdir(parents=True, exist_ok=True)
    zone = SystemZone()
    for triage, name in zip(found.triages, names, strict=True):
        triage_page.write(triage, pages / name, zone=zone)
    text = triage_index.index(found.triages, names, found.faults)
    (pages / triage_index.INDEX).write_text(text, "utf-8", errors="replace")
    say(f"Wrote {len(names) + 1} pages to {pages}; begin with {triage_index.INDEX}.")


# --- output ---------------------------------------------------------------------------


def _lines(found: _Found) -> Iterator[str]:
    for caution in CAUTIONS:
        yield from wrapped(caution, WIDTH)
    yield ""
    yield from wrapped(triage_index.summary(found.triages, found.faults), WIDTH)
    if found.triages:
        yield ""
    longest = max([len(name_of(each)) for each in found.triages], default=0)
    indent = min(longest, _NAME_MOST) + 2
    for each in found.triages:
        name = name_of(each)
        first = f"{name:<{indent}}"
        if len(name) >= indent:
            yield from wrapped(name, WIDTH)
            first = " " * indent
        said = f"{triage_index.answer_of(each)}. {why(each)}"
        yield from wrapped(said, WIDTH, first=first, rest=" " * indent)


def _document(found: _Found, names: Sequence[str] | None) -> dict[str, Any]:
    devices = []
    for place, each in enumerate(found.triages):
        document = as_document(each, CAUTIONS)
        del document["cautions"], document["limits"]
        devices.append({**document, "page": names[place] if names else None})
    return {
        "cautions": list(CAUTIONS),
        "devices": devices,
        "faults": [
            {
                "line": each.line,
                "column": each.column or None,
                "station": each.station or None,
                "text": each.text,
            }
            for each in found.faults
        ],
    }


def _table(triages: Sequence[Triage], names: Sequence[str] | None) -> str:
    """Return a CSV after RFC 4180, its cautions apart in the pages."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(_CSV)
    for place, each in enumerate(triages):
        writer.writerow(
            (
                _plain(name_of(each)),
                each.answer.value,
                _yes(each.is_provisional),
                _yes(each.is_certain),
                " ".join(demand.key for demand in each.look_first),
                each.reasons[0].code,
                each.reasons[0].text,
                names[place] if names else "",
            )
        )
    return out.getvalue()


def _plain(text: str) -> str:
    """Return a name that no spreadsheet takes for a formula."""
    shown = visible(text)
    return f"'{shown}" if shown.startswith(("=", "+", "-", "@")) else shown


def _yes(claim: bool) -> str:
    return "yes" if claim else "no"
