"""udev's events of the power_supply class as hints for an early read.

Events are hints, never facts: some batteries send none for 20 minutes, some mice send
many, and an overflowing queue loses them. Whoever listens goes on polling.

Source: libudev's monitor as pyudev gives it; pyudev raises ``OSError`` when the
queue overflowed (POLLERR), after which only a new monitor hears again.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from tidegate.contract import Host

HINT_EVERY_MS: Final = 1_000
RECEIVE_BUFFER_BYTES: Final = 1 << 20
_DRAIN_AT_MOST: Final = 256


class Events:
    """udev's events as hints for an early read. Without them polling goes on."""

    def __init__(self, host: Host, note: Callable[[str], None]) -> None:
        self.lost = 0
        self._host = host
        self._note = note
        self._monitor: Any = None
        self._detach: Callable[[], None] | None = None
        self._is_wanted = False
        self._hinted_ms: int | None = None
        self._opened_ms = 0

    def open(self) -> None:
        """Start to listen; where that cannot be, say so and leave it to the polls."""
        self._is_wanted = True
        try:
            import pyudev

            monitor = pyudev.Monitor.from_netlink(pyudev.Context())
            monitor.filter_by("power_supply")
            self._enlarge(monitor)
            monitor.start()
        except (ImportError, OSError) as error:
            self._is_wanted = isinstance(error, OSError)
            self._note(f"no udev events, polling only: {error}")
            return
        self._opened_ms = self._host.boot_ms()
        self._monitor = monitor
        self._detach = self._host.attach(monitor.fileno(), self._ready)

    def reopen(self) -> None:
        """Listen again if the last attempt ended in an error."""
        if self._is_wanted and self._monitor is None:
            self.open()

    def close(self) -> None:
        """Stop to listen; may be called twice."""
        self._is_wanted = False
        self._drop()

    def _drop(self) -> None:
        if self._detach is not None:
            self._detach()
        self._detach = None
        self._monitor = None  # its last reference closes the socket

    def _enlarge(self, monitor: Any) -> None:
        try:
            monitor.set_receive_buffer_size(RECEIVE_BUFFER_BYTES)
        except OSError as error:
            self._note(f"udev's receive buffer stays small: {error.strerror}")

    def _ready(self) -> None:
        """Drain what arrived; the descriptor stays ready if more is left."""
        try:
            for _ in range(_DRAIN_AT_MOST):
                device = self._monitor.poll(timeout=0)
                if device is None:
                    return
                if device.properties.get("POWER_SUPPLY_SCOPE") != "Device":
                    self._hint()
        except OSError as error:
            self._lost(error)

    def _hint(self) -> None:
        """Pass on at most one hint a second, whatever a chatty driver sends."""
        now_ms = self._host.boot_ms()
        if self._hinted_ms is None or now_ms - self._hinted_ms >= HINT_EVERY_MS:
            self._hinted_ms = now_ms
            self._host.hint()

    def _lost(self, error: OSError) -> None:
        """Begin anew after an overflow, and have everything read again.

        A queue that breaks again at once waits for the next poll, or it would spin.
        """
        self.lost += 1
        self._note(f"udev events were lost, reading everything again: {error}")
        is_breaking = self._host.boot_ms() - self._opened_ms < HINT_EVERY_MS
        self._drop()
        if not is_breaking:
            self.open()
            self._hinted_ms = None  # this hint is worth more than the last one
        self._hint()
