"""What was asked for, what was seen on the way, and what it came to."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from statistics import median
from typing import Any

from tidegate.clock import rfc3339
from tidegate.contract import Readback
from tidegate.core.reading import Supply
from tidegate.errors import BackendError
from tidegate.prove.findings import HARMLESS, Finding, words


class Verdict(StrEnum):
    """What a commissioning run came to."""

    PROVEN = "proven"
    NOT_PROVEN = "not_proven"
    REFUSED = "refused"
    ABORTED = "aborted"


class Timer(StrEnum):
    """What is known of the relay's own timer."""

    NONE = "none"
    NOT_TESTED = "not_tested"
    RETURNED = "returned"
    FAILED = "failed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What a person asked for; ``because`` is their reason.

    ``by`` is the name that they give; ``peer`` is who they are as the system knows it,
    empty where that is whoever runs the process.
    """

    by: str
    because: str = "commissioning"
    rounds: int = 3
    peer: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One switching of a round. ``took_ms`` is the relay's call, ``latency_ms`` the
    time from its outcome to the first reading that proves the effect, if one did.
    """

    round: int
    supply: Supply
    took_ms: int
    latency_ms: int | None


@dataclass(slots=True, kw_only=True)
class Seen:
    """What a run has seen so far; filled in step by step.

    ``agreed`` and ``disagreed`` count the answers of a relay that reads back.
    ``began`` and ``ended`` are charges in percent. ``is_on``: the supply at the end,
    ``None`` where no gauge tells.
    """

    contact: str = "normally-closed"
    steps: list[Step] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    readback: Readback | None = None
    agreed: int = 0
    disagreed: int = 0
    swapped: bool = False
    is_reversed: bool = False
    timer: Timer = Timer.NONE
    timer_s: float | None = None
    timer_returned_ms: int | None = None
    began_percent: float | None = None
    ended_percent: float | None = None
    operations: int = 0
    is_on: bool | None = None

    def find(self, finding: Finding) -> None:
        """Keep a finding, once."""
        if finding not in self.findings:
            self.findings.append(finding)

    def latencies_ms(self, supply: Supply) -> list[int]:
        """Return the latencies of one direction."""
        return [
            step.latency_ms
            for step in self.steps
            if step.supply is supply and step.latency_ms is not None
        ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """The end of a run. ``why`` says in words why it is not proven.

    ``error`` is what made it impossible, ``recorded`` whether the cycle log has it.
    ``wiring`` is the contact as it was seen to work, ``None`` where nothing shows it.
    """

    station: str
    order: Order
    verdict: Verdict
    why: str
    began_wall_ms: int
    ended_wall_ms: int
    seen: Seen
    wiring: str | None
    recorded: bool
    error: BackendError | None = None

    def as_row(self) -> dict[str, Any]:
        """Return what the cycle log keeps: whole numbers and text."""
        seen = self.seen
        return {
            "step": "result",
            "verdict": self.verdict.value,
            "why": self.why,
            "rounds": [_step(step) for step in seen.steps],
            "readback": self._readback(),
            "wiring": self._wiring(),
            "timer": {
                "result": seen.timer.value,
                "declared_ms": _ms(seen.timer_s),
                "returned_ms": seen.timer_returned_ms,
            },
            "findings": [finding.value for finding in seen.findings],
            "operations": seen.operations,
            "supply_is_on": seen.is_on,
        }

    def as_document(self) -> dict[str, Any]:
        """Return the result under the stable keys of ``prove --json``."""
        seen = self.seen
        return {
            "station": self.station,
            "by": self.order.by,
            "because": self.order.because,
            "verdict": self.verdict.value,
            "why": self.why or None,
            "began_at": rfc3339(self.began_wall_ms),
            "ended_at": rfc3339(self.ended_wall_ms),
            "rounds": [_step(step) for step in seen.steps],
            "latency": {
                supply.value: spread(seen.latencies_ms(supply))
                for supply in (Supply.OFF, Supply.ON)
            },
            "readback": self._readback(),
            "wiring": self._wiring(),
            "timer": {
                "result": seen.timer.value,
                "declared_s": seen.timer_s,
                "returned_ms": seen.timer_returned_ms,
            },
            "soc_percent": {"began": seen.began_percent, "ended": seen.ended_percent},
            "findings": [
                {
                    "code": finding.value,
                    "unsafe": finding not in HARMLESS,
                    "text": said.text,
                    "remedy": said.remedy,
                }
                for finding in seen.findings
                for said in (words(finding, contact=seen.contact),)
            ],
            "relay_operations": seen.operations,
            "supply_is_on": seen.is_on,
            "recorded": self.recorded,
        }

    def _readback(self) -> dict[str, Any]:
        seen = self.seen
        return {
            "grade": None if seen.readback is None else int(seen.readback),
            "name": None if seen.readback is None else seen.readback.name.lower(),
            "agreed": seen.agreed,
            "disagreed": seen.disagreed,
        }

    def _wiring(self) -> dict[str, Any]:
        seen = self.seen
        return {
            "contact": seen.contact,
            "seen": self.wiring,
            "swapped": seen.swapped,
            "reversed": seen.is_reversed,
        }


def spread(values_ms: list[int]) -> dict[str, int] | None:
    """Return least, median and most of some latencies, ``None`` for none."""
    if not values_ms:
        return None
    return {
        "min_ms": min(values_ms),
        "median_ms": round(median(values_ms)),
        "max_ms": max(values_ms),
    }


def _step(step: Step) -> dict[str, Any]:
    return {
        "round": step.round,
        "supply": step.supply.value,
        "took_ms": step.took_ms,
        "latency_ms": step.latency_ms,
    }


def _ms(seconds: float | None) -> int | None:
    return None if seconds is None else round(seconds * 1_000)
