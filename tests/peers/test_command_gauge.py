"""The command gauge with real programs: they answer, fail, flood, hang, leave children."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import sys
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from support.host import TestHost
from tidegate.core.reading import BatteryStatus, ExternalPower, Flag, Sample, WhyNot
from tidegate.errors import Malformed, Refused, Unavailable
from tidegate_backends.gauges.command import CommandGauge, CommandSettings, parse

WHOLE: dict[str, Any] = {
    "soc_percent": 61.5,
    "battery_status": "discharging",
    "external_power": "no",
    "present": True,
    "voltage_v": 3.9,
    "current_a": -0.35,
    "current_sign_trusted": True,
    "temperature_c": 24.5,
    "temperature_sensor": "skin",
    "charge_ah": 4.3,
    "full_charge_ah": 7.0,
    "design_charge_ah": 7.2,
    "cycle_count": 12,
    "health": "Good",
    "pack": "serial 7",
    "uptime_s": 3600,
    "flags": ["coarse"],
}


async def run(*command: str, **settings: Any) -> Sample:
    gauge = CommandGauge(CommandSettings(run=command, **settings), TestHost())
    async with gauge:
        return await gauge.read()


async def run_python(source: str, **settings: Any) -> Sample:
    return await run(sys.executable, "-S", "-c", source, **settings)


async def test_a_programs_object_is_a_sample() -> None:
    sample = await run("/bin/echo", json.dumps(WHOLE))
    assert sample.soc_percent == 61.5
    assert sample.battery_status is BatteryStatus.DISCHARGING
    assert sample.external_power is ExternalPower.NO
    assert (sample.voltage_v, sample.current_a, sample.temperature_c) == (
        3.9,
        -0.35,
        24.5,
    )
    assert (sample.charge_ah, sample.full_charge_ah) == (4.3, 7.0)
    assert (sample.design_charge_ah, sample.cycle_count) == (7.2, 12)
    assert (sample.health, sample.pack, sample.uptime_s) == ("Good", "serial 7", 3600)
    assert (sample.current_sign_trusted, sample.temperature_sensor) == (True, "skin")
    assert sample.flags == {Flag.COARSE}
    assert sample.claims is None
    assert json.loads(sample.raw) == WHOLE


async def test_arguments_reach_the_program_without_a_shell() -> None:
    sample = await run("/bin/echo", '{"soc_percent": 5, "health": "$HOME; `id` *"}')
    assert sample.health == "$HOME; `id` *"


async def test_a_gauge_that_is_not_open_says_so() -> None:
    gauge = CommandGauge(CommandSettings(run=("/bin/echo", "{}")), TestHost())
    with pytest.raises(Unavailable, match="not open"):
        await gauge.read()


def test_facts_are_what_the_settings_say() -> None:
    plain = CommandGauge(CommandSettings(run=("true",)), TestHost()).facts
    assert (plain.needs_supply, plain.host_is_device) == (False, True)
    other = CommandSettings(run=("true",), needs_supply=True, host_is_device=False)
    facts = CommandGauge(other, TestHost()).facts
    assert (facts.needs_supply, facts.host_is_device) == (True, False)
    assert facts.gives == WHOLE.keys() - {"flags"}


def test_absent_is_null_and_the_rest_of_read_json_is_understood() -> None:
    answer = dict.fromkeys(WHOLE, None) | {
        "soc_percent": 50,
        "station": "hall-2",
        "gauge": "sysfs",
        "taken_at": "2026-11-24T10:00:00Z",
        "trusted": True,
        "why_not": None,
        "took_s": 0.02,
        "raw": "[BAT0]",
    }
    sample = parse(json.dumps(answer), target="t")
    assert sample == Sample(soc_percent=50.0, raw=sample.raw)


def test_the_programs_own_verdict_stays() -> None:
    answer = {"soc_percent": 50, "trusted": False, "why_not": "updates_stopped"}
    assert parse(json.dumps(answer), target="t").claims is WhyNot.UPDATES_STOPPED


def test_a_battery_that_is_not_there_needs_no_charge() -> None:
    sample = parse('{"present": false}', target="t")
    assert (sample.present, sample.soc_percent) == (False, None)


@pytest.mark.parametrize(
    ("output", "says"),
    [
        ("", "is not JSON"),
        ("61 %", "is not JSON"),
        ("[61]", "not a JSON object"),
        ("61", "not a JSON object"),
        ("[" * 100_000, "is not JSON"),
        ('{"soc_percent": NaN}', "NaN is not a number"),
        ('{"soc_percent": 1e999, "soc": 1}', "nearest known is soc_percent"),
        ('{"temperature": 20, "soc_percent": 5}', "nearest known is temperature_c"),
        ('{"voltage_v": 3.9}', "soc_percent is missing"),
        ("{}", "soc_percent is missing"),
        ('{"soc_percent": "61"}', 'a number is wanted, found "61"'),
        ('{"soc_percent": true}', "a number is wanted, found true"),
        ('{"soc_percent": 1' + "0" * 400 + "}", "a number is wanted"),
        ('{"soc_percent": 5, "present": 1}', "true or false is wanted, found 1"),
        ('{"soc_percent": 5, "cycle_count": 1.5}', "a whole number is wanted"),
        ('{"soc_percent": 5, "battery_status": "Charging"}', "one of charging, "),
        ('{"soc_percent": 5, "health": 3}', "a text is wanted, found 3"),
        ('{"soc_percent": 5, "flags": "coarse"}', "a list of flags is wanted"),
        ('{"soc_percent": 5, "flags": ["rough"]}', "one of over_full, "),
        ('{"soc_percent": 5, "trusted": false}', "why_not does not say why"),
        ('{"soc_percent": 5, "why_not": "no idea"}', "one of not_present, "),
    ],
)
def test_an_answer_that_is_not_wanted_is_malformed(output: str, says: str) -> None:
    with pytest.raises(Malformed) as refusal:
        parse(output, target="command gauge")
    assert says in str(refusal.value)
    assert refusal.value.target == "command gauge"


async def test_a_failing_program_is_quoted_with_its_first_line() -> None:
    source = "import sys; print('no\\nsecond', file=sys.stderr); sys.exit(3)"
    with pytest.raises(Unavailable) as refusal:
        await run_python(source)
    assert "exit code 3: no." in str(refusal.value)
    assert "second" not in str(refusal.value)


async def test_a_good_answer_with_a_bad_exit_code_is_not_believed() -> None:
    with pytest.raises(Unavailable, match="exit code 1"):
        await run_python("""print('{"soc_percent": 5}'); raise SystemExit(1)""")


async def test_a_program_ended_by_a_signal_says_so() -> None:
    with pytest.raises(Unavailable, match="ended by signal 9"):
        await run_python("import os; os.kill(os.getpid(), 9)")


async def test_a_program_that_is_not_there() -> None:
    with pytest.raises(Unavailable, match="cannot be started"):
        await run("/nonexistent/program")


async def test_a_program_that_may_not_be_run(tmp_path: Path) -> None:
    plain = tmp_path / "plain"
    plain.write_text("{}")
    with pytest.raises(Refused, match="not permitted"):
        await run(str(plain))


async def test_a_flood_of_output_ends_at_its_cap() -> None:
    source = "import os\nwhile True: os.write(1, b' ' * 65536)"
    async with asyncio.timeout(5):
        with pytest.raises(Malformed, match="more than 64 KiB"):
            await run_python(source)


async def test_a_flood_of_complaints_blocks_nobody() -> None:
    source = """import os; os.write(2, b'x' * 1000000); print('{"soc_percent": 5}')"""
    assert (await run_python(source)).soc_percent == 5.0


async def test_64_kib_is_still_an_answer() -> None:
    text = json.dumps({"soc_percent": 5})
    source = f"print({text!r}.ljust(65535))"
    assert (await run_python(source)).soc_percent == 5.0


def _ends(pid: int) -> int:
    """Return a descriptor that becomes readable when this process has ended."""
    return os.pidfd_open(pid)


async def _ended(pidfd: int) -> None:
    loop = asyncio.get_running_loop()
    over = asyncio.Event()
    loop.add_reader(pidfd, over.set)
    try:
        async with asyncio.timeout(5):
            await over.wait()
    finally:
        loop.remove_reader(pidfd)
        os.close(pidfd)


# A child of the program that outlives it, unless the whole group is killed. It tells
# its number through a FIFO, so that the test knows when it is there.
HANGING = """
import os, signal, sys
if os.fork() == 0:
    with open(sys.argv[1], "w") as told:
        told.write(str(os.getpid()))
