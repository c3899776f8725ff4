"""``tidegate tune --apply`` beside a running daemon: taken at once, logged with who.

The readings are a CSV made by hand; battery and relay are those of the other tests of
processes. Sources: exit codes of sysexits.h (4.2BSD), typed here from memory.
"""

from __future__ import annotations

import json
import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from peers.test_reload_process import Reloadable
from peers.test_run_process import ended, no_traceback
from support.evidence import rows, sound
from support.tuning_cases import readings
from tidegate.cyclelog.rows import SettingsRow

pytestmark = [pytest.mark.slow, pytest.mark.peer]


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Reloadable]:
    made = Reloadable(tmp_path)
    yield made
    made.sockets.cleanup()


def test_a_recommendation_is_taken_at_once_and_logged(place: Reloadable) -> None:
    csv = place.folder / "lobby.csv"
    csv.write_text(readings(days=1.5))
    tune = ("tune", "lobby", "--log", str(csv), "--autonomy", "1h", "--apply", "--yes")
    with place.spoken() as daemon:
        code, said, _ = place.call(*tune)
        assert code == 0, said
        assert said.count("station.lobby.window.low: 55 -> ") == 2, "asked, and done"
        assert "daemon: station lobby goes on with the new values" in said
        place.until(lambda: bool(place.operator()), 5, "its row")
        (row,) = place.operator()
        assert (row.action, row.by.split(" ")[:2]) == (
            "set",
            ["uid", str(os.geteuid())],
        )
        assert json.loads(row.args)["keys"][0] == "station.lobby.window"
        assert no_traceback(said)
        assert ended(daemon, signal.SIGTERM)[0] == 0
    sound(place.log, "lobby")
    policies = [
        e.row for e in rows(place.log, "lobby") if isinstance(e.row, SettingsRow)
    ]
    assert len(policies) == 2
