"""The demo's museum: its physics is what its text says. All of it is invented."""

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest

from tidegate.twin.museum import INVENTED, Museum
from tidegate.twin.quirks import Chip
from tidegate.twin.relay import TwinRelaySettings
from tidegate.twin.tables import TwinGaugeSettings
from tidegate.twin.truth import Diary
from tidegate.twin.world import What

HOUR_MS = 3_600_000
POLL_MS = 30_000


class Keeper:
    """A plain two-point control, none of ours: on at 55, off at 65, off when hot."""

    def __init__(self, museum):
        self.bench = museum.bench(0)
        self.device = self.bench.device
        self.bench.wire("normally-closed", dead_man_ms=None, boot_ms=0)
        self.diary = Diary()
        self.device.observe(self.diary)
        settings = TwinGaugeSettings.model_validate(museum.gauge())
        self.chip = Chip(settings.chip_quirks(), seed=museum.seed)
        self.hot_since_ms = None
        self.hot = []
        self.switchings = 0

    def run(self, hours):
        for now_ms in range(POLL_MS, round(hours * HOUR_MS) + 1, POLL_MS):
            self.device.advance_to(now_ms)
            self._poll(now_ms, self.chip.sample(self.device))
        return self

    def _poll(self, now_ms, sample):
        if self.hot_since_ms is None and sample.temperature_c >= 45:
            self.hot_since_ms = now_ms
        elif self.hot_since_ms is not None and sample.temperature_c <= 42:
            self.hot.append((self.hot_since_ms, now_ms))
            self.hot_since_ms = None
        if self.hot_since_ms is not None or sample.soc_percent >= 65:
            self._drive(now_ms, driven=True)
        elif sample.soc_percent <= 55:
            self._drive(now_ms, driven=False)

    def _drive(self, now_ms, *, driven):
        if self.device.contact.driven != driven:
            self.bench.drive(driven=driven, boot_ms=now_ms)
            self.switchings += 1


@pytest.fixture(scope="module")
def week():
    return Keeper(Museum(seed=1)).run(7 * 24)


def test_a_plain_two_point_control_keeps_the_window(week):
    kept = week.diary.kept(low_percent=55, high_percent=65, excluded=week.hot)
    assert kept.in_window_percent >= 95
    assert kept.excluded_hours <= 12
    assert kept.lowest_soc_percent > 30
    assert 6 * 7 <= week.switchings <= 14 * 7


def test_one_afternoon_is_hot_and_never_critical(week):
    records = week.diary.records
    assert len(week.hot) == 1
    peak = max(record.temperature_c for record in records)
    assert 46 < peak < 55
    hottest = max(records, key=lambda record: record.temperature_c)
    at = datetime.fromtimestamp(Museum().start_wall_ms / 1000, UTC) + timedelta(
        milliseconds=hottest.at_ms, hours=Museum().utc_offset_h
    )
    assert (at.strftime("%A"), 13 <= at.hour < 17) == ("Saturday", True)


def test_the_mains_fail_once_for_an_hour_and_a_half(week):
    records = week.diary.records
    dark_ms = [
        after.at_ms - before.at_ms
        for before, after in pairwise(records)
        if not before.mains
    ]
    assert sum(dark_ms) == 1.5 * HOUR_MS


def test_the_contact_welds_and_frees_itself_an_hour_after_the_off(week):
    records = week.diary.records
    highest = max(
        (record for record in records if record.at_ms > 24 * HOUR_MS),
        key=lambda record: record.soc_percent,
    )
    # An hour of net charge, about 10 points, above the mark at which it should end.
    assert 72 < highest.soc_percent < 82
    assert week.device.contact.closed != week.device.contact.driven


@pytest.mark.parametrize("seed", range(2, 7))
def test_other_seeds_are_other_weeks_of_the_same_kind(seed):
    museum = Museum(seed=seed)
    assert museum.gauge() == Museum(seed=seed).gauge()
    assert museum.gauge()["load_a"] != Museum(seed=1).gauge()["load_a"]
    settings = TwinGaugeSettings.model_validate(museum.gauge())
    whats = [event.what for event in settings.events]
    assert whats == [What.RELAY_WELDED, What.MAINS_OUT, What.HOT]


def test_visitors_come_when_it_is_open():
    loads = Museum().gauge()["load_a"]
    days = [loads[24 * day : 24 * day + 24] for day in range(7)]
    busy = [[hour for hour, load in enumerate(day) if load > 0.5] for day in days]
    assert busy[0] == []
    assert busy[3] == list(range(10, 21))
    assert busy[1] == busy[5] == busy[6] == list(range(10, 18))
    # About 10 to 12 points an hour with visitors.
    assert all(9 < 100 * loads[24 * day + 12] / 6.7 < 12 for day in range(1, 7))


def test_a_short_stay_sees_only_its_own_days():
    assert Museum(days=2).gauge()["events"] == []
    assert len(Museum(days=4).gauge()["events"]) == 2
    assert Museum(days=2).end_wall_ms - Museum(days=2).start_wall_ms == 48 * HOUR_MS


def test_its_tables_are_good_settings_and_it_says_that_it_is_invented():
    station = Museum().station()
    relay = TwinRelaySettings.model_validate(station["relay"])
    gauge = TwinGaugeSettings.model_validate(station["gauge"])
    assert relay.device == gauge.device == "wall-guide"
    assert gauge.starts_at.timestamp() * 1000 == Museum().start_wall_ms
    assert "made up" in INVENTED
