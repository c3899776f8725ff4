"""What a commissioning run writes to the cycle log, in the order it happened.

``cyclelog.proving`` says how these rows stand together, and reads them again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from tidegate.clock import Clock
from tidegate.core.effects import Kind, Reason
from tidegate.core.events import GaugeFailed, NotProved, Proved, SettingsChanged
from tidegate.core.policy import Policy
from tidegate.core.reading import Reading, Supply
from tidegate.cyclelog.plain import canonical, to_plain
from tidegate.cyclelog.proving import ACTION, BEGIN
from tidegate.cyclelog.record import event_row
from tidegate.cyclelog.rows import (
    EffectRow,
    IntentRow,
    OperatorRow,
    OutcomeRow,
    Row,
    RunEndRow,
    RunRow,
    SettingsRow,
)
from tidegate.cyclelog.runs import ReadingRuns
from tidegate.cyclelog.writer import Writer
from tidegate.errors import LogError
from tidegate.prove.result import Order
from tidegate.prove.within import Within

COMMIT_LIMIT_S: Final = 10.0


class Ledger:
    """The rows of one run; ``commit`` makes them durable.

    ``within``: the daemon whose run is around it, which then takes each row.
    """

    def __init__(
        self,
        station: str,
        order: Order,
        *,
        clock: Clock,
        writer: Writer,
        within: Within | None = None,
    ) -> None:
        self._station = station
        self._order = order
        self._clock = clock
        self._writer = writer
        self._within = within
        self._runs = ReadingRuns(station)
        self._last_reading: int | None = None
        # The result is written; nothing of this run may come behind it.
        self.is_over = False

    async def begin(
        self, run: RunRow, policy: Policy, *, given: str, relay_changed: bool
    ) -> None:
        """Write what begins a run of its own.

        Errors: LogError when it does not become durable.
        """
        self._writer.append(run)
        self._append(
            SettingsRow(
                **self._times(),
                station=self._station,
                policy=canonical(to_plain(policy)),
                given=given,
            )
        )
        self._begin()
        if relay_changed:
            self.event(SettingsChanged(policy=policy, relay_changed=True))
        await self._settled()

    async def begin_within(self) -> None:
        """Write what begins it in the run of a daemon; the settings stand there.

        Errors: LogError when it does not become durable.
        """
        self._begin()
        await self._settled()

    def _begin(self) -> None:
        self._operator({"step": BEGIN, "rounds": self._order.rounds})

    async def _settled(self) -> None:
        try:
            await self._writer.commit(COMMIT_LIMIT_S)
        except TimeoutError as error:
            raise LogError(
                "the cycle log is too slow to be written",
                remedy="Check the disk; a run that is not recorded proves nothing.",
            ) from error

    def reading(self, reading: Reading) -> None:
        """Take a reading; equal ones make one row."""
        self._keep(
            self._runs.offer(
                reading, apart=False, same_reads=1, same_since_ms=reading.at_ms
            )
        )

    def failure(self, kind: str, text: str) -> None:
        """Take a read that brought nothing."""
        self._keep(
            self._runs.offer_failure(
                GaugeFailed(kind=kind),
                at_ms=self._clock.boot_ms(),
                wall_ms=self._clock.wall_ms(),
                apart=False,
                text=text,
            )
        )

    def intent(self, supply: Supply, *, kind: Kind, swapped: bool) -> int:
        """Write down what the relay is about to be told."""
        self._keep(self._runs.flush())
        return self._append(
            IntentRow(
                **self._times(),
                station=self._station,
                supply=supply,
                reason=Reason.PROVE,
                kind=kind,
                swapped=swapped,
                trigger=self._last_reading,
                # No rule decided it, so there is no evidence to hold it against.
                state_digest="",
            )
        )

    def telling(self, intent: int) -> None:
        """Take note that the relay hears of an intent now."""
        self._writer.telling(intent)

    def outcome(self, intent: int, *, error: str | None, took_ms: int | None) -> None:
        """Write down what the relay made of an intent."""
        self._append(
            OutcomeRow(
                **self._times(),
                station=self._station,
                intent=intent,
                succeeded=error is None,
                error=error,
                took_ms=took_ms,
            )
        )

    def effect(self, intent: int, supply: Supply, *, seen: bool | None) -> None:
        """Write down what the gauge shows of a switching."""
        self._append(
            EffectRow(
                **self._times(),
                station=self._station,
                intent=intent,
                supply=supply,
                seen=seen,
            )
        )

    def event(self, event: SettingsChanged | Proved | NotProved) -> None:
        """Write down what the core is told of the run."""
        self._append(event_row(event, station=self._station, **self._times()))

    def end(self, result: Mapping[str, Any], event: Proved | NotProved) -> None:
        """Write down what it came to, and that the run is over."""
        self._operator(result)
        self.event(event)
        if self._within is None:
            self._writer.append(RunEndRow(**self._times(), why=str(result["verdict"])))
        self.is_over = True

    async def commit(self, limit_s: float = COMMIT_LIMIT_S) -> bool:
        """Make everything so far durable; return whether it is."""
        self._keep(self._runs.flush())
        try:
            await self._writer.commit(limit_s)
        except (LogError, TimeoutError):
            return False
        return True

    def _operator(self, args: Mapping[str, Any]) -> None:
        if self._order.peer:
            args = {**args, "peer": self._order.peer}
        self._append(
            OperatorRow(
                **self._times(),
                station=self._station,
                action=ACTION,
                by=self._order.by,
                because=self._order.because,
                args=canonical(dict(args)),
            )
        )

    def _append(self, row: Row) -> int:
        self._keep(self._runs.flush())
        return self._write(row)

    def _keep(self, rows: Sequence[Row]) -> None:
        for row in rows:
            self._last_reading = self._write(row)

    def _write(self, row: Row) -> int:
        row_id = self._writer.append(row)
        if self._within is not None:
            self._within.took(row_id, row)
        return row_id

    def _times(self) -> dict[str, int]:
        return {"boot_ms": self._clock.boot_ms(), "wall_ms": self._clock.wall_ms()}
