"""`[alarm] run` of a real daemon: told of a real alarm, and ended with the daemon."""

from __future__ import annotations

import signal
from pathlib import Path
from typing import Any

import pytest

from peers.test_run_process import STOP_BOUND_S, Place, ended
from support.alarm_rig import AlarmRig, is_alive

pytestmark = pytest.mark.peer


@pytest.mark.slow
def test_the_daemon_tells_of_the_floor_and_leaves_none_behind(tmp_path: Path) -> None:
    place = Place(tmp_path)
    place.write_battery(27)
    rig = AlarmRig(tmp_path)
    pid = tmp_path / "pid"
    tell = rig.telling(f"trap '' TERM; echo $$ > {pid}; exec sleep 1000")
    with place.settings_file.open("a") as settings:
        settings.write(f'[alarm]\nrun = ["{tell}"]\n')
    with place.daemon() as daemon:
        place.until(place.started, 15, "the first on")
        place.write_battery(24)
        place.until(lambda: "below_floor" in told(rig), 15, "the floor")
        place.until(lambda: pid.exists() and bool(pid.read_text()), 15, "it hangs")
        code, said, took_s = ended(daemon, signal.SIGTERM)
    assert code == 0, said
    assert took_s < STOP_BOUND_S
    assert place.supply() == "on"
    assert not is_alive(int(pid.read_text()))
    assert "did not end in time" not in said
    found = told(rig)["below_floor"]
    assert (found["station"], found["raised"]) == ("lobby", True)
    assert (found["soc_percent"], found["supply"]) == (24, "on")


def told(rig: AlarmRig) -> dict[str, dict[str, Any]]:
    return {each["alarm"]: each for each in rig.told}
