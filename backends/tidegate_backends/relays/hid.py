"""A relay board on USB that is driven by HID reports.

``report`` names the form of its reports, see ``wire/hid_board.py``: only the form
``feature-mask`` can be read back, and then the latch, never whether the supply
followed. Such a board is chosen by the serial text that it keeps in its feature report
(``serial``); any is chosen by its place on the bus (``usb``, such as 1-1.2), which
stays the same while it stays in its port. USB's own serial number is empty or the same
in all of them.

The relays of one board share it: opened once, one call at a time. Opening it moves
nothing.

Source: the reports, as in ``wire/hid_board.py``.
"""

from __future__ import annotations

from collections.abc import AsyncIterator
from typing import Final, Literal, Self

from pydantic import Field, model_validator

from tidegate.contract import (
    Backend,
    Found,
    Host,
    Readback,
    Relay,
    RelayFacts,
    RelaySettings,
    SharedLink,
    Target,
    Worker,
    energised,
    supply_of,
)
from tidegate.core.reading import Supply
from tidegate.errors import BackendError, Unavailable, Unsupported
from tidegate_backends import links
from tidegate_backends.hid.board import Board, Choice, may_open, rule
from tidegate_backends.hid.device import SYSTEM, Hid, Listed
from tidegate_backends.wire import hid_board as wire
from tidegate_backends.wire.hid_board import LAST_CHANNEL, Form

# From the report to the settled contact: engineering choice, no source.
LATENCY_S: Final = 0.1


class Settings(RelaySettings):
    """One relay of a board."""

    kind: Literal["hid"] = "hid"
    report: Form = Field(
        default=Form.FEATURE_MASK, description="the form of the board's reports"
    )
    serial: str | None = Field(
        default=None,
        pattern=r"^[!-~]{1,5}$",
        description="the board's own serial text; feature-mask only",
    )
    usb: str | None = Field(
        default=None,
        pattern=r"^\d+-\d+(\.\d+)*$",
        description="the board's place on its bus, such as 1-1.2",
    )
    channel: int = Field(default=1, ge=1)

    @model_validator(mode="after")
    def _one_choice(self) -> Self:
        if self.serial is not None and self.usb is not None:
            raise ValueError("`serial` and `usb` both name the board, one is wanted")
        if self.serial is not None and self.report is not Form.FEATURE_MASK:
            raise ValueError(
                f"a {self.report} board has no serial text, `usb` is allowed"
            )
        return self

    @model_validator(mode="after")
    def _has_the_channel(self) -> Self:
        last = LAST_CHANNEL[self.report]
        if self.channel > last:
            raise ValueError(f"channel {self.channel} is not one of 1 to {last}")
        return self

    def choice(self) -> Choice:
        """Return which board is meant."""
        return Choice(form=self.report, serial=self.serial, usb=self.usb)

    def target(self) -> Target:
        return Target(str(self.choice()), str(self.channel))


