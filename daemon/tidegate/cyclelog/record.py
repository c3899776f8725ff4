"""Events and readings of the core as rows of the log, and back again.

Quantities are whole numbers in the log (mV, mA, m°C, mAh, 0.01 %, ms), at which
``Sample.rounded`` keeps them too, so that a reading comes back exactly as it was.
"""

from __future__ import annotations

import json
import math
import re
from dataclasses import fields, replace
from operator import attrgetter
from typing import Any, Final, get_args

from tidegate.core.events import (
    Event,
    GaugeFailed,
    ReadingArrived,
    SwitchingFailed,
    SwitchingSucceeded,
)
from tidegate.core.reading import (
    BatteryStatus,
    ExternalPower,
    Flag,
    Reading,
    Sample,
    Supply,
    WhyNot,
)
from tidegate.core.state import State, evidence
from tidegate.cyclelog.plain import canonical, digest, from_plain, to_plain
from tidegate.cyclelog.rows import (
    POWER_CODES,
    STATUS_CODES,
    BatteryRow,
    EventRow,
    FailureRow,
    IntentRow,
    OutcomeRow,
    ReadingRow,
)
from tidegate.errors import LogError

_told_by: Final = attrgetter(
    *(each.name for each in fields(BatteryRow) if not each.name.endswith("_ms"))
)


def _snake(name: str) -> str:
    return re.sub(r"(?<=[a-z])(?=[A-Z])", "_", name).lower()


_KINDS: Final[dict[str, type[Any]]] = {
    _snake(event.__name__): event for event in get_args(Event)
}


def event_row(event: Event, *, station: str, boot_ms: int, wall_ms: int) -> EventRow:
    """Return the row of any event but those of gauge and relay, which have their own:
    readings, failures, outcomes.
    """
    assert not isinstance(
        event, ReadingArrived | GaugeFailed | SwitchingSucceeded | SwitchingFailed
    )
    return EventRow(
        boot_ms=boot_ms,
        wall_ms=wall_ms,
        station=station,
        kind=_snake(type(event).__name__),
        args=canonical(to_plain(event)),
    )


def event_of(row: EventRow) -> Event:
    """Return the event of a row. Errors: LogError for one nobody knows."""
    if row.kind not in _KINDS:
        raise LogError(
            f"the cycle log holds an event of the unknown kind {row.kind!r}",
            remedy="It was written by another version, or altered.",
        )
    event: Event = from_plain(_KINDS[row.kind], parsed(row.args))
    return event


def parsed(text: str) -> object:
    """Return the data of a JSON column. Errors: LogError."""
    try:
        data: object = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise LogError(
            f"the cycle log holds JSON that cannot be read ({error})",
            remedy="The file was altered.",
        ) from error
    return data


def failure_of(row: FailureRow) -> GaugeFailed:
    """Return the event that a row of equal failures stands for."""
    return GaugeFailed(kind=row.kind, reads=row.reads)


def outcome_of(row: OutcomeRow, intent: IntentRow, *, is_exact: bool = True) -> Event:
    """Return the event of the outcome of an intent.

    ``is_exact``: the time of the intent is that of the step that ordered it.
    """
    supply = supply_of(intent)
    told_at_ms = intent.boot_ms if is_exact else None
    if row.succeeded:
        return SwitchingSucceeded(supply=supply, told_at_ms=told_at_ms)
    kind = row.error or "unknown"
    return SwitchingFailed(supply=supply, kind=kind, told_at_ms=told_at_ms)


def supply_of(intent: IntentRow) -> Supply:
    """Return what an intent commands. Errors: LogError."""
    try:
        return Supply(intent.supply)
    except ValueError as error:
        raise LogError(
            f"the cycle log holds a command that is none ({error})",
            remedy="It was written by another version, or altered.",
        ) from error


def battery_row(reading: Reading, *, station: str) -> BatteryRow:
    """Return what this reading says of the things that hardly ever change."""
    sample = reading.sample
    return BatteryRow(
        boot_ms=reading.at_ms,
        wall_ms=reading.wall_ms,
        station=station,
        present=sample.present,
        current_sign_trusted=sample.current_sign_trusted,
        temperature_sensor=sample.temperature_sensor,
        full_charge_mah=whole(sample.full_charge_ah, 1000),
        design_charge_mah=whole(sample.design_charge_ah, 1000),
        cycle_count=sample.cycle_count,
        health=sample.health,
        pack=sample.pack,
        flags=",".join(sorted(sample.flags)),
        claims=sample.claims,
    )


