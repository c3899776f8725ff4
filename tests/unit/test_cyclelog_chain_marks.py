"""A link against its definition in DEVELOPERS.md, recomputed byte by byte here."""

from __future__ import annotations

from hashlib import sha256

from tidegate.cyclelog import chain


def test_a_link_covers_its_rows_in_the_order_in_which_they_stand():
    # The link before, the lines as they come, the link's own line; a line feed each.
    before = "5a" * 32
    text = f"{before}\n9\trun\n10\tgap\n11\tä\n12\tlink\n"
    lines = ["9\trun", "10\tgap", "11\tä"]  # by id, not by the alphabet
    assert chain.link(before, lines, "12\tlink") == sha256(text.encode()).hexdigest()


def test_the_first_link_follows_sixty_four_noughts():
    text = "0" * 64 + "\n1\trun\n2\tlink\n"
    made = chain.link(chain.START, ["1\trun"], "2\tlink")
    assert made == sha256(text.encode()).hexdigest()
