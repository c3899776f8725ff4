"""`[alarm] run` as a part, with real programs: who is told, when, and who never waits.

What a program gets is read by sh and cat, not by our own code: execve(2), environ(7).
"""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from support.alarm_rig import AlarmRig, is_alive
from support.hung_disk import hung_disk
from tidegate import notice
from tidegate.core.effects import Alarm
from tidegate.errors import SettingsError
from tidegate.service import alarm_part
from tidegate.service.alarm_facts import Told, environment, line
from tidegate.service.alarm_part import STOP_WAITS_S
from tidegate.service.parts import END_LIMIT_S
from tidegate.settings import from_tables

HOT, COLD = Alarm.BATTERY_HOT, Alarm.BATTERY_COLD
STATION = {"hall": {"gauge": {"kind": "twin"}}}
LIMIT_S = 20.0


@pytest.fixture
def rig(tmp_path: Path) -> AlarmRig:
    return AlarmRig(tmp_path)


@pytest.fixture
def messages(tmp_path: Path) -> Any:
    path = tmp_path / "messages"
    with path.open("w") as stream:
        notice.configure(stream=stream)
        yield lambda: [json.loads(each) for each in path.read_text().splitlines()]


async def test_it_gets_the_facts_by_environment_and_on_stdin(
    rig: AlarmRig, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NOTIFY_SOCKET", "/run/nobody")
    out = rig.folder / "env"
    tell = rig.telling(
        f'env > {out}.new; echo "$#:$1" >> {out}.new; mv {out}.new {out}'
    )
    async with rig.part(tell, "; touch $HOME &") as part:
        rig.raised(part, HOT)
        await rig.until(out.exists, "the program ended")
    lines = out.read_text().splitlines()
    facts = dict(each.split("=", 1) for each in lines if each.startswith("TIDEGATE_"))
    assert facts["TIDEGATE_STATION"] == "hall"
    assert facts["TIDEGATE_ALARM"] == "battery_hot"
    assert facts["TIDEGATE_ALARM_TEXT"].startswith("The battery is hot")
    assert facts["TIDEGATE_RAISED"] == "yes"
    assert facts["TIDEGATE_AT"].endswith("Z")
    assert facts["TIDEGATE_SOC_PERCENT"] == "24"
    assert facts["TIDEGATE_TEMPERATURE_C"] == "25.1"
    assert facts["TIDEGATE_EXTERNAL_POWER"] == "no"
    assert facts["TIDEGATE_SUPPLY"] == ""
    assert facts["TIDEGATE_UNTOLD"] == "0"
    assert lines[-1] == "1:; touch $HOME &"  # as given: no shell has read it
    assert not any(each.startswith("NOTIFY_SOCKET") for each in lines)
    (told,) = rig.told
    assert set(told) == {
        "station",
        "alarm",
        "text",
        "raised",
        "at",
        "soc_percent",
        "temperature_c",
        "external_power",
        "supply",
        "untold",
    }
    assert told["raised"] is True


def test_odd_texts_stay_one_line_and_one_variable() -> None:
    """JSON escapes what would end a line: RFC 8259, section 7."""
    odd = 'Türme\n\t"\u2028\U0001f525=x'
    told = Told(station=odd, alarm="of-another-version", raised=False, at="now")
    assert line(told).count(b"\n") == 0
    assert json.loads(line(told))["station"] == odd
    given = environment(told, {b"ODD": b"\xff", b"NOTIFY_SOCKET": b"/run/x"})
    assert given[b"TIDEGATE_STATION"].decode() == odd
    assert given[b"TIDEGATE_RAISED"] == b"no"
    assert given[b"ODD"] == b"\xff"
    assert b"NOTIFY_SOCKET" not in given


async def test_it_is_told_of_the_end_after_the_distance(rig: AlarmRig) -> None:
    async with rig.part(rig.telling(), apart="1s") as part:
        rig.raised(part, HOT)
        rig.over(part, HOT)
        await rig.until(lambda: len(rig.told) == 2, "raised and over")
    assert [each["raised"] for each in rig.told] == [True, False]


async def test_two_hundred_at_once_are_told_one_after_the_other(
    rig: AlarmRig, messages: Any
) -> None:
    """Without a program but the shell itself, which is quick."""
    tell = rig.program(f"read -r line; printf '%s\\n' \"$line\" >> {rig.told_file}")
    names = [f"guide-{number}" for number in range(200)]
    async with rig.part(tell) as part:
        for name in names:
            rig.raised(part, Alarm.SUPPLY_ABSENT, name)
        await rig.until(lambda: part.is_idle, "all are told")
    assert [each["station"] for each in rig.told] == names
    assert messages() == []


async def test_what_waits_is_bounded_and_the_oldest_goes(
    rig: AlarmRig, messages: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(alarm_part, "QUEUE_MOST", 4)
    go_on = rig.folder / "go-on"
    tell = rig.telling(f"while [ ! -e {go_on} ]; do sleep 0.02; done")
    async with rig.part(tell) as part:
        rig.raised(part, HOT, "first")
        await rig.until(lambda: len(rig.told) == 1, "the first runs")
        for number in range(6):
            rig.raised(part, HOT, f"s{number}")
        assert part.dropped == 2
        assert len(rig.told) == 1
        go_on.touch()
        await rig.until(lambda: part.is_idle, "all that waited")
    stations = [each["station"] for each in rig.told]
    assert stations == ["first", "s2", "s3", "s4", "s5"]
    (said,) = [each for each in messages() if "dropped" in each["message"]]
    assert said["station"] == "s0"


async def test_of_an_alarm_that_flaps_behind_a_slow_program_the_latest_waits(
    rig: AlarmRig,
) -> None:
    """Each of these is further than `apart` from the one before, and none is told."""
    go_on = rig.folder / "go-on"
    tell = rig.telling(f"while [ ! -e {go_on} ]; do sleep 0.02; done")
    async with rig.part(tell) as part:
        rig.reload(part, tell, stations=("hall", "tower"))
        part._turns.apart_ms = 0
        rig.raised(part, HOT, "tower")
        await rig.until(lambda: len(rig.told) == 1, "the first runs")
        for _ in range(3):
            rig.raised(part, HOT)
            rig.over(part, HOT)
        go_on.touch()
        await rig.until(lambda: part.is_idle, "the latest was told")
    found = [(each["station"], each["raised"], each["untold"]) for each in rig.told]
    assert found == [("tower", True, 0), ("hall", False, 5)]


async def test_the_loop_goes_on_while_one_floods(rig: AlarmRig, messages: Any) -> None:
    async with rig.part(rig.program("exec yes flood"), limit="1s") as part:
        rig.raised(part, HOT)
        turns = 0
        while not part.is_idle:
            await asyncio.sleep(0.01)
            turns += 1
    assert turns >= 30
    (said,) = messages()
    assert said["why"] == "it did not end within 1 s, and was ended"
    assert said["said"].startswith("flood\\nflood")


@pytest.mark.peer
async def test_the_loop_goes_on_while_the_disk_of_the_program_hangs(
    rig: AlarmRig, messages: Any
) -> None:
    """Whoever starts it in the loop's thread is held there: vfork(2)."""
    with hung_disk(rig.folder / "disk") as disk:
        async with rig.part(str(disk / "tell")) as part:
            rig.raised(part, HOT)
            for _ in range(20):
                await asyncio.sleep(0.01)
            assert not part.is_idle
    (said,) = messages()
    assert said["why"] == "signal 15"  # of our own stop


async def test_one_that_fails_is_said_once_and_that_it_works_again(
    rig: AlarmRig, messages: Any
) -> None:
    fails = rig.folder / "fails"
    fails.touch()
    tell = rig.telling(
        f"[ ! -e {fails} ] || {{ printf 'no\\033[31m line' >&2; exit 3; }}"
    )
    async with rig.part(tell) as part:
        for number in range(3):
            rig.raised(part, HOT, f"s{number}")
        await rig.until(lambda: part.is_idle, "three tries")
        fails.unlink()
        rig.raised(part, HOT, "s3")
        await rig.until(lambda: len(messages()) == 2, "it works again")
    failed, works = messages()
    assert (failed["why"], failed["said"], failed["count"]) == (
        "exit 3",
        "no\\x1b[31m line",
        1,
    )
    assert (works["message"], works["failed"]) == ("the alarm program works again", 3)


async def test_a_missing_program_is_said_once(rig: AlarmRig, messages: Any) -> None:
    async with rig.part(str(rig.folder / "not-there")) as part:
        for alarm in (HOT, COLD, Alarm.BELOW_FLOOR):
            rig.raised(part, alarm)
        await rig.until(lambda: part.is_idle, "all three were tried")
    (said,) = messages()
    assert said["why"] == "exit 127 (it was not found)"
    assert said["program"].endswith("not-there")


async def test_where_no_process_can_be_made_it_is_said_and_tried_again(
    rig: AlarmRig, messages: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_process(*_: Any, **__: Any) -> None:
        raise BlockingIOError(11, "Resource temporarily unavailable")  # fork(2), EAGAIN

    async with rig.part(rig.telling()) as part:
        with monkeypatch.context() as patch:
            patch.setattr(subprocess, "Popen", no_process)
            rig.raised(part, HOT)
            await rig.until(lambda: part.is_idle, "it was tried")
        rig.raised(part, COLD)
        await rig.until(lambda: len(messages()) == 2, "it works again")
    failed, _ = messages()
    assert failed["why"] == "it does not start: Resource temporarily unavailable"
    assert [each["alarm"] for each in rig.told] == ["battery_cold"]


async def test_a_reload_brings_another_program_and_takes_it_away(
    rig: AlarmRig, messages: Any
) -> None:
    async with rig.part(str(rig.folder / "not-there"), apart="1s") as part:
        rig.reload(part, rig.telling(), apart="1s")
        rig.raised(part, HOT)
        await rig.until(lambda: part.is_idle, "the new program")
        rig.over(part, HOT)  # waits for its time
        rig.reload(part)
        rig.raised(part, COLD)
        assert part.is_idle
        assert part._turns.next_ms() is None
        rig.reload(part, rig.telling())
        rig.raised(part, HOT)
        await rig.until(lambda: len(rig.told) == 2, "it is there again, and anew")
    assert [each["alarm"] for each in rig.told] == ["battery_hot", "battery_hot"]
    assert messages() == []


async def test_a_station_that_was_removed_is_told_of_no_more(rig: AlarmRig) -> None:
    go_on = rig.folder / "go-on"
    tell = rig.telling(f"while [ ! -e {go_on} ]; do sleep 0.02; done")
    async with rig.part(tell) as part:
        rig.raised(part, HOT, "tower")
        await rig.until(lambda: len(rig.told) == 1, "the first runs")
        rig.raised(part, COLD, "tower")
        rig.raised(part, HOT, "hall")
        rig.over(part, HOT, "tower")
        rig.reload(part, tell, stations=("hall",))
        assert part._turns.next_ms() is None
        go_on.touch()
        await rig.until(lambda: part.is_idle, "the others are told")
    assert [each["station"] for each in rig.told] == ["tower", "hall"]


async def test_no_child_is_left_at_the_stop(rig: AlarmRig, messages: Any) -> None:
    assert sum(STOP_WAITS_S) < END_LIMIT_S
    pids = rig.folder / "pids"
    tell = rig.program(
        f"trap '' TERM; sleep 1000 & echo $$ $! > {pids}.new; mv {pids}.new {pids}; "
        "while :; do wait; done"
    )
    async with rig.part(tell) as part:
        rig.raised(part, HOT)
        rig.raised(part, COLD)
        await rig.until(pids.exists, "it runs")
        await part.end()
        assert part.is_idle
    own, child = (int(pid) for pid in pids.read_text().split())
    assert not is_alive(own)
    await rig.until(lambda: not is_alive(child), "its child ended")
    untold, failed = messages()
    assert (untold["message"], untold["count"]) == ("the stop leaves alarms untold", 1)
    assert failed["why"] == "signal 9"


async def test_at_the_stop_one_that_is_nearly_done_may_end(rig: AlarmRig) -> None:
    done = rig.folder / "done"
    async with rig.part(rig.telling(f"sleep 0.1; touch {done}")) as part:
        rig.raised(part, HOT)
        await rig.until(lambda: len(rig.told) == 1, "it runs")
    assert done.exists()


async def test_an_end_that_waits_is_told_before_the_stop(
    rig: AlarmRig, messages: Any
) -> None:
    """The next run would not know that its beginning was told."""
    async with rig.part(rig.telling(), apart="24h") as part:
        rig.raised(part, HOT)
        rig.raised(part, COLD)
        await rig.until(lambda: part.is_idle, "both are told")
        rig.over(part, HOT)
        rig.over(part, COLD)
        rig.raised(part, COLD)
    told = [(each["alarm"], each["raised"]) for each in rig.told]
    assert sorted(told[:2]) == [("battery_cold", True), ("battery_hot", True)]
    assert told[2:] == [("battery_hot", False)]
    assert messages() == []


async def test_what_the_stop_leaves_no_time_for_is_counted(
    rig: AlarmRig, messages: Any
) -> None:
    async with rig.part(rig.telling("sleep 1000"), apart="24h") as part:
        rig.raised(part, HOT)
        await rig.until(lambda: len(rig.told) == 1, "it runs")
        rig.over(part, HOT)
    assert [each["raised"] for each in rig.told] == [True]
    said = messages()[0]
    assert (said["message"], said["count"]) == ("the stop leaves alarms untold", 1)


def test_the_settings_name_what_is_wrong() -> None:
    for table, words in (
        ({"run": []}, "allowed is at least 1 entries"),
        ({"run": "tell"}, "a list in [ ]"),
        ({"run": ["tell", 5]}, "alarm.run"),
        ({"run": ["te\0ll"]}, "alarm.run"),
        ({"run": ["tell"], "limit": "0s"}, 'allowed is "1s" to "10min"'),
        ({"run": ["tell"], "apart": 5}, 'a time in quotes from "1s" to "24h"'),
        ({"runs": ["tell"]}, 'did you mean "run"?'),
    ):
        with pytest.raises(SettingsError) as error:
            from_tables({"station": STATION, "alarm": table})
        assert words in str(error.value)


def test_what_is_off_is_not_imported() -> None:
    program = (
        "import sys\n"
        "from tidegate.service.parts import parts_of\n"
        "from tidegate.settings import from_tables\n"
        "station = {'lobby': {'gauge': {'kind': 'twin'}}}\n"
        "parts_of(from_tables({'station': station}))\n"
        "ours = ('alarm_part', 'alarm_turns', 'service.program')\n"
        "print([name for name in sys.modules if name.endswith(ours)])\n"
        "on = from_tables({'station': station, 'alarm': {'run': ['x']}})\n"
        "print([part.name for part in parts_of(on)].count('alarm program'))"
    )
    said = subprocess.run(
        [sys.executable, "-c", program],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    ).stdout
    assert said == "[]\n1\n"
