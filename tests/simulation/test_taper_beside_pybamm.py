"""Charges that pybamm simulates, and what is said of them: tapered or not.

The physics is that of pybamm 26.10.1.1, ``equivalent_circuit.Thevenin``: its own cell
of 100 Ah, and cells of the size of a tablet's. Each charge is read twice: every 30 s
with current and voltage, and by hand, every 10 min, the level alone in whole percents.
"""

from __future__ import annotations

import json
import math
import os
import subprocess
from pathlib import Path
from typing import Any

import pytest

from bench.environments import environment
from support.charges import Row, csv_text
from tidegate.core.reading import BatteryStatus
from tidegate.history import opened
from tidegate.taper.finding import Confidence, Finding, find

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]

PINS = "requirements-bench-pybamm.txt"
PROGRAM = Path(__file__).with_name("taper_pybamm_program.py")

# The tablet's constants are those of WEAR's runs; the worn one has twice the resistance.
TABLET = {"capacity_ah": 4.0, "r0_ohm": 0.06, "r1_ohm": 0.04, "c1_f": 750.0}
WORN = {"capacity_ah": 3.2, "r0_ohm": 0.13, "r1_ohm": 0.09, "c1_f": 600.0}
PHONE = {"capacity_ah": 2.0, "r0_ohm": 0.08, "r1_ohm": 0.06, "c1_f": 500.0}
CELLS = {"tablet": TABLET, "worn": WORN, "phone": PHONE, "default": None}
FULL_V = {"default": 4.1}
Case = dict[str, Any]


def capacity_ah(name: str) -> float:
    cell = CELLS[name]
    return 100.0 if cell is None else cell["capacity_ah"]


def plain(name: str, rate: float, start: float, *, full_v: float | None = None) -> Case:
    """Return constant current, then constant voltage down to a twentieth."""
    amps, volts = rate * capacity_ah(name), full_v or FULL_V.get(name, 4.2)
    return {
        "cell": CELLS[name],
        "start_percent": start,
        "steps": [
            {"current_a": amps, "until_v": volts},
            {"hold_v": volts, "until_a": capacity_ah(name) / 20},
        ],
    }


def by_level(name: str, start: float, pieces: list[tuple[float, float]]) -> Case:
    """Return a charge of pieces: up to which level, with which share of the capacity."""
    steps, level = [], start
    for until, rate in pieces:
        amps = rate * capacity_ah(name)
        for_s = 3600 * (until - level) / 100 / rate
        steps.append({"current_a": amps, "for_s": for_s})
        level = until
    return {"cell": CELLS[name], "start_percent": start, "steps": steps}


def stepped(name: str, rate: float, start: float) -> Case:
    top = 92.0 if name == "default" else 96.0
    pieces = [(52.0, rate), (76.0, rate / 3), (top, 0.025)]
    return by_level(name, start, pieces)


def falling(name: str, rate: float, start: float) -> Case:
    """Return one whose current falls by the exponential of the level from 50 % on."""
    top = 92 if name == "default" else 96
    pieces = [(50.0, rate)]
    power = math.log(rate / 0.017) / 0.45
    pieces += [
        (float(level), rate * math.exp(-power * (level - 51) / 100))
        for level in range(52, top + 1, 2)
    ]
    return by_level(name, start, pieces)


def lowered(name: str, rate: float, start: float) -> Case:
    """Return one that lets the voltage fall from mid charge on, and ends it low.

    What it ends at is full to its gauge.
    """
    case = by_level(name, start, [(42.0, rate)])
    pieces = by_level(
        name,
        42.0,
        [(float(level), 0.12 * 0.82 ** (level - 43)) for level in range(43, 60)],
    )
    return {**case, "steps": case["steps"] + pieces["steps"], "full_percent": 59.0}


