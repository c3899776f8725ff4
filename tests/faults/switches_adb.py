"""Faults 19 to 26: the adb gauge."""

from __future__ import annotations

from typing import Final

from faults import without_adb as without
from faults.switch import Fault, switch

_CORE: Final = "tidegate.core"
_GAUGE: Final = "tidegate_backends.gauges.adb"
_PATIENCE: Final = "tidegate_backends.adb.patience.Patience"
_DUMPSYS: Final = "tidegate_backends.wire.dumpsys"

FAULTS: Final = (
    Fault(
        19,
        "the device is offline, not found or has not authorised us",
        "Over the switched cable the off is a coast with a box, and on at its end; each "
        "change of state is one message with its remedy; the supply stays on.",
        (
            switch(
                "a coast has no box",
                "supply on at the end of the box",
                (f"{_CORE}.rules.coast_is_over", without.a_box),
            ),
            switch(
                "one failure is like another",
                "not one message a change of state",
                (
                    "tidegate.station.gauge_side.GaugeSide._say",
                    without.texts_told_apart,
                ),
            ),
        ),
    ),
    Fault(
        20,
        "the device's shell answers without a dump, and its exit code is 0",
        "It is a missed sample with its own message, and nothing is switched.",
        (
            switch(
                "the text is not looked at",
                "a missed sample switched the supply",
                (f"{_GAUGE}.answer_in", without.a_text_looked_at),
            ),
        ),
    ),
    Fault(
        21,
        "the answer is cut, echoed, from a terminal, or has a maker's tail",
        "It is read rightly or not at all, never in part.",
        (
            switch(
                "a dump has no end",
                "a tail or an echo was believed",
                (f"{_DUMPSYS}._dumped", without.make_an_end),
            ),
            switch(
                "half a dump is enough",
                "a cut dump was believed",
                (f"{_DUMPSYS}._check_whole", without.a_whole_dump),
            ),
        ),
    ),
    Fault(
        22,
        "somebody froze the device's battery service",
        "Its values are not believed: nothing is switched at first, the supply is on "
        "after three of them; a note says what was done, and we do not undo it.",
        (
            switch(
                "the line is not looked at",
                "supply on under a frozen service|two frozen samples",
                (f"{_DUMPSYS}._dumped", without.make_freezing_unseen),
            ),
        ),
    ),
    Fault(
        23,
        "a call to adb hangs",
        "It is killed at 10 s and reaped, the device is asked less and less often; "
        "after five in a row the server is told to connect anew, after ten it is ended "
        "if the settings allow it.",
        (
            switch(
                "hangs are not counted",
                "not told to connect anew",
                (f"{_PATIENCE}.hung", without.a_count),
            ),
            switch(
                "a device that hangs is not spared",
                "is asked as often",
                (f"{_PATIENCE}.check", without.patience),
            ),
            switch(
                "a call is not ended",
                "processes were left behind",
                ("tidegate_backends.programs.Program.end", without.an_end),
            ),
        ),
    ),
    Fault(
        24,
        "the supply takes adb along",
        "That is expected and no alarm; after the on it has 60 s to come back.",
        (
            switch(
                "it is like any other gauge",
                "an expected loss was an alarm",
                (f"{_GAUGE}.AdbGauge.facts", property(without.facts_of_another_cable)),
            ),
            switch(
                "it must be back at once",
                "an expected loss was an alarm",
                (f"{_CORE}.orders.COAST_GRACE_MS", 0),
            ),
        ),
    ),
    Fault(
        25,
        "more than one device is attached, and the settings name none",
        "None is read; the message lists them.",
        (
            switch(
                "any device will do",
                "another device was believed",
                (f"{_GAUGE}.AdbGauge._chosen", property(without.the_first)),
            ),
        ),
    ),
    Fault(
        26,
        "there was no contact for three days, and after seven the key is forgotten",
        "The alarm gauge_silent stands until there is contact.",
        (
            switch(
                "silence is not counted",
                "an alarm before the key is forgotten",
                (f"{_CORE}.alarms._is_silent", without.silence),
            ),
        ),
    ),
)
