"""The check of each fault, by its number."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Final

from faults import (
    cases_adb,
    cases_ble,
    cases_gauge,
    cases_kernel,
    cases_load,
    cases_manager,
    cases_process,
    cases_publish,
    cases_relay,
)

CASES: Final[dict[int, Callable[[Path], None]]] = {
    **cases_gauge.CASES,
    **cases_relay.CASES,
    **cases_process.CASES,
    **cases_adb.CASES,
    **cases_ble.CASES,
    **cases_kernel.CASES,
    **cases_load.CASES,
    **cases_manager.CASES,
    **cases_publish.CASES,
}
