"""Where the readings of ``tidegate tune`` come from, and what was set beside them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from tidegate.cli.logged import one_of
from tidegate.cli.options import load_settings

if TYPE_CHECKING:
    from tidegate.audit.given import Set
    from tidegate.history import Series
    from tidegate.settings import StationSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """The readings with what was set for the station.

    ``is_present_known`` is false where the marks are the defaults. ``remarks`` say
    where marks and other settings are from. ``has_plans``: the window is another one at
    times, in planned rises or relearns.
    """

    series: Series
    can_hold: bool
    is_present_known: bool
    remarks: tuple[str, ...]
    has_plans: bool = False


def source(ctx: click.Context, path: Path, station: str | None) -> Source:
    """Return the readings of one station.

    Errors: click.UsageError for a station that is not there or not named; LogAbsent,
    LogUnreadable, LogEmpty, LogError; SettingsError where --config names settings
    that are wrong.
    """
    # Late, so that help needs none of it.
    from tidegate.core.policy import Proof
    from tidegate.history import opened, stations_in

    name = one_of(station, stations_in(path), path)
    series = opened(path, name)
    series = replace(series, station=series.station or path.stem)
    policy = series.given.policy
    if series.is_log:
        said: tuple[str, ...] = ()
        if policy.marks is None:
            series, said = _standing_in(series, "The log holds no charge window")
        # What proves an off by the charging is what can stop it at a level.
        can_hold = policy.hold or policy.proof is Proof.CHARGING
        is_known = policy.marks is not None
        return Source(
            series=series,
            can_hold=can_hold,
            is_present_known=is_known,
            remarks=said,
            has_plans=_has_plans(path, name),
        )
    return _with_settings(ctx, series, station)


def _with_settings(ctx: click.Context, series: Series, station: str | None) -> Source:
    """Return a hand-made file with the marks of the settings, or of the defaults."""
    from tidegate.errors import SettingsMissing

    try:
        settings = load_settings(ctx)
    except SettingsMissing:
        settings = None
    found = settings.stations.get(series.station) if settings else None
    if found is None:
        series, said = _standing_in(series, "No charge window is known")
        return Source(
            series=series, can_hold=False, is_present_known=False, remarks=said
        )
    series = replace(series, given=_given(series.station, found))
    if found.window is None:
        series, said = _standing_in(series, "The settings hold no charge window")
    else:
        said = (
            f"Marks, dwell and floor are those of station {series.station} in the "
            "settings; the file of readings holds none.",
        )
    return Source(
        series=series,
        can_hold=found.relay_can_hold,
        is_present_known=found.window is not None,
        remarks=said,
        has_plans=found.has_plans,
    )


def _has_plans(log: Path, station: str | None) -> bool:
    """Return whether the last settings in a log hold plans. Errors: LogError."""
    from tidegate.audit.rows import head_of, settings_of
    from tidegate.cyclelog.reader import Reader
    from tidegate.cyclelog.record import parsed

    given: object = None
    with Reader(log) as reader:
        for _, row in settings_of(reader, station or "", up_to=head_of(reader).row):
            given = parsed(row.given)
    return isinstance(given, dict) and bool(given.get("rise") or given.get("relearn"))


def _needs_supply(name: str, found: StationSettings) -> bool:
    """Return whether its gauge, which is not opened, is read over the supply."""
    from tidegate.assembly import make_gauge
    from tidegate.clock import SystemClock
    from tidegate.host import Machine

    host = Machine(SystemClock()).host(name, hint=lambda: None)
    return make_gauge(found, host).facts.needs_supply


def _given(name: str, found: StationSettings) -> Set:
    """Return what the settings of a station say, as a log would have kept it."""
    from tidegate.audit.given import Set
    from tidegate.core.policy import Policy, Proof

    window = found.window
    return Set(
        policy=Policy(
            marks=None if window is None else window.marks,
            hold=window is not None and window.hold_percent is not None,
            floor_percent=found.limits.floor_percent,
            hot_c=found.limits.hot_celsius,
            critical_c=found.limits.critical_celsius,
            cold_c=found.limits.cold_celsius,
            dwell_on_ms=found.dwell.on_ms,
            dwell_off_ms=found.dwell.off_ms,
            poll_ms=found.poll_ms,
            max_off_ms=found.max_off_ms,
            per_hour=found.budget.per_hour,
            per_day=found.budget.per_day,
            # A relay that can hold only stops charging.
            proof=Proof.CHARGING if found.relay_can_hold else Proof.EXTERNAL_POWER,
            gauge_needs_supply=_needs_supply(name, found),
        ),
        life=None if found.relay is None else found.relay.life,
        chemistry=found.battery.chemistry,
        design_ah=found.battery.design_ah,
    )


def _standing_in(series: Series, why: str) -> tuple[Series, tuple[str, ...]]:
    """Return the series with the marks that stand in, and the sentence that says so."""
    from tidegate.core.policy import Marks

    marks = Marks(low_percent=55.0, high_percent=65.0)
    policy = replace(series.given.policy, marks=marks)
    return (
        replace(series, given=replace(series.given, policy=policy)),
        (
            f"{why}: nothing here is called present, and what is compared starts from "
            f"{marks.low_percent:g} to {marks.high_percent:g} % with a floor of "
            f"{policy.floor_percent:g} %.",
        ),
    )
