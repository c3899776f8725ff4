"""From validated tables to the plain frozen values that the core takes."""

from __future__ import annotations

from tidegate.contract import GaugeFacts, Readback, RelayFacts
from tidegate.core.policy import MS, Policy, Proof
from tidegate.settings.models import StationSettings

LEAST_SETTLE_MS = 60 * MS


def policy(
    station: StationSettings, gauge: GaugeFacts, relay: RelayFacts | None = None
) -> Policy:
    """Return the core's view of a station; pydantic stops here."""
    window, limits = station.window, station.limits
    return Policy(
        marks=None if window is None else window.marks,
        hold=window is not None and window.hold_percent is not None,
        floor_percent=limits.floor_percent,
        hot_c=limits.hot_celsius,
        critical_c=limits.critical_celsius,
        cold_c=limits.cold_celsius,
        dwell_on_ms=station.dwell.on_ms,
        dwell_off_ms=station.dwell.off_ms,
        poll_ms=station.poll_ms,
        stale_after_ms=station.stale_after_ms,
        settle_ms=settle_ms(station, gauge, relay),
        heat_hold_ms=station.heat_hold_ms,
        max_off_ms=station.max_off_ms,
        lockout_for_ms=station.lockout_for_ms,
        per_hour=station.budget.per_hour,
        per_day=station.budget.per_day,
        fitted=station.battery.fitted,
        proof=Proof.EXTERNAL_POWER if relay is None else relay.proof,
        can_read_back=relay is not None and relay.readback >= Readback.LATCH,
        gauge_needs_supply=gauge.needs_supply,
        loss_is_proof=relay is None or not relay.cuts_data,
        silence_alarm_ms=_silence_alarm_ms(gauge),
        host_is_device=gauge.host_is_device,
        fails_on=relay is None or relay.fails_on or relay.dead_man_s is not None,
        accept_dead_lock=station.relay is not None and station.relay.accept_dead_lock,
    )


def _silence_alarm_ms(gauge: GaugeFacts) -> int | None:
    alarm_s = gauge.silence_alarm_s
    return None if alarm_s is None else round(alarm_s * MS)


def settle_ms(
    station: StationSettings, gauge: GaugeFacts, relay: RelayFacts | None
) -> int:
    """Return how long a switching takes to show at the gauge.

    What the operator set, else 60 s, or the latencies and one poll if that is more.
    """
    if station.settle_ms is not None:
        return station.settle_ms
    relay_s = 0.0 if relay is None else relay.latency_s
    latency_ms = round((relay_s + gauge.latency_s) * MS)
    return max(LEAST_SETTLE_MS, latency_ms + station.poll_ms)
