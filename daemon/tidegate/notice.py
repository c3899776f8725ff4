"""Diagnostic messages: for people who run the daemon, never evidence.

Import structlog from nowhere else. It imports ``rich`` wherever that is installed,
5 MB and 50 ms that a daemon has no use for; here that import is masked. The cycle
log is the record; a message that cannot be written is dropped and counted.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TextIO, cast

from tidegate.clock import Clock
from tidegate.core.policy import HOUR_MS


@contextmanager
def _without_rich() -> Iterator[None]:
    if "rich" in sys.modules:
        yield
        return
    # None is what the import system takes as "there is no such module".
    sys.modules["rich"] = None  # type: ignore[assignment]
    try:
        yield
    finally:
        del sys.modules["rich"]


with _without_rich():
    import structlog

if TYPE_CHECKING:
    from structlog.typing import FilteringBoundLogger, Processor

LEVELS = {"debug": 10, "info": 20, "warning": 30, "error": 40}

# Of a fault that repeats, every how many-th is written.
_EVERY = 10


class Sink:
    """Where messages go. Never raises: a closed pipe must not stop a station."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self.dropped = 0

    def msg(self, text: str) -> None:
        """Write one line, or count it as dropped."""
        try:
            self._stream.write(text + "\n")
            self._stream.flush()
        except (OSError, ValueError):  # ValueError: the stream was closed
            self.dropped += 1

    debug = info = warning = error = critical = exception = log = msg


def configure(*, stream: TextIO | None = None, level: str = "info") -> Sink:
    """Send messages to ``stream`` (stderr): text on a terminal, else JSON lines.

    Returns the sink, which knows how many messages were dropped.
    """
    target = sys.stderr if stream is None else stream
    sink = Sink(target)
    structlog.configure(
        processors=_processors(to_person=target.isatty()),
        wrapper_class=structlog.make_filtering_bound_logger(LEVELS[level]),
        logger_factory=lambda *_: sink,
        cache_logger_on_first_use=False,
    )
    return sink


def _processors(*, to_person: bool) -> list[Processor]:
    stamped: list[Processor] = [
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
    ]
    if to_person:
        plain = structlog.dev.plain_traceback
        return [*stamped, structlog.dev.ConsoleRenderer(exception_formatter=plain)]
    return [
        *stamped,
        structlog.processors.format_exc_info,
        structlog.processors.EventRenamer("message"),
        structlog.processors.JSONRenderer(),
    ]


def logger(**bound: Any) -> FilteringBoundLogger:
    """Return a logger whose every message carries ``bound``."""
    return cast("FilteringBoundLogger", structlog.get_logger(**bound))


@dataclass(slots=True)
class _Repeats:
    count: int
    written_ms: int


class Quiet:
    """Keeps a fault that repeats from flooding the messages.

    The first one is written, then every tenth, and one whenever the last written
    is an hour old; each with the count so far.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._faults: dict[tuple[str, str], _Repeats] = {}

    def count(self, station: str, fault: str) -> int:
        """Count one occurrence; return the count if it is to be written, else 0."""
        now_ms = self._clock.boot_ms()
        seen = self._faults.get((station, fault))
        if seen is None:
            self._faults[station, fault] = _Repeats(1, now_ms)
            return 1
        seen.count += 1
        if seen.count % _EVERY and now_ms - seen.written_ms < HOUR_MS:
            return 0
        seen.written_ms = now_ms
        return seen.count

    def over(self, station: str, fault: str) -> int:
        """Return how often the fault occurred, and let the next one be a first."""
        seen = self._faults.pop((station, fault), None)
        return 0 if seen is None else seen.count
