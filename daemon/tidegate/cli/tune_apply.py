"""``tidegate tune --apply``: a recommendation into the settings, as if set by hand."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

from tidegate.cli.options import load_settings, say

if TYPE_CHECKING:
    from tidegate.cli.set_file import Edit
    from tidegate.cli.tune_run import Tuned
    from tidegate.settings import Settings, StationSettings
    from tidegate.tuning.outcome import Candidate


def refuse_early(ctx: click.Context, station: str | None, *, yes: bool) -> None:
    """Refuse before anything is reckoned what could not be applied in the end.

    Errors: click.UsageError where nobody could be asked, or for a station that is not
    in the settings; SettingsError, SettingsMissing.
    """
    if not yes and not sys.stdin.isatty():
        raise click.UsageError(
            "--apply asks before it writes, and nobody is there to answer; "
            "say --yes to write without asking."
        )
    settings = load_settings(ctx)
    if station is not None:
        _refuse_stranger(settings, station)


def applied(ctx: click.Context, found: Tuned, *, yes: bool) -> dict[str, Any] | None:
    """Write window and dwell as ``tidegate settings set`` does; ``None`` for a no.

    Errors: OrderRefused where nothing is to change, or the settings have a higher floor
    than the candidates were reckoned with; click.UsageError for a station that is not
    in the settings; all that ``tidegate settings set`` ends with.
    """
    # tomlkit and the client of the daemon come with them.
    from tidegate.cli.settings_reload import change_lines
    from tidegate.cli.settings_set import carried_out

    old = load_settings(ctx)
    edits = _edits(old, found)
    for line in change_lines(carried_out(ctx, old, edits, dry_run=True)["changed"]):
        say(line)
    if not yes and not click.confirm("Write this into the settings?", err=True):
        say("nothing was written")
        return None
    return carried_out(ctx, old, edits)


def _edits(old: Settings, found: Tuned) -> list[Edit]:
    """Return what is to be set; there is something. Errors: as ``applied``."""
    from tidegate.errors import OrderRefused

    choice, station = found.choice, found.device.station
    assert choice.recommended is not None
    _refuse_stranger(old, station)
    now = old.stations.get(station)
    if now is not None:
        _refuse_higher_floor(now, found)
    edits = edits_of(station, choice.outcomes[choice.recommended].candidate, now)
    if not choice.is_change:
        raise OrderRefused(
            f"nothing to apply: no change of the settings of {station} is recommended",
            remedy="They are no longer those of the readings: look again once it has "
            "run with them for a week"
            if edits
            else "",
        )
    if not edits:
        raise OrderRefused(
            f"nothing to apply: the settings of {station} say so already",
            remedy="Let the daemon take them: tidegate settings reload",
        )
    return edits


def _refuse_stranger(settings: Settings, station: str) -> None:
    if station not in (*settings.stations, *settings.unsupported):
        raise click.UsageError(
            f"There is no station {station!r} in the settings to apply it to; name "
            "them with --config."
        )


def _refuse_higher_floor(now: StationSettings, found: Tuned) -> None:
    """Refuse marks whose autonomy was reckoned down to a lower floor than is set."""
    from tidegate.errors import OrderRefused

    floor, reckoned = now.limits.floor_percent, found.policy.floor_percent
    if floor > reckoned:
        raise OrderRefused(
            f"the settings of {found.device.station} have a floor of {floor:g} %, and "
            f"autonomy was reckoned down to {reckoned:g} %, the floor of the readings",
            remedy="Look again once it has run with that floor, or set it back first",
        )


def edits_of(station: str, it: Candidate, found: StationSettings | None) -> list[Edit]:
    """Return what is to be set so that a station runs so; what is so is left alone."""
    from tidegate.settings.durations import duration_text

    edits: list[Edit] = []
    if found is None or found.window is None or not _is_window(it, found):
        # As a whole: a hold and two marks exclude each other.
        edits.append((("station", station, "window"), _window(it)))
    if it.hold_percent is not None:
        return edits  # nothing is switched, so no dwell counts
    for key, value_ms, now_ms in (
        ("on", it.dwell_on_ms, found and found.dwell.on_ms),
        ("off", it.dwell_off_ms, found and found.dwell.off_ms),
    ):
        if value_ms != now_ms:
            edits.append((("station", station, "dwell", key), duration_text(value_ms)))
    return edits


def _is_window(it: Candidate, found: StationSettings) -> bool:
    window = found.window
    assert window is not None
    if it.hold_percent is not None or window.hold_percent is not None:
        return it.hold_percent == window.hold_percent
    return (it.low_percent, it.high_percent) == (
        window.low_percent,
        window.high_percent,
    )


def _window(it: Candidate) -> dict[str, float | int]:
    if it.hold_percent is not None:
        return {"hold": _plain(it.hold_percent)}
    return {"low": _plain(it.low_percent), "high": _plain(it.high_percent)}


def _plain(value: float) -> float | int:
    """Return a level as a person would write it."""
    return int(value) if float(value).is_integer() else round(value, 3)
