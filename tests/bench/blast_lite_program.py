"""Runs where blast-lite is installed: cases come in as JSON, answers go out as JSON.

blast-lite has the models as NREL fitted or coded them, and steps through the series:
explicit Euler, at most a day a step.
"""

import json
import sys
import time

import numpy as np
from blast.models import (
    Nca_Gr_Panasonic3Ah_Battery,
    Nmc111_Gr_Kokam75Ah_Battery,
    Nmc111_Gr_Sanyo2Ah_Battery,
)

from support.minutes import Case

MODELS = {
    "schmalstieg2014": Nmc111_Gr_Sanyo2Ah_Battery,
    "nca_keil_preger": Nca_Gr_Panasonic3Ah_Battery,
    "kokam_nmc": Nmc111_Gr_Kokam75Ah_Battery,
}


def ran(case, rounds):
    levels, celsius = case.levels_percent(), case.temperatures_c()
    series = {
        "Time_s": 60.0 * np.arange(len(levels)),
        "SOC": np.array(levels) / 100,
        "Temperature_C": np.array(celsius),
    }
    return {name: simulated(model, series, rounds) for name, model in MODELS.items()}


def simulated(model, series, rounds):
    took_s = []
    for _ in range(rounds):
        battery = model()
        began_s = time.process_time()
        # The swing of the charge stays as it is; a controller works in percent.
        battery.simulate_battery_life(series, is_conserve_energy_throughput=False)
        took_s.append(time.process_time() - began_s)
    return {
        "remaining": float(battery.outputs["q"][-1]),
        "days": float(battery.stressors["t_days"][-1]),
        "efc": float(battery.stressors["efc"][-1]),
        "steps": len(battery.outputs["q"]) - 1,
        "took_s": min(took_s),
    }


if __name__ == "__main__":
    asked = json.load(sys.stdin)
    answers = [ran(Case(**fields), rounds) for fields, rounds in asked]
    json.dump(answers, sys.stdout)
