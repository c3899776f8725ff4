"""Diagnostic messages: for people who run the daemon, never evidence.

Import structlog from nowhere else. It imports ``rich`` and ``greenlet`` wherever those
are installed, 5 and 1 MB that a daemon has no use for; here these imports are masked.
The cycle log is the record; a message that cannot be written is dropped and counted.
"""

from __future__ import annotations

import os
import select
import stat
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, TextIO, cast

from tidegate.clock import Clock
from tidegate.core.policy import HOUR_MS
from tidegate.notice import journal
from tidegate.notice.journal import JournalSink

_UNWANTED: Final = ("rich", "greenlet")


@contextmanager
def _without_unwanted() -> Iterator[None]:
    unwanted = [name for name in _UNWANTED if name not in sys.modules]
    # None is what the import system takes as "there is no such module".
    sys.modules.update(dict.fromkeys(unwanted))  # type: ignore[arg-type]
    try:
        yield
    finally:
        for name in unwanted:
            del sys.modules[name]


with _without_unwanted():
    import structlog

if TYPE_CHECKING:
    from structlog.typing import FilteringBoundLogger, Processor

LEVELS = {"debug": 10, "info": 20, "warning": 30, "error": 40}

# What no encoding has, as in names that are no UTF-8.
_ODD: Final = "backslashreplace"

# Of a fault that repeats, every how many-th is written.
_EVERY = 10


class Sink:
    """Where messages go. Never raises: a closed pipe must not stop a station.

    Nor does one that is full, because whoever reads it hangs: into a pipe goes what
    fits, the rest is dropped. Source: pipe(7), "PIPE_BUF"; poll(2), ``POLLOUT``.
    """

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self.dropped = 0
        self._is_pipe = _is_pipe(stream)
        self._is_cut = False

    def msg(self, text: str) -> None:
        """Write one line, or count it as dropped."""
        try:
            if self._is_pipe:
                self._fit_in(text + "\n")
            else:
                self._stream.write(text + "\n")
                self._stream.flush()
        except (OSError, ValueError):  # ValueError: the stream was closed
            self.dropped += 1

    def _fit_in(self, line: str) -> None:
        """Write what fits. Errors: BlockingIOError where not all of it did."""
        descriptor = self._stream.fileno()
        ready = select.poll()
        ready.register(descriptor, select.POLLOUT)
        # A line that was cut ends here.
        data = (("\n" if self._is_cut else "") + line).encode("utf-8", _ODD)
        for start in range(0, len(data), select.PIPE_BUF):
            # What is called ready takes so much at once, and no wait is left.
            if not ready.poll(0):
                self._is_cut = self._is_cut or start > 0
                raise BlockingIOError
            os.write(descriptor, data[start : start + select.PIPE_BUF])
        self._is_cut = False

    debug = info = warning = error = critical = exception = log = msg


def _is_pipe(stream: TextIO) -> bool:
    try:
        return stat.S_ISFIFO(os.fstat(stream.fileno()).st_mode)
    except (OSError, ValueError):  # ValueError: closed, or no file at all
        return False


def configure(
    *,
    stream: TextIO | None = None,
    level: str = "info",
    environ: Mapping[str, str] = os.environ,
) -> Sink | JournalSink:
    """Send messages to ``stream`` (stderr): text on a terminal, else JSON lines.

    A stream that leads to the journal is passed by: it gets them in its own protocol.
    Returns the sink, which knows how many messages were dropped.
    """
    target = sys.stderr if stream is None else stream
    sink: Sink | JournalSink
    if journal.is_ours(target, environ):
        sink, processors = JournalSink(), _for_the_journal()
    elif target.isatty():
        sink, processors = Sink(target), _for_a_person(colours=_may_colour(environ))
    else:
        sink, processors = Sink(target), _for_a_program()
    structlog.configure(
        processors=processors,
        wrapper_class=structlog.make_filtering_bound_logger(LEVELS[level]),
        logger_factory=lambda *_: sink,
        cache_logger_on_first_use=False,
    )
    return sink


def _may_colour(environ: Mapping[str, str]) -> bool:
    """Return whether a terminal wants colours. Source: no-color.org; terminfo(5)."""
    return not environ.get("NO_COLOR") and environ.get("TERM") != "dumb"


def _for_a_person(*, colours: bool) -> list[Processor]:
    plain = structlog.dev.plain_traceback
    return [
        *_stamped(),
        structlog.dev.ConsoleRenderer(colors=colours, exception_formatter=plain),
    ]


def _for_a_program() -> list[Processor]:
    return [
        *_stamped(),
        structlog.processors.format_exc_info,
        structlog.processors.EventRenamer("message"),
        structlog.processors.JSONRenderer(),
    ]


def _for_the_journal() -> list[Processor]:
    # The journal stamps its entries itself.
    return [structlog.processors.format_exc_info, journal.entry]


def _stamped() -> list[Processor]:
    return [
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
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
