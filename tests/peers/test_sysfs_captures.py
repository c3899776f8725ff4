"""What real machines said, laid out as a tree, gives the reading it must."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from support.captures_table import (
    CAPTURED,
    NOT_TRUSTED,
    NOTHING_TO_READ,
    OK,
    SYNTHETIC,
    Case,
    captures_in,
    lay_out,
    lay_out_capture,
    observed,
)
from support.host import TestHost
from tidegate.core.plausibility import judge
from tidegate.errors import Unavailable
from tidegate_backends.gauges.sysfs import SysfsGauge, SysfsSettings


async def _check(case: Case, root: Path) -> None:
    gauge = SysfsGauge(SysfsSettings(root=root), TestHost())
    async with gauge:
        if case.exit_code == NOTHING_TO_READ:
            with pytest.raises(Unavailable) as refusal:
                await gauge.read()
            assert all(part in str(refusal.value) for part in case.says)
            return
        reading = judge(await gauge.read(), at_ms=0, wall_ms=0)
    assert case.exit_code == (OK if reading.trusted else NOT_TRUSTED)
    seen = observed(reading)
    assert {key: seen[key] for key in case.expected} == case.expected


@pytest.mark.parametrize("case", CAPTURED + SYNTHETIC, ids=lambda case: case.name)
async def test_a_machine_gives_the_reading_or_the_refusal_it_owes(
    case: Case, tmp_path: Path
) -> None:
    await _check(case, lay_out(case, tmp_path))


async def test_every_dump_of_the_captures_folder_is_expected_and_met(
    tmp_path: Path,
) -> None:
    captures = os.environ.get("TIDEGATE_CAPTURES")
    if not captures:
        pytest.skip("TIDEGATE_CAPTURES does not name a captures folder")
    expected = {case.name: case for case in CAPTURED}
    found = captures_in(Path(captures))
    assert set(found) == set(expected)
    for number, (name, paths) in enumerate(found.items()):
        root = lay_out_capture(paths, tmp_path / str(number))
        try:
            await _check(expected[name], root)
        except AssertionError as error:
            error.add_note(f"capture {name}")
            raise
