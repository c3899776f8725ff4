"""Real dumps through ``tidegate read --json``: the reading or the refusal they owe."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pytest

from support.captures_table import (
    CAPTURED,
    SYNTHETIC,
    Case,
    captures_in,
    lay_out,
    lay_out_capture,
)
from tidegate.cli import main

FOLDER = "TIDEGATE_CAPTURES"
NO_NUMBER = {"not_present", "level_only", "out_of_range", "all_zero", "unit_mismatch"}


def read(root: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    """Run the command line in this process, as the console script does."""
    settings = root / "tidegate.toml"
    settings.write_text(
        f'[station.guide]\ngauge = {{ kind = "sysfs", root = "{root}" }}\n',
        encoding="utf-8",
    )
    code = main.run(["read", "guide", "--json", "--config", str(settings)])
    said = capsys.readouterr()
    return code, said.out, said.err


def check(case: Case, root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = read(root, capsys)

    assert case.exit_code == code, err
    for text in case.says:
        assert text in err
    if code == 69:
        assert out == ""
        return
    document: dict[str, Any] = json.loads(out)
    expected = dict(case.expected)
    if expected.get("why_not") in NO_NUMBER:
        expected["soc_percent"] = None
    assert expected == {key: document[key] for key in expected}
    assert document["station"] == "guide"
    assert document["gauge"] == "sysfs"
    assert document["taken_at"].endswith("Z")


@pytest.mark.parametrize("case", [*CAPTURED, *SYNTHETIC], ids=lambda case: case.name)
def test_facts(case: Case, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    check(case, lay_out(case, tmp_path), capsys)


def test_every_dump_of_the_folder(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = os.environ.get(FOLDER)
    if not folder:
        pytest.skip(f"{FOLDER} names no folder of captures")
    cases = {case.name: case for case in CAPTURED}
    found = captures_in(Path(folder))
    assert found
    assert set(found) <= set(cases), "a dump without an expectation"
    for name, paths in found.items():
        check(cases[name], lay_out_capture(paths, tmp_path / name), capsys)
