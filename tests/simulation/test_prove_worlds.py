"""Verdicts of commissioning runs over drawn installations, held against the truth."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.prove_worlds import drawn, proven
from tidegate.prove import Finding, Verdict


def check(seed: int, folder: Path) -> str:
    """Check one run; return what the installation is, and the verdict."""
    world = drawn(seed)
    result, rig = proven(world, folder)
    told = (world, result.why, result.seen.findings, rig.said)
    is_proven = result.verdict is Verdict.PROVEN
    if is_proven and not world.may_pass_by_chance:
        assert not world.is_unfit, told
    if world.is_fit:
        assert is_proven, told
    if world.must_end_fed:
        is_said = Finding.STILL_DARK in result.seen.findings
        assert rig.device.external_power or is_said, told
    if result.seen.is_reversed:
        assert world.wired != world.contact, told
    rig.sound()
    kind = "unfit" if world.is_unfit else "fit" if world.is_fit else "hard"
    return f"{kind} {result.verdict.value}"


@pytest.mark.parametrize(
    "first", [0, *(pytest.param(each, marks=pytest.mark.slow) for each in (20, 40))]
)
def test_no_unfit_one_passes_and_no_fit_one_fails(first: int, tmp_path: Path) -> None:
    seen = {check(seed, tmp_path / str(seed)) for seed in range(first, first + 20)}
    assert {"fit proven", "unfit not_proven"} <= seen


@pytest.mark.slow
@pytest.mark.parametrize("first", range(1_000, 2_000, 100))
def test_many(first: int, tmp_path: Path) -> None:
    seen = {check(seed, tmp_path / str(seed)) for seed in range(first, first + 100)}
    assert {"fit proven", "unfit not_proven"} <= seen
