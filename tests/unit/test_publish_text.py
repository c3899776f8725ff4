"""The text of the metrics: two formats, names, units, escapes, and what is left out.

Sources: OpenMetrics 1.0, read by the parser of prometheus-client 0.26; Prometheus text
format 0.0.4, read by its other parser.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Any

import pytest
from prometheus_client import Metric
from prometheus_client.openmetrics.parser import (
    text_string_to_metric_families as openmetrics,
)
from prometheus_client.parser import text_string_to_metric_families as classic

from tidegate.core.effects import Reason
from tidegate.core.policy import Marks, Policy, Proof
from tidegate.core.reading import BatteryStatus, ExternalPower, Supply
from tidegate.core.state import Drive, Quiet, Seen, State
from tidegate.publish.figures import Figures, Latest, View
from tidegate.publish.openmetrics import CLASSIC, OPENMETRICS, text

SEEN = Seen(
    at_ms=100_000,
    soc_percent=61.0,
    status=BatteryStatus.CHARGING,
    power=ExternalPower.YES,
    voltage_v=3.9,
    current_a=0.5,
    temperature_c=25.1,
    charge_ah=None,
)
POLICY = Policy(marks=Marks(low_percent=55.0, high_percent=65.0))


def view(**changes: Any) -> View:
    state = State(
        policy=POLICY,
        quiet=Quiet(now_ms=100_000, seen=SEEN),
        drive=Drive(commanded=Supply.ON),
        reason=Reason.IN_WINDOW,
    )
    figures = Figures(
        switchings=Counter({("off", "at_high_mark"): 2}),
        relay_errors=Counter({("hid", "unavailable"): 1}),
        gauge_errors=Counter({("sysfs", "jump"): 3}),
        charged_c=10.0,
        discharged_c=5.0,
        soc_moved_percent=30.0,
        dropped={"textfile": 0},
    )
    whole = View(
        station="lobby",
        gauge="sysfs",
        relay="hid",
        state=state,
        latest=Latest(wall_ms=1_700_000_000_500, current_a=0.5),
        is_fresh=True,
        alarms_since={},
        figures=figures,
        boot_ms=101_000,
        wall_ms=1_700_000_001_500,
    )
    return replace(whole, **changes)


def families(*views: View) -> dict[str, Metric]:
    return {each.name: each for each in openmetrics(text(views, OPENMETRICS))}


def samples(found: Metric) -> dict[tuple[str, ...], float]:
    return {
        tuple(v for k, v in each.labels.items() if k != "station"): each.value
        for each in found.samples
    }


# Name of the family, its type and its unit; the sixteen that are promised and a count.
NAMES = [
    ("tidegate_build", "info", ""),
    ("tidegate_battery_charge_ratio", "gauge", "ratio"),
    ("tidegate_battery_voltage_volts", "gauge", "volts"),
    ("tidegate_battery_current_amperes", "gauge", "amperes"),
    ("tidegate_battery_temperature_celsius", "gauge", "celsius"),
    ("tidegate_last_reading_timestamp_seconds", "gauge", "seconds"),
    ("tidegate_window_bound_ratio", "gauge", "ratio"),
    ("tidegate_supply_on", "gauge", ""),
    ("tidegate_switchings", "counter", ""),
    ("tidegate_out_of_window_seconds", "counter", "seconds"),
    ("tidegate_backend_errors", "counter", ""),
    ("tidegate_backend_switch_seconds", "histogram", "seconds"),
    ("tidegate_gauge_errors", "counter", ""),
    ("tidegate_charge_moved_coulombs", "counter", "coulombs"),
    ("tidegate_equivalent_full_cycles", "counter", ""),
    ("tidegate_safe_state_active", "gauge", ""),
    ("tidegate_publish_dropped", "counter", ""),
]


def test_names_types_and_units() -> None:
    found = families(view())
    assert [(f.name, f.type, f.unit) for f in found.values()] == NAMES
    assert all(each.documentation and each.samples for each in found.values())


def test_every_series_carries_the_station() -> None:
    found = families(view(), view(station="tower"))
    for family in found.values():
        assert {each.labels["station"] for each in family.samples} == {"lobby", "tower"}


def test_the_classic_text_has_its_types_too() -> None:
    whole = text((view(),), CLASSIC)
    found = {each.name: each.type for each in classic(whole)}
    # Its parser takes the end off a counter's name; without a type it would not.
    kinds = {name: "gauge" if kind == "info" else kind for name, kind, _ in NAMES}
    kinds["tidegate_build_info"] = kinds.pop("tidegate_build")
    assert found == kinds
    assert "# EOF" not in whole
    assert "# UNIT" not in whole


def test_one_text_cannot_serve_both() -> None:
    """Why there are two: each parser takes the other's counters for untyped ones."""
    found = {each.name: each.type for each in classic(text((view(),), OPENMETRICS))}
    assert found["tidegate_switchings_total"] == "unknown"
    with pytest.raises(ValueError):
        list(openmetrics(text((view(),), CLASSIC)))


