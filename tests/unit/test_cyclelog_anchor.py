"""What counts as an anchor, and what its signature is worth."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from support import cyclelog_rows as make
from tidegate.cyclelog import keys, signing
from tidegate.cyclelog.anchor import Anchor, anchors_in, lost
from tidegate.cyclelog.check import Examined
from tidegate.cyclelog.neighbours import Begin
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.signing import Head, SignedHead
from tidegate.cyclelog.verify import verify
from tidegate.cyclelog.walk import Link
from tidegate.cyclelog.writer import Writer
from tidegate.errors import LogAbsent, LogUnreadable

LINK = "0123456789abcdef" * 4
OTHER = "fedcba9876543210" * 4

# RFC 8032, section 7.1, TEST 1: secret key, public key, signature of no bytes at all.
RFC_8032_TEST_1 = (
    "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
    "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
    "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb88215"
    "90a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b",
)


@pytest.fixture
async def path(tmp_path: Path) -> Path:
    path = tmp_path / "cycles.db"
    writer = Writer.open(path, clock=make.clock(), threaded=False)
    for row in make.some():
        writer.append(row)
        await writer.commit()
    await writer.close()
    return path


def _note(folder: Path, text: str) -> Path:
    note = folder / "note"
    note.write_text(text, encoding="utf-8")
    return note


@pytest.mark.parametrize(
    ("text", "number", "row"),
    [
        (LINK, None, None),
        (f"{LINK.upper()}\n", None, None),
        ("\ufeff" + json.dumps({"link": LINK, "number": 3}), 3, None),
        (f"lobby: a month\nHead: {LINK} (link 12, row 345, 2026)\nend", 12, 345),
        (f"link {LINK}, number 12 at row 345.", None, 345),
        (f"Head {LINK} (link 1,234 of it, row 1 234)", None, None),
        (f"Head: {LINK}, link 7\nand again the head {LINK}", 7, None),
        (f"settings {OTHER}\nhead {LINK} link 9", 9, None),
        (json.dumps({"link": LINK}), None, None),
        (json.dumps({"link": LINK, "number": 12, "row": 345}), 12, 345),
        (json.dumps({"head": {"link": LINK, "number": 12, "row": 345}}), 12, 345),
        (json.dumps({"head": {"link": LINK, "number": "12", "row": None}}), None, None),
        (json.dumps([{"x": 1}, {"head": {"link": LINK}}, {"link": LINK}]), None, None),
    ],
)
def test_a_head_is_found_in_text_and_in_documents(
    tmp_path: Path, text: str, number: int | None, row: int | None
) -> None:
    (anchor,) = anchors_in(_note(tmp_path, text))
    assert (anchor.kind, anchor.link) == ("head", LINK)
    assert (anchor.number, anchor.row) == (number, row)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "no link at all",
        LINK[:-1],
        LINK + "0",
        f"{LINK}\n{OTHER}",
        f"link {LINK}\nhead {OTHER}",
        "{}",
        "[]",
        "17",
        json.dumps({"head": {"link": LINK[:-1]}}),
        json.dumps([{"link": LINK}, {"head": None}]),
        f'{{"link": "{LINK}", "link": "{LINK}"}} {signing.FORM}',
        f"pasted: {signing.FORM}\nlink {LINK}",
        "[" * 100_000 + signing.FORM,
        json.dumps({"form": signing.FORM, "head": {"link": LINK}}),
        json.dumps({"form": "tidegate signed head 9", "signature": "", "head": {}}),
    ],
)
def test_what_is_no_anchor_is_refused(tmp_path: Path, text: str) -> None:
    with pytest.raises(LogUnreadable):
        anchors_in(_note(tmp_path, text))


def test_an_anchor_that_is_not_there_is_said_so(tmp_path: Path) -> None:
    with pytest.raises(LogAbsent):
        anchors_in(tmp_path / "none")


def test_a_head_that_gives_its_link_another_number_is_altered(path: Path) -> None:
    head = verify(path).head
    assert head is not None
    note = {"link": head[1].digest, "number": head[1].number + 1, "row": head[1].row}
    verdict = verify(path, anchors=anchors_in(_note(path.parent, json.dumps(note))))
    assert verdict.fault is not None
    assert verdict.fault.kind == "altered"
    assert not verdict.anchored


def test_a_number_read_out_of_a_text_accuses_nobody(path: Path) -> None:
    head = verify(path).head
    assert head is not None
    note = _note(path.parent, f"seen on link 99: {head[1].digest}, row 1")
    verdict = verify(path, anchors=anchors_in(note))
    assert (verdict.fault, verdict.anchored) == (None, True)


def _file(first: str, links: int, last_row: int, *, begins: int = 1) -> Examined:
    last = Link(row=last_row, line="", wall_ms=0, number=links, rows=1, digest=OTHER)
    begin = Begin(
        first_id=begins, run=begins, prev_link="x" * (begins > 1), machine="", lost=None
    )
    return Examined(links=links, first=first, last=last, begin=begin)


@pytest.mark.parametrize(
    ("first", "number", "row", "file", "kind"),
    [
        ("a", 5, 50, _file("a", 4, 49), "missing"),
        ("a", 5, 50, _file("a", 5, 50), "swapped"),
        ("a", 5, 50, _file("b", 4, 49), "swapped"),
        ("", 5, 50, _file("a", 4, 49), "missing"),
        ("", 5, 50, _file("a", 4, 50), "swapped"),
        ("", 5, None, _file("a", 4, 49), "missing"),
        ("", 5, None, _file("a", 5, 49), "swapped"),
        ("", None, None, _file("a", 5, 49), "missing"),
        ("a", 5, 50, _file("b", 4, 90, begins=51), "missing"),
        ("a", 5, 50, _file("b", 4, 90, begins=50), "swapped"),
    ],
)
def test_a_link_that_is_not_there_was_cut_off_or_is_of_another_log(
    first: str, number: int | None, row: int | None, file: Examined, kind: str
) -> None:
    anchor = Anchor(
        source=Path("note"),
        kind="head",
        link=LINK,
        number=number,
        row=row,
        first_link=first,
    )
    fault = lost(anchor, [file])
    assert fault is not None
    assert fault.kind == kind


# --- signatures -----------------------------------------------------------------------


def _signed(path: Path, key: Ed25519PrivateKey) -> dict[str, Any]:
    with Reader(path) as reader:
        head = signing.head_of(reader, wall_ms=make.WALL_MS)
    return signing.document_of(keys.sign(key, head))


def _verdict(path: Path, document: object, key: str | None = None) -> tuple[str, bool]:
    anchors = anchors_in(_note(path.parent, json.dumps(document)))
    verdict = verify(path, anchors=anchors, key=key)
    return ("" if verdict.fault is None else verdict.fault.kind), verdict.anchored


def test_the_signed_bytes_are_those_of_the_documented_form() -> None:
    head = Head(
        link="ab" * 32,
        first_link="cd" * 32,
        number=12,
        row=345,
        rows=333,
        machine="a\tb",
        linked_at="2026-03-02T06:00:00.000Z",
        signed_at="2026-03-02T07:00:00.000Z",
    )
    assert signing.statement(head).decode() == (
        "tidegate signed head 1\n"
        f"link {'ab' * 32}\n"
        f"first_link {'cd' * 32}\n"
        "number 12\n"
        "row 345\n"
        "rows 333\n"
        "machine a\\tb\n"
        "linked_at 2026-03-02T06:00:00.000Z\n"
        "signed_at 2026-03-02T07:00:00.000Z\n"
    )


def test_the_signature_is_that_of_rfc_8032(monkeypatch: pytest.MonkeyPatch) -> None:
    secret, public, signature = RFC_8032_TEST_1
    monkeypatch.setattr(keys, "statement", lambda head: b"")
    head = Head(
        link="", first_link="", number=1, row=1, rows=0,
        machine="", linked_at="", signed_at="",
    )  # fmt: skip
    key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret))
    signed = keys.sign(key, head)
    assert signed == SignedHead(head=head, public_key=public, signature=signature)
    assert keys.is_genuine(signed)
    assert not keys.is_genuine(replace(signed, signature="00" * 64))
    # 2 is the y of no point of the curve (RFC 8032, 5.1.3).
    assert not keys.is_genuine(replace(signed, public_key="02" + "00" * 31))


def test_a_genuine_head_anchors(path: Path) -> None:
    key = Ed25519PrivateKey.generate()
    document = _signed(path, key)
    public = document["public_key"]
    assert _verdict(path, document) == ("", True)
    assert _verdict(path, document, public) == ("", True)
    assert _verdict(path, document, document["key_sha256"]) == ("", True)
    assert _verdict(path, document, "00" * 32) == ("other_key", False)
    assert _verdict(path, {"head": document["head"]}, public) == ("unsigned", False)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("link", OTHER),
        ("first_link", OTHER),
        ("number", 2),
        ("row", 2),
        ("rows", 2),
        ("machine", "another"),
        ("linked_at", ""),
        ("signed_at", "2020-01-01T00:00:00.000Z"),
    ],
)
def test_every_value_of_the_head_is_signed(
    path: Path, field: str, value: object
) -> None:
    document = _signed(path, Ed25519PrivateKey.generate())
    document["head"][field] = value
    assert _verdict(path, document) == ("bad_signature", False)


def test_a_signature_of_another_key_is_bad(path: Path) -> None:
    document = _signed(path, Ed25519PrivateKey.generate())
    other = _signed(path, Ed25519PrivateKey.generate())
    document["public_key"] = other["public_key"]
    document["key_sha256"] = other["key_sha256"]
    assert _verdict(path, document) == ("bad_signature", False)


@pytest.mark.parametrize(
    ("field", "value"),
    [("number", "1"), ("number", True), ("row", 1.5), ("link", 7), ("machine", None)],
)
def test_a_head_of_other_types_is_refused(
    path: Path, field: str, value: object
) -> None:
    document = _signed(path, Ed25519PrivateKey.generate())
    document["head"][field] = value
    with pytest.raises(LogUnreadable, match=field):
        anchors_in(_note(path.parent, json.dumps(document)))


def _strange_heads(path: Path) -> dict[str, str]:
    """Return signed heads that say more than was signed, or two things at once."""
    document = _signed(path, Ed25519PrivateKey.generate())
    text = json.dumps(document)
    other = _signed(path, Ed25519PrivateKey.generate())
    twice = text.replace('"number": ', '"number": 99, "number": ')
    key = f'"public_key": "{other["public_key"]}", "public_key": '
    head = document["head"]
    return {
        "number-twice": twice,
        "key-twice": text.replace('"public_key": ', key),
        "fingerprint": json.dumps({**document, "key_sha256": other["key_sha256"]}),
        "no-fingerprint": text.replace("key_sha256", "key_sha"),
        "more": json.dumps({**document, "station": "tower"}),
        "more-in-the-head": json.dumps({**document, "head": {**head, "by": "us"}}),
        "less": json.dumps({**document, "head": {"link": head["link"]}}),
        "link": json.dumps({**document, "head": {**head, "link": "x"}}),
        "negative": json.dumps({**document, "head": {**head, "rows": -1}}),
        "lines": json.dumps(
            {**document, "head": {**head, "signed_at": "now\nWhole: all is well"}}
        ),
        "cut": text[:-1],
    }


@pytest.mark.parametrize(
    "what",
    [
        *("number-twice", "key-twice", "fingerprint", "no-fingerprint", "more"),
        *("more-in-the-head", "less", "link", "negative", "lines", "cut"),
    ],
)
def test_what_is_not_signed_in_a_signed_head_is_refused(path: Path, what: str) -> None:
    """Else a person, or another program, would take it for signed too."""
    text = _strange_heads(path)[what]
    with pytest.raises(LogUnreadable, match="signed head"):
        anchors_in(_note(path.parent, text))


async def test_a_signed_head_shows_a_cut_and_another_log(path: Path) -> None:
    """Its first link tells the one from the other, whichever log is longer."""
    document = _signed(path, Ed25519PrivateKey.generate())
    other = path.with_name("other.db")
    writer = Writer.open(other, clock=make.clock(), threaded=False)
    for count in range(20):
        writer.append(make.alarm(count, code="of another log"))
        await writer.commit()
    await writer.close()
    assert _verdict(other, document) == ("swapped", False)


async def test_a_head_of_a_file_that_was_put_away_is_missing(path: Path) -> None:
    document = _signed(path, Ed25519PrivateKey.generate())
    clock = make.clock(wall_ms=make.WALL_MS + 366 * 86_400_000)
    writer = Writer.open(path, clock=clock, threaded=False)
    writer.append(make.run())
    await writer.commit()
    writer.append(make.run())
    await writer.commit()
    await writer.close()
    assert _verdict(path, document) == ("", True)
    path.with_name("cycles-2026.db").unlink()
    assert _verdict(path, document) == ("missing", False)
