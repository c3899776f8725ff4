"""What an audit rests on, what the models say in sentences, and how to check it."""

from __future__ import annotations

from datetime import tzinfo

from tidegate.audit.result import Audit
from tidegate.cyclelog import signing
from tidegate.report.audit_finding import moment
from tidegate.report.axis import zone_name
from tidegate.report.story import Story
from tidegate.wear import finding


def models_said(audit: Audit) -> list[str]:
    """Return what the models say of this duty, in sentences."""
    years, wear = audit.deciding
    if wear is None or not wear.models:
        return ["No model could be asked: the log does not hold enough for it."]
    heat = audit.temperature
    is_guess = heat.mean_c is None and heat.assumed_c is not None
    first, *more = finding.sentences(wear, sensor=heat.sensor, is_guess=is_guess)
    if years is not None:
        first = f"If it goes on like this for {years} years: {first}"
    return [first, *more]


def evidence(audit: Audit, told: Story, zone: tzinfo) -> list[str]:
    """Return what the page rests on, a paragraph each."""
    return [
        "Time counts where a trusted reading holds; gaps count neither as charge nor "
        "as heat, and are drawn as gaps. A run of equal readings with a hole in it is a "
        "gap as a whole: where in it the hole was, the log does not keep.",
        "A share in the window is of the time read while one was in force, the way into "
        "it included; a point beside each mark counts as inside. Cycles a year and "
        "switchings a day are over all of the time, gaps included.",
        "The supply is what the relay reported as done; whether the device's supply "
        "followed is in the effects.",
        f"Times are local ({zone_name(told.from_ms, told.until_ms, zone)}). Within a "
        "boot they follow the boot clock, which nobody can set.",
        *audit.notes,
    ]


def verifying(audit: Audit, zone: tzinfo) -> list[str]:
    """Return which log this is, and when and how to check it."""
    head = audit.head
    when = "at a time that no calendar has"
    if signing.moment(head.wall_ms):
        when = moment(head.wall_ms, zone)
    return [
        f"tidegate {audit.version}. Link {head.number:,} of {head.path.name}, row "
        f"{head.row:,}, {when}: {head.link or 'none'}",
        f"To check it: “tidegate log verify --log {head.path.name}” names the first row "
        "that was altered, is missing or was added. With “--against” and this link, a "
        "signed head or a copy that was kept elsewhere, it also shows whether the end "
        "was cut off.",
    ]
