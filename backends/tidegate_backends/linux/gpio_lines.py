"""The lines of this machine's GPIO chips, through the kernel's character devices.

``hold`` takes a line as an output, ``chips`` lists what there is. A line is held as
long as its request is; whoever holds it alone may set it. What a line does once it is
released is up to the chip's driver: many leave it as it was, some make it an input.

Nothing here can run without a kernel that has such chips, so all of the library is
used in this module, in few lines. It throws ``OSError`` with the kernel's number.

Source: libgpiod 2 (Python package ``gpiod``, ``gpiod.Chip``, ``gpiod.LineRequest``);
Linux Documentation/userspace-api/gpio/chardev.rst.
"""

from __future__ import annotations

import errno
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal, Protocol

from tidegate.errors import Unavailable, Unsupported

if TYPE_CHECKING:
    import gpiod

DEV: Final = Path("/dev")
CONSUMER: Final = "tidegate"

DriveName = Literal["push-pull", "open-drain", "open-source"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """A line and how it is to be driven; ``chip`` is a path or a label."""

    chip: str
    line: int | str
    active_low: bool
    drive: DriveName


class HeldLine(Protocol):
    """A line that is held as an output; "driven" is after ``active_low``."""

    def put(self, *, driven: bool) -> None:
        """Drive the line or not."""

    def told(self) -> bool:
        """Return whether the line is driven, as the chip tells it."""

    def release(self) -> None:
        """Give the line back."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LineState:
    """One line as it is now; ``name`` and ``consumer`` may be empty."""

    offset: int
    name: str
    consumer: str
    is_used: bool
    is_output: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ChipState:
    """One chip and its lines; ``why_not`` in place of lines that cannot be listed."""

    path: str
    label: str = ""
    lines: tuple[LineState, ...] = ()
    why_not: str = ""


def hold(wanted: Wanted, *, driven: bool) -> HeldLine:
    """Return the line, held and driven like that from the first moment.

    Errors: OSError of the kernel; Unsupported where the library or the line is
    missing, Unavailable where no chip, or more than one, has this label.
    """
    _need_library(wanted.chip)
    import gpiod
    from gpiod.line import Direction, Drive

    settings = gpiod.LineSettings(
        direction=Direction.OUTPUT,
        active_low=wanted.active_low,
        drive=Drive[wanted.drive.upper().replace("-", "_")],
        output_value=_value(driven=driven),
    )
    with gpiod.Chip(_path_of(wanted.chip)) as chip:
        offset = _offset_of(chip, wanted)
        request = chip.request_lines({offset: settings}, consumer=CONSUMER)
    return _Requested(request, offset)


def chips() -> list[ChipState]:
    """Return every chip of this machine; asks about lines and takes none.

    Errors: Unsupported, when the library is missing.
    """
    _need_library("gpio")
    import gpiod

    found = []
    for path in _chip_paths():
        try:
            with gpiod.Chip(path) as chip:
                about = chip.get_info()
                lines = tuple(_state(chip, each) for each in range(about.num_lines))
        except OSError as error:
            found.append(ChipState(path=path, why_not=error.strerror or str(error)))
        else:
            found.append(ChipState(path=path, label=about.label, lines=lines))
    return found


class _Requested:
    """A request for one line; ``HeldLine``."""

    def __init__(self, request: gpiod.LineRequest, offset: int) -> None:
        self._request = request
        self._offset = offset

    def put(self, *, driven: bool) -> None:
        self._check()
        self._request.set_value(self._offset, _value(driven=driven))

    def told(self) -> bool:
        self._check()
        return bool(self._request.get_value(self._offset))

    def release(self) -> None:
        self._request.release()

    def _check(self) -> None:
        if not self._request:
            # A call that comes back late must not reach a successor's line.
            raise OSError(errno.EBADF, "the line was given back")


def _need_library(target: str) -> None:
    try:
        import gpiod  # noqa: F401 - whether it is there
    except ImportError as error:
        raise Unsupported(
            "gpiod is not installed (extra `gpio`)",
            target=target,
            remedy="Install it: pip install 'tidegate[gpio]'",
        ) from error


def _value(*, driven: bool) -> gpiod.line.Value:
    from gpiod.line import Value

    return Value.ACTIVE if driven else Value.INACTIVE


def _chip_paths() -> list[str]:
    import gpiod

    numbered = sorted(DEV.glob("gpiochip*"), key=lambda each: (len(each.name), each))
    return [str(path) for path in numbered if gpiod.is_gpiochip_device(str(path))]


def _path_of(name: str) -> str:
    """Return the path of a chip, named by path or by label."""
    import gpiod

    if name.startswith("/"):
        return name
    labels: dict[str, list[str]] = {}
    for path in _chip_paths():
        with gpiod.Chip(path) as chip:
            labels.setdefault(chip.get_info().label, []).append(path)
    found = labels.get(name, [])
    if len(found) == 1:
        return found[0]
    there = ", ".join(f"{path} ({label})" for label in labels for path in labels[label])
    raise Unavailable(
        "no chip has this label"
        if not found
        else f"{len(found)} chips have this label",
        target=name,
        remedy=f"There are: {there or 'none'}. Name one by its label, or by its path.",
    )


def _offset_of(chip: gpiod.Chip, wanted: Wanted) -> int:
    try:
        return chip.line_offset_from_id(wanted.line)
    except (ValueError, FileNotFoundError) as error:
        raise Unsupported(
            f"the chip has no line {wanted.line!r}",
            target=wanted.chip,
            remedy=f"It has {chip.get_info().num_lines}, counted from 0: see "
            "`tidegate find`.",
        ) from error


def _state(chip: gpiod.Chip, offset: int) -> LineState:
    from gpiod.line import Direction

    info = chip.get_line_info(offset)
    return LineState(
        offset=offset,
        name=info.name or "",
        consumer=info.consumer or "",
        is_used=info.used,
        is_output=info.direction is Direction.OUTPUT,
    )
