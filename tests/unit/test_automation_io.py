"""The Digital characteristic, octet by octet.

Values and the meaning of 11 in a write: documentation of bluetooth-sig-python for the
Bluetooth SIG's Automation IO Service 1.0. The octets were computed by hand from it.
"""

from __future__ import annotations

import pytest

from tidegate_backends.wire import automation_io
from tidegate_backends.wire.automation_io import NoSuchSignal, Signal


@pytest.mark.parametrize(
    ("signal", "active", "signals", "octets"),
    [
        # Of four, only no. 1 (the second) moves: 11 11 01 11 and 11 11 00 11.
        (1, True, 4, "F7"),
        (1, False, 4, "F3"),
        # One signal; the padding says "leave it" too.
        (0, True, 1, "FD"),
        (0, False, 1, "FC"),
        (3, True, 4, "7F"),
        # The fifth is in the second octet.
        (4, True, 5, "FF FD"),
        (0, True, 9, "FD FF FF"),
    ],
)
def test_command(signal: int, active: bool, signals: int, octets: str) -> None:
    made = automation_io.command(signal, active=active, signals=signals)

    assert made == bytes.fromhex(octets)


@pytest.mark.parametrize(
    ("octets", "states"),
    [
        ("01", [Signal.ACTIVE, Signal.INACTIVE, Signal.INACTIVE, Signal.INACTIVE]),
        ("E4", [Signal.INACTIVE, Signal.ACTIVE, Signal.TRI_STATE, Signal.UNKNOWN]),
        ("00 40", [Signal.INACTIVE] * 7 + [Signal.ACTIVE]),
    ],
)
def test_state(octets: str, states: list[Signal]) -> None:
    value = bytes.fromhex(octets)

    assert [automation_io.state(value, n) for n in range(len(states))] == states


@pytest.mark.parametrize(("octets", "signal"), [("", 0), ("00", 4), ("00 00", 8)])
def test_a_signal_that_is_not_there(octets: str, signal: int) -> None:
    with pytest.raises(NoSuchSignal, match=f"no signal {signal} in"):
        automation_io.state(bytes.fromhex(octets), signal)


@pytest.mark.parametrize(("signal", "signals"), [(4, 4), (0, 0), (0, 256)])
def test_no_command_for_a_signal_that_is_not_there(signal: int, signals: int) -> None:
    with pytest.raises(NoSuchSignal):
        automation_io.command(signal, active=True, signals=signals)
