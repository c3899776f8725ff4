"""Laws of the dump's reader: never partly believed, and nothing but its own refusal."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from support.dumps import dump
from tidegate.core.reading import Sample
from tidegate_backends.wire.adb_text import Trouble, answer_in
from tidegate_backends.wire.dumpsys import NotADump, sample_of

VALUES = {
    "level": st.integers(0, 100),
    "status": st.integers(0, 6),
    "health": st.integers(0, 8),
    "present": st.booleans(),
    "voltage": st.integers(0, 9_000),
    "temperature": st.integers(-400, 900),
    "technology": st.sampled_from(["Li-ion", "Li-poly", ""]),
    "USB_powered": st.booleans(),
    "Charge_counter": st.integers(0, 9_000_000),
    "stopped": st.booleans(),
}
DUMPS = st.builds(dump, **VALUES)  # type: ignore[arg-type]
UPTIME = "86400.07 250560.20\n"


def told(sample: Sample) -> Sample:
    """What was said of the battery: without the raw text and the uptime behind it."""
    return replace(sample, raw="", uptime_s=None)


@given(DUMPS, st.data())
def test_a_cut_dump_is_rejected_or_says_the_same(
    text: str, data: st.DataObject
) -> None:
    whole = sample_of(text + UPTIME)
    cut = data.draw(st.integers(0, len(text + UPTIME)))
    try:
        sample = sample_of((text + UPTIME)[:cut])
    except NotADump:
        assert cut < len(text)
    else:
        assert told(sample) == told(whole)
        assert sample.uptime_s in (None, whole.uptime_s)


@given(DUMPS, st.text(max_size=200).filter(lambda tail: "UPDATES" not in tail))
def test_what_stands_behind_a_whole_dump_changes_nothing(text: str, tail: str) -> None:
    assert told(sample_of(f"{text}\n{tail}")) == told(sample_of(text))


@given(DUMPS)
def test_line_ends_change_nothing(text: str) -> None:
    assert told(sample_of(text.replace("\n", "\r\n"))) == told(sample_of(text))


@given(st.text(), st.text())
def test_any_answer_is_a_sample_or_a_trouble_with_a_remedy(out: str, err: str) -> None:
    answer = answer_in(out, err)
    if isinstance(answer, Trouble):
        error = answer.as_error("adb")
        assert error.what
        assert error.remedy


@given(DUMPS, st.integers(0, 400), st.characters())
def test_a_broken_character_never_breaks_the_reader(
    text: str, at: int, character: str
) -> None:
    spoiled = text[:at] + character + text[at + 1 :]
    assert isinstance(answer_in(spoiled, ""), Sample | Trouble)
