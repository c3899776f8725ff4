"""The whole worlds of the fault search can fail, repeat themselves and be cut short.

Each breaking below is a bug that somebody could put into the daemon; some world out of
few finds it. What the sound daemon does in the same worlds is in ``test_search``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from support.search.plan import Incident, Outcome, Plan
from support.search.whole_kind import draw, live
from tidegate.core import controller, rules
from tidegate.cyclelog import file
from tidegate.cyclelog.writer import Writer
from tidegate.service import past
from tidegate.station import recorder, relay_side
from tidegate.station.plan import Past

Break = Callable[[pytest.MonkeyPatch], None]


def short(seed: int, hours: float = 6.0) -> Plan:
    """The beginning of a world."""
    plan = draw(seed)
    numbers = {each.number for each in plan.incidents if each.at_s < hours * 3_600}
    return plan.only(numbers, hours=hours)


def world(
    seed: int, hours: float, *incidents: tuple[float, str, float], dice: int
) -> Plan:
    """A world of our own in the site of a seed: hour, what, how many hours."""
    return Plan(
        kind="whole",
        seed=seed,
        hours=hours,
        incidents=tuple(
            Incident(
                number=number,
                at_s=at_h * 3_600,
                what=what,
                station="lobby",
                lasts_s=lasts_h * 3_600,
                dice=dice,
            )
            for number, (at_h, what, lasts_h) in enumerate(incidents, start=1)
        ),
        of=len(incidents),
        is_whole=False,
    )


def lived(folder: Path, plan: Plan) -> Outcome:
    folder.mkdir(parents=True)
    return live(plan, folder)


def test_same_world_is_lived_the_same(tmp_path: Path) -> None:
    plan = short(3)
    first, second = (lived(tmp_path / name, plan) for name in ("a", "b"))
    assert first.last_events == second.last_events
    assert first.tally == second.tally
    assert first.broken == second.broken == []


def test_leaving_out_an_incident_moves_no_other() -> None:
    plan = draw(5)
    numbers = {each.number for each in plan.incidents}
    assert len(numbers) == plan.of > 3
    left_out = min(numbers)
    fewer = plan.only(numbers - {left_out})
    assert [each for each in plan.incidents if each.number != left_out] == list(
        fewer.incidents
    )
    assert fewer.rerun.startswith("make search KIND=whole SEED=5 HOURS=")


# --- bugs that a world finds ----------------------------------------------------------


def _row_never_applies(number: int) -> Break:
    def breaks(patch: pytest.MonkeyPatch) -> None:
        table = list(rules.TABLE)
        table[number - 1] = lambda state: None
        patch.setattr(rules.first_match, "__defaults__", (tuple(table),))

    return breaks


def _off_does_not_wait_for_the_log(patch: pytest.MonkeyPatch) -> None:
    async def prepared(self: Any, command: Any) -> bool:
        del self, command
        return True

    patch.setattr(relay_side.RelaySide, "_prepared", prepared)


def _outcome_is_not_written(patch: pytest.MonkeyPatch) -> None:
    real = recorder.Recorder.outcome
    count = 0

    def outcome(self: Any, *arguments: Any, **more: Any) -> int:
        nonlocal count
        count += 1
        if count == 2:
            return 0
        return real(self, *arguments, **more)

    patch.setattr(recorder.Recorder, "outcome", outcome)


def _telling_is_not_noted(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(Writer, "telling", lambda self, intent: None)


def _stop_says_nothing(patch: pytest.MonkeyPatch) -> None:
    def stop(state: Any) -> Any:
        return replace(state, drive=replace(state.drive, stopped=True)), ()

    patch.setattr(controller, "_stop", stop)


def _commit_is_not_synced(patch: pytest.MonkeyPatch) -> None:
    settings = tuple(each.replace("FULL", "NORMAL") for each in file._SETTINGS)
    patch.setattr(file, "_SETTINGS", settings)


def _past_is_another(patch: pytest.MonkeyPatch) -> None:
    """Whoever starts again knows nothing of what was learned."""
    patch.setattr(past, "_past", lambda *_, **__: Past())


# A separate host, a contact that fails to on, 90 s between reads, 54 % and a high mark of
# 50: off from the first dwell on, at the floor of 30 after an hour and a half.
SITE = 15
OFF_FOR_8_H = 50
# The end of the calm after them finds it off.
HOURS = 2.0

# An on waits 2 s for a log that takes 4 s, and its relay answers 3 s later still.
SLOW = 7

SLOWLY = [(0.1, "disk_slow", 2.0), (0.1, "relay_late", 2.0)]

FOUND = [
    pytest.param(
        "promise 2", _row_never_applies(4), [(0.5, "gauge_lost", 1.5)], id="lost"
    ),
    pytest.param(
        "promise 1", _row_never_applies(5), [(0.1, "ordered", 0.0)], id="floor"
    ),
    pytest.param("promise 4", _off_does_not_wait_for_the_log, [], id="not durable"),
    pytest.param("promise", _outcome_is_not_written, [], id="no outcome"),
    pytest.param("promise 4", _telling_is_not_noted, SLOWLY, id="ahead of the log"),
    pytest.param("promise 7", _stop_says_nothing, [], id="stop"),
    pytest.param(
        "promise 5", _commit_is_not_synced, [(1.0, "power_cut", 0.0)], id="sync"
    ),
    pytest.param("promise 6", _past_is_another, [(1.0, "stopped", 0.0)], id="past"),
]


@pytest.mark.slow
@pytest.mark.parametrize(("promise", "breaks", "incidents"), FOUND)
def test_a_bug_breaks_its_promise(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    promise: str,
    breaks: Break,
    incidents: list[tuple[float, str, float]],
) -> None:
    dice = SLOW if incidents is SLOWLY else OFF_FOR_8_H
    plan = world(SITE, HOURS, *incidents, dice=dice)
    assert lived(tmp_path / "sound", plan).broken == []
    breaks(monkeypatch)
    (broken,) = lived(tmp_path / "broken", plan).broken
    assert broken.startswith(promise)