NOT: dict[str, Case] = {
    f"{name} at {rate:g} C": plain(name, rate, 15 + 10 * (place % 3))
    for place, (name, rate) in enumerate(
        [
            *(("tablet", rate) for rate in (0.1, 0.25, 0.5, 0.7)),
            *(("worn", rate) for rate in (0.1, 0.3, 0.5)),
            *(("phone", rate) for rate in (0.2, 0.6)),
            *(("default", rate) for rate in (0.1, 0.5)),
        ]
    )
}
TAPERS: dict[str, Case] = {
    **{f"{n} stepped": stepped(n, 0.4, 20.0) for n in CELLS},
    **{f"{n} falling": falling(n, 0.5, 25.0) for n in CELLS},
    "worn lowered": lowered("worn", 0.7, 15.0),
    "tablet lowered": lowered("tablet", 0.7, 15.0),
}
CASES = {**NOT, **TAPERS}
# WEAR's section 7: seconds of both parts and the level at the end in percent.
KNOWN: dict[str, tuple[Case, tuple[float, float, float]]] = {
    "2 A": (plain("tablet", 0.5, 20), (4362.4, 3121.6, 98.199)),
    "1 A": (plain("tablet", 0.25, 50, full_v=4.1), (4404.8, 2487.9, 89.137)),
    "50 A": (plain("default", 0.5, 20), (5014.7, 859.8, 94.164)),
}


def charged(python: Path, cases: list[Case]) -> list[Any]:
    ran = subprocess.run(
        [python, PROGRAM],
        input=json.dumps(cases),
        check=True,
        capture_output=True,
        text=True,
        # It would tell its makers that it was used.
        env=os.environ | {"PYBAMM_DISABLE_TELEMETRY": "true", "OMP_NUM_THREADS": "1"},
    )
    found: list[Any] = json.loads(ran.stdout)
    return found


def said(folder: Path, told: Any, case: Case, *, by_hand: bool) -> Finding:
    """Return what is said of a charge that was read and written down as CSV."""
    full = case.get("full_percent", told["soc_percent"][-1])
    # A gauge calls what its charge ends at full.
    socs = [min(100 * soc / full, 100.0) for soc in told["soc_percent"]]
    found = [
        Row(
            at_s,
            math.floor(soc + 1e-6) if by_hand else round(soc, 2),
            None if by_hand else round(volts, 3),
            None if by_hand else round(amps, 3),
            None if by_hand else round(celsius, 1),
            None if by_hand else True,
            BatteryStatus.UNKNOWN if by_hand else BatteryStatus.CHARGING,
        )
        for at_s, soc, volts, amps, celsius in zip(
            told["time_s"],
            socs,
            *(told[key] for key in ("voltage_v", "current_a", "temperature_c")),
            strict=True,
        )
    ]
    kept = found[::20] if by_hand else found
    path = folder / "hall.csv"
    path.write_text(csv_text(kept), encoding="utf-8")
    return find(opened(path, None))


def test_every_charge_is_told_right(tmp_path: Path) -> None:
    """One test, as the environment takes longer to make than all of its charges.

    Noted by hand, an answer is never of high confidence.
    """
    cases = [*CASES.values(), *(case for case, _ in KNOWN.values())]
    with environment(tmp_path / "environment", PINS) as python:
        told = charged(python, cases)
    wrong, unsure = [], []
    for (name, case), each in zip(CASES.items(), told, strict=False):
        wanted = "tapers" if name in TAPERS else "does_not_taper"
        for by_hand in (False, True):
            found = said(tmp_path, each, case, by_hand=by_hand)
            if found.verdict != wanted:
                wrong.append((name, by_hand, found.verdict))
            if (found.confidence is Confidence.HIGH) == by_hand:
                unsure.append((name, by_hand, found.confidence))
    assert wrong == []
    assert unsure == []
    for (case, known), each in zip(KNOWN.values(), told[len(CASES) :], strict=True):
        first, last = each["step_ends_s"]
        ended = (first, last - first, each["soc_percent"][-1])
        assert ended == pytest.approx(known, abs=0.1)
        assert said(tmp_path, each, case, by_hand=False).verdict == "does_not_taper"