class HidRelay(Relay):
    """One relay. Errors: Unavailable, Refused, Malformed; at open also Unsupported."""

    def __init__(self, settings: Settings, host: Host, *, hid: Hid = SYSTEM) -> None:
        self._settings = settings
        self._host = host
        self._hid = hid
        self._key = settings.target().link
        self._board: Board | None = None

    @property
    def facts(self) -> RelayFacts:
        return RelayFacts(
            readback=Readback.LATCH if self._can_tell else Readback.NONE,
            reopen_disturbs=False,
            latency_s=LATENCY_S,
            fails_on=self._settings.contact == "normally-closed",
        )

    @property
    def _can_tell(self) -> bool:
        return self._settings.report is Form.FEATURE_MASK

    async def open(self) -> None:
        if self._board is not None:
            return
        board = await self._host.share(self._key, self._open_board)
        self._board = board
        try:
            if board.choice != self._settings.choice():
                raise Unsupported(
                    f"another station uses this board as {board.choice.form}",
                    target=str(self._settings.target()),
                    remedy="Give all stations on one board the same `report`.",
                )
            # A shared board may have been unplugged since; that shows here.
            await self._worker().call(board.open)
            board.check_channel(self._settings.channel)
        except BaseException:
            await self.close()
            raise

    async def close(self) -> None:
        board, self._board = self._board, None
        if board is not None:
            await self._host.release(self._key)

    async def set(self, supply: Supply) -> None:
        driven = energised(supply, self._settings.contact)
        board = self._opened()
        await self._worker().call(board.switch, self._settings.channel, driven)

    async def get(self) -> Supply | None:
        board = self._opened()
        if not self._can_tell:
            return None
        driven = await self._worker().call(board.driven, self._settings.channel)
        return supply_of(driven, self._settings.contact)

    def _worker(self) -> Worker:
        return self._host.worker(self._key)

    def _opened(self) -> Board:
        if self._board is None:
            raise Unavailable(
                "the relay is not open",
                target=str(self._settings.target()),
                remedy="Open it first.",
            )
        return self._board

    async def _open_board(self) -> SharedLink[Board]:
        board = Board(self._settings.choice(), self._hid)
        return await links.opened(
            board, self._worker(), board.open, retire=board.retire
        )


async def survey(
    host: Host, probe: str | None, /, *, hid: Hid = SYSTEM
) -> AsyncIterator[Found]:
    """Yield the boards there are. ``probe`` names one by node or place, to be opened
    and asked for its serial text.
    """
    worker = host.worker("hid survey")
    for each in await worker.call(hid.listed):
        form = wire.form_of(each.vendor, each.product_id, each.product)
        if form is None:
            if wire.has_shared_id(each.vendor, each.product_id):
                yield _stranger(each)
        elif not may_open(each.path):
            yield Found(
                what=_what(each, form),
                where=each.path,
                why_not="no permission to open it",
                remedy=rule(each),
            )
        elif form is Form.FEATURE_MASK and probe in (each.path, each.usb or each.path):
            yield await _asked(worker, each, hid)
        else:
            yield _usable(each, form)


def _usable(each: Listed, form: Form, serial: str = "") -> Found:
    table: dict[str, object] = {"kind": "hid", "report": str(form)}
    if serial:
        table["serial"] = serial
    elif each.usb:
        table["usb"] = each.usb
    said = f", serial text {serial}" if serial else ""
    return Found(
        what=_what(each, form) + said,
        where=each.path,
        table={**table, "channel": 1},
        remedy="" if form is Form.FEATURE_MASK else _BLIND,
    )


_BLIND: Final = "Nothing can be read back from such a board: only the gauge can tell."


def _what(each: Listed, form: Form) -> str:
    count = wire.relays_of(each.product)
    relays = f"{count} relays" if count is not None else "relays"
    name = f" ({each.product})" if each.product else ""
    return f"{form} board with {relays}{name}"


def _stranger(each: Listed) -> Found:
    return Found(
        what=f"HID device {each.product!r}",
        where=each.path,
        why_not="its product string is not that of a relay board; many devices share "
        f"the id {each.vendor:04x}:{each.product_id:04x}",
        remedy="Nothing to do, unless it is a relay board: then its form is not known.",
    )


async def _asked(worker: Worker, each: Listed, hid: Hid) -> Found:
    choice = Choice(form=Form.FEATURE_MASK, serial=None, usb=each.usb or None)
    board = Board(choice, hid)
    try:
        serial = await worker.call(board.serial_text)
    except BackendError as error:
        return Found(
            what=_what(each, Form.FEATURE_MASK),
            where=each.path,
            why_not=error.what,
            remedy=error.remedy,
        )
    finally:
        await worker.call(board.retire)
    return _usable(each, Form.FEATURE_MASK, serial)


BACKEND = Backend(
    kind="hid", settings=Settings, make=HidRelay, extra="hid", survey=survey
)
