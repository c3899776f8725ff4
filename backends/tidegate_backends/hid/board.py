"""One HID relay board: chosen, opened, switched, read back.

Used by one thread only, but for ``retire``. The board is looked for at each opening,
since the number of its node changes with every re-plug. A device that failed is
closed, and opened again by the next call, or by the same one if it is a switching.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tidegate.errors import BackendError, Malformed, Refused, Unavailable, Unsupported
from tidegate_backends.hid.device import Device, Hid, Listed
from tidegate_backends.wire import hid_board as wire
from tidegate_backends.wire.hid_board import Features, Form

_WORD: Final = {True: "driven", False: "released"}
_AT_HAND: Final = os.R_OK | os.W_OK


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """Which board: by its form, and by its serial text or its place if given."""

    form: Form
    serial: str | None
    usb: str | None

    def __str__(self) -> str:
        return f"hid:{self.serial or self.usb or self.form}"


def may_open(path: str) -> bool:
    """Return whether this program may open the device."""
    return os.access(path, _AT_HAND)


def rule(each: Listed) -> str:
    """Return the advice that lets a program without root open such a device."""
    ids = (
        f'ATTRS{{idVendor}}=="{each.vendor:04x}", '
        f'ATTRS{{idProduct}}=="{each.product_id:04x}"'
    )
    return (
        f'Add a udev rule: KERNEL=="hidraw*", {ids}, MODE="0660", GROUP="plugdev", put '
        "the user of this program into that group, and plug the board in again."
    )


class Board:
    """A board, closed at first. Errors: Unavailable, Unsupported, Refused, Malformed."""

    def __init__(self, choice: Choice, hid: Hid) -> None:
        self.choice = choice
        self._hid = hid
        self._device: Device | None = None
        self._relays: int | None = None
        self._retired = False
        self._busy = threading.Lock()

    def open(self) -> None:
        """Open, unless open. Errors: Unavailable, Unsupported, Malformed."""
        with self._turn():
            self._open()

    def _open(self) -> None:
        if self._device is None:
            self._device = self._found()
        if self._retired:
            # A call that comes back late must not keep a board from others.
            self._close()
            raise self._given_up()

    def retire(self) -> None:
        """Let go of the board for good, from any thread; never raises.

        hidapi frees what a call that hangs in another thread still uses: such a call
        lets go of the board itself, when it comes back.
        """
        self._retired = True
        if self._busy.acquire(blocking=False):
            try:
                self._close()
            finally:
                self._busy.release()

    @contextmanager
    def _turn(self) -> Iterator[None]:
        # Never waited for: who has it for long hangs, and would hang us too.
        if self._retired or not self._busy.acquire(blocking=False):
            raise self._given_up()
        try:
            yield
        finally:
            self._busy.release()
            if self._retired:
                self.retire()

    def _given_up(self) -> BackendError:
        return self._error(Unavailable, "the board was given up", "Open it anew.")

    def check_channel(self, channel: int) -> None:
        """Raise Unsupported if the open board says that it has fewer relays."""
        if self._relays is not None and channel > self._relays:
            raise self._error(
                Unsupported,
                f"the board has {self._relays} relays and no channel {channel}",
                f"Name a channel from 1 to {self._relays}.",
            )

    def switch(self, channel: int, driven: bool) -> None:
        """Drive or release a coil; a board that can tell must agree afterwards."""
        data = wire.report(self.choice.form, channel, driven=driven)
        told = driven
        with self._turn():
            self._write(data)
            if self.choice.form is Form.FEATURE_MASK:
                told = self._features(self._opened()).driven(channel)
        if told != driven:
            raise self._error(
                Refused,
                f"the board was told {_WORD[driven]} and reports {_WORD[not driven]}",
                "It does not hold what it is told: check its power, or change it.",
            )

    def _write(self, data: bytes) -> None:
        """Send a report; once more to a board that was plugged in again since."""
        was_open = self._device is not None
        try:
            self._opened().write(data)
        except OSError as error:
            gone = self._gone(error)
            if not was_open:
                raise gone from error
        else:
            return
        try:
            self._opened().write(data)
        except OSError as error:
            raise self._gone(error) from error

    def driven(self, channel: int) -> bool:
        """Return whether the coil is driven, as the feature report says."""
        with self._turn():
            return self._features(self._opened()).driven(channel)

    def serial_text(self) -> str:
        """Return the serial text of a board that can tell it."""
        with self._turn():
            return self._features(self._opened()).serial

    # ---- finding

    def _found(self) -> Device:
        """Return the board that is meant, opened."""
        boards = [
            each
            for each in self._hid.listed()
            if wire.form_of(each.vendor, each.product_id, each.product)
            is self.choice.form
            and self.choice.usb in (None, each.usb)
        ]
        if self.choice.serial is not None:
            return self._by_serial(boards, self.choice.serial)
        if len(boards) > 1:
            raise self._error(
                Unavailable,
                "more than one board is plugged in",
                f"Name one by its place, `usb`: {_places(boards)}.",
            )
        if not boards:
            raise self._error(
                Unavailable,
                "no such board is plugged in",
                "Plug it in, into the port that it had if it is named by `usb`. A service "
                "needs the drop-in hid.conf.",
            )
        return self._opening(boards[0])

    def _by_serial(self, boards: Sequence[Listed], serial: str) -> Device:
        ours: list[Listed] = []
        seen, failed = [], None
        for each in boards:
            try:
                told = self._told_by(each)
            except (Unavailable, Malformed) as error:
                failed = error  # it may be the one, and so is the reason for the person
                continue
            seen.append(told)
            if told == serial:
                ours.append(each)
        if len(ours) == 1:
            return self._opening(ours[0])
        if ours:
            raise self._error(
                Unavailable,
                f"more than one board has the serial text {serial}",
                f"Name one by its place, `usb`: {_places(ours)}.",
            )
        if failed is not None:
            raise failed
        there = f"There now: {', '.join(seen)}." if seen else "There is none now."
        raise self._error(
            Unavailable,
            f"no board with the serial text {serial} is plugged in",
            f"Plug it in, or name one that is there. {there}",
        )

    def _told_by(self, each: Listed) -> str:
        """Return the serial text of a board; it is not kept open."""
        device = self._opening(each)
        try:
            return self._features(device).serial
        finally:
            device.close()

    def _opening(self, each: Listed) -> Device:
        try:
            device = self._hid.opened(each.path)
        except OSError as error:
            if Path(each.path).exists() and not may_open(each.path):
                raise self._error(
                    Unavailable, f"no permission to open {each.path}", rule(each)
                ) from error
            raise self._error(
                Unavailable,
                f"{each.path} does not open ({error})",
                "Another program may hold it; unplug the board and plug it in again.",
            ) from error
        self._relays = wire.relays_of(each.product)
        return device

    # ---- talking

    def _opened(self) -> Device:
        self._open()
        assert self._device is not None
        return self._device

    def _features(self, device: Device) -> Features:
        try:
            data = device.feature(wire.FEATURE_REPORT, wire.FEATURE_LENGTH)
            return wire.features(data)
        except wire.FrameError as error:
            self._close()
            raise self._error(
                Malformed,
                f"the feature report is not that of such a board ({error})",
                "Check `report`: the board may have another form.",
            ) from error
        except OSError as error:
            raise self._gone(error) from error

    def _gone(self, error: OSError) -> BackendError:
        self._close()
        return self._error(
            Unavailable,
            f"the board does not answer ({error})",
            "Check its cable; another program may hold it.",
        )

    def _error(self, kind: type[BackendError], what: str, remedy: str) -> BackendError:
        return kind(what, target=str(self.choice), remedy=remedy)

    def _close(self) -> None:
        device, self._device = self._device, None
        if device is None:
            return
        try:
            device.close()
        except OSError:
            # The device is gone; the descriptor is released all the same.
            return


def _places(boards: Sequence[Listed]) -> str:
    return ", ".join(each.usb or each.path for each in boards)
