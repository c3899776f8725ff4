"""Laws of the twin: against scipy, against its own halves, against plain counting."""

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from tidegate.twin.cell import Cell, State
from tidegate.twin.charger import Charger, Offer
from tidegate.twin.device import Build, Device
from tidegate.twin.heat import Heat
from tidegate.twin.profile import Profile
from tidegate.twin.truth import Diary, Truth
from tidegate.twin.world import Event, What, World

CELL = Cell(capacity_ah=4.0, r0_ohm=0.06, r1_ohm=0.04, c1_f=750.0)
socs = st.floats(0.25, 0.75)
rc_volts = st.floats(-0.1, 0.1)
currents = st.floats(-2.0, 2.0)
spans_s = st.floats(0.1, 3600.0)


def integrate(soc, rc_v, current_of, for_s):
    """Integrate the circuit: charge, RC pair, heat, energy at the terminals."""

    def slope(_, y):
        current = current_of(y[0], y[1])
        volts = CELL.curve.volts(y[0]) + y[1] + current * CELL.r0_ohm
        heat = current**2 * CELL.r0_ohm + y[1] ** 2 / CELL.r1_ohm
        return (
            current / (3600 * CELL.capacity_ah),
            current / CELL.c1_f - y[1] / (CELL.r1_ohm * CELL.c1_f),
            heat,
            volts * current,
        )

    return solve_ivp(
        slope, (0, for_s), (soc, rc_v, 0, 0), rtol=1e-9, atol=1e-12, max_step=20
    ).y[:, -1]


@settings(max_examples=15, deadline=None)
@given(soc=socs, rc_v=rc_volts, current_a=currents, for_s=spans_s)
def test_a_constant_current_is_what_scipy_integrates(soc, rc_v, current_a, for_s):
    for_s = min(for_s, 900.0)
    start = State(soc, rc_v)
    after = CELL.carried(start, current_a, for_s)
    y = integrate(soc, rc_v, lambda *_: current_a, for_s)
    assert after.soc == pytest.approx(y[0], abs=1e-8)
    assert after.rc_v == pytest.approx(y[1], abs=1e-8)
    heat_j = CELL.heat_j(start, current_a, for_s)
    assert heat_j == pytest.approx(y[2], abs=1e-5)
    # Energy: what went in at the terminals was stored or became heat.
    stored_j = CELL.stored_j(after) - CELL.stored_j(start)
    assert stored_j + heat_j == pytest.approx(y[3], abs=1e-3)


@settings(max_examples=15, deadline=None)
@given(soc=st.floats(0.7, 0.95), over_v=st.floats(0.01, 0.2), for_s=spans_s)
def test_a_constant_voltage_is_what_scipy_integrates(soc, over_v, for_s):
    volts = CELL.curve.volts(soc) + over_v

    def current_of(now_soc, rc_v):
        return CELL.holding_current_a(State(now_soc, rc_v), volts)

    after = CELL.held(State(soc), volts, for_s)
    y = integrate(soc, 0.0, current_of, for_s)
    assert after.soc == pytest.approx(y[0], abs=1e-6)
    assert after.rc_v == pytest.approx(y[1], abs=1e-6)


@given(socs, rc_volts, currents, spans_s, st.floats(0, 1))
def test_two_steps_are_one_step(soc, rc_v, current_a, for_s, share):
    start = State(soc, rc_v)
    middle = CELL.carried(start, current_a, for_s * share)
    whole = CELL.carried(start, current_a, for_s)
    assert CELL.carried(middle, current_a, for_s * (1 - share)) == pytest.approx(whole)
    volts = CELL.curve.volts(soc) + 0.3
    middle = CELL.held(State(soc), volts, for_s * share)
    whole = CELL.held(State(soc), volts, for_s)
    halves = CELL.held(middle, volts, for_s * (1 - share))
    assert halves == pytest.approx(whole, abs=1e-9)


@given(
    soc=socs,
    offer=st.builds(Offer, st.floats(0.05, 3.0), st.floats(3.96, 4.2)),
)
def test_a_charge_never_breaks_its_promises(soc, offer):
    charger, state, left_s = Charger(end_a=0.05), State(soc), 7200.0
    energy_in_j = heat_j = 0.0
    while left_s > 0:
        stretch = charger.charge(CELL, state, offer, min(left_s, 60.0))
        assert stretch.took_s > 0 or stretch.ended
        middle = (stretch.state.soc - state.soc) * 3600 * CELL.capacity_ah
        assert middle >= 0
        assert middle <= offer.current_a * stretch.took_s * (1 + 1e-9) + 1e-9
        energy_in_j += middle * offer.voltage_v
        heat_j += stretch.heat_j
        assert stretch.heat_j >= -1e-6
        state, left_s = stretch.state, left_s - stretch.took_s
        if stretch.ended:
            break
    assert CELL.voltage_v(state, 0.0) <= offer.voltage_v + 1e-6
    # Nothing is stored that did not come in at a voltage under the limit.
    stored_j = CELL.stored_j(state) - CELL.stored_j(State(soc))
    assert stored_j + heat_j <= energy_in_j + 1e-3


