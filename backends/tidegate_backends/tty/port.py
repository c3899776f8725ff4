"""One serial port of this machine: opened, paced, and what its failures mean.

For backends on a serial line; used by one thread only. pyserial throws its own class,
a bare ``OSError`` and a bare ``termios.error`` for one and the same unplugged device,
with and without a number, so whether the port opens again decides what happened.

Opening moves the DTR line, and some boards move their contacts at that (port opened,
may pulse): keep a port open, and open it again only after it failed.

Source: pyserial 3.5; names of serial ports: systemd's ``60-serial.rules``; USB
devices: Linux Documentation/ABI/testing/sysfs-bus-usb.
"""

from __future__ import annotations

import errno
import stat
import termios
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final

from tidegate.errors import BackendError, Busy, Malformed, Unavailable, Unsupported

if TYPE_CHECKING:
    import serial

NAMES: Final = Path("/dev/serial")
TTYS: Final = Path("/sys/class/tty")
# A program that claims a port does so soon after it appears: brltty after 0.5 s to
# 20 s in public kernel messages (armbian/build issue 4242).
CLAIMED_WITHIN_S: Final = 30.0

CLAIMED: Final = (
    "If it comes and goes, another program claims it: brltty up to 6.4 takes "
    "CH340 and CP210x boards for braille displays (remove it, or update to 6.5), "
    "ModemManager tries them for modems (udev rule ID_MM_DEVICE_IGNORE)."
)


