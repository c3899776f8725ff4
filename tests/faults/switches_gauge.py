"""Faults 1 to 18: the gauge."""

from __future__ import annotations

from typing import Final

from faults import without
from faults.switch import Fault, switch

_CORE: Final = "tidegate.core"
_SUPPLIES: Final = "tidegate_backends.linux.power_supplies"
_SYSFS: Final = "tidegate_backends.gauges.sysfs.SysfsGauge"
_WIRE: Final = "tidegate_backends.wire"
_STATION: Final = "tidegate.station"

FAULTS: Final = (
    Fault(
        1,
        "the battery's folder vanishes",
        "After three missed reads and stale_after the supply is on with the alarm "
        "gauge_lost, which names the folder; a battery that is back is used again "
        "after three readings, and the dwell starts afresh.",
        (
            switch(
                "misses are not counted",
                "supply on without a battery",
                (f"{_CORE}.watch.take_failure", without.failures_counted),
            ),
        ),
    ),
    Fault(
        2,
        "one attribute has no device or no data behind it",
        "The rest of the attributes is used, and nobody is bothered.",
        (
            switch(
                "every attribute is needed",
                "off at the high mark",
                (f"{_SUPPLIES}.Folder._values", without.gaps_allowed),
            ),
        ),
    ),
    Fault(
        3,
        "the driver is busy, or its uevent is empty",
        "It is asked twice more, 200 ms apart; then the sample is missed, with a "
        "warning, and the next one is read as ever.",
        (
            switch(
                "a busy driver is not asked again",
                "was not asked again",
                (f"{_SUPPLIES}.RETRY_WAITS_S", ()),
            ),
        ),
    ),
    Fault(
        4,
        "an error of one property empties the uevent",
        "Single files are read instead, with a warning that names the property.",
        (
            switch(
                "single files are not read",
                "off at the high mark",
                (f"{_SUPPLIES}.Folder._values", without.single_files),
            ),
        ),
    ),
    Fault(
        5,
        "a read blocks",
        "It is cut at 5 s and is a miss; the loop goes on, and at most one thread of "
        "the gauge is in a read.",
        (
            switch(
                "a read may take for ever",
                "the read was not cut",
                (f"{_STATION}.gauge_side.bounded", without.a_limit),
            ),
        ),
    ),
    Fault(
        6,
        "the charge is a nonsense number or a text",
        "The sample is rejected with its raw text in the log and nothing is switched; "
        "106 % is 100 % if the charge agrees.",
        (
            switch(
                "any level is believed",
                "was not rejected|switched the supply",
                (f"{_CORE}.plausibility.VERDICTS", without.make_any_level_good),
            ),
        ),
    ),
    Fault(
        7,
        "a silent bus: all zeros, absolute zero, all ones",
        "One such sample is rejected and switches nothing; three in a row put the "
        "supply on with the alarm gauge_implausible.",
        (
            switch(
                "zeros are believed",
                "a silent bus was believed",
                (f"{_CORE}.plausibility.VERDICTS", without.make_zeros_good),
            ),
        ),
    ),
    Fault(
        8,
        "the charge is frozen while the device discharges",
        "The supply is on with the alarm gauge_frozen before the battery can be flat, "
        "until the figure moves.",
        (
            switch(
                "a frozen figure is believed",
                "supply on although the figure never moves",
                (f"{_CORE}.watch._frozen", without.frozen_noticed),
            ),
        ),
    ),
    Fault(
        9,
        "the charge jumps by more than 5 points",
        "It is set aside until a second reading at least 5 s later agrees; a single "
        "one never switches.",
        (
            switch(
                "a jump is believed",
                "one jump switched the supply",
                (f"{_CORE}.watch._jump", without.jumps_set_aside),
            ),
        ),
    ),
    Fault(
        10,
        "the battery says that it is not present",
        "After three samples over 60 s the supply is on with the alarm no_battery, and "
        "no such sample counts as a reading.",
        (
            switch(
                "presence is not looked at",
                "an absent battery was not told",
                (f"{_CORE}.watch._fitted", without.presence_noticed),
            ),
        ),
    ),
    Fault(
        11,
        "the battery has a word for its level and no number",
        "It never switches off by a word; the message says level_only and the alarm "
        "gauge_implausible stands.",
        (
            switch(
                "a word counts as a number",
                "a word alone switched the supply off",
                (f"{_WIRE}.packs._charge_of", without.make_words_numbers),
            ),
        ),
    ),
    Fault(
        12,
        "one of two batteries disappears",
        "They are weighed together; when one is gone, two samples are given up and "
        "nothing is switched, then the rest goes on from its own level.",
        (
            switch(
                "the rest goes on at once",
                "one battery's absence switched the supply",
                (f"{_SYSFS}._check_missing", without.packs_missed),
            ),
        ),
    ),
    Fault(
        13,
        "a peripheral's battery stands first, or alone",
        "It is left out, and the message lists what was left out and why.",
        (
            switch(
                "the scope is not looked at",
                "off at the high mark",
                (f"{_SUPPLIES}.Folder._battery", without.scope_noticed),
            ),
        ),
    ),
    Fault(
        14,
        "the status is unknown to us, or missing",
        "It counts as unknown, a note says so once, and control goes on by level and "
        "supply.",
        (
            switch(
                "only known words are taken",
                "off at the high mark",
                (f"{_WIRE}.power_supply._STATUSES", without.make_known_words_only),
            ),
        ),
    ),
    Fault(
        15,
        "the battery was replaced",
        "The log has the new pack in a row of its own, and what was learned of the old "
        "one is forgotten.",
        (
            switch(
                "packs are not told apart",
                "the old pack's lessons were kept",
                (f"{_CORE}.learn._pack", without.packs_told_apart),
            ),
        ),
    ),
    Fault(
        16,
        "the battery is too hot, or its sensor is missing or absurd",
        "Critical heat cuts the supply at once, heat after dwell; an absurd value "
        "counts as none; without a sensor control goes on, and where heat had "
        "held it off there is the alarm temperature_absent.",
        (
            switch(
                "temperature is not looked at",
                "off at critical heat",
                (f"{_CORE}.watch.take_temperature", without.temperature_taken),
            ),
        ),
    ),
    Fault(
        17,
        "the wall clock steps",
        "Dwell runs on the boot clock and is not moved; every row has both clocks, and "
        "the run says that the clock was never set.",
        (
            switch(
                "decisions go by the wall clock",
                "cut the dwell short",
                ("tidegate.virtual.VirtualClock.boot_ms", without.a_boot_clock),
            ),
        ),
    ),
    Fault(
        18,
        "the machine was suspended",
        "Nothing is stale and no leap is a jump until it has been read again; the "
        "gauge is read before anything is switched.",
        (
            switch(
                "a gap is not noticed",
                "switched before three reads failed",
                (f"{_STATION}.shell.Station.notice_suspend", without.gaps_noticed),
            ),
        ),
    ),
)
