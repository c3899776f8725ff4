"""Each fault twice: the daemon survives it, and the check notices if it would not.

The second half runs the same check with the handling of just that fault switched off
and requires it to fail, by the sentence that belongs to it.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from faults.cases import CASES
from faults.switches import FAULTS, Fault, Switch

LISTED = list(range(1, 51))

# Real kernel events need umockdev, Bluetooth dbus-daemon, 19 to 26 adb.
MARKS = {number: [pytest.mark.peer] for number in (*range(19, 27), 33, 46)}
for number in (19, 21, 23, 24, 26, 39, 45):
    MARKS.setdefault(number, []).append(pytest.mark.slow)

EACH = [
    pytest.param(fault, id=f"{fault.number}", marks=MARKS.get(fault.number, []))
    for fault in FAULTS.values()
]
EACH_SWITCH = [
    pytest.param(
        fault,
        switch,
        id=f"{fault.number}-{switch.off.replace(' ', '_')}",
        marks=MARKS.get(fault.number, []),
    )
    for fault in FAULTS.values()
    for switch in fault.switches
]


def test_the_list_is_complete() -> None:
    assert sorted(FAULTS) == LISTED
    assert sorted(CASES) == LISTED
    assert all(fault.switches for fault in FAULTS.values())


@pytest.mark.parametrize("fault", EACH)
def test_survives(fault: Fault, tmp_path: Path) -> None:
    CASES[fault.number](tmp_path)


@pytest.mark.parametrize(("fault", "switch"), EACH_SWITCH)
def test_check_notices_when_switched_off(
    fault: Fault, switch: Switch, tmp_path: Path
) -> None:
    with (
        switch.switched_off(fault.number),
        pytest.raises(switch.error, match=switch.notices),
    ):
        CASES[fault.number](tmp_path)
