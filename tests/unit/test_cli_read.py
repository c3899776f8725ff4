"""What `tidegate read` shows of a reading whose texts anybody may have written.

Control functions: ECMA-48, 5th edition, 8.3 (CSI as 7-bit ESC [ and as the single
character 9B hex); bidirectional overrides: Unicode Standard Annex 9.
"""

from __future__ import annotations

from typing import Any

import pytest

from tidegate.cli.read import as_text
from tidegate.core.reading import BatteryStatus, ExternalPower, Reading, Sample
from tidegate.station.reading_document import as_document

EVIL = "good\x1b]0;title\x07 \x9b2J \u202e"


def document(**texts: Any) -> dict[str, Any]:
    sample = Sample(
        soc_percent=60.0,
        battery_status=BatteryStatus.CHARGING,
        external_power=ExternalPower.YES,
        voltage_v=3.9,
        **texts,
    )
    reading = Reading(sample=sample, at_ms=0, wall_ms=0, why_not=None)
    return as_document("hall", "command", reading)


@pytest.mark.parametrize("key", ["health", "pack"])
def test_texts_of_the_device_command_no_terminal(key: str) -> None:
    told = as_text(document(**{key: EVIL}))
    (row,) = (line for line in told.splitlines() if line.startswith(f"  {key} "))
    assert row.endswith(r"good\x1b]0;title\x07 \x9b2J \u202e")
    assert all(line.isprintable() for line in told.splitlines())


def test_a_text_of_any_script_is_shown_as_it_is() -> None:
    assert "  pack               展示室 1" in as_text(document(pack="展示室 1"))
