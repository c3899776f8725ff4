"""The registry: what must happen at each fault, and how to switch its handling off."""

from __future__ import annotations

from typing import Final

from faults import (
    switches_adb,
    switches_ble,
    switches_gauge,
    switches_kernel,
    switches_load,
    switches_process,
    switches_publish,
    switches_relay,
)
from faults.switch import VARIABLE, Fault, Switch

FAULTS: Final = {
    fault.number: fault
    for fault in (
        *switches_gauge.FAULTS,
        *switches_relay.FAULTS,
        *switches_process.FAULTS,
        *switches_adb.FAULTS,
        *switches_ble.FAULTS,
        *switches_kernel.FAULTS,
        *switches_load.FAULTS,
        *switches_publish.FAULTS,
    )
}

__all__ = ["FAULTS", "VARIABLE", "Fault", "Switch"]
