"""Time between polls: steady within a boot, never negative, and what counts as observed."""

from __future__ import annotations

from datetime import timedelta

from hypothesis import given
from hypothesis import strategies as st

from mendwatch.model.state import Moment
from mendwatch.tracker.intervals import already_held, between, paces
from support.story import START


def moment(wall_s: float, up: float | None = None, boot: str | None = None) -> Moment:
    return Moment(START + timedelta(seconds=wall_s), boot, up)


def test_the_first_poll_has_no_interval() -> None:
    first = between(None, moment(0, 10, "a"), ())
    assert (first.steady_s, first.observed_s, first.rebooted) == (0, 0, False)


def test_within_a_boot_the_steady_clock_counts() -> None:
    back = between(moment(0, 100, "a"), moment(-7200, 160, "a"), (60.0,))
    assert back.steady_s == 60
    assert back.observed_s == 60


def test_across_boots_the_wall_clock_counts_and_nothing_was_observed() -> None:
    boot = between(moment(0, 100, "a"), moment(600, 20, "b"), (600.0,))
    assert (boot.steady_s, boot.observed_s, boot.rebooted) == (600, 0, True)


def test_a_pause_far_beyond_the_usual_pace_is_a_gap() -> None:
    assert between(moment(0), moment(170), (60.0,) * 5).observed_s == 170
    assert between(moment(0), moment(200), (60.0,) * 5).observed_s == 0
    assert between(moment(0), moment(1500), (600.0,) * 5).observed_s == 1500
    assert between(moment(0), moment(7200), ()).observed_s == 0


def test_a_reboot_says_nothing_about_the_pace() -> None:
    boot = between(moment(0, 100, "a"), moment(600, 20, "b"), (60.0,))
    assert paces((60.0,), boot) == (60.0,)
    assert len(paces((60.0,) * 9, between(moment(0), moment(30), (60.0,)))) == 9


def test_what_a_history_holds_is_told_by_the_steady_clock_where_it_can() -> None:
    last = moment(0, 100, "a")
    assert already_held(last, moment(3600, 100, "a"))
    assert not already_held(last, moment(-3600, 130, "a"))
    assert already_held(last, moment(0))
    assert not already_held(last, moment(1))
    assert not already_held(None, moment(0))


@given(st.lists(st.tuples(st.floats(-1e6, 1e6), st.floats(0, 1e6), st.sampled_from(["a", "b", None])), min_size=2))
def test_no_interval_is_ever_negative(moments: list[tuple[float, float, str | None]]) -> None:
    last = None
    pace: tuple[float, ...] = ()
    for wall_s, up, boot in moments:
        now = moment(wall_s, up, boot)
        interval = between(last, now, pace)
        assert 0 <= interval.observed_s <= interval.steady_s
        pace = paces(pace, interval)
        last = now
