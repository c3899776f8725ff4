"""What a backend has to say: each thing once, in order, and not without end."""

from tidegate_backends.notes import AT_MOST, Notes


def test_each_text_is_taken_once_and_in_order():
    notes = Notes()
    for text in ("a", "b", "a"):
        notes.add(text)
    assert notes.take() == ["a", "b"]
    notes.add("b")
    notes.add("c")
    assert notes.take() == ["c"]
    assert notes.take() == []


def test_texts_that_vary_for_ever_end():
    notes = Notes()
    for number in range(AT_MOST + 5):
        notes.add(f"overloaded {number} times")
    assert len(notes.take()) == AT_MOST
    notes.add("one more")
    assert notes.take() == []
