"""All deliberate bugs, by family."""

from __future__ import annotations

from typing import Final

from mutation.mutants_budget import BUDGET, LOCKOUTS
from mutation.mutants_chain import CHAIN
from mutation.mutants_effects import PROOF, RETRIES
from mutation.mutants_gauge import GAUGE
from mutation.mutants_levels import LEVELS
from mutation.mutants_log import LOST
from mutation.mutants_readings import READINGS
from mutation.mutants_recovery import REBUILD, START
from mutation.mutants_relay import ABSENT, HAND, REVERSED
from mutation.mutants_rows import DWELL, FRESH, ORDER
from mutation.mutants_station import SHELL
from mutation.mutants_verify import VERIFY
from support.mutant import Mutant

FAMILIES: Final[dict[str, tuple[Mutant, ...]]] = {
    "levels": LEVELS,
    "gauge": GAUGE,
    "readings": READINGS,
    "dwell": DWELL,
    "order": ORDER,
    "fresh": FRESH,
    "proof": PROOF,
    "retries": RETRIES,
    "absent": ABSENT,
    "reversed": REVERSED,
    "hand": HAND,
    "budget": BUDGET,
    "lockouts": LOCKOUTS,
    "start": START,
    "rebuild": REBUILD,
    "lost": LOST,
    "chain": CHAIN,
    "verify": VERIFY,
    "shell": SHELL,
}
BY_NAME: Final = {
    mutant.name: mutant for mutants in FAMILIES.values() for mutant in mutants
}
