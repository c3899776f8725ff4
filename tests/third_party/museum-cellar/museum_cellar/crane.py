"""A relay that was written for another library than the one that is installed."""

from tidegate.contract import CraneSettings  # type: ignore[attr-defined]

BACKEND = CraneSettings
