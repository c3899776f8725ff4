"""A kernel's batteries and supplies, played by umockdev: a /sys of our own and uevents.

Works only in a process under ``umockdev-wrapper`` (see ``is_wrapped``); programs
started with ``Testbed.environment`` see the same /sys and get the same uevents.
The real library udev and pyudev talk to it; nothing of tidegate is used here.
Limits: more undrained uevents than a Unix socket queues (net.unix.max_dgram_qlen, 10
on some kernels) abort the process, and errors such as EIO cannot be played.
"""

from __future__ import annotations

import ctypes
import os
from collections.abc import Mapping, Sequence
from typing import Any, Self

_PREFIX = "POWER_SUPPLY_"
_POINTER, _TEXT = ctypes.c_void_p, ctypes.c_char_p
_TEXTS = ctypes.POINTER(ctypes.c_char_p)
_PROTOTYPES: dict[str, tuple[Any, Sequence[Any]]] = {
    "umockdev_testbed_new": (_POINTER, []),
    "umockdev_testbed_add_devicev": (
        _POINTER,
        [_POINTER, _TEXT, _TEXT, _TEXT, _TEXTS, _TEXTS],
    ),
    "umockdev_testbed_set_attribute": (None, [_POINTER, _TEXT, _TEXT, _TEXT]),
    "umockdev_testbed_set_property": (None, [_POINTER, _TEXT, _TEXT, _TEXT]),
    "umockdev_testbed_uevent": (None, [_POINTER, _TEXT, _TEXT]),
    "umockdev_testbed_remove_device": (None, [_POINTER, _TEXT]),
    "umockdev_testbed_get_root_dir": (_POINTER, [_POINTER]),
    "g_object_unref": (None, [_POINTER]),
    "g_free": (None, [_POINTER]),
}


def is_wrapped() -> bool:
    """Return whether this process runs under umockdev-wrapper."""
    return "libumockdev-preload" in os.environ.get("LD_PRELOAD", "")


class Testbed:
    """One mock /sys. A context manager: leaving it gives the real one back."""

    __test__ = False

    def __init__(self) -> None:
        assert is_wrapped(), "run this under umockdev-wrapper"
        self._library = ctypes.CDLL("libumockdev.so.0")
        for name, (result, arguments) in _PROTOTYPES.items():
            function = getattr(self._library, name)
            function.restype, function.argtypes = result, list(arguments)
        self._bed = self._library.umockdev_testbed_new()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Remove the mock /sys; may be called twice."""
        if self._bed is not None:
            self._library.g_object_unref(self._bed)
            self._bed = None

    @property
    def root(self) -> str:
        """The folder behind the mock /sys; write below it, the library looks there."""
        pointer = self._library.umockdev_testbed_get_root_dir(self._bed)
        return self._taken(pointer)

    @property
    def environment(self) -> dict[str, str]:
        """The environment for a child that shall see this /sys too."""
        return {**os.environ, "UMOCKDEV_DIR": self.root}

    def add(self, name: str, kind: str, **values: str | int) -> str:
        """Add a supply (``add("BAT0", "Battery", capacity=61)``), return its path.

        Each value is there twice, as a file and as a line of the uevent, as the kernel
        does it. No event is sent.
        """
        files = {"type": kind} | {key: str(value) for key, value in values.items()}
        lines = {f"{_PREFIX}NAME": name, f"{_PREFIX}TYPE": kind} | {
            _PREFIX + key.upper(): str(value) for key, value in values.items()
        }
        pointer = self._library.umockdev_testbed_add_devicev(
            self._bed,
            b"power_supply",
            name.encode(),
            None,
            _pairs(files),
            _pairs(lines),
        )
        return self._taken(pointer)

    def set(self, path: str, **values: str | int) -> None:
        """Change values without an event; ``uevent`` says whether one is sent."""
        for key, value in values.items():
            line, text = (_PREFIX + key.upper()).encode(), str(value).encode()
            where = (self._bed, path.encode())
            self._library.umockdev_testbed_set_attribute(*where, key.encode(), text)
            self._library.umockdev_testbed_set_property(*where, line, text)

    def uevent(self, path: str, action: str = "change") -> None:
        """Send an event of this device to everyone who listens."""
        self._library.umockdev_testbed_uevent(self._bed, path.encode(), action.encode())

    def remove(self, path: str) -> None:
        """Take the device away, with the event the kernel sends for it."""
        self.uevent(path, "remove")
        self._library.umockdev_testbed_remove_device(self._bed, path.encode())

    def _taken(self, pointer: int | None) -> str:
        assert pointer is not None, "umockdev gave nothing"
        text = ctypes.string_at(pointer).decode()
        self._library.g_free(pointer)
        return text


def _pairs(values: Mapping[str, str]) -> Any:
    flat = [part.encode() for pair in values.items() for part in pair]
    return (ctypes.c_char_p * (len(flat) + 1))(*flat, None)
