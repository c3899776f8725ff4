"""The time zone of this machine, as its clock on the wall has it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, tzinfo


class SystemZone(tzinfo):
    """Local time, summer time included, after TZ or the system's settings."""

    def fromutc(self, dt: datetime) -> datetime:
        return dt.replace(tzinfo=UTC).astimezone().replace(tzinfo=self)

    def utcoffset(self, dt: datetime | None) -> timedelta | None:
        return None if dt is None else _aware(dt).utcoffset()

    def tzname(self, dt: datetime | None) -> str | None:
        return None if dt is None else _aware(dt).tzname()

    def dst(self, dt: datetime | None) -> timedelta | None:
        return None


def _aware(local: datetime) -> datetime:
    return local.replace(tzinfo=None).astimezone()
