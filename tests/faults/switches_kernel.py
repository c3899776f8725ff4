"""Faults 34 and 35: what the kernel itself can switch."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, Final

from faults import without
from faults.switch import Fault, switch
from tidegate.core.policy import Proof

_CORE: Final = "tidegate.core"
_WIRE: Final = "tidegate_backends.wire.charge_control"
_LEVERS: Final = "tidegate_backends.linux.charge_control"

_UNWATCHED: Final = (
    (f"{_CORE}.controller.relay_reported", without.reports_taken),
    (f"{_CORE}.verdict.note_outside", without.hands_noticed),
)
# Two proofs of which neither is that of a hold.
_NO_HOLDS: Final = SimpleNamespace(
    CHARGING=object(), EXTERNAL_POWER=Proof.EXTERNAL_POWER
)


def _differences(self: Any, asked: int, effective: int) -> None:
    del self, asked, effective


def _any_threshold(asked_percent: int, effective_percent: int) -> bool:
    del asked_percent, effective_percent
    return True


def _no_companion(folder: Any) -> None:
    del folder


FAULTS: Final = (
    Fault(
        34,
        "a kernel threshold is rounded, refused or reset",
        "What was asked and what is effective are told; an off that stops charging "
        "elsewhere is none; a hold that was forgotten is said again at every reading.",
        (
            switch(
                "a rounding is not told",
                "a rounding was not told",
                (f"{_LEVERS}.Thresholds._told", _differences),
            ),
            switch(
                "any threshold will do",
                "a threshold far from the level was taken for an off",
                (f"{_WIRE}.is_rounding", _any_threshold),
            ),
            switch(
                "nobody watches the firmware",
                "a hold that the firmware forgot was not said again",
                *_UNWATCHED,
            ),
            switch(
                "a hold is like a contact",
                "a hold that the firmware forgot was not said again",
                (f"{_CORE}.repeats.Proof", _NO_HOLDS),
            ),
        ),
    ),
    Fault(
        35,
        "a reset of a hub turns its ports on",
        "The alarm relay_external_change stands; off is said again twice an hour at "
        "most, to both halves of the plug.",
        (
            switch("nobody watches the hub", "a hub's reset was not told", *_UNWATCHED),
            switch(
                "one half is enough",
                "the other half kept its power",
                ("tidegate_backends.linux.usb_ports.companion_of", _no_companion),
            ),
        ),
    ),
)
