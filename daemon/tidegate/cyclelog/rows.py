"""The rows of the cycle log: one frozen dataclass a table, whole numbers and text only.

The table of ``RunEndRow`` is ``run_end``, and so on; the columns are the fields in
their order. ``boot_ms`` and ``wall_ms`` say when the thing happened, not when the row
was written. An ``Entry`` is a row with its id; ids rise over all tables together.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

# The error of an outcome whose command was dropped before it reached the relay.
DROPPED: Final = "dropped"
# As numbers, because a log has a hundred thousand readings a year: 0 is the first.
STATUS_CODES: Final = ("charging", "discharging", "not_charging", "full", "unknown")
POWER_CODES: Final = ("yes", "no", "unknown")
# Why a gap row of the whole log stands at the head of a new file.
NEW_FILE_CAUSES: Final = frozenset({"damaged", "newer_schema", "removed"})


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRow:
    """The daemon began. ``machine`` is a digest of the machine id.

    ``backends`` lists their distributions with versions. The writer fills in the
    rest: ``prev_link``, on the first run row of a file, is the last link of the file
    before; ``continued`` marks the copy at the head of a file begun during a run.
    """

    boot_ms: int
    wall_ms: int
    boot_id: str
    machine: str
    version: str
    rules_version: int
    backends: str
    synchronised: bool
    prev_link: str = ""
    continued: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class RunEndRow:
    """The run ended in good order."""

    boot_ms: int
    wall_ms: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingsRow:
    """Settings in force from here on, without secrets.

    ``policy`` is the plain form of the core's policy, ``given`` what else was set
    (backends, battery), both canonical JSON.
    """

    boot_ms: int
    wall_ms: int
    station: str
    policy: str
    given: str = "{}"


@dataclass(frozen=True, slots=True, kw_only=True)
class EventRow:
    """Something happened: ``kind`` is the event's name, ``args`` its plain form."""

    boot_ms: int
    wall_ms: int
    station: str
    kind: str
    args: str = "{}"


@dataclass(frozen=True, slots=True, kw_only=True)
class BatteryRow:
    """What the gauge says that hardly ever changes; in force from here on."""

    boot_ms: int
    wall_ms: int
    station: str
    present: bool
    current_sign_trusted: bool
    temperature_sensor: str | None
    full_charge_mah: int | None
    design_charge_mah: int | None
    cycle_count: int | None
    health: str | None
    pack: str | None
    flags: str
    claims: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingRow:
    """One reading, or a run of equal ones from the first (``boot_ms``) to the last.

    ``span_ms`` is the boot-clock time between them, ``wall_slip_ms`` what the wall
    clock went more than that. The ``last_`` columns are null for a single reading;
    that of the charge also where the readings are trusted, and so have one charge.
    ``same_reads`` readings in the ``same_span_ms`` up to the last one were identical
    in every quantity. The two codes are places in ``STATUS_CODES`` and
    ``POWER_CODES``. ``raw`` is the source text, for the first of its kind.
    """

    boot_ms: int
    wall_ms: int
    station: str
    reads: int
    span_ms: int
    wall_slip_ms: int
    longest_gap_ms: int
    same_reads: int
    same_span_ms: int
    why_not: str | None
    soc_hundredths_percent: int | None
    battery_status_code: int
    external_power_code: int
    voltage_mv: int | None
    current_ma: int | None
    temperature_mc: int | None
    charge_mah: int | None
    uptime_s: int | None
    took_ms: int
    last_soc_hundredths_percent: int | None = None
    last_voltage_mv: int | None = None
    last_current_ma: int | None = None
    last_temperature_mc: int | None = None
    last_charge_mah: int | None = None
    last_uptime_s: int | None = None
    raw: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FailureRow:
    """Reads that brought nothing, from the first (``boot_ms``) to the last."""

    boot_ms: int
    wall_ms: int
    station: str
    kind: str
    reads: int
    span_ms: int
    wall_slip_ms: int
    longest_gap_ms: int
    text: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class IntentRow:
    """The relay is about to be told.

    ``trigger`` is the id of the row whose event decided it, ``state_digest`` the
    digest of the evidence before that event.
    """

    boot_ms: int
    wall_ms: int
    station: str
    supply: str
    reason: str
    kind: str
    swapped: bool
    trigger: int | None
    state_digest: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OutcomeRow:
    """What the relay made of an intent; ``error`` is the class name, lower case."""

    boot_ms: int
    wall_ms: int
    station: str
    intent: int
    succeeded: bool
    error: str | None = None
    took_ms: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class EffectRow:
    """What the gauge shows of a switching: seen, missing, or null for unknown."""

    boot_ms: int
    wall_ms: int
    station: str
    intent: int | None
    supply: str
    seen: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmRow:
    """An alarm was raised or cleared."""

    boot_ms: int
    wall_ms: int
    station: str
    code: str
    raised: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatorRow:
    """A person did something; ``args`` is canonical JSON."""

    boot_ms: int
    wall_ms: int
    station: str
    action: str
    by: str
    because: str
    args: str = "{}"


@dataclass(frozen=True, slots=True, kw_only=True)
class StateRow:
    """The whole state of a station, plain form in canonical JSON."""

    boot_ms: int
    wall_ms: int
    station: str
    rules_version: int
    state: str


@dataclass(frozen=True, slots=True, kw_only=True)
class GapRow:
    """The log could not be kept since ``since_boot_ms``; ``why`` in one word.

    ``dropped_rows`` are missing just before this row. ``switchings`` were carried
    out before their intent was durable. Station "" means the log as a whole.
    """

    boot_ms: int
    wall_ms: int
    station: str
    why: str
    since_boot_ms: int
    since_wall_ms: int
    dropped_rows: int = 0
    switchings: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkRow:
    """The end of a commit; made by the writer only.

    ``number`` counts the links of the file from 1, ``rows`` the rows since the link
    before. ``digest`` is the link itself, SHA-256 in lower-case hex.
    """

    boot_ms: int
    wall_ms: int
    number: int
    rows: int
    digest: str


Row = (
    RunRow
    | RunEndRow
    | SettingsRow
    | EventRow
    | BatteryRow
    | ReadingRow
    | FailureRow
    | IntentRow
    | OutcomeRow
    | EffectRow
    | AlarmRow
    | OperatorRow
    | StateRow
    | GapRow
)


@dataclass(frozen=True, slots=True)
class Entry:
    """A row of the log and its id."""

    id: int
    row: Row | LinkRow


def station_of(row: Row | LinkRow) -> str | None:
    """Return the station of a row, ``None`` for the rows that have none."""
    if isinstance(row, (RunRow, RunEndRow, LinkRow)):
        return None
    return row.station
