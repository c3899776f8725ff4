"""SHA-256 without OpenSSL against the standard's examples and OpenSSL itself."""

from __future__ import annotations

import hashlib
import importlib
from types import ModuleType

import pytest

from tidegate.cyclelog import sha


@pytest.mark.parametrize(
    ("message", "digest"),
    [
        (
            b"abc",
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
        ),
        (
            b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
        ),
    ],
)
def test_the_examples_of_the_standard(message: bytes, digest: str) -> None:
    """Source: FIPS 180-2, appendix B.1 and B.2, to which FIPS 180-4 points."""
    assert sha.sha256(message).hexdigest() == digest


def test_it_agrees_with_openssl_at_the_edges_of_its_blocks() -> None:
    for length in (0, 1, 55, 56, 63, 64, 65, 119, 120, 1000):
        message = bytes(range(256)) * 4
        whole = hashlib.sha256(message[:length]).hexdigest()
        hasher = sha.sha256()
        for start in range(0, length, 7):
            hasher.update(message[start : min(start + 7, length)])
        assert hasher.hexdigest() == whole, length


def test_a_python_without_one_of_its_own_has_that_of_openssl(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked = []

    def only_hashlib(name: str) -> ModuleType:
        asked.append(name)
        if name != "hashlib":
            raise ModuleNotFoundError(name)
        return hashlib

    monkeypatch.setattr(importlib, "import_module", only_hashlib)
    assert sha._found() is hashlib.sha256
    assert asked == ["_sha2", "_sha256", "hashlib"]
