"""The Ed25519 key of a device: made once, kept private, used to sign and to check.

Source: RFC 8032 (Ed25519), RFC 5958 and RFC 8410 (its file). The library is
``cryptography``, of the extra ``sign``, imported where it is used.
"""

from __future__ import annotations

import os
import stat
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from tidegate.cyclelog.signing import Head, SignedHead, statement
from tidegate.errors import KeyRefused, LogError, LogUnreadable, Unsupported

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import (
        Ed25519PrivateKey,
        Ed25519PublicKey,
    )

_PRIVATE: Final = 0o600
_OTHERS: Final = 0o077
_LARGEST_BYTES: Final = 10_000


def key_path(log: Path) -> Path:
    """Return where the key of a log is kept unless told otherwise."""
    return log.with_name(log.name + ".key")


def device_key(path: Path) -> tuple[Ed25519PrivateKey, bool]:
    """Return the key at this path, making it if there is none, and whether it is new.

    Errors: KeyRefused for a key that is not private to this user, Unsupported without
    the library, LogError when it cannot be read or made.
    """
    asymmetric()  # before a file is made that nobody could use
    try:
        try:
            return _read(path), False
        except FileNotFoundError:
            is_new = _make(path)
            return _read(path), is_new
    except OSError as error:
        raise LogError(
            f"the key {path} cannot be used: {(error.strerror or str(error)).lower()}",
            remedy="Name a place that this user can write with --key.",
        ) from error


def sign(key: Ed25519PrivateKey, head: Head) -> SignedHead:
    """Return the head, signed."""
    return SignedHead(
        head=head,
        public_key=key.public_key().public_bytes_raw().hex(),
        signature=key.sign(statement(head)).hex(),
    )


def is_genuine(signed: SignedHead) -> bool:
    """Return whether its key signed this head. Errors: Unsupported without the library."""
    from_bytes: Any = asymmetric().Ed25519PublicKey.from_public_bytes
    from cryptography.exceptions import InvalidSignature

    try:
        public: Ed25519PublicKey = from_bytes(bytes.fromhex(signed.public_key))
        public.verify(bytes.fromhex(signed.signature), statement(signed.head))
    except (InvalidSignature, ValueError):  # the latter: no point of the curve
        return False
    return True


def public_key_of_pem(text: str) -> str:
    """Return the public key of a PEM text in hex. Errors: LogUnreadable, Unsupported."""
    kind = asymmetric().Ed25519PublicKey
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.serialization import load_pem_public_key

    try:
        key = load_pem_public_key(text.encode())
    except (ValueError, UnsupportedAlgorithm) as error:
        raise LogUnreadable(
            "this is no public key", remedy="Name the public key of a signed head."
        ) from error
    if not isinstance(key, kind):
        raise LogUnreadable(
            "this is a key of another kind", remedy="Heads are signed with Ed25519."
        )
    found: str = key.public_bytes_raw().hex()
    return found


def asymmetric() -> Any:
    """Return the library's Ed25519. Errors: Unsupported when it is not installed."""
    try:
        from cryptography.hazmat.primitives.asymmetric import ed25519
    except ImportError as error:
        raise Unsupported(
            "signing needs the package cryptography",
            target="log sign",
            remedy="Install it: pip install 'tidegate[sign]'",
        ) from error
    return ed25519


def _make(path: Path) -> bool:
    """Make a new key that only this user can read; never over another file.

    Returns whether it is the key: another who signs now may have been quicker.
    It is written whole under a name of its own and then linked to this one, so that
    neither a crash nor another who signs now meets half a key.
    """
    from cryptography.hazmat.primitives.serialization import (
        Encoding,
        NoEncryption,
        PrivateFormat,
    )

    key: Ed25519PrivateKey = asymmetric().Ed25519PrivateKey.generate()
    data = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}-")
    try:
        if stat.S_IMODE(os.fstat(handle).st_mode) & _OTHERS:
            raise KeyRefused(
                f"nothing can be kept private at {path}: its file system has no owners",
                remedy="Name a place on another disk with --key.",
            )
        os.fchmod(handle, _PRIVATE)  # a umask may have taken the owner's rights too
        _write_all(handle, data)
        os.link(name, path)
    except FileExistsError:
        return False
    finally:
        os.close(handle)
        Path(name).unlink()
    _keep_name(path.parent)
    return True


def _keep_name(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _write_all(handle: int, data: bytes) -> None:
    while data:
        data = data[os.write(handle, data) :]
    os.fsync(handle)


def _read(path: Path) -> Ed25519PrivateKey:
    if path.is_symlink():
        raise KeyRefused(f"{path} is a link", remedy="Name the key itself with --key.")
    handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        _refuse(path, os.fstat(handle))
        data = os.read(handle, _LARGEST_BYTES)
    finally:
        os.close(handle)
    return _parsed(path, data)


def _refuse(path: Path, found: os.stat_result) -> None:
    """Refuse what somebody else can read or could have put there."""
    if not stat.S_ISREG(found.st_mode):
        raise KeyRefused(f"{path} is no file", remedy="Name another with --key.")
    if found.st_uid != os.geteuid():
        raise KeyRefused(
            f"{path} belongs to another user",
            remedy="Sign as its owner, or name a key of your own with --key.",
        )
    if stat.S_IMODE(found.st_mode) & _OTHERS:
        raise KeyRefused(
            f"{path} can be read or changed by others",
            remedy="If nobody did, run chmod 600 on it; else make a new key.",
        )


def _parsed(path: Path, data: bytes) -> Ed25519PrivateKey:
    kind = asymmetric().Ed25519PrivateKey
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    remedy = "Name another with --key, or move it away and a new one is made."
    try:
        key = load_pem_private_key(data, password=None)
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        raise LogUnreadable(
            f"{path} holds no key that can be used", remedy=remedy
        ) from error
    if not isinstance(key, kind):
        raise LogUnreadable(f"{path} holds a key that is not Ed25519", remedy=remedy)
    found: Ed25519PrivateKey = key
    return found
