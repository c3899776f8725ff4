"""The verdict in a sentence, what it means for the owner, and what to do next."""

from __future__ import annotations

from typing import Final

from tidegate.taper.finding import Confidence, Finding, Verdict

_RATES: Final = {
    # Measured on 6,000 random devices, see DEVELOPERS.md; rounded up.
    Confidence.HIGH: "of such verdicts on invented devices fewer than 1 in 500 were wrong",
    Confidence.MEDIUM: "of such verdicts on invented devices fewer than 1 in 200 were "
    "wrong",
    Confidence.LOW: "of such verdicts on invented devices about 1 in 50 was wrong",
}
_MODELS: Final = (
    "How much that saves is not certain: compare `tidegate wear --hold 100` with "
    "`--hold 60`, where the models do not agree."
)


def headline(finding: Finding) -> str:
    """Return the answer in one sentence."""
    name = finding.station or "the device"
    sure = f"(confidence {finding.confidence})" if finding.confidence else ""
    begin = finding.station or "The device"
    if finding.verdict is Verdict.TAPERS:
        return (
            f"{begin} tapers its own charging {sure}: it holds back long before full."
        )
    if finding.verdict is Verdict.NOT:
        return (
            f"{begin} does not taper its own charging {sure}: it charges as fast as it "
            "can up to the end."
        )
    return f"Whether {name} tapers its own charging is unclear from this log."


def confidence_said(finding: Finding) -> str:
    """Return what the confidence stands for; empty where there is none."""
    if finding.confidence is None:
        return ""
    return f"Confidence {finding.confidence}: {_RATES[finding.confidence]}."


def meaning(finding: Finding) -> list[str]:
    """Return what the verdict means for the owner; it promises nothing."""
    if finding.verdict is Verdict.TAPERS:
        return [
            "A device that tapers still rests full: once there, its battery ages as any "
            "that is held at 100 %. A charge window still avoids that rest.",
            _MODELS,
            "Its last fifth takes long, so a planned rise to full needs those hours too.",
        ]
    if finding.verdict is Verdict.NOT:
        return [
            "Nothing in the device spares the battery on its way to full, and there it "
            "rests. A charge window avoids that rest.",
            _MODELS,
        ]
    return [
        "Neither can be said. A charge window avoids the rest at full whether the device "
        "tapers or not; the answer only says how much the device does by itself."
    ]


def next_steps(finding: Finding) -> list[str]:
    """Return what to do next, with the commands for it."""
    name = finding.station or "STATION"
    if finding.verdict is Verdict.UNCLEAR:
        return [f"Record a charge: tidegate taper {name} --record"]
    return [
        f"Compare windows for this site: tidegate tune {name}",
        f"See what the battery has been through: tidegate audit {name}",
    ]