def test_values() -> None:
    found = families(view())
    assert samples(found["tidegate_battery_charge_ratio"]) == {(): 0.61}
    assert samples(found["tidegate_last_reading_timestamp_seconds"]) == {
        (): 1_700_000_000.5
    }
    assert samples(found["tidegate_window_bound_ratio"]) == {
        ("low",): 0.55,
        ("high",): 0.65,
    }
    assert samples(found["tidegate_supply_on"]) == {("commanded",): 1, ("observed",): 1}
    assert samples(found["tidegate_switchings"]) == {("off", "at_high_mark"): 2}
    assert samples(found["tidegate_backend_errors"]) == {("hid", "unavailable"): 1}
    assert samples(found["tidegate_gauge_errors"]) == {("sysfs", "jump"): 3}
    # Half of 30 percent moved, as a share of a whole charge.
    assert samples(found["tidegate_equivalent_full_cycles"]) == {(): 0.15}


def test_what_is_not_known_is_left_out() -> None:
    bare = replace(
        SEEN, voltage_v=None, temperature_c=None, power=ExternalPower.UNKNOWN
    )
    state = replace(view().state, quiet=Quiet(seen=bare), drive=Drive())
    unsigned = Latest(wall_ms=1, current_a=None)
    figures = replace(view().figures, charged_c=None, discharged_c=None)
    found = families(view(state=state, latest=unsigned, figures=figures))
    for name in (
        "tidegate_battery_voltage_volts",
        "tidegate_battery_temperature_celsius",
        "tidegate_battery_current_amperes",
        "tidegate_supply_on",
        "tidegate_charge_moved_coulombs",
    ):
        assert samples(found[name]) == {}


def test_a_stale_reading_is_not_told_as_what_is_now() -> None:
    found = families(view(is_fresh=False))
    assert samples(found["tidegate_battery_charge_ratio"]) == {}
    assert samples(found["tidegate_supply_on"]) == {("commanded",): 1}
    assert samples(found["tidegate_last_reading_timestamp_seconds"]) != {}


def test_a_station_that_only_measures_has_no_window_and_no_safe_state() -> None:
    state = replace(view().state, policy=Policy(), drive=Drive())
    found = families(view(state=state, relay=""))
    for name in (
        "tidegate_window_bound_ratio",
        "tidegate_safe_state_active",
        "tidegate_out_of_window_seconds",
        "tidegate_backend_switch_seconds",
    ):
        assert samples(found[name]) == {}
    (build,) = found["tidegate_build"].samples
    assert build.labels["backend"] == ""


@pytest.mark.parametrize(
    ("reason", "active"),
    [
        (Reason.GAUGE_LOST, 1),
        (Reason.BATTERY_CRITICAL_HEAT, 1),
        (Reason.BELOW_FLOOR, 1),
        (Reason.BATTERY_COLD, 1),
        (Reason.RELAY_BUDGET, 0),
        (Reason.OVERRIDE, 0),
        (Reason.AT_HIGH_MARK, 0),
    ],
)
def test_the_safe_state_is_that_of_the_rules_that_protect(
    reason: Reason, active: int
) -> None:
    state = replace(view().state, reason=reason)
    found = families(view(state=state))["tidegate_safe_state_active"]
    assert samples(found) == {(): active}


def test_under_a_hold_the_charge_is_what_follows() -> None:
    policy = replace(POLICY, proof=Proof.CHARGING)
    resting = replace(SEEN, status=BatteryStatus.NOT_CHARGING)
    state = replace(view().state, policy=policy, quiet=Quiet(seen=resting))
    found = families(view(state=state))["tidegate_supply_on"]
    assert samples(found)["observed",] == 0


def test_a_histogram_adds_up() -> None:
    figures = Figures()
    for took_s in (0.05, 0.1, 0.3, 1.0, 20.0):
        figures.switched("hid", took_s)
    found = families(view(figures=figures))["tidegate_backend_switch_seconds"]
    buckets = {
        each.labels["le"]: each.value
        for each in found.samples
        if each.name.endswith("_bucket")
    }
    # A bound belongs to its bucket (OpenMetrics 1.0, section "Histogram").
    assert buckets == {
        "0.1": 2, "0.5": 3, "2.0": 4, "5.0": 4, "15.0": 4, "+Inf": 5,
    }  # fmt: skip


@pytest.mark.parametrize("odd", ['a"b', "a\\b", "a\nb", 'a\\"\n', "übersee"])
def test_odd_label_values_survive_both_parsers(odd: str) -> None:
    whole = view(station=odd)
    for parse, kind in ((openmetrics, OPENMETRICS), (classic, CLASSIC)):
        found = {
            sample.labels["station"]
            for family in parse(text((whole,), kind))
            for sample in family.samples
        }
        assert found == {odd}


def test_a_number_that_is_none_is_left_out() -> None:
    seen = replace(SEEN, voltage_v=float("nan"))
    state = replace(view().state, quiet=Quiet(seen=seen))
    found = families(view(state=state))
    assert samples(found["tidegate_battery_voltage_volts"]) == {}


def test_a_file_is_as_long_as_the_example_says() -> None:
    """config/metrics.toml: 3 kB, and about as much again for each station."""
    hundred = [view(station=f"entrance-guide-{number}") for number in range(100)]
    head = len(text((), CLASSIC))
    assert 2_500 <= head <= 3_500
    assert 2_000 <= (len(text(hundred, CLASSIC)) - head) / 100 <= 3_500
