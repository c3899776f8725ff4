"""Runs where pybamm is installed: charges come in as JSON, their readings go out.

A charge is a cell, a start, and steps: so much current up to a voltage, a level or a
time, or a voltage held down to a current. The physics is pybamm's alone.
"""

import json
import sys

import numpy as np
import pybamm

# The open-circuit curve of parameter set Ai2020, as WEAR has it, every tenth.
AI2020 = [
    (0.00, 3.0000), (0.10, 3.6396), (0.20, 3.6954), (0.30, 3.7331), (0.40, 3.7622),
    (0.50, 3.7925), (0.55, 3.8122), (0.60, 3.8365), (0.65, 3.8675), (0.70, 3.9089),
    (0.80, 3.9945), (0.90, 4.0879), (1.00, 4.2000),
]  # fmt: skip
EVERY_S = 30.0


def parameters(cell):
    """Return pybamm's own set, with what the cell says in place of its values."""
    found = pybamm.ParameterValues("ECM_Example")
    if cell is None:
        return found
    socs, volts = (np.array(each) for each in zip(*AI2020, strict=True))

    def ocv(soc):
        return pybamm.Interpolant(socs, volts, soc, "ocv", interpolator="linear")

    def constant(value):
        return lambda temperature, current, soc: pybamm.Scalar(value)

    found.update(
        {
            "Cell capacity [A.h]": cell["capacity_ah"],
            "Nominal cell capacity [A.h]": cell["capacity_ah"],
            "Current function [A]": cell["capacity_ah"],
            "Open-circuit voltage [V]": ocv,
            "R0 [Ohm]": constant(cell["r0_ohm"]),
            "R1 [Ohm]": constant(cell["r1_ohm"]),
            "C1 [F]": constant(cell["c1_f"]),
            "Entropic change [V/K]": lambda ocv, temperature: pybamm.Scalar(0),
            "Cell thermal mass [J/K]": 61.0,
            "Jig thermal mass [J/K]": 1e9,
            "Cell-jig heat transfer coefficient [W/K]": 1 / 8,
            "Jig-air heat transfer coefficient [W/K]": 1e3,
            "Upper voltage cut-off [V]": 4.6,
            "Lower voltage cut-off [V]": 2.5,
            "RCR lookup limit [A]": 1e4,
        }
    )
    return found


def step_of(step):
    if "hold_v" in step:
        return pybamm.step.voltage(
            step["hold_v"], termination=f"{step['until_a']} A", period=EVERY_S
        )
    until = step.get("until_v")
    return pybamm.step.current(
        -step["current_a"],
        duration=step.get("for_s", 200_000),
        termination=None if until is None else f"{until} V",
        period=EVERY_S,
    )


def charged(case):
    values = parameters(case["cell"])
    values.update({"Initial SoC": case["start_percent"] / 100})
    simulation = pybamm.Simulation(
        pybamm.equivalent_circuit.Thevenin(),
        experiment=pybamm.Experiment([tuple(map(step_of, case["steps"]))]),
        parameter_values=values,
    )
    solution = simulation.solve()
    times = np.append(np.arange(0, solution.t[-1], EVERY_S), solution.t[-1])
    return {
        "time_s": times.tolist(),
        "soc_percent": (100 * solution["SoC"](times)).tolist(),
        "voltage_v": solution["Voltage [V]"](times).tolist(),
        "current_a": (-solution["Current [A]"](times)).tolist(),
        "temperature_c": solution["Cell temperature [degC]"](times).tolist(),
        "step_ends_s": [each.t[-1] for each in solution.cycles[0].steps],
    }


if __name__ == "__main__":
    json.dump([charged(case) for case in json.load(sys.stdin)], sys.stdout)
