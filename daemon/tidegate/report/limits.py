"""What the numbers of an audit cannot say, a paragraph each."""

from __future__ import annotations

from collections.abc import Iterator

from tidegate.audit.result import Audit
from tidegate.wear import finding, handbook


def limits(audit: Audit) -> list[str]:
    """Return the limits, those of every audit first."""
    return [
        *finding.LIMITS,
        *_heat(audit),
        *_handbook(audit),
        "What was measured of the cell (capacity, resistance) stands apart from the "
        "models and was not used in them.",
        "The charge is what the gauge reports; a gauge that never sees the battery "
        "full or empty drifts.",
        "Whoever owns the device can write another log; keep the last link elsewhere.",
    ]


def _heat(audit: Audit) -> Iterator[str]:
    heat = audit.temperature
    if heat.mean_c is not None:
        sensor = heat.sensor or "of the gauge"
        yield (
            f"Temperature comes from the sensor {sensor}, which is not the cell "
            "itself: the cell may well be 5 °C warmer or cooler (common practice, no "
            "source)."
        )


def _handbook(audit: Audit) -> tuple[str, ...]:
    heat = audit.temperature
    celsius = heat.assumed_c if heat.mean_c is None else heat.mean_c
    return () if celsius is None else handbook.sentences(celsius)
