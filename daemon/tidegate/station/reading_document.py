"""A reading under the stable keys of ``read --json``."""

from __future__ import annotations

from typing import Any, Final

from tidegate.clock import rfc3339
from tidegate.core.reading import Reading

# With these verdicts the claimed charge is no measurement at all.
_NO_NUMBER: Final = frozenset(
    {"not_present", "level_only", "out_of_range", "all_zero", "unit_mismatch"}
)


def as_document(name: str, kind: str, reading: Reading) -> dict[str, Any]:
    """Return the reading under the stable keys of ``read --json``."""
    sample = reading.sample
    why_not = None if reading.why_not is None else reading.why_not.value
    return {
        "station": name,
        "gauge": kind,
        "taken_at": rfc3339(reading.wall_ms),
        "trusted": reading.trusted,
        "why_not": why_not,
        "soc_percent": None if why_not in _NO_NUMBER else sample.soc_percent,
        "battery_status": sample.battery_status.value,
        "external_power": sample.external_power.value,
        "present": sample.present,
        "voltage_v": sample.voltage_v,
        "current_a": sample.current_a,
        "current_sign_trusted": sample.current_sign_trusted,
        "temperature_c": sample.temperature_c,
        "temperature_sensor": sample.temperature_sensor,
        "charge_ah": sample.charge_ah,
        "full_charge_ah": sample.full_charge_ah,
        "design_charge_ah": sample.design_charge_ah,
        "cycle_count": sample.cycle_count,
        "health": sample.health,
        "pack": sample.pack,
        "uptime_s": sample.uptime_s,
        "took_s": sample.took_s,
        "flags": sorted(flag.value for flag in sample.flags),
        "raw": sample.raw,
    }
