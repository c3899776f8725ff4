"""--since and --until as people write them, and as UTC in ms."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import Final, Literal

import click

Which = Literal["--since", "--until"]

_LENGTH: Final = re.compile(r"[0-9]+(\.[0-9]+)? ?(s|min|h|d)")


def span_ms(
    since: str | None, until: str | None, *, end_ms: int, zone: tzinfo
) -> tuple[int | None, int | None]:
    """Return both ends of a span, ``None`` where none was given.

    ``end_ms`` is the end of the log. Errors: click.UsageError.
    """
    since_ms = until_ms = None
    if since is not None:
        since_ms = moment_ms(since, "--since", end_ms=end_ms, zone=zone)
    if until is not None:
        until_ms = moment_ms(until, "--until", end_ms=end_ms, zone=zone)
    if since_ms is not None and until_ms is not None and since_ms >= until_ms:
        raise click.UsageError(f"--since {since} does not come before --until {until}.")
    return since_ms, until_ms


def moment_ms(text: str, which: Which, *, end_ms: int, zone: tzinfo) -> int:
    """Return a written time; a length goes back from ``end_ms``.

    A date is its first moment for --since and its last for --until. What has neither
    Z nor an offset is local. Errors: click.UsageError.
    """
    text = text.strip()
    try:
        if _LENGTH.fullmatch(text):
            # pydantic comes with it, and an audit must be quick.
            from tidegate.settings.durations import duration_ms

            return end_ms - duration_ms(text)
        if (day := _day(text)) is not None:
            days = 1 if which == "--until" else 0
            return _ms(datetime.combine(day + timedelta(days=days), time()), zone)
        return _ms(datetime.fromisoformat(text), zone)
    except (ValueError, OverflowError) as error:
        raise click.UsageError(
            f"{which}: {text!r} is no time: write a date (2026-03-01), a date and time "
            '("2026-03-01 06:00", 2026-03-01T06:00Z), or a length back from the end of '
            "the log (30d, 12h)."
        ) from error


def _day(text: str) -> date | None:
    """Return a date in any form of ISO 8601 that Python reads; no time is one."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None


def _ms(at: datetime, zone: tzinfo) -> int:
    if at.tzinfo is None:
        at = at.replace(tzinfo=zone)
    return round(at.astimezone(UTC).timestamp() * 1000)