@given(
    st.floats(-20, 60), st.floats(-20, 60), st.floats(0, 5), spans_s, st.floats(0, 1)
)
def test_heat_in_two_steps_is_heat_in_one(start_c, around_c, power_w, for_s, share):
    heat = Heat()
    middle_c = heat.after(start_c, around_c, power_w, for_s * share)
    whole_c = heat.after(start_c, around_c, power_w, for_s)
    again_c = heat.after(middle_c, around_c, power_w, for_s * (1 - share))
    assert again_c == pytest.approx(whole_c, abs=1e-9)


HOURS = st.integers(0, 12 * 3600_000)


@settings(max_examples=25, deadline=None)
@given(
    looks=st.lists(HOURS, max_size=12),
    switches=st.lists(HOURS, max_size=6, unique=True),
    outage=st.tuples(HOURS, st.integers(1, 4 * 3600_000)),
    load_a=st.floats(0.1, 1.5),
)
def test_looking_does_not_change_what_happens(looks, switches, outage, load_a):
    def device():
        event = Event(what=What.MAINS_OUT, from_wall_ms=outage[0], for_ms=outage[1])
        parts = Build(
            cell=Cell(capacity_ah=7.0),
            charger=Charger(charge_a=1.5, supply_a=2.0),
            load_a=Profile((load_a,)),
        )
        made = Device(parts, World(events=(event,)))
        made.contact.wire("normally-closed")
        return made

    watched, lone = device(), device()
    diary = Diary()
    watched.observe(diary)
    moments = [(at_ms, "look") for at_ms in looks] + [
        (at_ms, "switch") for at_ms in switches
    ]
    for at_ms, what in sorted(moments):
        watched.advance_to(at_ms)
        if what == "switch":
            for each in (watched, lone):
                each.drive(driven=not each.contact.driven, boot_ms=at_ms)
    for each in (watched, lone):
        each.advance_to(13 * 3600_000)
    # The charger looks at the temperature once a step, no more: hence not exactly.
    assert watched.true_soc_percent == pytest.approx(lone.true_soc_percent, abs=1e-3)
    assert watched.temperature_c == pytest.approx(lone.temperature_c, abs=0.05)
    assert (watched.boots, watched.alive) == (lone.boots, lone.alive)
    for before, after in pairwise(diary.records):
        gone_ah = (after.soc_percent - before.soc_percent) / 100 * 7.0
        hours = (after.at_ms - before.at_ms) / 3600_000
        # Charge is conserved: never more in than the charger or out than the load.
        most = 1.5 if before.external_power else 0.0
        assert -load_a * hours - 1e-9 <= gone_ah <= most * hours + 1e-9
        if not before.external_power and after.soc_percent > 0:
            assert gone_ah == pytest.approx(-load_a * hours, abs=1e-9)


courses = st.lists(
    st.tuples(st.integers(1, 40), st.integers(40, 80), st.booleans()),
    min_size=2,
    max_size=8,
)


@settings(max_examples=50)
@given(courses, st.tuples(st.integers(0, 100), st.integers(1, 100)))
def test_the_share_in_the_window_is_what_counting_finds(course, span):
    records, at_s = [], 0
    for for_s, soc, mains in course:
        moment = Truth(at_s * 1000, soc, 25.0, mains, closed=True, alive=True)
        records.append(moment)
        at_s += for_s
    excluded = (span[0] * 1000, (span[0] + span[1]) * 1000)
    kept = Diary(records).kept(low_percent=55, high_percent=65, excluded=[excluded])
    entered = next((r.at_ms for r in records if 54 <= r.soc_percent <= 66), None)
    counted = inside = 0
    for before, after in pairwise(records):
        length_ms = after.at_ms - before.at_ms
        for step_ms in range(5, length_ms, 10):
            now_ms = before.at_ms + step_ms
            if entered is None or now_ms < entered or not before.mains:
                continue
            if excluded[0] <= now_ms < excluded[1]:
                continue
            rise = after.soc_percent - before.soc_percent
            soc = before.soc_percent + rise * step_ms / length_ms
            counted += 1
            inside += 54 <= soc <= 66
    assert kept.counted_s == pytest.approx(counted / 100, abs=1e-9)
    assert kept.inside_s == pytest.approx(inside / 100, abs=0.2)
