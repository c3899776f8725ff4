"""What a sizing starts from. The defaults are choices, and are told as such."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from tidegate.eliminator.bank import Bank
from tidegate.eliminator.cell import CELLS, Cell
from tidegate.eliminator.regulator import BLOCKING_V, Kind, Load, Regulator, Way
from tidegate.eliminator.source import Source, plain
from tidegate.eliminator.wire import Wire, of_gauge

FOR_S: Final = 0.010
LENGTH_M: Final = 1.0
# Four contacts of 30 mΩ (seen in secondary sources only).
CONTACTS_OHM: Final = 4 * 0.030
EFFICIENCY: Final = 0.90
DROPOUT_V: Final = 0.3
DROP_V: Final = 0.5
ESR_OHM: Final = 0.030
TOLERANCE: Final = 0.20
AGEING: Final = 0.20
AMBIENT_C: Final = 40.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One design.

    ``load`` is drawn for long, ``peak`` for ``for_s``; the bank carries the peak
    alone. ``is_port_fed``: the device's own port has a supply as well, ``None`` where
    nobody said. ``sink_a`` is what the dummy pack can take in. ``precharge_ohm`` is
    ``None`` where it is to be sized, 0 for none; ``bank``, ``fuse_a`` likewise.
    ``thermal_k_per_w`` is from junction to air. ``assumed`` names what nobody said,
    with the value taken; ``notes`` are sentences on where the rest is from.
    """

    load: Load
    peak: Load
    out_v: float
    for_s: float = FOR_S
    source: Source = plain(5.0, 3.0)
    is_configured: bool = False
    wire: Wire = of_gauge(24)
    length_m: float = LENGTH_M
    contacts_ohm: float = CONTACTS_OHM
    copper_c: float | None = None
    kind: Kind = Kind.LINEAR
    efficiency: float = EFFICIENCY
    dropout_v: float = DROPOUT_V
    thermal_k_per_w: float | None = None
    drop_v: float = DROP_V
    esr_ohm: float = ESR_OHM
    tolerance: float = TOLERANCE
    ageing: float = AGEING
    ambient_c: float = AMBIENT_C
    cell: Cell = CELLS["unknown"]
    blocking: str = "ideal"
    is_port_fed: bool | None = None
    sink_a: float = 0.0
    precharge_ohm: float | None = None
    bank: Bank | None = None
    fuse_a: float | None = None
    melting_a2s: float | None = None
    assumed: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def may_give_a(self) -> float:
        """What may be drawn from the source."""
        return self.source.may_give_a(is_configured=self.is_configured)

    @property
    def way(self) -> Way:
        """From the source to the regulator."""
        return Way(
            wire=self.wire,
            length_m=self.length_m,
            contacts_ohm=self.contacts_ohm,
            blocking_v=BLOCKING_V[self.blocking],
            ambient_c=self.ambient_c,
            copper_c=self.copper_c,
        )

    @property
    def regulator(self) -> Regulator:
        """The regulator."""
        return Regulator(
            kind=self.kind,
            out_v=self.out_v,
            dropout_v=self.dropout_v,
            efficiency=self.efficiency,
        )
