"""The load to be expected by hour of the week: how it is learnt, and what it makes of the time that is left."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from mendwatch.forecaster.week import Week, expected
from mendwatch.model.load import HOURS, UsualLoad, hour_of
from mendwatch.model.records import MemberSample
from mendwatch.tracker.load import learn

MONDAY = datetime(2026, 3, 2, tzinfo=UTC)
OFFICE = Week([0.4 if hour < 120 and 8 <= hour % 24 < 18 else 0.0 for hour in range(HOURS)])


def watched(days: int) -> UsualLoad:
    """Polls a quarter of an hour apart on drives that are at work for two hours at night."""
    load = UsualLoad()
    for number in range(days * 96):
        at = MONDAY + timedelta(minutes=15 * number)
        busy = 0.5 if at.hour in {1, 2} else 0.1
        load = learn(load, at, [MemberSample("a", "sda", busy=busy), MemberSample("b", None)], 900.0)
    return load


def test_hours_of_the_week() -> None:
    assert hour_of(MONDAY) == 0
    assert hour_of(datetime(2026, 3, 8, 23, 59, tzinfo=UTC)) == HOURS - 1


def test_nothing_is_expected_before_three_days_were_watched() -> None:
    assert expected(UsualLoad()) is None
    assert expected(watched(2)) is None
    assert learn(UsualLoad(), MONDAY, [MemberSample("a", "sda")], 60.0) == UsualLoad()


def test_an_hour_that_was_not_watched_takes_the_same_hour_of_other_days() -> None:
    week = expected(watched(4))
    assert week is not None
    assert week.at(MONDAY + timedelta(hours=1.5)) == pytest.approx(0.5)
    assert week.at(MONDAY + timedelta(days=6, hours=1.5)) == pytest.approx(0.5)
    assert week.at(MONDAY + timedelta(days=6, hours=12)) == pytest.approx(0.1)


def test_habits_may_change() -> None:
    load = watched(7)
    for week_number in range(12):
        at = MONDAY + timedelta(weeks=week_number + 1, hours=1)
        load = learn(load, at, [MemberSample("a", "sda", busy=0.0)], 3600.0)
    assert load.shares[1] < 0.1


@pytest.mark.parametrize(
    ("hours", "quiet_h", "wall_h"),
    [
        (0, 8.0, 8.0),  # a night
        (8, 4.0, 10.0),  # an office day: 1 - 1.5 x 0.4 of each hour is left
        (7.5, 1.5, 0.5 + 1.0 / 0.4),
        (0, 2 * (HOURS - 50 * 0.6), 2 * HOURS),  # two whole weeks
        (0, 0.0, 0.0),
    ],
)
def test_undisturbed_time_is_stretched_by_the_load_to_come(hours: float, quiet_h: float, wall_h: float) -> None:
    start = MONDAY + timedelta(hours=hours)
    assert OFFICE.wall_s(start, quiet_h * 3600, 1.5) == pytest.approx(wall_h * 3600)


def test_load_that_costs_nothing_stretches_nothing() -> None:
    assert OFFICE.wall_s(MONDAY + timedelta(hours=9), 5000.0, 0.0) == 5000.0
