"""SHA-256 (FIPS 180-4) without OpenSSL, which is 4 MB in memory for a few lines a minute.

``hashlib`` loads OpenSSL as soon as it is imported, whatever it is asked for. The
interpreter has a SHA-256 of its own, which it takes where OpenSSL is not there; it is
slower and the same. Where neither name is known, ``hashlib`` it is.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from typing import TYPE_CHECKING, Final, cast

if TYPE_CHECKING:
    import hashlib

# As of Python 3.12, and before.
_OWN: Final = ("_sha2", "_sha256")


def _found() -> Callable[..., hashlib._Hash]:
    for name in (*_OWN, "hashlib"):
        try:
            module = importlib.import_module(name)
        except ModuleNotFoundError:
            continue
        return cast("Callable[..., hashlib._Hash]", module.sha256)
    raise ImportError("this Python has no hashlib")


sha256: Final = _found()
