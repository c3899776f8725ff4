"""A unit's own timer as the dead-man timer of a relay.

Modbus has none, so each maker has its own; registers and values are those of the
unit's data sheet. Two styles are known:

- ``watchdog``: the unit watches for traffic. A register holds the time; when nothing
  came for so long, the unit puts its coils into a state, often one chosen by another
  register (``also``). Some want a certain register to be written (``alive``). It
  belongs to the whole unit, so the traffic of one station keeps it quiet for all:
  it sees a host or a cable that is gone, not one station that hangs.
- ``timed``: the off itself is written to a register, or by function 05 to an address
  of the maker's, with a time; when that is over, the coil goes back. It belongs to
  one coil.

Either is a dead-man timer only if it leaves the coil where the supply is on:
``leaves_coil``. With a normally-closed contact that is ``released``, which is what
nearly all timers do; with a normally-open one it has to be ``driven``. Where the wiring
turns out to be reversed it is none: its end is then the supply off, and only the daemon
keeps it on until a person corrects the wiring or ``contact``.

The time should be longer than two polls and a few calls: it is refreshed at each
reading, also at one that failed.

Source: no standard. For example Wiren Board's relay modules (wiki, "Relay tuning":
holding register 8, seconds, coils released), yobiiq's RM200 (docs, "device data":
registers 1E and 2E, the state at the communication watchdog), and the function 05
addresses 02xx and 04xx in public programs for boards with a "flash" function.
"""

from __future__ import annotations

from typing import Annotated, Final, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from tidegate.contract import Contact, energised
from tidegate.core.reading import Supply
from tidegate_backends.seconds import Seconds
from tidegate_backends.wire import modbus as wire
from tidegate_backends.wire.modbus import Request

Address = Annotated[int, Field(ge=0, le=wire.LAST_ADDRESS)]
_WORD: Final = {True: "driven", False: "released"}
_COUNTS: Final = 0xFFFF
# Seconds are written to a thousandth; what differs by less is the rest of a division.
_NEARLY: Final = 1e-6


class Register(BaseModel):
    """A holding register and what is written to it."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    address: Address = Field(description="counted from 0, as on the wire")
    value: Address


class Timer(BaseModel):
    """The unit's timer, as its data sheet describes it."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    style: Literal["watchdog", "timed"]
    address: Address = Field(
        description="holds the time (watchdog), or takes the off with its time (timed)"
    )
    time: Annotated[Seconds, Field(gt=0)] = Field(
        description="after this time without a refresh the supply is on; longer than "
        "two polls"
    )
    step: Annotated[Seconds, Field(gt=0)] = Field(
        default=1.0, description='what one count of the register means, such as "0.1s"'
    )
    leaves_coil: Literal["released", "driven"] = Field(
        default="released", description="where the coil is when the time is over"
    )
    also: tuple[Register, ...] = Field(
        default=(), description="watchdog: written before the time, such as the action"
    )
    alive: Register | None = Field(
        default=None, description="watchdog: written to refresh; else any traffic does"
    )
    function: Literal[5, 6] = Field(
        default=6, description="timed: what writes the off, a coil or a register"
    )

    @model_validator(mode="after")
    def _counts(self) -> Self:
        counts = self.time / self.step
        if abs(counts - self.count) > _NEARLY or not 1 <= self.count <= _COUNTS:
            raise ValueError(
                f"time = {self.time:g} s is {counts:g} steps of {self.step:g} s, "
                f"allowed is a whole number from 1 to {_COUNTS}"
            )
        return self

    @model_validator(mode="after")
    def _fits_its_style(self) -> Self:
        if self.style == "timed" and (self.also or self.alive is not None):
            raise ValueError("`also` and `alive` belong to the style watchdog")
        if self.style == "watchdog" and self.function != 6:
            raise ValueError("`function` belongs to the style timed")
        if self.style == "timed":
            self.off_request()  # a count that function 05 must not send
        return self

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Self:
        wanted: dict[int, int] = {}
        alive = () if self.alive is None else (self.alive,)
        for each in (*self.registers, *alive):
            if wanted.setdefault(each.address, each.value) != each.value:
                raise ValueError(
                    f"register {each.address} cannot hold both "
                    f"{wanted[each.address]} and {each.value}"
                )
        return self

    @property
    def count(self) -> int:
        """The time as the register has it."""
        return round(self.time / self.step)

    @property
    def registers(self) -> tuple[Register, ...]:
        """What has to stand in the unit's registers, the time last."""
        if self.style == "timed":
            return ()
        return (*self.also, Register(address=self.address, value=self.count))

    def off_request(self) -> Request:
        """Return the request for an off that ends by itself."""
        if self.function == 5:
            return wire.write_count(self.address, self.count)
        return wire.write_register(self.address, self.count)

    def check_contact(self, contact: Contact) -> None:
        """Raise ValueError if the timer would end with the supply off."""
        wanted = _WORD[energised(Supply.ON, contact)]
        if self.leaves_coil != wanted:
            raise ValueError(
                f"the timer leaves the coil {self.leaves_coil}, and with a {contact} "
                f"contact that is supply off: no dead-man timer. Allowed is "
                f'leaves_coil = "{wanted}", if the unit can do that'
            )
