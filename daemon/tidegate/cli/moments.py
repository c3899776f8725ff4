"""Moments and lengths of time as people read them, in the time of this machine."""

from __future__ import annotations

from datetime import datetime


def local_text(moment: str) -> str:
    """Return a moment of RFC 3339 in local time, with the day if that is another one,
    and the name of the zone.
    """
    local = datetime.fromisoformat(moment).astimezone()
    form = "%H:%M %Z" if local.date() == datetime.now().astimezone().date() else ""
    return local.strftime(form or "%Y-%m-%d %H:%M %Z")


def length_text(length_s: int) -> str:
    """Return a length in hours and minutes, such as 1 h 30 min."""
    hours, minutes = divmod((length_s + 30) // 60, 60)
    parts = [f"{hours} h"] * bool(hours) + [f"{minutes} min"] * bool(minutes)
    return " ".join(parts) or "less than 1 min"