signal.pause()
"""


async def _grandchild(fifo: Path) -> int:
    """Wait for the number that a grandchild writes."""
    text = await asyncio.to_thread(fifo.read_text)
    return _ends(int(text))


async def test_a_hanging_program_is_killed_with_its_children(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "told")
    reading = asyncio.ensure_future(
        run(sys.executable, "-S", "-c", HANGING, str(tmp_path / "told"), limit="1s")
    )
    grandchild = await _grandchild(tmp_path / "told")
    with pytest.raises(Unavailable, match="no answer within 1 s"):
        await reading
    await _ended(grandchild)


# A child that left the group cannot be killed with it; it must not keep us either.
ESCAPED = HANGING.replace("    with open", "    os.setsid()\n    with open")


async def test_a_child_that_escaped_does_not_hold_the_reading(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "told")
    reading = asyncio.ensure_future(
        run(sys.executable, "-S", "-c", ESCAPED, str(tmp_path / "told"), limit="1s")
    )
    escaped = int(await asyncio.to_thread((tmp_path / "told").read_text))
    try:
        async with asyncio.timeout(5):
            with pytest.raises(Unavailable, match="no answer within 1 s"):
                await reading
    finally:
        pidfd = _ends(escaped)
        os.kill(escaped, signal.SIGKILL)
        await _ended(pidfd)


async def test_a_cancelled_reading_leaves_nobody_behind(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "told")
    reading = asyncio.ensure_future(
        run(sys.executable, "-S", "-c", HANGING, str(tmp_path / "told"))
    )
    grandchild = await _grandchild(tmp_path / "told")
    reading.cancel()
    with pytest.raises(asyncio.CancelledError):
        await reading
    await _ended(grandchild)


class SteppingHost(TestHost):
    """A host whose boot clock shows these times, one after another."""

    def __init__(self, *times_ms: int) -> None:
        super().__init__()
        self._times_ms = list(times_ms)

    def boot_ms(self) -> int:
        return self._times_ms.pop(0)


async def test_it_says_how_long_the_program_took() -> None:
    settings = CommandSettings(run=("/bin/echo", '{"soc_percent": 5}'))
    async with CommandGauge(settings, SteppingHost(1_000, 8_500)) as gauge:
        sample = await gauge.read()
    assert sample.took_s == 7.5


@pytest.mark.parametrize(
    "settings",
    [
        {},
        {"run": []},
        {"run": "battery --json"},
        {"run": [""]},
        {"run": ["x"], "limit": 10},
        {"run": ["x"], "limit": "10"},
        {"run": ["x"], "limit": "0s"},
        {"run": ["x"], "limit": "61s"},
        {"run": ["x"], "limits": "10s"},
    ],
)
def test_settings_that_cannot_be(settings: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        CommandSettings(**settings)


def test_a_limit_is_written_as_a_time() -> None:
    assert CommandSettings(run=("x",), limit="1min").limit == 60.0
    assert CommandSettings(run=("x",)).model_dump(mode="json")["limit"] == "10s"
