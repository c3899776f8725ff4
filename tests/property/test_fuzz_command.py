"""Whatever a program prints, it is a reading that can be logged, or malformed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import strategies as st

from property.test_fuzz_gauges import is_plausible
from support.fuzz import JSON, depths, hold, is_told, spoiled_text
from support.shell_rig import ON, Mood, Rig, lives
from tidegate.core.reading import Sample
from tidegate.errors import Malformed
from tidegate.station.form import formed
from tidegate_backends.gauges import command

OUTPUTS = [
    '{"soc_percent": 61.5}',
    json.dumps(
        {
            "soc_percent": 61.5,
            "battery_status": "discharging",
            "external_power": "no",
            "present": True,
            "voltage_v": 3.81,
            "current_a": -0.5,
            "current_sign_trusted": True,
            "temperature_c": 25.4,
            "temperature_sensor": "battery",
            "charge_ah": 4.1,
            "full_charge_ah": 6.5,
            "design_charge_ah": 7.0,
            "cycle_count": 300,
            "health": "Good",
            "pack": "maker/model",
            "uptime_s": 86_400,
            "flags": ["coarse"],
            "trusted": False,
            "why_not": "slow",
            "raw": None,
        }
    ),
]
KNOWN = [
    # To Python infinite, and finite so far as nobody reckons with it.
    '{"soc_percent": 1e400}',
    '{"soc_percent": 1e308}',
    '{"soc_percent": -1e307}',
    '{"soc_percent": 61, "uptime_s": 1%s}' % ("0" * 4_000),
    '{"soc_percent": 61, "cycle_count": -1%s}' % ("0" * 30),
    '{"soc_percent": NaN}',
    '{"soc_percent": 61, "health": "\\ud800\\u0000"}',
]


def output_law(text: str) -> None:
    try:
        sample = command.parse(text, target="hall")
    except Malformed as error:
        is_told(error)
        return
    is_plausible(sample)
    assert len(sample.raw) <= 4_096


@depths(25)
def test_any_output_is_a_reading_or_malformed(examples: int) -> None:
    keys = st.sampled_from([*json.loads(OUTPUTS[1]), "x", "\ud800"])
    written = st.dictionaries(keys, JSON, max_size=4).map(
        lambda said: json.dumps({"soc_percent": 50} | said)
    )
    hold(output_law, spoiled_text(OUTPUTS) | written, examples=examples, known=KNOWN)


@pytest.mark.slow
def test_what_can_just_be_parsed_need_not_be_written() -> None:
    """Somewhere below Python's limit an output was read and could not be shown."""
    for deep in range(850, 1_000):
        output_law('{"soc_percent": %s}' % ("[" * deep + "]" * deep))


HUGE: list[float] = [1e16, 1e306, 1e308, -1e308, 10**400, -(10**400)]


@pytest.mark.parametrize("name", ["soc_percent", "voltage_v", "took_s", "uptime_s"])
def test_a_number_beyond_all_bounds_has_no_form(name: str) -> None:
    for number in HUGE:
        with pytest.raises(TypeError, match=f"{name} is"):
            formed(Sample(**{name: number}))
    formed(Sample(soc_percent=1e12, uptime_s=10**12))


@pytest.mark.slow
@pytest.mark.parametrize("number", HUGE, ids=range(len(HUGE)))
def test_a_gauge_of_huge_numbers_ends_no_daemon(number: float, tmp_path: Path) -> None:
    """One answer of 1e308 % ended the daemon, and with it all stations."""
    rig = Rig(tmp_path)

    async def living() -> None:
        async with rig.living():
            await rig.live(200)
            await rig.settled_off()
            mood = Mood(answer=Sample(soc_percent=number))
            rig.gauges["lobby"].order("read", mood)
            await rig.until(lambda: rig.now("lobby").contact is ON, 800, "on")

    lives(rig, living)


def test_a_gauge_that_believes_any_number_is_caught(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(command._QUANTITIES, "soc_percent", lambda value: value)
    with pytest.raises((AssertionError, TypeError)):
        output_law('{"soc_percent": "61"}')
