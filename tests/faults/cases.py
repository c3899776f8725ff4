"""The check of each fault, by its number."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Final

from faults import cases_gauge, cases_process, cases_relay

CASES: Final[dict[int, Callable[[Path], None]]] = {
    **cases_gauge.CASES,
    **cases_relay.CASES,
    **cases_process.CASES,
}
