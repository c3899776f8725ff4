"""Laws of the Bluetooth values, over all inputs."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from tidegate_backends.bluetooth.naming import brief, uuid
from tidegate_backends.wire import automation_io, battery_service
from tidegate_backends.wire.automation_io import Signal
from tidegate_backends.wire.battery_service import BadValue, LevelStatus

PAIRS = st.integers(min_value=1, max_value=255).flatmap(
    lambda signals: st.tuples(st.just(signals), st.integers(0, signals - 1))
)


def obeyed(before: str, written: str) -> str:
    """What a device makes of a write, in bits as text: 11 leaves a pair as it was."""
    pairs = zip(_pairs(before), _pairs(written), strict=True)
    return "".join(old if new == "11" else new for old, new in pairs)


def _pairs(bits: str) -> list[str]:
    return [bits[at : at + 2] for at in range(0, len(bits), 2)]


def bits_of(octets: bytes) -> str:
    """All bits, the highest of the last octet first."""
    return "".join(f"{octet:08b}" for octet in reversed(octets))


@given(PAIRS, st.booleans(), st.binary(min_size=64, max_size=64))
def test_a_write_moves_one_signal_and_no_other(
    pair: tuple[int, int], active: bool, octets: bytes
) -> None:
    signals, signal = pair
    length = (signals + 3) // 4
    before = octets[:length]
    made = automation_io.command(signal, active=active, signals=signals)

    assert len(made) == length
    after_bits = obeyed(bits_of(before), bits_of(made))
    after = int(after_bits, 2).to_bytes(length, "little")
    wanted = Signal.ACTIVE if active else Signal.INACTIVE
    for other in range(4 * length):
        expected = wanted if other == signal else automation_io.state(before, other)
        assert automation_io.state(after, other) is expected


@given(st.binary(max_size=12))
def test_any_octets_are_a_status_or_refused(octets: bytes) -> None:
    try:
        status = battery_service.level_status(octets)
    except BadValue:
        return
    assert isinstance(status, LevelStatus)
    assert status.powered in (True, False, None)


@given(
    st.booleans(),
    st.sampled_from([0, 1, 2, 3]),
    st.sampled_from([0, 1, 2, 3]),
    st.integers(0, 3),
    st.integers(0, 100),
)
def test_a_status_says_what_was_put_in(
    present: bool, wired: int, wireless: int, state: int, percent: int
) -> None:
    """Encoded here as text of bits, most significant first."""
    bits = f"{0:09b}{state:02b}{wireless:02b}{wired:02b}{int(present)}"
    power = int(bits, 2).to_bytes(2, "little")
    status = battery_service.level_status(b"\x02" + power + bytes([percent]))

    said = {0: False, 1: True}
    assert status.present is present
    assert status.wired is said.get(wired)
    assert status.wireless is said.get(wireless)
    assert status.charge_state == state
    assert status.level_percent == percent


@given(st.integers(0, 0xFFFF), st.booleans())
def test_a_short_name_has_one_form(number: int, upper: bool) -> None:
    text = f"{number:04x}"
    text = text.upper() if upper else text
    full = uuid(text)

    assert full == uuid(f"0x{text}") == uuid(full.upper()) == uuid(f"0000{text}")
    assert brief(full) == f"0x{number:04X}"
