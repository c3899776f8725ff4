"""One pass over the rows of a station, and the audit that they come to."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from tidegate import __version__
from tidegate.audit.cell import Cell
from tidegate.audit.given import Set, plan_of, set_of
from tidegate.audit.levels import GAP_POLLS, Levels, Told
from tidegate.audit.notes import Asides, notes
from tidegate.audit.result import Audit, Cycles, HalfCycles, Head, Readings, Switchings
from tidegate.audit.rows import Extent, Run
from tidegate.audit.time_at import at_this_pace, duty_of, soc_of, temperature_of
from tidegate.audit.work import Alarms, Work, life_years
from tidegate.core.events import PlanChanged
from tidegate.core.policy import Marks, PlanReason
from tidegate.cyclelog.placing import Placing
from tidegate.cyclelog.rows import (
    AlarmRow,
    BatteryRow,
    EffectRow,
    EventRow,
    FailureRow,
    GapRow,
    IntentRow,
    OperatorRow,
    OutcomeRow,
    Row,
    RunRow,
    SettingsRow,
)
from tidegate.cyclelog.signing import moment
from tidegate.errors import LogEmpty, LogError, LogUnreadable
from tidegate.wear.account import account
from tidegate.wear.duty import DAY_S, YEAR_DAYS

# The years 2 to 9998, so that a time zone of a day does not lead out of 1 to 9999,
# which is what datetime knows.
_EARLIEST_MS: Final = -62_104_060_800_000
_LATEST_MS: Final = 253_370_764_800_000
# Where no window is in force the hold is at the middle of 55 to 65 %; a choice.
HOLD_PERCENT: Final = 60.0
# What moves by no more than this may be the noise of a gauge; a choice.
SHALLOW_PERCENT: Final = 1.0


class Walk:
    """Takes the rows once and fills an audit."""

    def __init__(
        self,
        placing: Placing,
        last_set: Set,
        known: Extent,
        *,
        since_ms: int | None,
        until_ms: int | None,
    ) -> None:
        self._placing = placing
        self._boots = sorted(placing.offsets.items(), reverse=True)
        self._offset_ms = 0
        self._set = last_set
        self._known = known
        self._since_ms = since_ms
        self._until_ms = until_ms
        self._levels = Levels(
            since_ms=since_ms,
            until_ms=until_ms,
            is_whole=known.is_whole,
        )
        self._levels.window(last_set.policy.marks)
        self._work = Work()
        self._alarms = Alarms()
        self._cell = Cell(is_whole=known.is_whole)
        self._most_ms = GAP_POLLS * last_set.policy.poll_ms
        self._first_ms: int | None = None
        self._last_ms = 0
        self._is_any_told = False
        self._failed = 0
        self._windows: list[Marks] = []
        self._plan_why: PlanReason | None = None
        self._plans: Counter[str] = Counter()
        self._sensors: list[str] = []
        self._packs: list[str] = []

    def take(self, row_id: int, row: Row | Run) -> None:
        """Take the next row. Errors: LogUnreadable."""
        while self._boots and self._boots[-1][0] <= row_id:
            self._offset_ms = self._boots.pop()[1]
            self._cell.restarted()
        at_ms = row.boot_ms + self._offset_ms
        if isinstance(row, Run):
            self._seen(at_ms, at_ms + row.span_ms)
            self._reading(row, at_ms)
            return
        if self._known.first_id <= row_id <= self._known.last_id:
            span_ms = row.span_ms if isinstance(row, FailureRow) else 0
            self._seen(at_ms, at_ms + span_ms)
        is_told = self._is_told(at_ms)
        match row:
            case IntentRow():
                self._work.intent(row_id, row)
            case OutcomeRow():
                if self._work.outcome(row, is_told=is_told) and is_told:
                    self._cell.switched(at_ms)
            case EffectRow():
                self._work.effect(row)
            case FailureRow():
                self._failed += row.reads if is_told else 0
                self._levels.passed("gauge_failed", at_ms + row.span_ms)
            case _:
                self._rarely(row, at_ms, is_told=is_told)

    def _rarely(self, row: Row, at_ms: int, *, is_told: bool) -> None:
        match row:
            case AlarmRow():
                if not self._is_late(at_ms):
                    self._alarms.take(row, at_ms)
            case SettingsRow():
                if not self._is_late(at_ms):
                    self._settings(row, is_told=is_told)
            case BatteryRow():
                self._battery(row, at_ms)
            case OperatorRow():
                self._operator(row, at_ms, is_told=is_told)
            case GapRow():
                self._work.gap(row, is_told=is_told)
                self._levels.passed("log_lost", at_ms)
            case RunRow() if not row.continued and self._first_ms is not None:
                self._levels.passed("no_daemon", at_ms)
            case EventRow(kind="resumed"):
                self._levels.passed("suspended", at_ms)
            case EventRow(kind="plan_changed"):
                if not self._is_late(at_ms):
                    self._plan(plan_of(row), is_told=is_told)

    def _is_late(self, at_ms: int) -> bool:
        return self._until_ms is not None and at_ms >= self._until_ms

    def _is_told(self, at_ms: int) -> bool:
        is_early = self._since_ms is not None and at_ms < self._since_ms
        return not (is_early or self._is_late(at_ms))

    def _seen(self, at_ms: int, last_ms: int) -> None:
        """Note how far the station's own rows reach."""
        if self._first_ms is None:
            self._first_ms = at_ms
        if last_ms > self._last_ms:
            self._last_ms = last_ms
        if not self._is_any_told:
            is_early = self._since_ms is not None and last_ms < self._since_ms
            self._is_any_told = not (is_early or self._is_late(at_ms))

    def _reading(self, row: Run, at_ms: int) -> None:
        self._levels.take(row, at_ms, most_ms=self._most_ms)
        if row.why_not is None and self._is_told(at_ms):
            self._cell.take(row, at_ms, most_ms=self._most_ms)

    def _settings(self, row: SettingsRow, *, is_told: bool) -> None:
        policy = set_of(row).policy
        self._most_ms = GAP_POLLS * policy.poll_ms
        self._levels.window(policy.marks)
        if not is_told:
            self._windows.clear()
        if policy.marks is not None:
            self._windows.append(policy.marks)

    def _plan(self, told: PlanChanged, *, is_told: bool) -> None:
        self._levels.plan(told.marks)
        begins = told.marks is not None and told.why is not self._plan_why
        self._plan_why = told.why if told.marks is not None else None
        if begins and is_told and told.why is not None:
            self._plans[told.why.value] += 1

    def _battery(self, row: BatteryRow, at_ms: int) -> None:
        if self._is_late(at_ms):
            return
        self._cell.battery(row)
        if not self._is_told(at_ms):
            self._sensors.clear()
            self._packs.clear()
        if row.pack is not None:
            self._packs.append(row.pack)
        if row.temperature_sensor is not None:
            self._sensors.append(row.temperature_sensor)

    def _operator(self, row: OperatorRow, at_ms: int, *, is_told: bool) -> None:
        try:
            self._work.operator(row, at_ms, is_told=is_told)
        except LogError as error:
            raise LogUnreadable(error.what, remedy=error.remedy) from error

    # --- the end ----------------------------------------------------------------------

    def audit(self, station: str, head: Head) -> Audit:
        """Return what the rows came to. Errors: LogEmpty for a span without any."""
        from_ms, until_ms = self._span(station)
        told = self._levels.end(from_ms, until_ms, most_ms=self._most_ms)
        self._work.end()
        found = self._set
        marks = found.policy.marks
        temperature = temperature_of(told, self._sensors)
        duty = duty_of(told, temperature)
        middle = HOLD_PERCENT
        if marks is not None:
            middle = (marks.low_percent + marks.high_percent) / 2
        wear = None
        if duty.days > 0:
            wear = account(duty, hold_percent=middle, chemistry=found.chemistry)
        ahead = at_this_pace(duty, hold_percent=middle, chemistry=found.chemistry)
        made = Audit(
            station=station,
            head=head,
            version=__version__,
            from_ms=from_ms,
            until_ms=until_ms,
            marks=marks,
            floor_percent=found.policy.floor_percent,
            chemistry=found.chemistry,
            readings=self._readings(told),
            cycles=_cycles(told, days=duty.days),
            soc=soc_of(told, marks),
            temperature=temperature,
            switchings=self._switchings(until_ms - from_ms),
            alarms=self._alarms.spans(from_ms, until_ms),
            wear=wear,
            measured=self._cell.measured(found.design_ah),
            notes=(),
            commissionings=tuple(self._work.commissionings),
            duty=duty,
            stepped_ms=self._placing.stepped_ms,
            delayed=self._placing.delayed,
            at_this_pace=ahead,
            windows=_runs(self._windows),
            plans=sum(self._plans.values()),
        )
        return replace(made, notes=notes(made, self._asides(told)))

    def _span(self, station: str) -> tuple[int, int]:
        first_ms = self._first_ms or 0
        from_ms = max(first_ms, self._since_ms or first_ms)
        until_ms = self._last_ms
        if self._until_ms is not None:
            until_ms = min(until_ms, self._until_ms)
        if not self._is_any_told:
            raise LogEmpty(
                f"the cycle log holds nothing about {station} in the time asked for",
                remedy=f"Its rows lie from {moment(first_ms)} to {moment(self._last_ms)}.",
            )
        until_ms = max(until_ms, from_ms + 1)
        if not _EARLIEST_MS <= from_ms < until_ms <= _LATEST_MS:
            raise LogUnreadable(
                f"the rows of {station} lie where no calendar reaches",
                remedy="The log was altered: tidegate log verify says where.",
            )
        return from_ms, until_ms

    def _readings(self, told: Told) -> Readings:
        return Readings(
            count=told.reads,
            rejected=told.rejected,
            failed=self._failed,
            covered_s=sum(told.rests.values()) / 2000,
            gaps=tuple(told.gaps),
            lost_rows=self._work.lost_rows,
        )

    def _switchings(self, length_ms: int) -> Switchings:
        work, life = self._work, self._set.life
        days = length_ms / 1000 / DAY_S
        return Switchings(
            count=work.count,
            per_day=work.count / days if days >= 1 else None,
            unconfirmed=work.unconfirmed,
            missing=work.missing,
            reasons=tuple(work.reasons.most_common()),
            operations=work.operations,
            life=life,
            life_years=life_years(life, work.operations, length_ms=length_ms),
            proving=work.proving,
            repeats=work.repeats,
            failed=work.failed,
            unlogged=work.unlogged,
        )

    def _asides(self, told: Told) -> Asides:
        known_s = sum(
            each for (_, celsius), each in told.rests.items() if celsius is not None
        )
        return Asides(
            sensors=tuple(dict.fromkeys(self._sensors)),
            is_whole=self._known.is_whole,
            half_cycles=2 * sum(count for _, _, count in told.flow.cycles()),
            shallow_efc=sum(
                depth * count / 100
                for depth, _, count in told.flow.cycles()
                if depth <= SHALLOW_PERCENT
            ),
            packs=_runs(self._packs),
            plans=dict(self._plans),
            across_gaps_percent=told.across_gaps_percent,
            unheated_s=(sum(told.rests.values()) - known_s) / 2000,
        )


def _runs(found: Sequence[object]) -> int:
    """Return how many there are, equal neighbours counted once."""
    return sum(1 for _ in itertools.groupby(found))


def _cycles(told: Told, *, days: float) -> Cycles:
    found = tuple(
        HalfCycles(depth_percent=depth, mean_percent=mean, count=count)
        for depth, mean, count in told.flow.cycles()
    )
    efc = sum(each.depth_percent * each.count for each in found) / 100
    return Cycles(
        half_cycles=found,
        efc=efc,
        efc_per_year=efc * YEAR_DAYS / days if days >= 1 else None,
    )
