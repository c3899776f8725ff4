"""What the rules look at: the inspection, the log, and the facts drawn from both."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from tidegate.triage import duty, facts
from tidegate.triage.evidence import Evidence
from tidegate.triage.fact import Fact
from tidegate.triage.inspection import Inspection


@dataclass(frozen=True)
class Case:
    """One device. Facts are drawn once."""

    inspection: Inspection
    evidence: Evidence | None = None

    @cached_property
    def wear(self) -> tuple[Fact, ...]:
        """All facts about wear."""
        return facts.worn(self.evidence, self.inspection)

    @cached_property
    def is_worn(self) -> bool | None:
        """Whether the battery is worn out; ``None`` where that is not certain."""
        return facts.is_worn(self.wear)

    @cached_property
    def full(self) -> Fact:
        """Whether it stands full."""
        return duty.stands_full(self.evidence, self.inspection)

    @cached_property
    def warm(self) -> Fact:
        """Whether it runs warm."""
        return duty.runs_warm(self.evidence)

    def stands(self, alarm: str) -> bool:
        """Return whether an alarm stood at the end of the log."""
        return self.evidence is not None and alarm in self.evidence.standing
