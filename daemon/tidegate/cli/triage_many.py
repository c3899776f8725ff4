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
from tidegate.report.finding import counted
from tidegate.report.triage_said import name_of, why
from tidegate.triage.deciding import decided
from tidegate.triage.document import as_document
from tidegate.triage.evidence import Evidence
from tidegate.triage.fleet import Device, Fault, Lost, of_log, read_fleet
from tidegate.triage.result import Triage
from tidegate.triage.steps import OUT_OF_USE
from tidegate.words import visible

WIDTH: Final = 79
_NAME_MOST: Final = 20
_CSV: Final = (
    *("station", "answer", "provisional", "certain", "look_first", "reason_code"),
    *("reason", "page", "what_to_do"),
)


@dataclass(slots=True)
class _Found:
    """What came of the rows so far; ``lost`` has a fault of each row not judged."""

    triages: list[Triage] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    lost: list[Fault] = field(default_factory=list)


def run(path: Path, pages: Path | None, *, as_json: bool, as_csv: bool) -> int:
    """Judge the devices of a CSV and return the exit code.

    Errors: FormAbsent, FormError for no such list at all, OSError.
    """
    if as_json and as_csv:
        raise click.UsageError("Either --json or --csv.")
    found = _judged(read_fleet(path))
    # Named in the order of the list: a page keeps its name when an answer changes.
    names = triage_index.file_names([name_of(each) for each in found.triages])
    pairs = zip(found.triages, names, strict=True)
    order = sorted(pairs, key=lambda each: each[0].rank)
    found.triages = [triage for triage, _ in order]
    names = [name for _, name in order]
    # Said before any page is written: a disk that is full hides no sign.
    _said(found, names if pages else None, as_json=as_json, as_csv=as_csv)
    told = [] if as_json or as_csv else found.lost
    for fault in found.faults:
        if fault not in told:
            say(f"tidegate: {path}: {fault}")
    if pages is not None:
        _written(found, names, pages)
    if found.faults:
        return Code.DATA
    is_no = any(each.is_out or each.is_provisional for each in found.triages)
    return Code.NO if is_no else Code.DONE


def _said(
    found: _Found, names: Sequence[str] | None, *, as_json: bool, as_csv: bool
) -> None:
    if as_json:
        print_json(_document(found, names))
    elif as_csv:
        for caution in CAUTIONS:
            say(caution)  # stdout is the table alone
        click.echo(_table(found, names), nl=False)
    else:
        for line in _lines(found):
            click.echo(visible(line))


def _judged(rows: Sequence[Device | Lost]) -> _Found:
    found = _Found()
    today = date.today()
    for place, row in enumerate(rows):
        _progress(place, len(rows))
        faults = list(row.faults)
        made = _triage(row, faults, today) if isinstance(row, Device) else None
        if made is not None:
            found.triages.append(made)
        else:
            found.lost.append(faults[0])
        found.faults += faults
    _progress(len(rows), len(rows))
    return found


def _triage(device: Device, faults: list[Fault], today: date) -> Triage | None:
    """Return the answer; without its log a device is judged for signs of danger only."""
    found, why_not = _evidence(device, faults)
    if found is None and device.log is not None and not device.inspection.signs():
        return None
    return decided(
        device.inspection,
        found,
        today=today,
        station=device.station,
        without_log=why_not,
    )


def _evidence(device: Device, faults: list[Fault]) -> tuple[Evidence | None, str]:
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
        faults.append(fault)
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
    text = triage_index.index(found.triages, names, found.faults, lost=len(found.lost))
    (pages / triage_index.INDEX).write_text(text, "utf-8", errors="replace")
    say(f"Wrote {len(names) + 1} pages to {pages}; begin with {triage_index.INDEX}.")
    written = {triage_index.INDEX, *names}
    others = sum(each.name not in written for each in pages.glob("*.html"))
    if others:
        said = counted(others, "older page")
        say(f"{pages} also holds {said} of no device in this list: take them out.")


# --- output ---------------------------------------------------------------------------


def _lines(found: _Found) -> Iterator[str]:
    for caution in CAUTIONS:
        yield from wrapped(caution, WIDTH)
    yield ""
    lost = len(found.lost)
    yield from wrapped(
        triage_index.summary(found.triages, found.faults, lost=lost), WIDTH
    )
    yield from _out_of_use(found)
    yield from _not_judged(found)
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


def _out_of_use(found: _Found) -> Iterator[str]:
    if not any(each.is_out for each in found.triages):
        return
    yield from ("", triage_index.OUT_OF_USE)
    for number, step in enumerate(OUT_OF_USE, start=1):
        yield from wrapped(step, WIDTH, first=f"{number}. ", rest="   ")


def _not_judged(found: _Found) -> Iterator[str]:
    if not found.lost:
        return
    yield ""
    yield from wrapped(triage_index.NOT_JUDGED, WIDTH)
    for fault in found.lost:
        said = f"{fault.station or 'no name'}: {fault}"
        yield from wrapped(said, WIDTH, first="- ", rest="  ")


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
        "not_judged": [
            {"line": each.line, "station": each.station or None} for each in found.lost
        ],
    }


def _table(found: _Found, names: Sequence[str] | None) -> str:
    """Return a CSV after RFC 4180, with what to do in each row.

    Devices that were not judged are in it, with an empty answer.
    """
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(_CSV)
    for place, each in enumerate(found.triages):
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
                " ".join(each.steps),
            )
        )
    for fault in found.lost:
        name, said = _plain(fault.station), str(fault)
        todo = triage_index.NOT_JUDGED
        writer.writerow((name, "", "yes", "no", "", "not_judged", said, "", todo))
    return out.getvalue()


def _plain(text: str) -> str:
    """Return a name that no spreadsheet takes for a formula."""
    shown = visible(text)
    return f"'{shown}" if shown.startswith(("=", "+", "-", "@")) else shown


def _yes(claim: bool) -> str:
    return "yes" if claim else "no"
