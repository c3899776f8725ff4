"""Where boots belong in time: clocks that were not set, and those that went back.

A host whose clock does not go on while it is off begins at the epoch of POSIX.1, 1
January 1970, or soon after. All times here are invented.
"""

from __future__ import annotations

import pytest

from support.audit_log import DAY, HOUR, T0, AuditLog
from tidegate.audit.auditor import audit
from tidegate.cyclelog.placing import Boot, placed

GIVEN = {"relay": {"life": 100_000}}
YEAR_MS = 365 * 86_400_000


def boot(first_id, begin_ms, *, lasts_ms=HOUR * 1000, anchored=False):
    """Return a boot whose own clock begins at 20 s."""
    return Boot(
        first_id=first_id,
        boot_id=f"b{first_id}",
        first_ms=20_000,
        last_ms=20_000 + lasts_ms,
        offset_ms=begin_ms - 20_000,
        least_ms=begin_ms - 20_000,
        most_ms=begin_ms - 20_000,
        is_anchored=anchored,
    )


def begins(boots):
    found = placed(boots)
    return [each.first_ms + found.offsets[each.first_id] for each in boots]


def test_boots_before_the_clock_was_set_end_where_the_first_true_one_begins():
    hour_ms = 3_600_000
    boots = [boot(1, 0), boot(2, 5_000), boot(3, T0, anchored=True)]
    assert begins(boots) == [T0 - 2 * hour_ms, T0 - hour_ms, T0]
    found = placed(boots)
    assert (found.unset, found.delayed, found.doubtful_ms) == (2, 0, 0)


@pytest.mark.parametrize(
    ("boots", "wanted"),
    [
        # nothing else is known of them
        ([boot(1, 0), boot(2, 9_000_000)], [0, 9_000_000]),
        # later ones come right after what came before, as ever
        (
            [boot(1, T0, anchored=True), boot(2, 0), boot(3, T0 + YEAR_MS)],
            [T0, T0 + 3_600_000, T0 + YEAR_MS],
        ),
        # a date that may be true stays
        ([boot(1, T0 - YEAR_MS), boot(2, T0, anchored=True)], [T0 - YEAR_MS, T0]),
        # and so does whatever a synchronised clock said
        ([boot(1, 0, anchored=True), boot(2, T0, anchored=True)], [0, T0]),
    ],
)
def test_no_other_boot_moves(boots, wanted):
    assert begins(boots) == wanted
    assert placed(boots).unset == 0


def test_a_long_time_beside_a_clock_that_is_not_certain_is_told():
    far_ms = T0 + 2 * YEAR_MS
    apart_ms = 2 * YEAR_MS - 3_600_000
    for first, last in ((False, True), (True, False)):
        boots = [boot(1, T0, anchored=first), boot(2, far_ms, anchored=last)]
        assert placed(boots).doubtful_ms == apart_ms
    certain = [boot(1, T0, anchored=True), boot(2, far_ms, anchored=True)]
    assert placed(certain).doubtful_ms == 0
    near = [boot(1, T0), boot(2, T0 + YEAR_MS)]
    assert placed(near).doubtful_ms == 0


def test_an_audit_is_not_stretched_over_half_a_century(tmp_path):
    log = AuditLog(tmp_path / "cycles.db")
    log.offset_ms = 0
    log.begin(20, boot="b0", synchronised=False, given=GIVEN)
    log.read(30, 50, span_s=DAY)
    for index in range(10):
        log.switch(DAY + 40 + index * 400, "on" if index % 2 else "off")
    log.offset_ms = T0
    log.begin(20, boot="b1", given=GIVEN)
    log.read(30, 50, span_s=2 * DAY)
    made = audit(log.close(), "hall")
    # The first boot ends where the second begins: with its last switching.
    first_s = DAY + 40 + 9 * 400 - 20
    assert made.until_ms - made.from_ms == 1000 * (first_s + 2 * DAY + 10)
    days = (first_s + 2 * DAY + 10) / DAY
    assert made.switchings.per_day == pytest.approx(10 / days)
    assert made.switchings.life_years == pytest.approx(100_000 * days / 10 / 365)
    assert any("was not set yet in 1 boot at the" in each for each in made.notes)


def test_an_audit_says_where_a_year_may_be_none(tmp_path):
    log = AuditLog(tmp_path / "cycles.db")
    log.begin(20, boot="b0", synchronised=False)
    log.read(30, 50, span_s=HOUR)
    log.offset_ms = T0 + 2 * YEAR_MS
    log.begin(20, boot="b1")
    log.read(30, 50, span_s=HOUR)
    made = audit(log.close(), "hall")
    assert any("730.0 days lie between two boots" in each for each in made.notes)
