"""``tidegate log replay``: does every switching follow from what was read and set?"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from tidegate.cli.exits import Code
from tidegate.cli.logged import stations_named
from tidegate.cli.options import (
    config_option,
    json_option,
    log_option,
    log_path,
    print_json,
    station_argument,
)
from tidegate.words import visible

if TYPE_CHECKING:
    from tidegate.cyclelog.judge import Unproven
    from tidegate.cyclelog.replay import Progress, ReplayResult

DECISIONS = (
    "Replay proves decisions. Whether each row is as it was written, `tidegate log "
    "verify` shows."
)
SUSPECT = (
    "A row that was altered shows as a mismatch too: run `tidegate log verify` to see "
    "whether the log is as it was written."
)
# A commissioning run may have: whoever ordered that decided.
_NO_RULE: Final = "no rule switched anything"
_WHY: Final = {
    "other_rules": "other rules were in force",
    "other_version": "another version wrote the state",
    "rows_lost": "rows were lost",
    "past_absent": "what came before is not here",
}


@click.command()
@station_argument
@log_option
@config_option
@json_option
@click.pass_context
def command(ctx: click.Context, station: str | None, *, as_json: bool) -> int:
    """Replay the cycle log: does every switching follow from what was read and set?

    All that the log holds as having happened (readings, failed reads, outcomes, orders,
    settings in force) goes through the rules again, row by row, past files beside the
    log included. Each switching must come out at the same row, with the same supply,
    reason and evidence, and none may be missing; so must effects, alarms and the
    state that is written daily and at a stop. The first row that does not follow is
    named, with what replay gives instead. Without STATION all stations are replayed.

    \b
        tidegate log replay hall --log /mnt/copy/cycles.db
        tidegate log replay --json

    Unproven is what cannot be judged: switchings under the rules of another version,
    and those from lost rows (or from a file whose past is not here) up to the next
    state row. That is no accusation. The switchings of a commissioning run (`tidegate
    prove`) are an operator's; replay looks only whether they stand in such a run.

    Replay looks at decisions. An edit from which none follows (a voltage in the middle
    of the window, the wall clock, what came after the last switching or state row) is
    for `tidegate log verify`, and so is whether any row was altered at all.

    Exit code 0: all that can be judged follows; 1: a row does not; 64: no such station;
    65: a log that is damaged, or no log; 66: no such file; 74: the disk; 77: a file
    that this user may not read.
    """  # noqa: D301 - click takes this character for "leave these lines alone"
    results = _replayed(log_path(ctx), station)
    if as_json:
        print_json(as_document(results))
    else:
        for line in as_text(results):
            click.echo(visible(line))
    return Code.DONE if all(each.ok for each in results) else Code.NO


def _replayed(log: Path, station: str | None) -> list[ReplayResult]:
    # Late, so that help needs none of it.
    from tidegate.cyclelog.replay import replay_all
    from tidegate.cyclelog.whole import opened_whole
    from tidegate.errors import LogEmpty

    try:
        with opened_whole(log) as whole:
            names = stations_named(whole, station)
            if not names:
                raise LogEmpty(
                    f"the cycle log {log} holds no station yet",
                    remedy="Look again once a daemon has written to it.",
                )
            progress = _progress_to(whole.head.last_id)
            return replay_all(whole.rows(), names, progress=progress)
    finally:  # an error needs a clean line as well
        if sys.stderr.isatty():
            click.echo("\r\x1b[K", err=True, nl=False)


def _progress_to(last_id: int) -> Progress | None:
    if not sys.stderr.isatty():
        return None

    def told(row_id: int) -> None:
        share = min(100.0, 100 * row_id / last_id)
        click.echo(f"\r{share:.0f} % of the log", err=True, nl=False)

    return told


def _first(results: Sequence[ReplayResult]) -> ReplayResult | None:
    """Return the station whose mismatch stands first in the log."""
    wrong = [(each.first_mismatch.row, each) for each in results if each.first_mismatch]
    return min(wrong, key=lambda found: found[0])[1] if wrong else None


def as_document(results: Sequence[ReplayResult]) -> dict[str, Any]:
    """Return the results under the stable keys of ``log replay --json``."""
    return {
        "ok": all(each.ok for each in results),
        "switchings": sum(each.switchings for each in results),
        "first_mismatch": _mismatch(_first(results)),
        "unproven": sum(each.unproven for each in results),
        "stations": [_station(each) for each in results],
    }


def _station(result: ReplayResult) -> dict[str, Any]:
    return {
        "station": result.station,
        "ok": result.ok,
        "switchings": result.switchings,
        "first_mismatch": _mismatch(result),
        "unproven": result.unproven,
        "unproven_because": [
            {
                "why": each.why,
                "row": each.row,
                "what": each.said,
                "switchings": each.switchings,
            }
            for each in result.because
        ],
        "proven_to_row": result.proven_to or None,
    }


def _mismatch(result: ReplayResult | None) -> dict[str, Any] | None:
    from tidegate.cyclelog.signing import moment

    if result is None or result.first_mismatch is None:
        return None
    mismatch = result.first_mismatch
    return {
        "row": mismatch.row,
        "what": mismatch.what,
        "station": result.station,
        "at": moment(mismatch.wall_ms),
    }


def as_text(results: Sequence[ReplayResult]) -> list[str]:
    """Return the answer in its first line, then each station, then what is elsewhere."""
    first = _first(results)
    agreed = sum(each.switchings for each in results)
    if first is None:
        lines = [_verdict(agreed, sum(each.unproven for each in results))]
    else:
        lines = [_said(first)]
    for each in results:
        lines += _of_station(each, is_told=each is first)
    return [*lines, DECISIONS if first is None else SUSPECT]


def _verdict(agreed: int, unproven: int) -> str:
    if agreed:
        rest = f"; {unproven} unproven" if unproven else ""
        return f"Proven: {_switchings(agreed)} {_follows(agreed)}{rest}."
    if unproven:
        return f"Nothing is proven, and nothing accused: {unproven} unproven."
    return f"Nothing to prove: {_NO_RULE}."


def _of_station(result: ReplayResult, *, is_told: bool) -> list[str]:
    count = result.switchings
    if result.ok and not count:
        none = "nothing is proven" if result.unproven else _NO_RULE
        lines = [f"  {result.station}: {none}"]
    elif result.ok:
        lines = [f"  {result.station}: {_switchings(count)} {_follows(count)}"]
    else:
        lines = [
            f"  {result.station}: up to the mismatch {_switchings(count)} "
            f"{_follows(count)}"
        ]
        if not is_told:
            lines.append(f"    {_said(result)}")
    return lines + [f"    {_unproven(each)}" for each in result.because]


def _said(result: ReplayResult) -> str:
    from tidegate.cyclelog.signing import moment

    mismatch = result.first_mismatch
    assert mismatch is not None
    at = moment(mismatch.wall_ms) or "no time that a calendar has"
    return (
        f"Mismatch at row {mismatch.row} of {result.station} ({at}): {mismatch.what}."
    )


def _unproven(each: Unproven) -> str:
    return (
        f"unproven: {_switchings(each.switchings)} from row {each.row} on, as "
        f"{_WHY[each.why]}: {each.said}"
    )


def _switchings(count: int) -> str:
    return f"{count or 'no'} switching{'' if count == 1 else 's'}"


def _follows(count: int) -> str:
    verb = "follows" if count == 1 else "follow"
    return f"{verb} from what was read and set"
