"""The operator's settings: found, laid over each other, validated, handed on.

pydantic stops here: ``policy`` gives the core plain frozen values.
"""

from __future__ import annotations

from tidegate.settings.durations import duration_ms, duration_text
from tidegate.settings.files import Place
from tidegate.settings.load import Settings, from_tables, load
from tidegate.settings.models import (
    Battery,
    Budget,
    Dwell,
    Limits,
    LogSettings,
    StationSettings,
    Window,
)
from tidegate.settings.plain import without_secrets
from tidegate.settings.policy import policy
from tidegate.settings.schema import schema

__all__ = [
    "Battery",
    "Budget",
    "Dwell",
    "Limits",
    "LogSettings",
    "Place",
    "Settings",
    "StationSettings",
    "Window",
    "duration_ms",
    "duration_text",
    "from_tables",
    "load",
    "policy",
    "schema",
    "without_secrets",
]
