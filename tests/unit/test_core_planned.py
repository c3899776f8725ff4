"""What the core remembers of a plan, and that no rule looks at it.

All numbers are invented. There is no outside source for what a plan is; that a state
without the new fields still reads is held against JSON as the version before wrote it.
"""

from __future__ import annotations

from typing import Any

import pytest

from support.core_rig import DAY_S, ON, REMOTE, Rig, switched_off
from tidegate.core.effects import Reason
from tidegate.core.events import PlanChanged
from tidegate.core.policy import DAY_MS, Marks, PlanReason
from tidegate.core.state import State, evidence
from tidegate.cyclelog.plain import from_plain, to_plain
from tidegate.cyclelog.record import event_of
from tidegate.cyclelog.rows import EventRow

HIGH = Marks(low_percent=78.0, high_percent=80.0)
NEW_FIELDS = (
    "plan_why",
    "plan_since_lived_ms",
    "plan_moment_wall_ms",
    "relearned_lived_ms",
    "relearn_broken_lived_ms",
)


def told(rig: Rig, why: PlanReason | None, marks: Marks | None = HIGH, **more: Any):
    rig.send(PlanChanged(marks=marks, why=why, **more), after_s=60)
    return rig.state


def test_a_plan_remembers_why_since_when_and_for_what() -> None:
    rig = switched_off(65)
    state = told(rig, PlanReason.PLANNED_RISE, moment_wall_ms=5)

    assert state.plan_why is PlanReason.PLANNED_RISE
    assert state.plan_moment_wall_ms == 5
    begun_ms = state.plan_since_lived_ms
    assert begun_ms == state.quiet.lived_ms
    wide = Marks(low_percent=70.0, high_percent=80.0)
    state = told(rig, PlanReason.PLANNED_RISE, wide, moment_wall_ms=5)
    assert state.plan_since_lived_ms == begun_ms
    state = told(rig, PlanReason.PLANNED_RISE, wide, moment_wall_ms=6)
    assert state.plan_since_lived_ms == state.quiet.lived_ms
    state = told(rig, PlanReason.RISE_OVER, None)
    assert [getattr(state, name) for name in NEW_FIELDS] == [None] * 5


@pytest.mark.parametrize(
    ("why", "counts", "is_broken"),
    [
        (PlanReason.RELEARNED, True, False),
        (PlanReason.RELEARN_GIVEN_UP, True, False),
        (PlanReason.RELEARN_BROKEN_OFF, False, True),
        (PlanReason.WITHDRAWN, False, True),
        (PlanReason.PLANNED_RISE, False, True),
    ],
)
def test_how_a_relearn_ended(why: PlanReason, counts: bool, is_broken: bool) -> None:
    rig = switched_off(65)
    told(rig, PlanReason.RELEARN)
    marks = HIGH if why is PlanReason.PLANNED_RISE else None
    state = told(rig, why, marks)

    lived_ms = state.quiet.lived_ms
    assert state.relearned_lived_ms == (lived_ms if counts else None)
    assert state.relearn_broken_lived_ms == (lived_ms if is_broken else None)


def test_it_outlives_a_restart() -> None:
    rig = switched_off(65)
    told(rig, PlanReason.RELEARN)
    told(rig, PlanReason.RELEARNED, None)
    told(rig, PlanReason.PLANNED_RISE, moment_wall_ms=5)
    before = [getattr(rig.state, name) for name in NEW_FIELDS]
    rig.stop().start(same_boot=False)

    assert [getattr(rig.state, name) for name in NEW_FIELDS] == before
    assert rig.state.quiet.lived_ms < DAY_MS


def test_no_decision_rests_on_why() -> None:
    """The same marks for two reasons, or none, give the same evidence and commands."""
    lives = []
    for why in (None, PlanReason.PLANNED_RISE, PlanReason.RELEARN):
        rig = switched_off(65, obeys=True)
        told(rig, why, moment_wall_ms=None if why is None else 5, because="tour")
        rig.slide(80, over_s=2 * 3600, every_s=120).steady(DAY_S, every_s=1200)
        lives.append((evidence(rig.state), rig.commands, rig.told))

    assert lives[0] == lives[1] == lives[2]


def coasting() -> Rig:
    """Return a rig that went off at 80 % in a window of 55 to 80 %, and falls by
    10 %/h: it may be blind for 2 h, though 5 more would be left above its low mark.
    """
    rig = Rig(REMOTE, obeys=True).start().read(60, after_s=1).done().taught(10.0)
    rig.send(PlanChanged(marks=Marks(low_percent=55.0, high_percent=80.0), why=None))
    rig.reads(2, 80, every_s=600).fails(5, every_s=60)
    assert rig.state.coasting
    assert rig.state.latches.coast_box_ms == 2 * 3_600_000
    return rig


def test_a_coast_ends_by_a_low_mark_that_rose_meanwhile() -> None:
    """(SoC - low) over the slope, of the plan in force: 12 points
    of 10 %/h are 72 min from its beginning on, a minute after the off.
    """
    rig = coasting()
    told(rig, PlanReason.PLANNED_RISE, Marks(low_percent=68.0, high_percent=70.0))
    assert rig.state.latches.coast_box_ms == 72 * 60_000
    rig.fails(66, every_s=60)
    assert rig.state.coasting
    rig.fail(after_s=60)

    assert rig.switched == ((ON, Reason.COAST_OVER),)


def test_a_coast_that_is_over_by_then_ends_at_once() -> None:
    rig = coasting()
    told(rig, PlanReason.PLANNED_RISE, Marks(low_percent=79.5, high_percent=81.5))

    assert rig.switched == ((ON, Reason.COAST_OVER),)


def test_a_coast_is_never_made_longer() -> None:
    rig = coasting()
    told(rig, PlanReason.PLANNED_RISE, Marks(low_percent=68.0, high_percent=70.0))
    told(rig, PlanReason.RISE_OVER, None)

    assert rig.state.latches.coast_box_ms == 72 * 60_000


def test_a_state_of_the_version_before_still_reads() -> None:
    state = switched_off(65).state
    plain = to_plain(state)
    assert isinstance(plain, dict)
    assert not set(NEW_FIELDS) & set(plain)  # written only where there was a plan

    assert from_plain(State, plain) == state


def test_an_event_of_the_version_before_still_reads() -> None:
    args = '{"marks":{"high_percent":80000,"low_percent":78000}}'
    row = EventRow(boot_ms=0, wall_ms=0, station="hall", kind="plan_changed", args=args)

    assert event_of(row) == PlanChanged(marks=HIGH)
