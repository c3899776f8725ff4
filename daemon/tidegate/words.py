"""Codes of a log in plain words, and text of a log made safe to show.

A code never appears without its sentence.
"""

from __future__ import annotations

import unicodedata
from typing import Final

from tidegate.core.effects import Alarm, Reason

REASONS: Final = {
    Reason.NO_BATTERY: "there is no battery",
    Reason.BATTERY_CRITICAL_HEAT: "the battery is critically hot",
    Reason.COAST_OVER: "the time without a readable gauge is used up",
    Reason.GAUGE_LOST: "the gauge cannot be read",
    Reason.GAUGE_FROZEN: "the gauge always says the same",
    Reason.GAUGE_IMPLAUSIBLE: "the gauge says what cannot be",
    Reason.BELOW_FLOOR: "the charge reached the floor",
    Reason.ONLY_SOURCE: "the device died twice while the supply was off",
    Reason.RELAY_FED_BY_SUPPLY: "the relay died twice with the supply it switches",
    Reason.RELAY_NO_EFFECT: "switching off has no effect",
    Reason.RELAY_REVERSED: "the relay is wired the other way round",
    Reason.BATTERY_HOT: "the battery is hot",
    Reason.BATTERY_COLD: "the battery is cold and was charging",
    Reason.RELAY_BUDGET: "the relay has used up its switchings",
    Reason.OVERRIDE: "an operator ordered it",
    Reason.AT_LOW_MARK: "the charge is at the low mark",
    Reason.AT_HIGH_MARK: "the charge is at the high mark",
    Reason.IN_WINDOW: "the charge is inside the window",
    Reason.START: "the daemon started",
    Reason.STOP: "the daemon stops",
    Reason.SUPPLY_ABSENT: "on is commanded and no power comes",
    Reason.RELAY_EXTERNAL_CHANGE: "somebody else moved the contact",
    Reason.RELAY_FAILED: "the relay did not take the command",
    Reason.MEASURE_ONLY: "the station only measures",
    Reason.DEAD_LOCK: "an off could lock the station up",
    Reason.PROVE: "an operator proves the station",
}

ALARMS: Final = {
    Alarm.NO_BATTERY: "There is no battery: the supply stays on.",
    Alarm.BATTERY_CRITICAL_HEAT: "The battery is critically hot: the supply is off. "
    "Do not touch a swollen or smelling pack; hand it to a qualified person.",
    Alarm.GAUGE_LOST: "The gauge cannot be read: the supply stays on until it can.",
    Alarm.GAUGE_FROZEN: "The gauge always says the same: the supply stays on until it "
    "moves.",
    Alarm.GAUGE_IMPLAUSIBLE: "The gauge says what cannot be: the supply stays on.",
    Alarm.GAUGE_SILENT: "The gauge has not answered for days: restore contact soon, or "
    "the device may ask for permission anew (a debug key is forgotten after a week).",
    Alarm.BELOW_FLOOR: "The charge reached the floor: the supply is on until the low "
    "mark.",
    Alarm.ONLY_SOURCE: "The device died twice while the supply was off: it stays on. "
    "The battery may be worn out; prove the station again after a change.",
    Alarm.RELAY_FED_BY_SUPPLY: "The relay lives on the supply that it switches: the "
    "supply stays on. Feed the relay from elsewhere.",
    Alarm.RELAY_NO_EFFECT: "Switching off has no effect: the contact sticks, or the "
    "device has another supply. The battery may fill up.",
    Alarm.RELAY_REVERSED: "The relay is wired the other way round: commands are "
    "swapped. Correct the wiring or the contact setting.",
    Alarm.BATTERY_HOT: "The battery is hot: it is not charged until it has cooled.",
    Alarm.BATTERY_COLD: "The battery is too cold to charge: the supply is off until it "
    "is warmer or at the floor.",
    Alarm.RELAY_BUDGET: "The relay has used up its switchings: it rests for a while.",
    Alarm.OVERRIDE_ENDED: "The override that kept the supply off was ended for safety.",
    Alarm.SUPPLY_ABSENT: "On is commanded and no power comes: the mains, the charger "
    "or a cable is out, or the contact is open.",
    Alarm.RELAY_EXTERNAL_CHANGE: "Somebody or something else moved the contact.",
    Alarm.RELAY_FAILED: "The relay does not take commands; they are repeated.",
    Alarm.EFFECT_UNPROVABLE: "This gauge can never show whether the supply followed.",
    Alarm.TEMPERATURE_ABSENT: "The temperature is gone: heat is not guarded.",
    Alarm.TEMPERATURE_FROZEN: "The temperature never moves: heat is not guarded.",
    Alarm.ABOVE_WINDOW: "The charge stands above its window: unplug the device once, "
    "a hold cannot lower it.",
    Alarm.OVERCHARGE_RISK: "The charge rises above the window and the supply does not "
    "follow.",
    Alarm.DEVICE_WILL_DIE: "The charge is at the floor and no power comes: the device "
    "will go dark.",
    Alarm.DEAD_LOCK: "A flat device could not close its own relay: it is never "
    "switched off. Use a normally-closed contact or a relay with a timer.",
    Alarm.NOT_FAIL_ON: "If this host dies while the supply is off, nothing returns it: "
    "use a normally-closed contact or a relay with a timer.",
    Alarm.BATTERY_HEALTH: "The gauge reports an unsound battery: have it inspected.",
    Alarm.LOG_LOST: "The cycle log cannot be written: control goes on, the record has "
    "a gap.",
}


GAPS: Final = {
    "no_daemon": "no daemon ran",
    "gauge_failed": "the gauge could not be read",
    "rejected": "what the gauge said cannot be trusted",
    "log_lost": "the cycle log could not be written",
    "suspended": "the device slept",
    "unread": "nothing was read, and the log does not tell why",
}


def alarm_text(code: str) -> str:
    """Return the sentence of an alarm; a log may hold codes of another version."""
    try:
        return ALARMS[Alarm(code)]
    except ValueError:
        return "An alarm of another version of tidegate, which this one does not know."


def reason_text(code: str) -> str:
    """Return the words of a reason; a log may hold codes of another version."""
    try:
        return REASONS[Reason(code)]
    except ValueError:
        return "a reason of another version of tidegate, which this one does not know"


def gap_text(code: str) -> str:
    """Return why a gap in the readings is there; an unknown code stands for itself."""
    return GAPS.get(code, code)


def visible(text: str) -> str:
    """Return a text with what would command a terminal, or turn its writing, escaped.

    Anybody may have written it. These are the control and format characters
    (categories Cc and Cf of Unicode), line ends included, and halves of characters.
    """
    if text.isprintable():
        return text
    return "".join(map(_shown, text))


def in_json(text: str) -> str:
    """Return JSON with the same characters in its strings escaped: RFC 8259, section 7.

    Those below U+0020 the writer of the JSON has escaped; what is left of them are line
    ends between values.
    """
    return text if text.isprintable() else "".join(map(_escaped, text))


def _shown(character: str) -> str:
    if not _commands(character):
        return character
    return character.encode("unicode_escape").decode("ascii")


def _escaped(character: str) -> str:
    if character < " " or not _commands(character):
        return character
    units = character.encode("utf-16-be", "surrogatepass").hex()
    return "".join(f"\\u{units[at : at + 4]}" for at in range(0, len(units), 4))


def _commands(character: str) -> bool:
    return unicodedata.category(character) in ("Cc", "Cf", "Cs", "Zl", "Zp")
