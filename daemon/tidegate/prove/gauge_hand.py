"""The gauge under test: one read at a time, bounded, judged and written down."""

from __future__ import annotations

from collections.abc import Callable, Coroutine
from typing import Any, Final

from tidegate import notice
from tidegate.contract import Gauge
from tidegate.core.plausibility import judge
from tidegate.core.policy import Policy
from tidegate.core.reading import Reading
from tidegate.errors import BackendError, Malformed, Unavailable
from tidegate.host import Machine
from tidegate.prove.judging import shows_on
from tidegate.prove.ledger import Ledger
from tidegate.station.bounded import bounded
from tidegate.station.form import formed
from tidegate.station.plan import Plan
from tidegate.station.relay_line import kind_of

OPEN_LIMIT_S: Final = 5.0
CLOSE_LIMIT_S: Final = 2.0


class GaugeHand:
    """Reads one gauge. ``last`` is the last trusted reading, ``is_silent`` whether a
    read since brought none; ``was_fed``: any of them has shown the supply.
    """

    def __init__(
        self, plan: Plan, *, machine: Machine, say: Callable[[str], None]
    ) -> None:
        self.last: Reading | None = None
        self.is_silent = False
        self.was_fed = False
        self.last_error: BackendError | None = None
        self._log = notice.logger(station=plan.name)
        self._name = plan.name
        self._say = say
        self._clock = machine.clock
        self._host = machine.host(plan.name, hint=lambda: None)
        self.gauge: Gauge = plan.gauge(self._host)
        self._is_open = False
        self._is_under_way = False

    async def read(self, ledger: Ledger, policy: Policy) -> Reading | None:
        """Return one judged reading, ``None`` where the gauge brought nothing."""
        try:
            reading = await self._sampled()
        except BackendError as error:
            closes = isinstance(error, Malformed) or not self._is_open
            await self._missed(error, ledger, closes=closes)
            return None
        except TimeoutError:
            late = Unavailable(
                "the gauge does not answer in time",
                target=self._name,
                remedy="Try `tidegate read`; its driver or its link may hang",
            )
            await self._missed(late, ledger, closes=True)
            return None
        except Exception as error:  # noqa: BLE001 - a backend's own bug: the run goes
            # on and the gauge is opened anew, as in the daemon.
            self._log.error("the gauge's backend failed", exc_info=error)
            await self._missed(broken(self._name, error), ledger, closes=True)
            return None
        ledger.reading(reading)
        self.is_silent = not reading.trusted
        if reading.trusted:
            self.last = reading
            self.was_fed = self.was_fed or shows_on(reading.sample, policy) is True
        return reading

    async def _sampled(self) -> Reading:
        if self._is_under_way:
            # The last read was given up half way: only a closed gauge is well defined.
            await self._shut()
        self._is_under_way = True
        if not self._is_open:
            await bounded(self.gauge.open(), limit_s=OPEN_LIMIT_S)
            self._is_open = True
        limit_s = self.gauge.facts.answers_within_s
        sample = formed(await bounded(self.gauge.read(), limit_s=limit_s))
        self._is_under_way = False
        for note in self.gauge.take_notes():
            self._say(f"The gauge says: {note}")
        clock = self._clock
        return judge(sample, at_ms=clock.boot_ms(), wall_ms=clock.wall_ms())

    async def _missed(
        self, error: BackendError, ledger: Ledger, *, closes: bool
    ) -> None:
        self.last_error = error
        self.is_silent = True
        self._is_under_way = False
        ledger.failure(kind_of(error), str(error))
        if closes:
            await self._shut()

    async def _shut(self, limit_s: float = CLOSE_LIMIT_S) -> None:
        self._is_open = False
        await self._bounded(self.gauge.close(), limit_s)

    async def _bounded(self, work: Coroutine[Any, Any, None], limit_s: float) -> None:
        try:
            await bounded(work, limit_s=limit_s)
        except TimeoutError:
            self._log.warning("the gauge did not close in time")
        except Exception as error:  # noqa: BLE001 - a backend's own bug: what is left
            # to be done goes on, and the traceback is written.
            self._log.error("the gauge's backend failed", exc_info=error)

    async def close(self, limit_s: float = CLOSE_LIMIT_S) -> None:
        """Let go of the gauge; bounded, never an error of its own."""
        await self._shut(limit_s)
        await self._bounded(self._host.close(), limit_s)


def broken(target: str, error: Exception) -> Unavailable:
    """Return what stands for an error that no backend may raise."""
    return Unavailable(
        f"its backend failed ({type(error).__name__}: {error})",
        target=target,
        remedy="Report this fault",
    )
