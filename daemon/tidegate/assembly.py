"""From settings to what a station is made of, and the row that begins a run."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial
from pathlib import Path
from typing import Final

from tidegate import __version__
from tidegate.clock import Clock
from tidegate.contract import Gauge, Host, Relay
from tidegate.core.controller import RULES_VERSION
from tidegate.core.policy import Policy
from tidegate.cyclelog.plain import canonical
from tidegate.cyclelog.record import parsed
from tidegate.cyclelog.rows import RunRow, SettingsRow
from tidegate.cyclelog.sha import sha256
from tidegate.registry import GAUGES, RELAYS
from tidegate.settings import StationSettings, policy, without_secrets
from tidegate.station.plan import Plan

_MACHINE_ID: Final = Path("/etc/machine-id")


def run_row(clock: Clock, stations: Iterable[StationSettings]) -> RunRow:
    """Return the row that begins a run of these stations."""
    each = tuple(stations)
    used = {
        *(GAUGES.provenance(one.gauge.kind) for one in each),
        *(RELAYS.provenance(one.relay.kind) for one in each if one.relay),
    }
    return RunRow(
        boot_ms=clock.boot_ms(),
        wall_ms=clock.wall_ms(),
        boot_id=clock.boot_id(),
        machine=machine_digest(),
        version=__version__,
        rules_version=RULES_VERSION,
        backends=canonical(
            sorted([one.kind, one.distribution, one.version] for one in used)
        ),
        synchronised=clock.synchronised(),
    )


def relay_is_another(before: SettingsRow, settings: StationSettings) -> bool:
    """Return whether the relay has other settings than it had before.

    What was found out about its wiring then belongs to another relay.
    Errors: LogError.
    """
    return wiring(before.given) != wiring(canonical(without_secrets(settings)))


def wiring(given: str) -> object:
    """Return what a station's settings say of its relay, its ``life`` apart.

    That is a number of the maker's and says nothing of the wires. Errors: LogError.
    """
    found = parsed(given)
    relay = found.get("relay") if isinstance(found, dict) else None
    if not isinstance(relay, dict):
        return relay
    return {key: value for key, value in relay.items() if key != "life"}


def plan_of(name: str, settings: StationSettings) -> Plan:
    """Return what a station is made of; backends are made, not yet opened."""
    relay = settings.relay
    return Plan(
        name=name,
        gauge=partial(make_gauge, settings),
        relay=partial(make_relay, settings) if relay is not None else None,
        policy=partial(_policy, settings),
        target=relay.target() if relay is not None else None,
        given=canonical(without_secrets(settings)),
    )


def make_gauge(settings: StationSettings, host: Host) -> Gauge:
    """Return the gauge of a station, not yet open."""
    return GAUGES.find(settings.gauge.kind).make(settings.gauge, host)


def make_relay(settings: StationSettings, host: Host) -> Relay:
    """Return the relay of a station that has one, not yet open."""
    assert settings.relay is not None
    return RELAYS.find(settings.relay.kind).make(settings.relay, host)


def _policy(settings: StationSettings, gauge: Gauge, relay: Relay | None) -> Policy:
    return policy(settings, gauge.facts, None if relay is None else relay.facts)


def machine_digest() -> str:
    """Return a digest that tells machines apart without naming them.

    The machine id itself is confidential: see machine-id(5).
    """
    try:
        text = _MACHINE_ID.read_text(encoding="ascii").strip()
    except OSError:
        text = ""
    return sha256(f"tidegate cycle log {text}".encode()).hexdigest()
