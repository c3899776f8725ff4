"""Faults 38 to 50: process, storage and machine."""

from __future__ import annotations

from typing import Final

from faults import without
from faults.switch import Fault, switch

_CORE: Final = "tidegate.core"
_SUPPLIES: Final = "tidegate_backends.linux.power_supplies"
_STATION: Final = "tidegate.station"
_RELOAD: Final = "tidegate.service.reload.Reload"
_MANAGER: Final = "tidegate.manager.part"

FAULTS: Final = (
    Fault(
        38,
        "the daemon is told to stop, or is killed",
        "A stop sets the supply on, closes the log and ends with 0; after a kill the "
        "next start reads the last record and moves nothing before the first "
        "reading.",
        (
            switch(
                "a stop leaves the supply as it is",
                "left off by a stop",
                (f"{_CORE}.controller._stop", without.an_on_at_stop),
            ),
            switch(
                "the last record is not read",
                "the off of the run before was not kept",
                ("tidegate.service.past.rebuild", without.a_past),
            ),
        ),
    ),
    Fault(
        39,
        "the loop, or one station of it, stalls",
        "The watchdog is no longer fed, so the service manager kills the daemon and "
        "starts it again; how often is told, and it never gives up.",
        (
            switch(
                "a thread feeds the watchdog",
                "a blocked loop was fed",
                (f"{_MANAGER}.Manager.begin", without.a_thread_that_pings),
            ),
            switch(
                "a timer feeds the watchdog",
                "the watchdog was fed",
                (f"{_MANAGER}.Manager.begin", without.a_timer_that_pings),
            ),
            switch(
                "any station feeds the watchdog",
                "the watchdog was fed",
                (f"{_MANAGER}.Manager._cycled", without.a_cycle_of_all),
            ),
            switch(
                "runs are not counted",
                "the restarts are not told",
                (f"{_MANAGER}.counted", without.counted_runs),
            ),
        ),
    ),
    Fault(
        40,
        "the disk is full",
        "Control goes on in memory with one alarm, log_lost; once there is room, the "
        "log goes on with a gap row.",
        (
            switch(
                "a log that fails stops control",
                "the service ended",
                (f"{_STATION}.log_side.LogSide.commit", without.a_log_that_may_fail),
            ),
        ),
    ),
    Fault(
        41,
        "the cycle log is malformed",
        "It is moved aside under a time stamp and a new one is begun, whose first gap "
        "row says why the chain breaks there.",
        (
            switch(
                "damage is not looked for",
                "was not set aside",
                ("tidegate.cyclelog.file.LogFile._fault", without.damage_found),
            ),
        ),
    ),
    Fault(
        42,
        "two daemons want one relay",
        "The second ends at once with a code of its own, is told who holds the relay "
        "or the log, and never moves the contact.",
        (
            switch(
                "relays are not locked",
                "who holds the relay",
                ("tidegate.host.locks._take", without.a_lock),
            ),
            switch(
                "logs are not locked",
                "two daemons wrote one log",
                ("tidegate.cyclelog.file.LogFile._hold", without.a_hold),
            ),
        ),
    ),
    Fault(
        43,
        "the settings are wrong when they are reloaded",
        "Those before stay in force, control goes on, and file, line, key, what was "
        "found and what is allowed are shown.",
        (
            switch(
                "what is wrong is taken",
                "wrong settings were taken",
                ("tidegate.settings.models.LEAST_WIDTH_PERCENT", -1_000.0),
            ),
            switch(
                "an error at a reload is everybody's",
                "the service ended",
                (f"{_RELOAD}._refused", without.a_refusal),
            ),
            switch(
                "an error at a reload is nobody's",
                "the error was not shown",
                (f"{_RELOAD}._refused", without.words_for_it),
            ),
        ),
    ),
    Fault(
        44,
        "the settings are inverted, too narrow or without dwell",
        "They are refused at load with file, line, key, what was found and what is "
        "allowed.",
        (
            switch(
                "marks may stand anyhow",
                "was taken",
                ("tidegate.settings.models.LEAST_WIDTH_PERCENT", -1_000.0),
            ),
            switch(
                "times may be anything",
                "was taken",
                ("tidegate.settings.durations.duration_ms", without.bounds_of_times),
            ),
        ),
    ),
    Fault(
        46,
        "a burst of kernel events, or a queue that overflows",
        "A burst is drained with one hint; an overflow is counted, a new queue hears "
        "again, and everything is read anew.",
        (
            switch(
                "every event is a hint",
                "hints for one burst",
                ("tidegate_backends.linux.udev.Events._hint", without.patience),
            ),
            switch(
                "an overflow is an error",
                "an overflow was not survived",
                ("tidegate_backends.linux.udev.Events._lost", without.a_new_queue),
            ),
        ),
    ),
    Fault(
        48,
        "the same fault with every sample",
        "The messages have the first, then every tenth with its count; the log makes "
        "one row of a run of them.",
        (
            switch(
                "every repeat is written",
                "messages of one fault",
                ("tidegate.notice.Quiet.count", without.quiet),
            ),
        ),
    ),
    Fault(
        49,
        "the locale is C and a model's name is no UTF-8",
        "Reading and running work all the same.",
        (
            switch(
                "names must be UTF-8",
                "under the C locale",
                (f"{_SUPPLIES}.Folder._text", without.odd_bytes),
            ),
        ),
    ),
    Fault(
        50,
        "a backend fails in a way that nobody foresaw",
        "The traceback is written once, the supply is on, and the backend is opened "
        "again and used once it works.",
        (
            switch(
                "a gauge's bug is everybody's",
                "the service ended",
                (f"{_STATION}.gauge_side.GaugeSide._broke", without.forgiveness),
            ),
            switch(
                "a relay's bug is everybody's",
                "the service ended",
                (f"{_STATION}.relay_side.RelaySide._say", without.relay_forgiveness),
            ),
        ),
    ),
)