def whole(value: float | None, steps: int) -> int | None:
    """Return a quantity in steps of the log; what is no number has none."""
    if value is None or not math.isfinite(value * steps):
        return None
    return round(value * steps)


def reading_of(row: ReadingRow, battery: BatteryRow | None) -> Reading:
    """Return the last reading of a row; ``battery`` is the row in force there.

    Errors: LogError for values that no writer writes.
    """
    try:
        return _reading_of(row, battery)
    except (ValueError, IndexError) as error:
        raise LogError(
            f"the cycle log holds a reading that cannot be ({error})",
            remedy="It was written by another version, or altered.",
        ) from error


def _reading_of(row: ReadingRow, battery: BatteryRow | None) -> Reading:
    single = row.reads == 1
    sample = Sample(
        soc_percent=_part(
            row.soc_hundredths_percent
            if single or row.why_not is None
            else row.last_soc_hundredths_percent,
            100,
        ),
        battery_status=BatteryStatus(STATUS_CODES[row.battery_status_code]),
        external_power=ExternalPower(POWER_CODES[row.external_power_code]),
        voltage_v=_part(row.voltage_mv if single else row.last_voltage_mv, 1000),
        current_a=_part(row.current_ma if single else row.last_current_ma, 1000),
        temperature_c=_part(
            row.temperature_mc if single else row.last_temperature_mc, 1000
        ),
        charge_ah=_part(row.charge_mah if single else row.last_charge_mah, 1000),
        uptime_s=row.uptime_s if single else row.last_uptime_s,
        took_s=row.took_ms / 1000,
        **({} if battery is None else _details(battery)),
    )
    return Reading(
        sample=sample,
        at_ms=row.boot_ms + row.span_ms,
        wall_ms=row.wall_ms + row.span_ms + row.wall_slip_ms,
        why_not=WhyNot(row.why_not) if row.why_not is not None else None,
    )


def first_of(row: ReadingRow, battery: BatteryRow | None) -> Reading:
    """Return the first reading of a row; ``reading_of`` returns the last."""
    return reading_of(replace(row, reads=1, span_ms=0, wall_slip_ms=0), battery)


def evidence_digest(state: State) -> str:
    """Return the digest of the evidence before a decision, as intents carry it."""
    return digest(to_plain(evidence(state)))


def arrivals_of(
    row: ReadingRow, battery: BatteryRow | None
) -> tuple[ReadingArrived, ...]:
    """Return the events that a row of equal readings stands for: the first reading,
    and the last one for all that came after it.

    Whether a reading is a jump follows from those before it, so that is left open.
    """
    last = _without_jump(reading_of(row, battery))
    reads = row.reads if row.reads == 1 else row.reads - 1
    arrived = ReadingArrived(
        reading=last,
        reads=reads,
        same_reads=row.same_reads,
        same_since_ms=last.at_ms - row.same_span_ms,
    )
    if row.reads == 1:
        return (arrived,)
    return ReadingArrived(reading=_without_jump(first_of(row, battery))), arrived


def _without_jump(reading: Reading) -> Reading:
    return replace(reading, why_not=None) if reading.why_not is WhyNot.JUMP else reading


def _details(row: BatteryRow) -> dict[str, Any]:
    return {
        "present": row.present,
        "current_sign_trusted": row.current_sign_trusted,
        "temperature_sensor": row.temperature_sensor,
        "full_charge_ah": _part(row.full_charge_mah, 1000),
        "design_charge_ah": _part(row.design_charge_mah, 1000),
        "cycle_count": row.cycle_count,
        "health": row.health,
        "pack": row.pack,
        "flags": frozenset(Flag(flag) for flag in row.flags.split(",") if flag),
        "claims": WhyNot(row.claims) if row.claims is not None else None,
    }


def _part(value: int | None, steps: int) -> float | None:
    return None if value is None else value / steps


def same_battery(a: BatteryRow | None, b: BatteryRow) -> bool:
    """Return whether two rows say the same, their times apart."""
    return a is not None and _told_by(a) == _told_by(b)
