"""What the standard search must reach, or its silence would mean little."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Final

from support.search.plan import Tally

# The promises of the project's design, part 9.
PROMISES: Final = {
    1: "on at the floor, and charge rises",
    2: "never off for long without a reading",
    3: "dwell and budget are kept",
    4: "an intent before, an outcome after",
    5: "a crash loses nothing committed",
    6: "replay agrees",
    7: "on after a stop",
}

# The reason codes of its table of rules, part 3.2, in their order.
RULES: Final = (
    "no_battery",
    "battery_critical_heat",
    "coast_over",
    "gauge_lost",
    "gauge_frozen",
    "gauge_implausible",
    "below_floor",
    "only_source",
    "relay_fed_by_supply",
    "relay_no_effect",
    "relay_reversed",
    "battery_hot",
    "battery_cold",
    "relay_budget",
    "override",
    "at_low_mark",
    "at_high_mark",
    "in_window",
)

# What the daemon must survive, by the numbers of the project's list of faults.
FAULTS: Final = {
    1: "the battery is gone from the system",
    2: "one value cannot be read",
    3: "the gauge asks to be tried again, or says nothing",
    4: "one value spoils the whole reading",
    5: "a read hangs",
    6: "a charge outside 0 to 100, or text",
    7: "all zeros, or all ones",
    8: "a charge that never moves",
    9: "a charge that jumps",
    10: "no battery is fitted",
    11: "a charge in words only",
    12: "two batteries, and one goes",
    13: "a peripheral's battery comes first",
    14: "an unknown charging status",
    15: "another battery pack",
    16: "heat, or a temperature that is gone or cannot be",
    17: "the wall clock steps",
    18: "the host sleeps",
    19: "adb: the device is offline or unauthorised",
    20: "adb: the dump is refused",
    21: "adb: the dump is cut or garbled",
    22: "adb: somebody froze the values",
    23: "adb: the program hangs",
    24: "the gauge is gone while the supply is off",
    25: "adb: several devices",
    26: "adb: permission about to expire",
    27: "the relay is missing at the start",
    28: "the relay is pulled out while running",
    29: "a command without effect",
    30: "somebody else switches",
    31: "a contact welded shut, or stuck open",
    32: "garbled answers on the relay's wire",
    33: "the radio fails",
    34: "a charge threshold rounded, refused or forgotten",
    35: "a hub turns its ports on",
    36: "too many switchings",
    37: "the relay lives on the supply that it switches",
    38: "a stop, a kill, a power cut",
    39: "a stalled loop, and the watchdog",
    40: "the disk is full or fails",
    41: "the log is damaged",
    42: "a second daemon for the same relay",
    43: "a reload of invalid settings",
    44: "marks the wrong way round",
    45: "a sink is down or slow",
    46: "a burst of kernel events",
    47: "one station fails, the others go on",
    48: "the same fault again and again",
    49: "an odd environment",
    50: "an error nobody foresaw in a backend",
}

DEMANDED_FAULTS: Final = frozenset(
    {1, *range(5, 11), 12, *range(15, 20), 24, *range(27, 32), 34, *range(36, 42)}
    | {43, 47, 48, 50}
)


def not_reached(
    tallies: Mapping[str, Tally], tables: Mapping[str, Collection[str]]
) -> list[str]:
    """Return what is missing, a sentence each; ``tables`` names each kind's incidents.

    Promises, rules and faults may be reached in worlds of either kind; an incident is
    demanded of every kind that has it.
    """
    total = Tally()
    for tally in tallies.values():
        total.add(tally)
    missing = [
        f"promise {number} was never checked: {text}"
        for number, text in PROMISES.items()
        if not total.checks[number]
    ]
    missing += [
        f"rule never reached: {code}" for code in RULES if not total.rules[code]
    ]
    missing += [
        f"fault {number} never reached: {FAULTS[number]}"
        for number in sorted(DEMANDED_FAULTS)
        if not total.faults[number]
    ]
    missing += [
        f"incident never happened in {kind} worlds: {name}"
        for kind, names in tables.items()
        for name in sorted(names)
        if not tallies[kind].incidents[name]
    ]
    return missing
