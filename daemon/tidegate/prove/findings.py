"""What a commissioning run can find besides its verdict, each with its remedy."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class Finding(StrEnum):
    """Something that a person should know before trusting the station."""

    RELAY_REVERSED = "relay_reversed"
    RELAY_SWAPPED = "relay_swapped"
    RELAY_NO_EFFECT = "relay_no_effect"
    RELAY_FED_BY_SUPPLY = "relay_fed_by_supply"
    RELAY_FAILED = "relay_failed"
    POWER_CAME_BACK = "power_came_back"
    POWER_WENT = "power_did_not_stay"
    SUPPLY_ABSENT = "supply_absent"
    GAUGE_NOT_BACK = "gauge_not_back"
    GAUGE_SLOW = "gauge_slower_than_settle"
    GAUGE_BLIND = "gauge_blind_while_off"
    GAUGE_LOST = "gauge_lost_while_off"
    EFFECT_UNPROVABLE = "effect_unprovable"
    NOT_FAIL_ON = "normally_open_without_timer"
    DEAD_LOCK = "dead_lock"
    READBACK_DISAGREES = "readback_disagrees"
    TIMER_FAILED = "timer_failed"
    TIMER_NOT_TESTED = "timer_not_tested"
    TIMER_TOO_SHORT = "timer_too_short"
    HEAT_UNGUARDED = "heat_unguarded"
    STILL_DARK = "supply_not_restored"


@dataclass(frozen=True, slots=True)
class Words:
    """What a finding says, and what to do about it."""

    text: str
    remedy: str


# The others are worth knowing, and no danger.
HARMLESS: Final = frozenset(
    {
        Finding.RELAY_SWAPPED,
        Finding.READBACK_DISAGREES,
        Finding.TIMER_NOT_TESTED,
        Finding.TIMER_TOO_SHORT,
        Finding.HEAT_UNGUARDED,
    }
)


WORDS: Final = {
    Finding.RELAY_REVERSED: Words(
        "The relay is wired the other way round than `contact` says: commanded on it "
        "takes the supply away.",
        "{other}, then prove it again.",
    ),
    Finding.RELAY_SWAPPED: Words(
        "The relay is wired the other way round than `contact` says; the daemon found "
        "that out, and commands are swapped.",
        "{other}.",
    ),
    Finding.RELAY_NO_EFFECT: Words(
        "Commanded off, the supply stays.",
        "The contact sticks, it is not in this supply, or the device has another one: "
        "look at the wiring, then prove it again.",
    ),
    Finding.RELAY_FED_BY_SUPPLY: Words(
        "The relay stops answering when it takes the supply away: it seems to live on "
        "the supply that it switches.",
        "Feed the relay, and what it hangs on, from elsewhere.",
    ),
    Finding.RELAY_FAILED: Words(
        "The relay did not take a command.",
        "Look at its power, its cable and its settings.",
    ),
    Finding.POWER_CAME_BACK: Words(
        "The supply came back by itself while off was commanded.",
        "Look for a second supply, for a timer in the relay that the settings do not "
        "name, and for somebody else who switches it.",
    ),
    Finding.POWER_WENT: Words(
        "With on commanded the supply came, and went again.",
        "Look at the mains, the charger and the cables, and for a relay that lets go "
        "by itself after a while (boards call it jog or pulse): set it to stay.",
    ),
    Finding.SUPPLY_ABSENT: Words(
        "On is commanded and no power comes.",
        "Look at the mains, the charger and the cables.",
    ),
    Finding.GAUGE_NOT_BACK: Words(
        "On is commanded and the gauge did not come back.",
        "Look at the supply first, then at what the gauge is reached over.",
    ),
    Finding.GAUGE_SLOW: Words(
        "The gauge shows an off later than `settle` allows, so that nothing can be "
        "proven in time.",
        "Set `settle` to twice what it took, then prove it again.",
    ),
    Finding.GAUGE_BLIND: Words(
        "While the supply is off nobody sees the battery: the gauge lives on the "
        "supply that is switched. Times off are boxed for it, and the floor and heat "
        "are not guarded in them.",
        "Reach the gauge another way (over the network, or with a contact that cuts "
        "power and leaves data).",
    ),
    Finding.GAUGE_LOST: Words(
        "The gauge was lost with the off, and that proves nothing here.",
        "If it is reached over the switched supply, say that in its settings (for an "
        'adb gauge: over = "usb-switched"). Behind a hub port, which may drop the data '
        "and leave the power on, read it another way. Else look why it went.",
    ),
    Finding.EFFECT_UNPROVABLE: Words(
        "Nothing that this gauge says would change with the supply now, so nothing "
        "can be proven.",
        "Use a gauge that tells external power or the battery's status; where charging "
        "is what a relay stops, let the battery be one that charges.",
    ),
    Finding.NOT_FAIL_ON: Words(
        "The contact is not normally-closed, and no timer was seen to return it: if "
        "the host or the relay dies while the supply is off, the device goes flat.",
        "Wire the contact normally-closed, or use a relay with a timer and let it be "
        "tested.",
    ),
    Finding.DEAD_LOCK: Words(
        "This device switches its own supply over such a contact: once flat, it could "
        "never close it again. `accept_dead_lock` allows that.",
        "Wire the contact normally-closed, or use a relay with a timer.",
    ),
    Finding.READBACK_DISAGREES: Words(
        "The relay reported another state than the one that was proven.",
        "Do not build on its readback; look at its settings.",
    ),
    Finding.TIMER_FAILED: Words(
        "The relay's timer did not return the supply: what the settings count on is "
        "not there.",
        "Set the relay's timer up, or wire the contact normally-closed.",
    ),
    Finding.TIMER_NOT_TESTED: Words(
        "The relay's timer was not tested.",
        "Prove the station at a terminal, or with --yes.",
    ),
    Finding.TIMER_TOO_SHORT: Words(
        "The relay's timer is shorter than two polls: one poll that is missed brings "
        "the supply back in the middle of a time off.",
        "Set the timer longer, or poll more often.",
    ),
    Finding.HEAT_UNGUARDED: Words(
        "The gauge gives no temperature: heat is not guarded.",
        "Use a gauge that gives one, or mind the place where the device hangs.",
    ),
    Finding.STILL_DARK: Words(
        "The supply could not be seen to be on.",
        "Bypass the relay by hand now if the device must not go flat.",
    ),
}


def words(finding: Finding, *, contact: str) -> Words:
    """Return what to say of a finding on a station with this contact."""
    found = WORDS[finding]
    fitting = other_contact(contact)
    other = "Exchange the wires at the contact"
    if fitting is not None:
        other = f'Set contact = "{fitting}" if that is how it is wired, else {other[0].lower()}{other[1:]}'
    return Words(found.text, found.remedy.format(other=other))


def other_contact(contact: str) -> str | None:
    """Return the setting that drives the coil the other way round.

    A latch has none: the one that would do says that it falls back to on.
    """
    return {
        "normally-closed": "normally-open",
        "normally-open": "normally-closed",
    }.get(contact)
