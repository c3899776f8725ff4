"""The metrics, each with its type, unit, help and what it says of a station.

Names, base units and suffixes follow OpenMetrics 1.0, section "MetricFamily": a unit
is the end of the name, a counter's sample ends in ``_total``, an info's in ``_info``.
Every series carries the label ``station``. A value that is not known is left out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

from tidegate import __version__
from tidegate.core.policy import Proof
from tidegate.core.reading import ExternalPower, Supply
from tidegate.core.state import Seen
from tidegate.publish.figures import (
    CHARGES,
    PROTECTING,
    SWITCH_BOUNDS_S,
    SwitchTimes,
    View,
)
from tidegate.publish.tally import marks_of

Labels = tuple[tuple[str, str], ...]
# Suffix of the name, labels beside the station, value.
Sample = tuple[str, Labels, float]

_POWERED: Final = {ExternalPower.YES: True, ExternalPower.NO: False}


@dataclass(frozen=True, slots=True)
class Family:
    """One metric. ``kind`` is its OpenMetrics type; ``unit`` is empty for none."""

    name: str
    kind: str
    unit: str
    help: str
    samples: Callable[[View], Iterator[Sample]]


def _build(view: View) -> Iterator[Sample]:
    yield "_info", (("version", __version__), ("backend", view.relay)), 1


def _seen(view: View, of: Callable[[Seen], float | None]) -> Iterator[Sample]:
    seen = view.state.quiet.seen if view.is_fresh else None
    value = None if seen is None else of(seen)
    if value is not None:
        yield "", (), value


def _charge(view: View) -> Iterator[Sample]:
    return _seen(view, lambda seen: round(seen.soc_percent / 100, 6))


def _voltage(view: View) -> Iterator[Sample]:
    return _seen(view, lambda seen: seen.voltage_v)


def _temperature(view: View) -> Iterator[Sample]:
    return _seen(view, lambda seen: seen.temperature_c)


def _current(view: View) -> Iterator[Sample]:
    return _seen(view, lambda _: view.latest.current_a if view.latest else None)


def _last_reading(view: View) -> Iterator[Sample]:
    if view.latest is not None:
        yield "", (), view.latest.wall_ms / 1_000


def _bounds(view: View) -> Iterator[Sample]:
    marks = marks_of(view.state)
    if marks is not None:
        yield "", (("bound", "low"),), round(marks.low_percent / 100, 6)
        yield "", (("bound", "high"),), round(marks.high_percent / 100, 6)


def _supply(view: View) -> Iterator[Sample]:
    commanded = view.state.drive.commanded
    if commanded is not None:
        yield "", (("view", "commanded"),), int(commanded is Supply.ON)
    observed = observed_on(view)
    if observed is not None:
        yield "", (("view", "observed"),), int(observed)


def observed_on(view: View) -> bool | None:
    """Return what the gauge shows of the supply, ``None`` where it shows nothing."""
    seen = view.state.quiet.seen
    if seen is None or not view.is_fresh:
        return None
    if view.state.policy.proof is Proof.CHARGING:
        return CHARGES.get(seen.status)
    return _POWERED.get(seen.power)


def _switchings(view: View) -> Iterator[Sample]:
    for (supply, reason), count in sorted(view.figures.switchings.items()):
        yield "_total", (("to", supply), ("reason", reason)), count


def _outside(view: View) -> Iterator[Sample]:
    if marks_of(view.state) is not None:
        yield "_total", (("side", "low"),), view.figures.below_s
        yield "_total", (("side", "high"),), view.figures.above_s


def _relay_errors(view: View) -> Iterator[Sample]:
    for (relay, kind), count in sorted(view.figures.relay_errors.items()):
        yield "_total", (("backend", relay), ("kind", kind)), count


def _switch_times(view: View) -> Iterator[Sample]:
    switches = dict(view.figures.switches)
    if view.relay:
        switches.setdefault(view.relay, SwitchTimes())
    bounds = (*map(repr, SWITCH_BOUNDS_S), "+Inf")
    for relay, times in sorted(switches.items()):
        backend, so_far = ("backend", relay), 0
        for bound, count in zip(bounds, times.counts, strict=True):
            so_far += count
            yield "_bucket", (backend, ("le", bound)), so_far
        yield "_count", (backend,), so_far
        yield "_sum", (backend,), times.sum_s


def _gauge_errors(view: View) -> Iterator[Sample]:
    for (gauge, kind), count in sorted(view.figures.gauge_errors.items()):
        yield "_total", (("gauge", gauge), ("kind", kind)), count


def _charge_moved(view: View) -> Iterator[Sample]:
    figures = view.figures
    if figures.charged_c is not None and figures.discharged_c is not None:
        yield "_total", (("direction", "in"),), figures.charged_c
        yield "_total", (("direction", "out"),), figures.discharged_c


def _cycles(view: View) -> Iterator[Sample]:
    yield "_total", (), view.figures.soc_moved_percent / 200


def _safe_state(view: View) -> Iterator[Sample]:
    state = view.state
    if state.policy.marks is not None:
        protects = state.reason in PROTECTING or state.policy.off_is_refused
        yield "", (), int(protects)


def _dropped(view: View) -> Iterator[Sample]:
    for sink, count in sorted(view.figures.dropped.items()):
        yield "_total", (("sink", sink),), count


FAMILIES: Final = (
    Family(
        "tidegate_build",
        "info",
        "",
        "Version of tidegate and the kind of the station's relay, empty for none.",
        _build,
    ),
    Family(
        "tidegate_battery_charge_ratio",
        "gauge",
        "ratio",
        "State of charge of the last trusted reading; left out once that is stale.",
        _charge,
    ),
    Family(
        "tidegate_battery_voltage_volts",
        "gauge",
        "volts",
        "Voltage of the last trusted reading; left out once that is stale.",
        _voltage,
    ),
    Family(
        "tidegate_battery_current_amperes",
        "gauge",
        "amperes",
        "Current into the battery (positive) or out of it; left out where its sign is "
        "not known.",
        _current,
    ),
    Family(
        "tidegate_battery_temperature_celsius",
        "gauge",
        "celsius",
        "Temperature of the last trusted reading; left out once that is stale.",
        _temperature,
    ),
    Family(
        "tidegate_last_reading_timestamp_seconds",
        "gauge",
        "seconds",
        "When the last trusted reading was taken, UTC since 1970.",
        _last_reading,
    ),
    Family(
        "tidegate_window_bound_ratio",
        "gauge",
        "ratio",
        "Low and high mark of the charge window in force.",
        _bounds,
    ),
    Family(
        "tidegate_supply_on",
        "gauge",
        "",
        "1 for on: as commanded, and as the gauge shows it where it does.",
        _supply,
    ),
    Family(
        "tidegate_switchings",
        "counter",
        "",
        "Changes of the supply that the relay carried out; repeats are none.",
        _switchings,
    ),
    Family(
        "tidegate_out_of_window_seconds",
        "counter",
        "seconds",
        "Time with the charge more than one point outside the marks in force; gaps in "
        "the readings are not counted.",
        _outside,
    ),
    Family(
        "tidegate_backend_errors",
        "counter",
        "",
        "Commands that the relay did not carry out, by the class of the error.",
        _relay_errors,
    ),
    Family(
        "tidegate_backend_switch_seconds",
        "histogram",
        "seconds",
        "From the decision until the relay had carried it out: reading before, log, "
        "call.",
        _switch_times,
    ),
    Family(
        "tidegate_gauge_errors",
        "counter",
        "",
        "Reads that failed, by the class of the error, and readings that are not "
        "trusted, by the reason.",
        _gauge_errors,
    ),
    Family(
        "tidegate_charge_moved_coulombs",
        "counter",
        "coulombs",
        "Charge into and out of the battery by its current, its own charge or its "
        "level and capacity; left out where none is known.",
        _charge_moved,
    ),
    Family(
        "tidegate_equivalent_full_cycles",
        "counter",
        "",
        "Half of the summed absolute change of the state of charge.",
        _cycles,
    ),
    Family(
        "tidegate_safe_state_active",
        "gauge",
        "",
        "1 while a rule that protects device or battery decides, and not the window.",
        _safe_state,
    ),
    Family(
        "tidegate_publish_dropped",
        "counter",
        "",
        "What a sink of figures or messages could not take and was dropped.",
        _dropped,
    ),
)
