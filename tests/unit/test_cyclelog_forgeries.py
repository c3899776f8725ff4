"""A log that was rewritten with its chain: ``verify`` says ok, replay names the row.

Each forgery is made on two lives. What no decision shows is told apart at the end:
replay cannot find it, and the chain of a log that nobody rewrote as a whole does.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from support import cyclelog_verifier, forged_lives
from support.cyclelog_forger import Change, Forged, Rows, copied, forge
from tidegate.core.controller import RULES_VERSION
from tidegate.cyclelog.check import check
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.replay import ReplayResult, replay

# The second life doubles the time, so ``make check`` has it.
LIVES = [
    pytest.param(forged_lives.of_a_day, id="day"),
    pytest.param(forged_lives.of_two_boots, id="boots", marks=pytest.mark.slow),
]


@pytest.fixture(scope="module", params=LIVES)
def log(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """A log as the daemon wrote it."""
    path = tmp_path_factory.mktemp("life") / "cycles.db"
    asyncio.run(request.param(path))
    return path


@pytest.fixture(scope="module")
def follows(log: Path) -> ReplayResult:
    """What replay says of it."""
    return replayed(log)


def replayed(path: Path) -> ReplayResult:
    with Reader(path) as reader:
        return replay(reader.history("lobby"), "lobby")


def verified(path: Path) -> None:
    """Both verifiers, ours and the one that shares no code with it, say ok."""
    with Reader(path) as reader:
        assert check(reader) is None
    cyclelog_verifier.verify(path)


# --- where the rows are -----------------------------------------------------------


def of(rows: Rows, table: str, **wanted: Any) -> Rows:
    return [
        row
        for row in rows
        if row.table == table
        and all(row.cells[name] == value for name, value in wanted.items())
    ]


def one(rows: Rows, table: str, at: int = 0, **wanted: Any) -> Forged:
    return of(rows, table, **wanted)[at]


def change(rows: Rows) -> Forged:
    """An ordinary off of the window, with its effect."""
    return one(rows, "intent", 1, reason="at_high_mark")


def deciding(rows: Rows, intent: Forged) -> Forged:
    return next(row for row in rows if row.id == intent["trigger"])


def answering(rows: Rows, intent: Forged) -> Rows:
    return [
        row
        for row in rows
        if row.table in ("outcome", "effect") and row["intent"] == intent.id
    ]


def told(rows: Rows, kind: str, at: int = 0) -> Forged:
    return one(rows, "event", at, kind=kind)


# --- the forgeries ----------------------------------------------------------------


def exchanged(rows: Rows) -> None:
    """Two switchings in a row, each in the place of the other, at its own time."""
    one_, other = rows.index(change(rows)), rows.index(of(rows, "intent")[2])
    a, b = rows[one_].cells, rows[other].cells
    names = ("supply", "reason", "kind")
    held = {name: a[name] for name in names}
    a.update({name: b[name] for name in names})
    b.update(held)


def inserted(rows: Rows) -> None:
    """A switching that never was, with outcome and effect, in the middle of a run."""
    intent = change(rows)
    new = [copied(intent), *map(copied, answering(rows, intent))]
    place = rows.index(deciding(rows, one(rows, "intent", 2, reason="at_low_mark")))
    for row in new:
        row.cells["boot_ms"] = rows[place]["boot_ms"]
    new[0].id = 10**6  # its own answers name it by this
    for row in new[1:]:
        row.cells["intent"] = 10**6
    rows[place:place] = new


def removed(rows: Rows) -> None:
    """A switching, with outcome and effect."""
    intent = change(rows)
    for row in [intent, *answering(rows, intent)]:
        rows.remove(row)


def removed_with_its_cause(rows: Rows) -> None:
    intent = change(rows)
    for row in [intent, deciding(rows, intent), *answering(rows, intent)]:
        rows.remove(row)


def end_hidden(rows: Rows) -> None:
    """The on of the stop, and the state that would show that it never came."""
    intent, state_ = of(rows, "intent")[-1], of(rows, "state")[-1]
    assert intent["reason"] == "stop"
    for row in [intent, state_, *answering(rows, intent)]:
        rows.remove(row)


def failure_hidden(rows: Rows) -> None:
    row = one(rows, "outcome", succeeded=0)
    row["succeeded"] = 1
    row["error"] = None


def failure_invented(rows: Rows) -> None:
    row = next(
        each for each in answering(rows, change(rows)) if each.table == "outcome"
    )
    row["succeeded"] = 0
    row["error"] = "unavailable"


def reads_hidden(rows: Rows) -> None:
    """The last of the reads before the silence, so that it began earlier."""
    before = rows.index(one(rows, "failure"))
    row = next(
        row
        for row in reversed(rows[:before])
        if row.table == "reading" and row["reads"] > 1
    )
    row["reads"] -= 1
    row["span_ms"] -= 30_000
    if row["reads"] == 1:
        row.cells |= {name: None for name in row.cells if name.startswith("last_")}
        row.cells |= {"wall_slip_ms": 0, "longest_gap_ms": 0}


def failures_removed(rows: Rows) -> None:
    for row in of(rows, "failure"):
        rows.remove(row)


def alarm_removed(rows: Rows) -> None:
    rows.remove(one(rows, "alarm", code="gauge_lost", raised=1))


def alarm_added(rows: Rows) -> None:
    row = copied(one(rows, "alarm", code="gauge_lost", raised=1))
    rows.insert(rows.index(deciding(rows, change(rows))), row)


def columns(pick: Callable[[Rows], Forged], **values: Any) -> Change:
    def edit(rows: Rows) -> None:
        row = pick(rows)
        for name, value in values.items():
            row[name] = value(row[name]) if callable(value) else value

    return edit


def policy(which: int = 0, **values: Any) -> Change:
    """Settings other than those in force; whole thousandths, as the log has them."""
    return lambda rows: one(rows, "settings", which).edit_json("policy", **values)


def args(pick: Callable[[Rows], Forged], **values: Any) -> Change:
    return lambda rows: pick(rows).edit_json("args", **values)


def state(**values: Any) -> Change:
    return lambda rows: one(rows, "state").edit_json("state", **values)


def gone(pick: Callable[[Rows], Forged]) -> Change:
    return lambda rows: rows.remove(pick(rows))


def cause(rows: Rows) -> Forged:
    return deciding(rows, change(rows))


def hot(rows: Rows) -> Forged:
    return one(rows, "reading", temperature_mc=47_000)


def effect_of(rows: Rows) -> Forged:
    return next(row for row in answering(rows, change(rows)) if row.table == "effect")


def outcome_of(rows: Rows) -> Forged:
    return next(row for row in answering(rows, change(rows)) if row.table == "outcome")


# What was forged, and a word of what replay says.
FOUND: dict[str, tuple[Change, str]] = {
    "supply": (columns(change, supply="on"), "supply is on, replay gives off"),
    "reason": (columns(change, reason="override"), "replay gives at_high_mark"),
    "kind": (columns(change, kind="trial"), "replay gives change"),
    "swapped": (columns(change, swapped=1), "swapped is True"),
    "time": (columns(change, boot_ms=lambda ms: ms + 1_000), "boot_ms is"),
    "trigger": (columns(change, trigger=lambda row: row - 1), "trigger is"),
    "no trigger": (columns(change, trigger=None), "trigger is None"),
    "digest": (columns(change, state_digest="0" * 64), "state_digest is that of other"),
    "exchanged": (exchanged, "replay gives"),
    "inserted": (inserted, "no event before it asks for this"),
    "removed": (removed, "no intent follows"),
    "the last on": (end_hidden, "it asks for on (stop); no intent follows"),
    "removed with its cause": (removed_with_its_cause, ""),
    "failure hidden": (failure_hidden, ""),
    "failure invented": (failure_invented, ""),
    "failure called a success": (
        columns(lambda rows: one(rows, "outcome", succeeded=0), succeeded=1),
        "succeeded is True, error unavailable",
    ),
    "success with an error": (columns(outcome_of, error="refused"), "error refused"),
    "outcome removed": (gone(outcome_of), ""),
    "outcome of another": (columns(outcome_of, intent=lambda row: row - 1), ""),
    "effect removed": (gone(effect_of), "no effect row follows"),
    "effect turned": (columns(effect_of, seen=0), "seen is False, replay gives True"),
    "effect of another": (columns(effect_of, intent=lambda row: row - 1), "intent is"),
    "alarm removed": (alarm_removed, "it raises the alarm gauge_lost"),
    "alarm renamed": (
        columns(
            lambda rows: one(rows, "alarm", code="gauge_lost"), code="gauge_silent"
        ),
        "code is gauge_silent",
    ),
    "alarm added": (alarm_added, "no event before it asks for this alarm"),
    "low mark": (policy(marks__low_percent=40_000), "state_digest"),
    "high mark": (policy(marks__high_percent=70_000), ""),
    "dwell": (policy(dwell_on_ms=60_000), "state_digest"),
    "floor": (policy(floor_percent=20_000), "state_digest"),
    "hot": (policy(hot_c=50_000), "state_digest"),
    "budget": (policy(per_hour=12), "state_digest"),
    "settings of a run": (policy(1, floor_percent=20_000), "other settings in force"),
    "event of settings removed": (
        gone(lambda rows: told(rows, "settings_changed")),
        "no event puts them there",
    ),
    "event of settings": (
        args(lambda rows: told(rows, "settings_changed"), policy__floor_percent=20_000),
        "",
    ),
    "reading removed": (gone(cause), "no event before it asks for this"),
    "jump removed": (gone(lambda rows: one(rows, "reading", why_not="jump")), ""),
    "jump believed": (
        columns(lambda rows: one(rows, "reading", why_not="jump"), why_not=None),
        "it is a jump",
    ),
    "hot reading removed": (gone(hot), ""),
    "hot reading cooled": (columns(hot, temperature_mc=31_000), ""),
    "charge": (
        columns(cause, soc_hundredths_percent=lambda soc: soc - 100),
        "no event before it",
    ),
    "time of a reading": (columns(cause, boot_ms=lambda ms: ms + 4_000), "boot_ms is"),
    "reading too late": (columns(cause, boot_ms=lambda ms: ms + 10**7), ""),
    "failures removed": (failures_removed, ""),
    "last reads hidden": (reads_hidden, "it asks for on (gauge_lost)"),
    "override removed": (gone(lambda rows: told(rows, "override_placed")), ""),
    "override longer": (
        args(lambda rows: told(rows, "override_placed"), until_ms=10**9),
        "",
    ),
    "override by another": (
        args(lambda rows: told(rows, "override_placed"), by="Nobody"),
        "",
    ),
    "state": (state(latches__floor=True), "latches.floor"),
    "state of other rules": (
        columns(lambda rows: one(rows, "state"), rules_version=1),
        f"a state of rules 1 in a run of {RULES_VERSION}",
    ),
    "state of the budget": (state(drive__operations=0), "drive.operations"),
    "state of the clocks": (state(quiet__lived_ms=0), "quiet.lived_ms"),
}


def middle(rows: Rows) -> Forged:
    """A run of equal readings in the middle of the window, from which nothing came."""
    before = rows.index(change(rows))
    return next(
        row
        for row in rows[before + 8 :]
        if row.table == "reading" and row["reads"] > 2 and row["why_not"] is None
    )


def quiet_run_removed(rows: Rows) -> None:
    """A whole run of failed reads, long after the gauge counted as lost."""
    rows.remove(max(of(rows, "failure"), key=lambda row: row["reads"]))


def other_rules(rows: Rows) -> None:
    for row in of(rows, "run") + of(rows, "state"):
        row["rules_version"] = 1


def lost(rows: Rows) -> None:
    """A gap row that says that rows were lost, and the last switchings after it."""
    cells = {"boot_ms": 0, "wall_ms": 0, "station": "lobby", "why": "overflow"}
    cells |= {
        "since_boot_ms": 0,
        "since_wall_ms": 0,
        "dropped_rows": 1,
        "switchings": 0,
    }
    rows.insert(rows.index(cause(rows)), Forged(0, "gap", cells))
    rows.remove(change(rows))


# What no decision shows. The chain is against it where it was not made anew as well.
UNSEEN: dict[str, Change] = {
    "a voltage in mid window": columns(middle, voltage_mv=lambda mv: mv + 5),
    "a current in mid window": columns(middle, current_ma=lambda ma: ma - 90),
    "a wall clock": columns(change, wall_ms=lambda ms: ms - 86_400_000),
    "how long a call took": columns(outcome_of, took_ms=4_000),
    "what a failed read said": columns(
        lambda rows: of(rows, "failure")[0], text="by hand"
    ),
    "what else was set": columns(
        lambda rows: one(rows, "settings"), given='{"battery":{"chemistry":"lfp"}}'
    ),
    "who runs it": columns(lambda rows: one(rows, "run"), machine="ab" * 32),
    "how long a boot was silent": columns(
        lambda rows: max(of(rows, "failure"), key=lambda row: row["reads"]), reads=17
    ),
}


@pytest.mark.parametrize("name", FOUND)
def test_a_forgery_with_a_whole_chain_is_found(
    name: str, log: Path, tmp_path: Path
) -> None:
    forgery, what = FOUND[name]
    forged = forge(log, tmp_path / "cycles.db", forgery)
    verified(forged)
    result = replayed(forged)
    assert not result.ok
    assert result.first_mismatch is not None
    assert what in result.first_mismatch.what


def test_the_lives_follow_as_they_were_written(
    log: Path, follows: ReplayResult, tmp_path: Path
) -> None:
    verified(log)
    result = follows
    assert (result.ok, result.unproven) == (True, 0), result.first_mismatch
    assert result.switchings > 10
    # Writing all rows anew without an edit changes nothing, so edits are what is found.
    again = forge(log, tmp_path / "cycles.db", lambda _: None)
    verified(again)
    assert cyclelog_verifier.verify(again) == cyclelog_verifier.verify(log)
    assert replayed(again) == result


@pytest.mark.parametrize("name", UNSEEN)
def test_what_no_decision_shows_is_for_verify_alone(
    name: str, log: Path, follows: ReplayResult, tmp_path: Path
) -> None:
    """Where the whole chain was made anew only an anchor is left (``--against``)."""
    forged = forge(log, tmp_path / "cycles.db", UNSEEN[name])
    verified(forged)
    assert replayed(forged) == follows
    edited = forge(log, tmp_path / "edited.db", UNSEEN[name], relinks=False)
    with Reader(edited) as reader:
        assert check(reader) is not None
    with pytest.raises(ValueError, match="link"):
        cyclelog_verifier.verify(edited)


def test_a_removed_stretch_that_decided_nothing_is_for_an_anchor(
    log: Path, tmp_path: Path
) -> None:
    forged = forge(log, tmp_path / "cycles.db", quiet_run_removed)
    verified(forged)
    assert replayed(forged).ok
    assert cyclelog_verifier.verify(forged)[1] != cyclelog_verifier.verify(log)[1]


@pytest.mark.parametrize(
    ("excuse", "why"), [(other_rules, "other_rules"), (lost, "rows_lost")]
)
def test_an_excuse_hides_a_forgery_only_where_it_is_said_to_be_unproven(
    excuse: Change, why: str, log: Path, follows: ReplayResult, tmp_path: Path
) -> None:
    """Whoever writes it in leaves a stretch that nobody can call proven."""
    forged = forge(log, tmp_path / "cycles.db", excuse)
    verified(forged)
    result = replayed(forged)
    assert result.ok
    assert why in [each.why for each in result.because]
    assert result.unproven > 0
    assert result.switchings < follows.switchings
