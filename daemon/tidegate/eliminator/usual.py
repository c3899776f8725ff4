"""The usual case, 5 V in and 4.2 V out (common practice, no source), worked out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from tidegate.eliminator.asked import Asked
from tidegate.eliminator.regulator import Kind, feed
from tidegate.eliminator.units import shown

OUT_V: Final = 4.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Usual:
    """``room_v`` is from the lowest voltage of the source down to 4.2 V; ``lost_v`` of
    it goes into cable, contacts and blocking, ``None`` where the load cannot pass.
    """

    source_v: float
    room_v: float
    lost_v: float | None
    dropout_v: float

    @property
    def holds(self) -> bool:
        """Whether a regulator that only steps down has enough."""
        return self.lost_v is not None and (
            self.room_v - self.lost_v >= self.dropout_v - 1e-9
        )

    def sentence(self) -> str:
        """Return it in words."""
        begins = (
            f"5 V in, 4.2 V out (common practice, no source) leaves 0.80 V, and "
            f"{shown(self.room_v, 'V')} from {shown(self.source_v, 'V')}"
        )
        if self.lost_v is None:
            return f"{begins}; this load cannot pass at all."
        left_v = self.room_v - self.lost_v
        verb = "holds" if self.holds else "does not hold"
        return (
            f"{begins}; cable, contacts and blocking take {shown(self.lost_v, 'V')}, "
            f"the drop-out needs {shown(self.dropout_v, 'V')}: {shown(left_v, 'V')} "
            f"are left for it, so it {verb} here."
        )


def usual(asked: Asked) -> Usual:
    """Return the case with this source, cable and load."""
    kind = Kind.SWITCHING if asked.kind is Kind.BUCK_BOOST else asked.kind
    found = feed(
        asked.way,
        replace(asked.regulator, out_v=OUT_V, kind=kind),
        asked.load,
        asked.source.low_v,
    )
    return Usual(
        source_v=asked.source.low_v,
        room_v=asked.source.low_v - OUT_V,
        lost_v=None if found is None else asked.source.low_v - found.in_v,
        dropout_v=asked.dropout_v,
    )
