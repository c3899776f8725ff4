"""One pass over the rows of a station: who takes which, and what is in the span."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from functools import partial

from tidegate.audit.cell import Cell
from tidegate.audit.given import Set, plan_of, set_of
from tidegate.audit.levels import GAP_POLLS, Levels
from tidegate.audit.rows import Extent, Run
from tidegate.audit.standing import Alarms
from tidegate.audit.work import Work
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
from tidegate.errors import LogError, LogUnreadable


class Walk:
    """Takes the rows once; ``made`` says what they come to.

    What has no underscore is what it found.
    """

    def __init__(
        self,
        placing: Placing,
        last_set: Set,
        known: Extent,
        *,
        since_ms: int | None,
        until_ms: int | None,
    ) -> None:
        self.placing = placing
        self._boots = sorted(placing.offsets.items(), reverse=True)
        self._offset_ms = 0
        self.last_set = last_set
        self.known = known
        self.since_ms = since_ms
        self.until_ms = until_ms
        self.levels = Levels(
            since_ms=since_ms,
            until_ms=until_ms,
            is_whole=known.is_whole,
        )
        self.levels.window(last_set.policy.marks)
        self.work = Work()
        self.alarms = Alarms()
        self.cell = Cell(is_whole=known.is_whole)
        self.most_ms = GAP_POLLS * last_set.policy.poll_ms
        self.first_ms: int | None = None
        self.last_ms = 0
        self.is_any_told = False
        self.failed = 0
        self.windows: list[Marks] = []
        self._plan_why: PlanReason | None = None
        self.plans: Counter[str] = Counter()
        self.sensors: list[str] = []
        self.packs: list[str] = []
        self.chemistries: list[str] = []
        self._pack: str | None = None

    def take(self, row_id: int, row: Row | Run) -> None:
        """Take the next row. Errors: LogUnreadable."""
        while self._boots and self._boots[-1][0] <= row_id:
            self._offset_ms = self._boots.pop()[1]
            self.cell.restarted()
        at_ms = row.boot_ms + self._offset_ms
        if isinstance(row, Run):
            self._seen(at_ms, at_ms + row.span_ms)
            self._reading(row, at_ms)
            return
        if self.known.first_id <= row_id <= self.known.last_id:
            span_ms = row.span_ms if isinstance(row, FailureRow) else 0
            self._seen(at_ms, at_ms + span_ms)
        is_told = self._is_told(at_ms)
        match row:
            case IntentRow():
                self.work.intent(row_id, row)
            case OutcomeRow():
                if self.work.outcome(row, is_told=is_told) and is_told:
                    self.cell.switched(at_ms)
            case EffectRow():
                self.work.effect(row)
            case FailureRow():
                self.failed += row.reads if is_told else 0
                self.levels.passed("gauge_failed", at_ms + row.span_ms)
            case _:
                self._rarely(row, at_ms, is_told=is_told)

    def _rarely(self, row: Row, at_ms: int, *, is_told: bool) -> None:
        match row:
            case AlarmRow():
                if not self._is_late(at_ms):
                    self.alarms.take(row, at_ms)
            case SettingsRow():
                if not self._is_late(at_ms):
                    self._settings(row, is_told=is_told)
            case BatteryRow():
                self._battery(row, at_ms)
            case OperatorRow():
                take = partial(self.work.operator, at_ms=at_ms)
                self._read(take, row, is_told=is_told)
            case GapRow():
                self.work.gap(row, is_told=is_told)
                self.levels.passed("log_lost", at_ms)
            case RunRow() if not row.continued and self.first_ms is not None:
                self.levels.passed("no_daemon", at_ms)
            case EventRow(kind="started"):
                self.work.started()
            case EventRow(kind="relay_reported"):
                self._read(self.work.reported, row, is_told=is_told)
            case EventRow(kind="resumed"):
                self.levels.passed("suspended", at_ms)
            case EventRow(kind="plan_changed"):
                if not self._is_late(at_ms):
                    self._plan(plan_of(row), is_told=is_told)

    def _is_late(self, at_ms: int) -> bool:
        return self.until_ms is not None and at_ms >= self.until_ms

    def _is_told(self, at_ms: int) -> bool:
        is_early = self.since_ms is not None and at_ms < self.since_ms
        return not (is_early or self._is_late(at_ms))

    def _seen(self, at_ms: int, last_ms: int) -> None:
        """Note how far the station's own rows reach."""
        if self.first_ms is None:
            self.first_ms = at_ms
        if last_ms > self.last_ms:
            self.last_ms = last_ms
        if not self.is_any_told:
            is_early = self.since_ms is not None and last_ms < self.since_ms
            self.is_any_told = not (is_early or self._is_late(at_ms))

    def _reading(self, row: Run, at_ms: int) -> None:
        self.levels.take(row, at_ms, most_ms=self.most_ms)
        if row.why_not is None and self._is_told(at_ms):
            self.cell.take(row, at_ms, most_ms=self.most_ms)

    def _settings(self, row: SettingsRow, *, is_told: bool) -> None:
        found = set_of(row)
        policy = found.policy
        self.most_ms = GAP_POLLS * policy.poll_ms
        self.levels.window(policy.marks)
        if not is_told:
            self.windows.clear()
            self.chemistries.clear()
        self.chemistries.append(found.chemistry)
        if policy.marks is not None:
            self.windows.append(policy.marks)

    def _plan(self, told: PlanChanged, *, is_told: bool) -> None:
        self.levels.plan(told.marks)
        begins = told.marks is not None and told.why is not self._plan_why
        self._plan_why = told.why if told.marks is not None else None
        if begins and is_told and told.why is not None:
            self.plans[told.why.value] += 1

    def _battery(self, row: BatteryRow, at_ms: int) -> None:
        if self._is_late(at_ms):
            return
        self.cell.battery(row)
        self._other(row.pack)
        if not self._is_told(at_ms):
            self.sensors.clear()
            self.packs.clear()
        if row.pack is not None:
            self.packs.append(row.pack)
        if row.temperature_sensor is not None:
            self.sensors.append(row.temperature_sensor)

    def _other(self, pack: str | None) -> None:
        """Let another pack begin another series of charge, as it is another cell."""
        if pack is None:
            return
        if self._pack not in (None, pack):
            self.levels.another_pack()
        self._pack = pack

    @staticmethod
    def _read(take: Callable[..., None], row: Row, *, is_told: bool) -> None:
        """Hand on a row with JSON in it. Errors: LogUnreadable."""
        try:
            take(row, is_told=is_told)
        except LogError as error:
            raise LogUnreadable(error.what, remedy=error.remedy) from error
