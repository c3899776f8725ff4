"""Devices and outcomes of tuning, made by hand. All of their numbers are invented."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

from tidegate.tuning.device import Capacity, Device, Rate, Source
from tidegate.tuning.outcome import YEARS, Candidate, Outcome
from tidegate.wear.account import Account, ModelLoss

MINUTE_MS = 60_000
NAMES = ("schmalstieg2014", "nca_keil_preger", "kokam_nmc", "xu2016")
FLOAT = (12.0, 9.0, 8.0, 15.0)


def candidate(low=55.0, high=65.0, **changed) -> Candidate:
    return replace(
        Candidate(
            low_percent=low,
            high_percent=high,
            dwell_on_ms=3 * MINUTE_MS,
            dwell_off_ms=3 * MINUTE_MS,
        ),
        **changed,
    )


def account(losses, *, years=3, efc=200.0, floats=FLOAT, mean_c=27.0):
    """Losses by model, and a model for LFP beside them that does not count."""
    models = [
        ModelLoss(
            name=name,
            loss_percent=loss,
            float_loss_percent=full,
            hold_loss_percent=0.6 * loss,
            outside=("depth 10 % (tested 80 to 100 %)",) if name == "kokam_nmc" else (),
            counts=True,
            rest_loss_percent=0.5 * loss,
        )
        for name, loss, full in zip(NAMES, losses, floats, strict=False)
    ]
    models.append(
        ModelLoss(
            name="naumann_lfp",
            loss_percent=0.9 * losses[0],
            float_loss_percent=0.9 * floats[0],
            hold_loss_percent=0.5 * losses[0],
            outside=("LFP cell (not declared)",),
            counts=False,
        )
    )
    return Account(
        models=tuple(models),
        days=365.0 * years,
        efc_per_year=efc,
        hold_percent=60.0,
        mean_c=mean_c,
        lowest_c=21.0,
        highest_c=33.0,
    )


def outcome(
    it=None,
    losses=(9.0, 6.0, 5.0, 11.0),
    *,
    autonomy_h=3.0,
    switchings=2_000.0,
    efc=200.0,
    floats=FLOAT,
    **changed,
):
    """An outcome whose losses are those after 3 years; other years by their root."""
    it = it or candidate()
    by_year = {
        years: account(
            [loss * (years / 3) ** 0.5 for loss in losses],
            years=years,
            efc=efc,
            floats=[loss * (years / 3) ** 0.5 for loss in floats],
        )
        for years in YEARS
    }
    made = Outcome(
        candidate=it,
        losses=by_year,
        efc_per_year=efc,
        switchings_per_year=switchings,
        relay_life_years=100_000 / switchings if switchings else float("inf"),
        autonomy_h=autonomy_h,
        autonomy_mean_h=1.4 * autonomy_h,
        recovery_h=1.5,
        mean_soc_percent=(it.low_percent + it.high_percent) / 2,
        outside_h=12.0,
        under_h=30.0,
        is_carried=True,
        sigma={
            "efc_per_year": 0.05 * efc,
            "switchings_per_year": 0.05 * switchings,
            "autonomy_h": 0.1,
        },
    )
    return replace(made, **changed)


def several():
    """The present one and a dozen more, as a comparison of a heavy load yields them."""
    found = [outcome(candidate(55, 65), (9.0, 6.0, 5.0, 11.0), autonomy_h=3.6)]
    for low in (32, 40, 48, 55, 62):
        for width in (6, 10, 20):
            high = low + width
            if (low, high) == (55, 65) or high > 80:
                continue
            level = (low + high) / 200
            losses = (
                4.0 + 5.0 * level + 0.10 * width,
                2.0 + 5.5 * level,
                1.0 + 6.0 * level,
                5.0 + 4.0 * level + 0.12 * width,
            )
            found.append(
                outcome(
                    candidate(low, high),
                    losses,
                    autonomy_h=(low - 25) / 8,
                    switchings=24_000 / width,
                    efc=180 + 2 * width,
                    beyond=("Charging above 70 % was not seen.",) if high > 70 else (),
                )
            )
    return found


def device(**changed) -> Device:
    """A wall guide that is busy by day; Monday was never seen without its supply."""
    load = []
    for hour in range(168):
        is_open = 9 <= hour % 24 < 18 and hour >= 24
        pace = 9.0 if is_open else 3.0
        seen = 0.0 if hour < 24 else 0.6
        load.append(
            Rate(percent_per_h=pace, sigma=2.5 if not seen else 0.4, hours=seen)
        )
    made = Device(
        station="wall-guide",
        days=6.9,
        load=tuple(load),
        rise=tuple(Rate(percent_per_h=14.0, sigma=0.8, hours=0.2) for _ in range(168)),
        load_mean=Rate(percent_per_h=5.2, sigma=0.3, hours=82.0),
        rise_mean=Rate(percent_per_h=14.0, sigma=0.5, hours=33.0),
        capacity=Capacity(ah=6.8, sigma_ah=0.15, source=Source.MEASURED),
        charger_percent_per_h=22.0,
        supply_percent_per_h=19.0,
        slowing={85.0: 0.6, 90.0: 0.3},
        seen_percent=(40.0, 70.0),
        swing_extra_percent=1.2,
        fed_c=tuple(27.0 for _ in range(168)),
        unfed_c=tuple(25.0 for _ in range(168)),
        sensor="battery",
        notes=("Tuesday's mains outage was left out of the load.",),
    )
    return replace(made, **changed)


def readings(*, days=3.0, start="2026-03-02T00:00:00Z", station=None) -> str:
    """A CSV of a wall guide made by hand: 55 to 65 %, 6 points an hour down, 12 up."""
    begin = datetime.fromisoformat(start)
    lines = ["time,soc_percent,external_power" + (",station" if station else "")]
    level, is_fed = 60.0, False
    for minute in range(0, round(days * 24 * 60), 5):
        if level <= 55 or level >= 65:
            is_fed = level <= 55
        at = (begin + timedelta(minutes=minute)).strftime("%Y-%m-%dT%H:%M:%SZ")
        tail = f",{station}" if station else ""
        lines.append(f"{at},{level:.2f},{'yes' if is_fed else 'no'}{tail}")
        level += (12.0 if is_fed else -6.0) / 12
    return "\n".join(lines) + "\n"
