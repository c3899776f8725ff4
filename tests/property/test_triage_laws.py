"""Laws of a triage over all inputs: danger outranks numbers, ignorance is no comfort."""

from __future__ import annotations

import tomllib
from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from support import audits, triages
from tidegate.core.policy import Marks
from tidegate.triage.discharging import Collapse
from tidegate.triage.form import answered, filled_form
from tidegate.triage.inspection import SIGNS, Inspection, Told
from tidegate.triage.questions import QUESTIONS
from tidegate.triage.result import Answer

# A busy machine makes one example slow now and then.
LAW = settings(deadline=None)
TOLD = st.sampled_from(Told)


def value_of(question):
    if question.kind == "told":
        return TOLD
    if question.kind == "number":
        return st.none() | st.floats(question.least, question.most)
    if question.kind == "date":
        return st.none() | st.dates()
    return st.none() | st.text(max_size=20)


INSPECTIONS = st.builds(Inspection, **{each.key: value_of(each) for each in QUESTIONS})
HOURS = st.floats(0, 2400)
ALARMS = st.lists(
    st.sampled_from(["battery_critical_heat", "battery_health", "only_source"]),
    unique=True,
).map(tuple)


@st.composite
def evidences(draw):
    """Draw what any log might come to."""
    high_h = draw(HOURS)
    hot_h = draw(HOURS)
    ever = draw(ALARMS)
    lasts = draw(st.floats(0.05, 500))
    return triages.evidence(
        soc=triages.charge(high_h=high_h, low_h=2400 - high_h),
        temperature=draw(
            st.sampled_from(
                [audits.NO_HEAT, triages.heat({20: 2401.0 - hot_h, 60: hot_h})]
            )
        ),
        measured=triages.measured(
            ah=draw(st.none() | st.floats(0.01, 20)),
            sigma=draw(st.floats(0, 5)),
            design_ah=draw(st.none() | st.floats(0.05, 20)),
        ),
        trend=draw(st.sampled_from([None, triages.grown(1.0), triages.grown(3.0)])),
        autonomy=draw(st.sampled_from([None, triages.lasting(lasts)])),
        collapses=(Collapse(at_ms=audits.T0, cell_v=3.0, soc_percent=50.0),)
        * draw(st.integers(0, 2)),
        unseen_s=draw(st.floats(0, 1e7)),
        marks=draw(st.sampled_from([None, Marks(low_percent=55, high_percent=65)])),
        standing=ever[: draw(st.integers(0, 3))],
        ever=ever,
        last_c=draw(st.none() | st.floats(-20, 90)),
        stopped_ms=draw(st.none() | st.just(audits.T0)),
        fitted=draw(st.booleans()),
    )


EVIDENCE = st.none() | evidences()


@LAW
@given(INSPECTIONS, EVIDENCE, st.sampled_from(SIGNS))
def test_any_sign_puts_it_out_of_use_whatever_the_numbers(inspection, found, sign):
    made = triages.triage(replace(inspection, **{sign: Told.YES}), found)
    assert made.answer is Answer.OUT_OF_USE
    assert made.is_certain
    assert "Do not charge it" in made.steps[0]


@LAW
@given(INSPECTIONS, EVIDENCE, st.sampled_from(SIGNS))
def test_what_nobody_looked_at_is_never_a_comfort(inspection, found, sign):
    made = triages.triage(replace(inspection, **{sign: Told.UNKNOWN}), found)
    if made.answer is not Answer.OUT_OF_USE:
        assert sign in {each.key for each in made.look_first}
        assert made.is_provisional
        assert not made.is_certain
        assert made.rank < (2, False)


@LAW
@given(INSPECTIONS, EVIDENCE)
def test_there_is_always_one_answer_with_reasons_and_steps(inspection, found):
    made = triages.triage(inspection, found)
    assert made.reasons
    assert made.steps
    assert all(each.code and each.text for each in made.reasons)
    assert all(each.answer is not made.answer for each in made.would_change)
    assert all(each.text or each.lacks for each in made.would_change)
    if not made.is_certain and not made.look_first:
        assert any(each.lacks for each in made.would_change)


@LAW
@given(INSPECTIONS, EVIDENCE)
def test_out_of_use_needs_a_sign_or_a_log_that_ends_hot(inspection, found):
    made = triages.triage(inspection, found)
    is_hot = found is not None and (
        "battery_critical_heat" in found.standing
        or (found.last_c is not None and found.last_c >= 60)
    )
    assert (made.answer is Answer.OUT_OF_USE) == (bool(inspection.signs()) or is_hot)


@LAW
@given(INSPECTIONS)
def test_a_form_reads_as_it_was_filled_in(inspection):
    read = tomllib.loads(filled_form(inspection))
    assert Inspection(**{k: answered(k, v) for k, v in read.items()}) == inspection
