"""Faults 27 to 37: the relay."""

from __future__ import annotations

from typing import Final

from faults import without
from faults.switch import Fault, switch

_CORE: Final = "tidegate.core"
_WIRE: Final = "tidegate_backends.wire"
_STATION: Final = "tidegate.station"

FAULTS: Final = (
    Fault(
        27,
        "the relay's port is missing at start",
        "The station reads and logs, has the alarm relay_failed and tries again; the "
        "supply is set and verified once the port is there.",
        (
            switch(
                "a start needs the relay",
                "the service ended",
                (
                    f"{_STATION}.relay_side.RelaySide.open_at_start",
                    without.a_start_without_relay,
                ),
            ),
        ),
    ),
    Fault(
        28,
        "the relay is unplugged while running",
        "Its state is unknown and the alarm relay_failed stands; on return it is "
        "told again and the effect is verified.",
        (
            switch(
                "nobody looks at the relay",
                "an unplugged relay was not told",
                (f"{_STATION}.relay_side.RelaySide._report", without.reports),
            ),
        ),
    ),
    Fault(
        29,
        "the relay obeys and the supply does not follow",
        "The off is sent three times in all, then the alarm relay_no_effect stands and "
        "offs stop, but for a trial after an hour.",
        (
            switch(
                "effects are not judged",
                "sent three times",
                (f"{_CORE}.controller.judge", without.judging),
            ),
        ),
    ),
    Fault(
        30,
        "somebody else moves the contact",
        "The alarm relay_external_change stands; off is said again twice an hour at "
        "most, on without limit.",
        (
            switch(
                "nobody watches the contact",
                "a stranger's hand was not told",
                (f"{_CORE}.controller.relay_reported", without.reports_taken),
                (f"{_CORE}.verdict.note_outside", without.hands_noticed),
            ),
            switch(
                "off is said again without limit",
                "fought the stranger",
                (f"{_CORE}.repeats.OUTSIDE_OFFS_AN_HOUR", 1_000),
            ),
        ),
    ),
    Fault(
        31,
        "a contact is stuck: closed above the window, open below the floor",
        "Above the high mark the alarm overcharge_risk stands, under the floor without "
        "power the alarm device_will_die.",
        (
            switch(
                "overcharge is not told",
                "overcharge_risk",
                (
                    f"{_CORE}.alarms._of_control",
                    without.make_silent("overcharge_risk"),
                ),
            ),
            switch(
                "a dying device is not told",
                "device_will_die",
                (
                    f"{_CORE}.alarms._of_control",
                    without.make_silent("device_will_die"),
                ),
            ),
        ),
    ),
    Fault(
        32,
        "the relay's answer is spoiled: sum, channel, stale bytes, echo",
        "It is not believed; what lay about is dropped and the command is sent once "
        "more, then it is a fault.",
        (
            switch(
                "there is no second try",
                "one spoiled answer failed",
                (
                    "tidegate_backends.relays.serial_frame.SerialFrameRelay._twice",
                    without.a_second_try,
                ),
            ),
            switch(
                "any answer is believed",
                "a spoiled answer was believed",
                (f"{_WIRE}.four_byte.state", without.answers_checked),
            ),
        ),
    ),
    Fault(
        36,
        "the station switches too often",
        "An off beyond the budget is refused with the alarm relay_budget while the "
        "supply is on; the count survives a restart and ends by itself.",
        (
            switch(
                "there is no budget",
                "the budget was not kept",
                (f"{_CORE}.rules.budget_is_free", without.a_budget),
            ),
            switch(
                "the past is forgotten",
                "a restart forgot the budget",
                ("tidegate.service.past.rebuild", without.a_past),
            ),
        ),
    ),
    Fault(
        37,
        "the relay is powered from the supply that it switches",
        "Lost right after an off twice, and back with the power: no more offs, with the "
        "alarm relay_fed_by_supply.",
        (
            switch(
                "a loss after an off means nothing",
                "relay_fed_by_supply",
                (f"{_CORE}.verdict.check_fed", without.fed_checked),
            ),
        ),
    ),
)
