"""Each fault twice: the daemon survives it, and the check notices if it would not.

The second half runs the same check with the handling of just that fault switched off
and requires it to fail, by the sentence that belongs to it.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import structlog

from faults.cases import CASES
from faults.switches import FAULTS, Fault, Switch

# Faults 19 to 26 and 33 to 35 belong to gauges and relays that are not there yet, 39,
# 43 and 47 to the service manager, reloading and load, 45 to sinks.
LISTED = [*range(1, 19), *range(27, 33), *range(36, 39), *range(40, 43), 44, 46]
LISTED += [48, 49, 50]

# Real kernel events need umockdev.
MARKS = {46: [pytest.mark.peer]}

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


@pytest.fixture(autouse=True)
def _structlog_as_found() -> Iterator[None]:
    yield
    structlog.reset_defaults()


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
