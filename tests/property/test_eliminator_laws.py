"""Laws of a sizing, whatever is asked: reasoned from Ohm's law and conservation."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from tidegate.cli.convert_parts import wire_of
from tidegate.eliminator.asked import Asked
from tidegate.eliminator.bank import Task, of_parts
from tidegate.eliminator.check import Outcome
from tidegate.eliminator.holdup import needed_f, step_v, voltage_v
from tidegate.eliminator.inrush import Inrush
from tidegate.eliminator.ladder import ladder
from tidegate.eliminator.regulator import Kind, Load, feed, longest_m
from tidegate.eliminator.series import E6, E12, E24, at_least
from tidegate.eliminator.sizing import sized
from tidegate.eliminator.source import SOURCES, plain
from tidegate.eliminator.wire import of_area, of_gauge

amounts = st.floats(min_value=0.01, max_value=5)
loads = st.one_of(
    st.builds(lambda a: Load(current_a=a), amounts),
    st.builds(lambda w: Load(power_w=w), amounts.map(lambda each: 4 * each)),
)
wires = st.one_of(
    st.integers(min_value=12, max_value=32).map(of_gauge),
    st.sampled_from((0.14, 0.25, 0.5, 0.75, 1.5)).map(of_area),
)
times = st.floats(min_value=1e-4, max_value=0.5)
resistances = st.floats(min_value=0, max_value=0.2)
drops = st.floats(min_value=0.05, max_value=1.5)
few = settings(max_examples=25, deadline=None)


@st.composite
def designs(draw: st.DrawFn) -> Asked:
    load = draw(loads)
    out_v = draw(st.floats(min_value=3.3, max_value=4.4))
    return Asked(
        load=load,
        peak=Load(power_w=load.w(out_v) * draw(st.floats(1, 4))),
        out_v=out_v,
        for_s=draw(times),
        source=draw(st.sampled_from((*SOURCES.values(), plain(5, 3), plain(12, 2)))),
        wire=draw(wires),
        length_m=draw(st.floats(min_value=0.05, max_value=10)),
        kind=draw(st.sampled_from(Kind)),
        drop_v=draw(drops),
        esr_ohm=draw(resistances),
        blocking=draw(st.sampled_from(("none", "diode", "ideal"))),
        is_port_fed=draw(st.sampled_from((None, True, False))),
        thermal_k_per_w=draw(st.sampled_from((None, 5.0, 60.0))),
        precharge_ohm=draw(st.sampled_from((None, 0.0, 2.2))),
    )


@given(asked=designs(), more_m=st.floats(min_value=0.01, max_value=5))
@few
def test_more_length_never_takes_less(asked, more_m):
    longer = replace(asked, length_m=asked.length_m + more_m)
    found = feed(asked.way, asked.regulator, asked.load, asked.source.low_v)
    after = feed(longer.way, asked.regulator, asked.load, asked.source.low_v)
    if found is None:
        assert after is None
    elif after is not None:
        assert after.far_v < found.far_v
        assert after.current_a >= found.current_a * (1 - 1e-9)


@given(asked=designs())
@few
def test_voltages_only_fall_on_the_way(asked):
    found = feed(asked.way, asked.regulator, asked.load, asked.source.low_v)
    assume(found is not None)
    assert found.source_v >= found.after_cable_v >= found.far_v >= found.in_v
    # Kirchhoff: the drops add up to what is missing.
    ohm = found.cable_ohm + found.contacts_ohm
    lost_v = found.current_a * ohm + asked.way.blocking_v
    assert found.source_v - found.in_v == pytest.approx(lost_v)
    # What arrives is what the regulator takes.
    takes_a = asked.regulator.input_a(asked.load, found.in_v)
    assert found.current_a == pytest.approx(takes_a, rel=1e-6)


@given(asked=designs(), more_c=st.floats(min_value=1, max_value=60))
@few
def test_warmer_copper_never_reaches_further(asked, more_c):
    cool, warm = (
        longest_m(
            replace(asked, copper_c=celsius).way,
            asked.regulator,
            asked.load,
            asked.source.low_v,
        )
        for celsius in (20.0, 20.0 + more_c)
    )
    assert warm <= cool


@given(load=loads, for_s=times, ohm=resistances, drop_v=drops)
@few
def test_capacitance_grows_with_time_load_and_resistance(load, for_s, ohm, drop_v):
    def needed(load=load, for_s=for_s, ohm=ohm, drop_v=drop_v):
        return needed_f(load, from_v=3.85, drop_v=drop_v, for_s=for_s, esr_ohm=ohm)

    found = needed()
    assume(found is not None)
    assert needed(for_s=2 * for_s) == pytest.approx(2 * found)
    for more in (needed(ohm=ohm + 0.01), needed(load=_times(load, 1.1))):
        assert more is None or more > found
    assert needed(drop_v=drop_v * 1.1) <= found * (1 + 1e-9)


@given(load=loads, for_s=times, ohm=resistances, drop_v=drops)
@few
def test_what_is_needed_leaves_exactly_the_drop(load, for_s, ohm, drop_v):
    farad = needed_f(load, from_v=3.85, drop_v=drop_v, for_s=for_s, esr_ohm=ohm)
    assume(farad is not None)
    slack = 1 + 1e-6
    end_v = voltage_v(load, from_v=3.85, farad=farad * slack, esr_ohm=ohm, at_s=for_s)
    assert end_v is not None
    assert end_v >= 3.85 - drop_v - 1e-6
    begins = step_v(load, from_v=3.85, esr_ohm=ohm)
    assert begins is not None
    first_v = voltage_v(load, from_v=3.85, farad=farad, esr_ohm=ohm, at_s=0)
    assert first_v == pytest.approx(3.85 - begins, abs=1e-6)


@given(value=st.floats(min_value=1e-9, max_value=1e6))
@few
def test_a_value_as_made_is_the_next_one_up(value):
    found = [at_least(value, series) for series in (E24, E12, E6)]
    assert found == sorted(found)
    for each, ratio in zip(found, (1.16, 1.26, 1.58), strict=True):
        # No step of a series is wider than that.
        assert value * (1 - 1e-9) <= each <= value * ratio


@given(
    load=loads,
    for_s=times,
    drop_v=drops,
    parts=st.integers(min_value=1, max_value=20),
)
@few
def test_a_chosen_bank_does_its_task_when_old(load, for_s, drop_v, parts):
    task = Task(
        load=load,
        from_v=3.85,
        drop_v=drop_v,
        for_s=for_s,
        part_esr_ohm=0.05,
        tolerance=0.2,
        ageing=0.3,
    )
    bank = of_parts(task, parts)
    assume(bank is not None)
    needed = task.needed_f(parts)
    assert bank.least_f >= needed * (1 - 1e-9)
    end_v = voltage_v(
        load, from_v=3.85, farad=bank.least_f, esr_ohm=bank.esr_ohm, at_s=for_s
    )
    assert end_v is None or end_v >= 3.85 - drop_v - 1e-6


@given(volt=st.floats(1, 20), farad=st.floats(1e-6, 1), ohm=st.floats(0.01, 100))
@few
def test_the_resistor_takes_as_much_as_the_bank(volt, farad, ohm):
    start = Inrush(volt=volt, farad=farad, ohm=ohm)
    assert start.i2t_a2s * ohm == pytest.approx(start.energy_j)
    assert start.charge_c * volt / 2 == pytest.approx(start.energy_j)


@given(asked=designs())
@settings(max_examples=30, deadline=None)
def test_every_design_is_answered(asked):
    """Whatever is asked: outcome, margin and limit agree, what fails says its mend."""
    made = sized(asked)
    for each in made.checks:
        if each.outcome is Outcome.FAILS:
            assert each.mend, each.code
        if each.margin is not None and each.outcome is not Outcome.UNKNOWN:
            is_inside = each.margin >= -1e-6
            assert is_inside is each.passes or abs(each.margin) < 1e-6, each.code
        assert each.said()
    assert made.passes is not bool(made.failed or made.untold)
    for step in ladder(made):
        assert step.low_v <= step.high_v + 1e-9


@given(asked=designs())
@settings(max_examples=30, deadline=None)
def test_what_is_named_to_mend_a_check_mends_it(asked):
    """As it is written, three digits and all."""
    for each in sized(asked).failed:
        for said in each.mend:
            for changed in _changes(said):
                again = {c.code: c for c in sized(replace(asked, **changed)).checks}
                # Another source may have no such limit.
                if each.code in again:
                    assert again[each.code].passes, (said, each.formula)


def _changes(said: str) -> list[dict[str, object]]:
    """Return what a text names: one change, or several to choose from."""
    if ", and " in said:
        return []
    if found := re.fullmatch(r"another source: (.+)", said):
        return [{"source": SOURCES[name]} for name in found[1].split(" or ")]
    for pattern, change in _NAMED.items():
        if found := re.search(pattern, said):
            return [change(found[1])]
    return []


def _supply(text: str) -> dict[str, object]:
    volt, ampere = re.fullmatch(r"([\d.]+)V/([\d.]+)A", text).groups()
    return {"source": plain(float(volt), float(ampere))}


_NAMED = {
    r"^thicker cable: (.+)$": lambda text: {"wire": wire_of(text)},
    r"^shorter cable: (.+) m$": lambda text: {"length_m": float(text)},
    r"--source (\S+)$": _supply,
    r"--regulator (\S+)$": lambda text: {"kind": Kind(text)},
    r"--blocking (ideal)": lambda text: {"blocking": text},
    r"--out (\S+)V$": lambda text: {"out_v": float(text)},
    r"--allowed-drop (\S+)V$": lambda text: {"drop_v": float(text)},
    r"--precharge (auto)$": lambda _: {"precharge_ohm": None},
    r"^leave .* --port (unfed)$": lambda _: {"is_port_fed": False},
    r"--sink (\S+)mA": lambda text: {"sink_a": float(text) / 1000},
}


def _times(load: Load, factor: float) -> Load:
    if load.current_a is not None:
        return Load(current_a=load.current_a * factor)
    assert load.power_w is not None
    return Load(power_w=load.power_w * factor)
