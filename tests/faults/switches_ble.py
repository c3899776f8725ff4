"""Fault 33: Bluetooth."""

from __future__ import annotations

from contextlib import nullcontext
from typing import Any, Final

from faults.switch import Fault, switch

_BLUETOOTH: Final = "tidegate_backends.bluetooth"


async def _a_limit(self: Any, work: Any, *, limit_s: float, target: str) -> Any:
    """Carry a call as a program would that trusts bleak to end it."""
    del self, limit_s, target
    from tidegate_backends.bluetooth.radio import Call

    call: Call[Any] = Call()
    await work(call)
    return call.answered.result()


async def _an_end_of_what_is_there(access: Any, device: Any) -> None:
    del access, device


FAULTS: Final = (
    Fault(
        33,
        "Bluetooth is busy, off, restarted, or believes in a device that is gone",
        "Every call ends within its limit with the remedy; the next one starts from "
        "what is true then, and works when the fault is over.",
        (
            switch(
                "a call has no limit",
                "a call had no end",
                (f"{_BLUETOOTH}.radio.Radio.carry", _a_limit),
            ),
            switch(
                "what BlueZ believes is used",
                "a dead connection was used",
                (f"{_BLUETOOTH}.peer.drop", _an_end_of_what_is_there),
            ),
            switch(
                "what bleak remembers is used",
                "what bleak remembers was believed",
                (f"{_BLUETOOTH}.bluez.bleak_memory", nullcontext),
            ),
        ),
    ),
)
