"""A log that another version began: the daemon carries it on, and replay accuses nobody.

Today's log is given the shape of another version's: its rules, and a key in the settings
that this one does not know. The chain is made anew, as that version would have made it.
"""

from __future__ import annotations

import io
import json
from collections.abc import Coroutine
from pathlib import Path
from typing import Any

import pytest

from support.cyclelog_forger import Forged, Rows, forge
from support.plans_rig import HALL, PlansRig
from tidegate import notice
from tidegate.core.controller import RULES_VERSION
from tidegate.core.reading import Supply
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.replay import ReplayResult, replay
from tidegate.cyclelog.verify import verify
from tidegate.station.operator import place_override

HOUR_MS = 3_600_000


def rewritten(path: Path, *, rules: int, key: str = "") -> None:
    """Let all rows so far be those of other rules; ``key`` stood in their settings."""

    def change(rows: Rows) -> None:
        for row in rows:
            _to_rules(row, rules, key)

    whole = forge(path, path.with_name("other.db"), change)
    for suffix in ("-wal", "-shm"):
        path.with_name(path.name + suffix).unlink(missing_ok=True)
    whole.rename(path)


def _to_rules(row: Forged, rules: int, key: str) -> None:
    if row.table in ("run", "state"):
        row["rules_version"] = rules
    if row.table == "run":
        row["version"] = "0.0.1"
    if row.table == "settings" and key:
        row.edit_json("policy", **{key: 5})


def lived(rig: PlansRig, life: Coroutine[Any, Any, None]) -> None:
    async def whole() -> None:
        async with rig.living():
            await life

    rig.lives(whole)


def replayed(path: Path) -> ReplayResult:
    with Reader(path) as reader:
        return replay(list(reader.history(HALL)), HALL)


async def until_an_order(rig: PlansRig) -> None:
    await rig.live(4)
    assert rig.service is not None
    station = rig.service.stations[HALL]
    order = {"because": "inventory", "by": "A. Fitter"}
    place_override(station, Supply.OFF, for_ms=6 * HOUR_MS, **order)
    await rig.live(0.5)


@pytest.mark.parametrize("key", ["", "guard_minutes"], ids=["same keys", "another key"])
@pytest.mark.parametrize("rules", [RULES_VERSION - 1, RULES_VERSION + 1])
def test_it_is_carried_on(tmp_path: Path, rules: int, key: str) -> None:
    """Up or down: the order holds, what was learned is known, the chain goes on."""
    rig = PlansRig(tmp_path)
    lived(rig, until_an_order(rig))
    before = rig.state
    assert before.override is not None
    assert before.watch.slope_days
    rewritten(rig.log, rules=rules, key=key)
    first_new = rows_of(rig.log)[-1] + 1

    lived(rig, rig.live(1))
    assert rig.state.override == before.override
    assert rig.state.watch.slope_days[0][0] == before.watch.slope_days[0][0]
    assert rig.state.quiet.lived_ms >= before.quiet.lived_ms + HOUR_MS
    assert verify(rig.log).fault is None

    result = replayed(rig.log)
    assert result.ok, result.first_mismatch
    assert result.switchings == 0
    then, after = result.because
    assert (then.why, then.said) == (
        "other_rules",
        f"rules {rules} of tidegate 0.0.1 were in force",
    )
    # What today's rules decided is not put down to those before.
    assert (after.why, after.row) == ("other_rules", first_new)
    assert after.said.startswith(f"rules {rules} till here")
    assert after.switchings > 0


def test_from_the_next_state_row_on_it_is_proven(tmp_path: Path) -> None:
    rig = PlansRig(tmp_path)
    lived(rig, rig.live(3))
    rewritten(rig.log, rules=RULES_VERSION - 1)
    lived(rig, rig.live(1))
    unproven = replayed(rig.log).unproven
    lived(rig, rig.live(6))
    result = replayed(rig.log)
    assert result.ok, result.first_mismatch
    assert result.switchings > 0
    assert result.unproven == unproven


def rows_of(path: Path) -> list[int]:
    with Reader(path) as reader:
        return [entry.id for entry in reader.history(HALL)]


def test_a_state_that_cannot_be_read_is_said_and_found_again(tmp_path: Path) -> None:
    """An override that it held is lost: whoever placed it has to hear of that."""
    rig = PlansRig(tmp_path)
    lived(rig, until_an_order(rig))

    def change(rows: Rows) -> None:
        for row in rows:
            _to_rules(row, RULES_VERSION + 1, "")
            if row.table == "state":
                row.edit_json("state", of_tomorrow=5)

    whole = forge(rig.log, rig.log.with_name("other.db"), change)
    whole.rename(rig.log)

    messages = io.StringIO()
    notice.configure(stream=messages)
    lived(rig, rig.live(1))

    said = [json.loads(line) for line in messages.getvalue().splitlines()]
    (lost,) = (line for line in said if "another version's" in line["message"])
    assert (lost["station"], lost["level"]) == (HALL, "warning")
    assert rig.state.override is None
    assert verify(rig.log).fault is None