class SerialPort:
    """A port, closed at first.

    A port that failed is closed, and opened again by the call that saw it fail or by
    the next one; a retired one never is. ``use`` says what is spoken on it, so that
    two kinds of relay on one port are told apart.
    """

    def __init__(
        self,
        path: str,
        *,
        baud: int,
        pause_s: float,
        parity: str = "N",
        stop_bits: int = 1,
        use: str = "",
        extra: str = "serial",
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._path = path
        self.baud = baud
        self.parity = parity
        self.stop_bits = stop_bits
        self.use = use
        self._extra = extra
        self._pause_s = pause_s
        self._clock = clock
        self._sleep = sleep
        self._serial: serial.Serial | None = None
        self._retired = False
        self._opened_at_s = clock()
        self._rested_at_s = clock()
        self._unanswered = 0

    def open(self) -> None:
        """Open, unless open. Errors: Unavailable, Busy, Unsupported."""
        if self._serial is None:
            if not self._retired:
                self._serial = self._opened()
                self._opened_at_s = self._rested_at_s = self._clock()
                self._unanswered = 0
            if self._retired:
                # A call that comes back late must not keep the port from others.
                self._close()
                raise Unavailable(
                    "the port was given up", target=self._path, remedy="Open it anew."
                )

    def _opened(self) -> serial.Serial:
        path = self._path
        try:
            import serial
        except ImportError as error:
            raise Unsupported(
                f"pyserial is not installed (extra `{self._extra}`)",
                target=path,
                remedy=f"Install it: pip install 'tidegate[{self._extra}]'",
            ) from error
        if _is_ambiguous(path):
            raise Unavailable(
                "more than one board answers to this name",
                target=path,
                remedy=_by_place(path),
            )
        try:
            return self._made(serial.Serial)
        except (OSError, termios.error, ValueError) as error:
            raise _not_opened(path, self.baud, error) from error

    def _made(self, make: type[serial.Serial]) -> serial.Serial:
        """Return the open port; may throw what pyserial throws."""
        return make(
            self._path,
            self.baud,
            parity=self.parity,
            stopbits=self.stop_bits,
            exclusive=True,
        )

    def give_up(self) -> None:
        """Keep it from being opened any more; may be called from another thread."""
        self._retired = True

    def retire(self) -> None:
        """Let go of the port for good; never raises."""
        self.give_up()
        self._close()

    def _close(self) -> None:
        port, self._serial = self._serial, None
        if port is None:
            return
        try:
            port.close()
        except (OSError, termios.error):
            # The device is gone; the descriptor is released all the same.
            return

    @contextmanager
    def watched(self, *, limit_s: float, target: str) -> Iterator[serial.Serial]:
        """Yield the open port; translate what it throws.

        Errors: those of ``open``; Unavailable when it is gone; Malformed when it
        failed and opens again.
        """
        self.open()
        assert self._serial is not None
        try:
            if self._serial.timeout != limit_s:
                self._serial.timeout = self._serial.write_timeout = limit_s
            yield self._serial
        except (OSError, termios.error) as error:
            raise self._failed(error, target) from error
        finally:
            self._rested_at_s = self._clock() + self._pause_s

    def send(self, port: serial.Serial, data: bytes) -> None:
        """Send after the pause that the last exchange earned; old input is dropped."""
        rest_s = self._rested_at_s - self._clock()
        if rest_s > 0:
            self._sleep(rest_s)
        port.reset_input_buffer()
        port.write(data)

    @property
    def tries(self) -> int:
        """How often a station that joins should ask whether the board answers.

        One that was silent to others is not asked by each of its stations in turn, or
        the last would wait too long to be told on.
        """
        return max(0, 2 - self._unanswered)

    def was_asked(self, *, answered: bool) -> None:
        """Take in whether the board answered a station that joined."""
        self._unanswered = 0 if answered else self._unanswered + 1

    def rest(self, quiet_s: float) -> None:
        """Send nothing for so long: an answer may yet come, and would be taken for
        that to the next question. What came is dropped by ``send``.
        """
        self._rested_at_s = self._clock() + max(quiet_s, self._pause_s)

    def _failed(self, error: Exception, target: str) -> BackendError:
        lived_s = self._clock() - self._opened_at_s
        self._close()
        try:
            self.open()
        except BackendError as gone:
            remedy = gone.remedy
            if lived_s >= CLAIMED_WITHIN_S and not Path(self._path).exists():
                remedy = _by_place(self._path)
            return Unavailable(
                f"the port is gone, {lived_s:.0f} s after it was opened ({gone.what})",
                target=target,
                remedy=remedy,
            )
        return Malformed(
            f"the port failed and opened again ({error})",
            target=target,
            remedy="Another program may be reading from it (`fuser -v` names it); "
            "ModemManager leaves it alone under a udev rule that sets "
            "ID_MM_DEVICE_IGNORE.",
        )


def _not_opened(path: str, baud: int, error: Exception) -> BackendError:
    number = getattr(error, "errno", None)
    if number in (errno.EAGAIN, errno.EBUSY):
        return Busy(
            "another program holds the port",
            target=path,
            remedy=f"Find it with `fuser -v {path}`. Stations on one board must name "
            "its port alike.",
        )
    if number in (errno.EACCES, errno.EPERM):
        return Unavailable(
            "no permission to open the port",
            target=path,
            remedy="Add the user of this program to the port's group (`dialout` on "
            "Debian) and start it anew.",
        )
    try:
        is_device = stat.S_ISCHR(Path(path).stat().st_mode)
    except OSError:
        return Unavailable(
            "the port is missing", target=path, remedy=f"{_by_place(path)} {CLAIMED}"
        )
    if isinstance(error, ValueError):
        return Unsupported(
            f"the port cannot do {baud} baud", target=path, remedy="Use 9600."
        )
    if not is_device:
        return Unsupported(
            "this is not a serial port", target=path, remedy=_by_place(path)
        )
    return Unavailable(
        f"the port does not open ({error})",
        target=path,
        remedy="Check that it is a serial port; unplug the board and plug it in again.",
    )


def _is_ambiguous(path: str) -> bool:
    """Return whether a by-id name may mean another board than the one intended.

    A by-id name is made from maker, model and serial number. CH340 chips have no
    serial number, and some makers give all boards the same: two of them get one name,
    which points to one of the two. It shows in a port of a device like ours that has
    a by-path name and no by-id name.
    """
    if Path(path).parent != NAMES / "by-id":
        return False
    named = {name.resolve() for name in NAMES.glob("by-id/*")}
    placed = {name.resolve() for name in NAMES.glob("by-path/*-usb*")}
    ours = _usb_identity(Path(path).resolve())
    return ours is not None and ours in map(_usb_identity, placed - named)


def _usb_identity(device: Path) -> tuple[str, ...] | None:
    """Return maker, model and serial number of the USB device behind a port."""
    folder = (TTYS / device.name / "device").resolve()
    for each in (folder, *folder.parents):
        if (each / "idVendor").exists():
            return tuple(
                _text(each / name) for name in ("idVendor", "idProduct", "serial")
            )
    return None


def _text(path: Path) -> str:
    try:
        return path.read_text(errors="replace").strip()
    except OSError:
        return ""  # the device has none, or is just going


def _by_place(path: str) -> str:
    """Return the advice to name a port by its place, with the names there are."""
    present = sorted(str(name) for name in NAMES.glob("by-path/*"))
    there = f"There now: {', '.join(present)}." if present else "There is none now."
    if Path(path).parent == NAMES / "by-path":
        return f"Plug the board into the USB port that it had. {there}"
    return (
        "Plug the board in and name it by its place, /dev/serial/by-path/…: CH340 "
        "boards have no serial number, so two of them share a by-id name, and "
        f"ttyUSB numbers change. {there}"
    )
