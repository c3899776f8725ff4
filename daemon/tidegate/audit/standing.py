"""Which alarms stood, and when."""

from __future__ import annotations

from collections.abc import Iterator

from tidegate.audit.result import AlarmSpan
from tidegate.cyclelog.rows import AlarmRow


class Alarms:
    """The spans of the alarms. An alarm outlives a run: the next one clears it."""

    def __init__(self) -> None:
        self._standing: dict[str, int] = {}
        self._over: list[AlarmSpan] = []

    def take(self, row: AlarmRow, at_ms: int) -> None:
        """Take an alarm that was raised or cleared."""
        if row.raised:
            self._standing.setdefault(row.code, at_ms)
        elif row.code in self._standing:
            from_ms = self._standing.pop(row.code)
            self._over.append(AlarmSpan(code=row.code, from_ms=from_ms, until_ms=at_ms))

    def spans(self, from_ms: int, until_ms: int) -> tuple[AlarmSpan, ...]:
        """Return those of a time, clipped to it; one that goes on has no end."""
        standing = (
            AlarmSpan(code=code, from_ms=at_ms, until_ms=None)
            for code, at_ms in self._standing.items()
        )
        told = [
            clipped
            for span in (*self._over, *standing)
            for clipped in _clipped(span, from_ms, until_ms)
        ]
        return tuple(sorted(told, key=lambda span: (span.from_ms, span.code)))


def _clipped(span: AlarmSpan, from_ms: int, until_ms: int) -> Iterator[AlarmSpan]:
    is_early = span.until_ms is not None and span.until_ms <= from_ms > span.from_ms
    if is_early or span.from_ms > until_ms:
        return
    end_ms = span.until_ms
    yield AlarmSpan(
        code=span.code,
        from_ms=max(span.from_ms, from_ms),
        until_ms=None if end_ms is None or end_ms > until_ms else end_ms,
    )
