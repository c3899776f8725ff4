"""Standard streams that are there, whatever was closed before the program began.

A file that is opened while one of the descriptors 0 to 2 is free gets that number, and
what somebody prints then goes into it, be it the cycle log. Source: POSIX.1-2017, System
Interfaces 2.14 (the lowest number that is free).
"""

from __future__ import annotations

import os
import sys
from typing import Final

_STREAMS: Final = (("stdin", "r"), ("stdout", "w"), ("stderr", "w"))


def open_the_closed() -> None:
    """Lead streams that were closed to nowhere."""
    for number in range(len(_STREAMS)):
        try:
            os.fstat(number)
        except OSError:
            # The lowest free number is this one. Programs that we start inherit it.
            os.set_inheritable(os.open(os.devnull, os.O_RDWR), True)  # noqa: FBT003
    for name, mode in _STREAMS:
        if getattr(sys, name) is None:
            # By a number of its own: this one may be some file of the interpreter's.
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))  # noqa: SIM115, PTH123
