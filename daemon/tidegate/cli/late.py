"""Modules of the standard library that are read when they are first used, not before.

asyncio imports ``ssl`` and pydantic ``secrets``, and each brings OpenSSL along: 5 MB for
as long as the daemon lives, of no use to a station on files and a serial port. Whoever
does use them finds them as ever, a moment later: TLS to a broker or a socket, a digest
by ``hashlib``. The others are of use only to errors and to archives.

``importlib.util.LazyLoader`` does the same, but in Python 3.11 a second thread may find
such a module half read; here it waits.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from importlib.machinery import ModuleSpec, PathFinder
from threading import RLock
from types import ModuleType
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from importlib.abc import Loader
else:
    Loader = object  # that module is a slow one, and help must be quick

# Each with the extension that it cannot be read without: who imports one may want to
# know at once that this Python has none. sslproto asks ssl as soon as it is read.
LATE: Final[Mapping[str, str | None]] = {
    "asyncio.sslproto": "_ssl",
    "bz2": "_bz2",
    "difflib": None,
    "hashlib": "_hashlib",
    "lzma": "_lzma",
    "secrets": "_hashlib",
    "ssl": "_ssl",
}

# What asyncio's loop calls with every use of a socket, in Python 3.11 to 3.14.
_CHECK: Final = "_check_ssl_socket"

# What the import system asks, of every module and any time, without using it.
_ASKED: Final = frozenset(
    {"__class__", "__file__", "__loader__", "__name__", "__package__", "__path__"}
    | {"__spec__"}
)
# One for all, as sslproto reads ssl.
_reads: Final = RLock()
# What its own file asks of a module while it is read is there, or is not.
_under_way: Final[set[str]] = set()


class _Late(ModuleType):
    """A module whose file is read when something of it is asked for."""

    def __getattribute__(self, name: str) -> Any:
        _read_for(self, name)
        return ModuleType.__getattribute__(self, name)

    def __setattr__(self, name: str, value: Any) -> None:
        # Else its file would set what it sets, and what was put in its place is gone.
        _read_for(self, name)
        ModuleType.__setattr__(self, name, value)


def _read_for(module: ModuleType, name: str) -> None:
    if name in _ASKED:
        return
    with _reads:
        if type(module) is _Late and module.__name__ not in _under_way:
            _read(module)


def _read(module: ModuleType) -> None:
    assert module.__spec__ is not None
    assert module.__spec__.loader is not None
    _under_way.add(module.__name__)
    try:
        module.__spec__.loader.exec_module(module)
        module.__class__ = ModuleType
    finally:
        _under_way.discard(module.__name__)


class _LateLoader(Loader):
    """Makes a module and leaves it unread. ``reads`` is who reads it."""

    def __init__(self, reads: Loader) -> None:
        self._reads = reads

    def create_module(self, spec: ModuleSpec) -> None:
        """Leave it to the import system."""

    def exec_module(self, module: ModuleType) -> None:
        assert module.__spec__ is not None
        module.__spec__.loader = module.__loader__ = self._reads
        module.__class__ = _Late


class _Finder:
    """Finds these modules where they are, and has them read late."""

    def find_spec(
        self,
        fullname: str,
        path: Sequence[str] | None,
        target: ModuleType | None = None,
    ) -> ModuleSpec | None:
        if fullname not in LATE or not _is_there(LATE[fullname]):
            return None
        spec = PathFinder.find_spec(fullname, path, target)
        if spec is not None and spec.loader is not None:
            spec.loader = _LateLoader(spec.loader)
        return spec


def _is_there(extension: str | None) -> bool:
    return (
        extension is None
        or extension in sys.builtin_module_names
        or PathFinder.find_spec(extension) is not None
    )


def defer() -> None:
    """Let these modules be read when they are used, from their next import on."""
    if not any(isinstance(finder, _Finder) for finder in sys.meta_path):
        sys.meta_path.insert(0, _Finder())


def spare_ssl() -> None:
    """Let asyncio handle plain sockets without reading ``ssl`` for it.

    With each use of one it asks whether that is an ``SSLSocket``, to refuse it. None
    can be before ssl was read.
    """
    from asyncio import base_events

    ssl, check = sys.modules.get("ssl"), getattr(base_events, _CHECK, None)
    if check is None or not isinstance(ssl, _Late):
        return

    def checked(sock: object) -> None:
        if not isinstance(ssl, _Late):
            check(sock)

    setattr(base_events, _CHECK, checked)
