"""``tidegate log sign``: its key, its document, and others who check the signature.

The other program is OpenSSL (``openssl pkeyutl``, version 3), given the public key as
RFC 8410 writes it and the bytes as DEVELOPERS.md says; it shares no code with ours.
"""

from __future__ import annotations

import asyncio
import base64
import json
import os
import shutil
import stat
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from support.cyclelog_faults import read_only, small_disk
from support.first_schema import unpack
from tidegate.cli.main import run
from tidegate.cyclelog import keys
from tidegate.cyclelog.writer import Writer
from tidegate.virtual import VirtualClock

HEAD = "70e7e2d8e7594766ce3a2c82420c30b0ccd4e3df6bfd3a8f862b5af9fa1e9f63"
VALUES = (
    "link first_link number row rows machine linked_at signed_at".split()  # noqa: SIM905
)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    return unpack(tmp_path)


def signed(
    log: Path, capsys: pytest.CaptureFixture[str], *words: str
) -> dict[str, Any]:
    assert run(["log", "sign", "--log", str(log), *words]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def test_the_head_is_the_end_of_the_log(
    log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    head = signed(log, capsys)["head"]
    assert (head["link"], head["number"], head["row"]) == (HEAD, 13, 359)
    assert (head["rows"], head["machine"]) == (44, "5e" * 32)
    assert head["linked_at"] == "2027-01-01T01:40:40.000Z"


def test_the_key_is_made_once_and_private(
    log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["log", "sign", "--log", str(log)]) == 0
    out, err = capsys.readouterr()
    one = json.loads(out)
    key = log.with_name("cycles.db.key")
    assert f"Made the key {key}" in err
    assert one["public_key"] in err
    assert stat.S_IMODE(key.stat().st_mode) == 0o600
    before = key.read_bytes()
    assert run(["log", "sign", "--log", str(log)]) == 0
    out, err = capsys.readouterr()
    assert json.loads(out)["public_key"] == one["public_key"]
    assert (err, key.read_bytes()) == ("", before)


def test_to_writes_what_it_prints(
    log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    to = log.with_name("head.json")
    to.write_text("older")
    document = signed(log, capsys, "--to", str(to))
    assert json.loads(to.read_text(encoding="utf-8")) == document
    assert stat.S_IMODE(to.stat().st_mode) & 0o600 == 0o600
    assert [each.name for each in log.parent.glob(".head*")] == []
    words = ["log", "verify", "--log", str(log), "--against", str(to), "--json"]
    for key in (str(to), document["public_key"], document["key_sha256"]):
        assert run([*words, "--key", key]) == 0
        assert json.loads(capsys.readouterr().out)["anchored"] is True
    assert run([*words, "--key", HEAD]) == 1
    assert json.loads(capsys.readouterr().out)["first_fault"]["kind"] == "other_key"


def test_openssl_says_the_same_of_the_signature(
    log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    openssl = shutil.which("openssl")
    if openssl is None:
        pytest.skip("there is no openssl here")
    document = signed(log, capsys)
    files = {name: log.with_name(name) for name in ("bytes", "signature", "public")}
    lines = ["tidegate signed head 1"]
    lines += [f"{name} {document['head'][name]}" for name in VALUES]
    # The head of every Ed25519 public key in DER (RFC 8410, section 4).
    der = bytes.fromhex("302a300506032b6570032100" + document["public_key"])
    pem = base64.b64encode(der).decode()
    files["public"].write_text(
        f"-----BEGIN PUBLIC KEY-----\n{pem}\n-----END PUBLIC KEY-----\n"
    )
    files["signature"].write_bytes(bytes.fromhex(document["signature"]))

    def judged(text: str) -> int:
        files["bytes"].write_bytes(text.encode())
        return subprocess.run(
            [
                *(openssl, "pkeyutl", "-verify", "-pubin", "-rawin"),
                *("-inkey", str(files["public"]), "-in", str(files["bytes"])),
                *("-sigfile", str(files["signature"])),
            ],
            capture_output=True,
            check=False,
        ).returncode

    text = "".join(f"{line}\n" for line in lines)
    assert judged(text) == 0
    assert judged(text.replace("number 13", "number 14")) != 0
    # Its public key, as openssl itself writes it, is a public key to us.
    again = log.with_name("again.json")
    again.write_text(json.dumps(document))
    words = ["log", "verify", "--log", str(log), "--against", str(again)]
    assert run([*words, "--key", str(files["public"])]) == 0


@pytest.mark.parametrize(
    "name",
    ["cycles.db", "cycles-2026.db", "cycles.db.key", "other.key", "linked", "new.key"],
)
def test_a_log_and_a_key_are_never_written_over(
    log: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    signed(log, capsys)
    shutil.copy(log.with_name("cycles.db.key"), log.with_name("other.key"))
    log.with_name("linked").symlink_to(log)
    to = log.with_name(name)
    before = to.read_bytes() if to.exists() else None
    words = ["--key", str(to)] if name == "new.key" else []
    assert run(["log", "sign", "--log", str(log), "--to", str(to), *words]) == 64
    assert "name another file" in capsys.readouterr().err
    assert (to.read_bytes() if to.exists() else None) == before


def test_a_link_and_a_pipe_are_written_through(
    log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    to, kept = log.with_name("to"), log.with_name("kept")
    to.symlink_to(kept)
    document = signed(log, capsys, "--to", str(to))
    assert to.is_symlink()
    assert json.loads(kept.read_text(encoding="utf-8")) == document
    pipe = log.with_name("pipe")
    os.mkfifo(pipe)
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    document = signed(log, capsys, "--to", str(pipe))
    assert json.loads(os.read(reader, 10_000)) == document
    os.close(reader)
    assert stat.S_ISFIFO(pipe.stat().st_mode)


def test_two_that_sign_at_once_make_one_key(
    log: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The other one is quicker: its key is there when ours is to be put there."""
    key, link = log.with_name("cycles.db.key"), os.link

    def late(source: str, target: Path) -> None:
        monkeypatch.setattr(os, "link", link)
        signed(log, capsys)
        link(source, target)

    monkeypatch.setattr(os, "link", late)
    assert run(["log", "sign", "--log", str(log)]) == 0
    out, err = capsys.readouterr()
    assert "Made the key" not in err
    again = signed(log, capsys)["public_key"]
    assert json.loads(out)["public_key"] == again
    assert list(log.parent.glob(f".{key.name}*")) == []


def test_the_key_and_its_name_are_on_the_disk_before_it_signs(
    log: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A power cut must not take a key that has signed, or the next is another."""
    synced, fsync = [], os.fsync

    def told(handle: int) -> None:
        synced.append(stat.S_IFMT(os.fstat(handle).st_mode))
        fsync(handle)

    monkeypatch.setattr(os, "fsync", told)
    signed(log, capsys)
    assert synced == [stat.S_IFREG, stat.S_IFDIR]


def test_a_head_that_cannot_be_written_leaves_the_older_one(
    log: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    to = log.with_name("head.json")
    older = signed(log, capsys, "--to", str(to))

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    assert run(["log", "sign", "--log", str(log), "--to", str(to)]) == 74
    out, err = capsys.readouterr()
    assert "no space left" in err
    assert out == ""
    assert json.loads(to.read_text(encoding="utf-8")) == older
    assert list(log.parent.glob(".head*")) == []


def test_a_crash_leaves_no_half_of_a_key(
    log: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        assert run(["log", "sign", "--log", str(log)]) == 74
    assert "no space left" in capsys.readouterr().err
    assert list(log.parent.glob("*.key*")) == []
    assert list(log.parent.glob(".*key*")) == []
    signed(log, capsys)


@pytest.mark.parametrize("mask", [0o000, 0o777])
def test_the_key_is_private_whatever_the_umask(
    log: Path, capsys: pytest.CaptureFixture[str], mask: int
) -> None:
    before = os.umask(mask)
    try:
        signed(log, capsys)
    finally:
        os.umask(before)
    key = log.with_name("cycles.db.key")
    assert stat.S_IMODE(key.stat().st_mode) == 0o600


# --- keys that are refused --------------------------------------------------------------


def _readable_by_others(key: Path) -> None:
    key.chmod(0o640)


def _a_link(key: Path) -> None:
    key.rename(key.with_name("kept"))
    key.symlink_to(key.with_name("kept"))


def _a_folder(key: Path) -> None:
    key.unlink()
    key.mkdir(mode=0o700)


def _no_key(key: Path) -> None:
    key.write_bytes(b"")


def _another_kind(key: Path) -> None:
    done = subprocess.run(
        ["openssl", "genpkey", "-algorithm", "X25519"],
        capture_output=True,
        check=False,
    )
    if done.returncode:
        pytest.skip("there is no openssl here")
    key.write_bytes(done.stdout)


@pytest.mark.parametrize(
    ("spoil", "code", "sentence"),
    [
        (_readable_by_others, 77, "can be read or changed by others. If nobody did"),
        (_a_link, 77, "is a link. Name the key itself with --key"),
        (_a_folder, 77, "is no file"),
        (_no_key, 65, "holds no key that can be used. Name another with --key"),
        (_another_kind, 65, "holds a key that is not Ed25519"),
    ],
)
def test_a_key_that_is_not_private_or_none_is_refused(
    log: Path,
    capsys: pytest.CaptureFixture[str],
    spoil: Any,
    code: int,
    sentence: str,
) -> None:
    signed(log, capsys)
    key = log.with_name("cycles.db.key")
    spoil(key)
    before = key.read_bytes() if key.is_file() else b""
    assert run(["log", "sign", "--log", str(log)]) == code
    out, err = capsys.readouterr()
    assert sentence in err
    assert out == ""
    assert (key.read_bytes() if key.is_file() else b"") == before


def test_the_key_of_another_user_is_refused(
    log: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    signed(log, capsys)
    uid = os.geteuid()
    monkeypatch.setattr(keys.os, "geteuid", lambda: uid + 1)
    assert run(["log", "sign", "--log", str(log)]) == 77
    assert "belongs to another user" in capsys.readouterr().err


def test_a_folder_that_is_not_there_takes_no_key(
    log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["--key", str(log.parent / "none" / "key")]
    assert run(["log", "sign", "--log", str(log), *words]) == 74
    assert "Name a place that this user can write with --key" in capsys.readouterr().err


def test_a_place_that_cannot_be_written_is_named(
    log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    to = log.parent / "none" / "head.json"
    assert run(["log", "sign", "--log", str(log), "--to", str(to)]) == 74
    out, err = capsys.readouterr()
    assert f"{to}: no such file or directory" in err
    assert out == ""


def test_without_the_library_the_extra_is_named(
    log: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in [name for name in sys.modules if name.startswith("cryptography")]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "cryptography", None)
    assert run(["log", "sign", "--log", str(log)]) == 69
    assert "pip install 'tidegate[sign]'" in capsys.readouterr().err
    assert not log.with_name("cycles.db.key").exists()


@pytest.mark.parametrize(
    ("name", "code"), [("none.db", 66), ("text", 65), ("begun.db", 65)]
)
def test_a_log_that_has_no_end_cannot_be_signed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, code: int
) -> None:
    (tmp_path / "text").write_text("no database" * 100)
    writer = Writer.open(tmp_path / "begun.db", clock=VirtualClock(), threaded=False)
    asyncio.run(writer.close())
    assert run(["log", "sign", "--log", str(tmp_path / name)]) == code
    assert capsys.readouterr().out == ""
    assert list(tmp_path.glob("*.key")) == []


def test_on_a_read_only_disk_with_the_key_elsewhere(
    log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    key = tmp_path / "device.key"
    with small_disk(tmp_path / "disk", size_kib=1024) as disk:
        shutil.copy(log, disk)
        with read_only(disk):
            there = disk / "cycles.db"
            assert signed(there, capsys, "--key", str(key))["head"]["link"] == HEAD
            assert run(["log", "sign", "--log", str(there)]) == 74
            assert "read-only" in capsys.readouterr().err
