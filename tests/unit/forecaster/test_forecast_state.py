from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from mendwatch.forecaster import Circumstances, ForecastState, begin, forecast, update
from mendwatch.model.records import Forecast, MemberSample, Sample

BEGAN = datetime(2026, 5, 4, tzinfo=UTC)
STATE = TypeAdapter(ForecastState)


def sample(elapsed_s: float, done: float | None, observed_s: float = 60.0, written: float | None = None) -> Sample:
    members = () if written is None else (MemberSample("new", "sdx", write_bytes_per_s=written, filling=True),)
    return Sample(
        run="run",
        at=BEGAN + timedelta(seconds=elapsed_s),
        elapsed_s=elapsed_s,
        observed_s=observed_s,
        done=done,
        done_bytes=None,
        total_bytes=10**12,
        native_finish=None,
        redundancy_left=0,
        running=True,
        moved=True,
        members=members,
    )


def played(samples: list[Sample]) -> tuple[ForecastState, Forecast]:
    state = begin()
    for one in samples:
        state = update(state, one)
    return state, forecast(state, samples[-1], None)


def left_s(found: Forecast, last: Sample) -> tuple[float, float, float]:
    assert found.finish is not None
    ends = found.finish.p10, found.finish.p50, found.finish.p90
    early, middle, late = ((end - last.at).total_seconds() if end is not None else float("inf") for end in ends)
    return early, middle, late


def even(rate_per_s: float, polls: int, poll_s: float = 60.0) -> list[Sample]:
    return [sample(n * poll_s, rate_per_s * n * poll_s, poll_s if n else 0.0) for n in range(polls)]


def test_nothing_is_said_before_two_moves() -> None:
    samples = even(1e-5, 4)
    assert played(samples[:1])[1].finish is None
    assert played(samples[:2])[1].finish is None
    assert played(samples[:3])[1].finish is not None


def test_an_even_rate_is_carried_on() -> None:
    samples = even(1e-5, 120)
    _, found = played(samples)
    early, middle, late = left_s(found, samples[-1])
    true_s = (1 - samples[-1].done) / 1e-5 if samples[-1].done is not None else 0
    # Early on half of a media drive's slowing over the zones is allowed for; an even rate lies within the range.
    assert middle == pytest.approx(true_s, rel=0.3)
    assert early < true_s < late
    assert found.rate_bytes_per_s == pytest.approx(1e-5 * 10**12, rel=0.01)


def test_a_gap_adds_neither_time_nor_progress() -> None:
    samples = even(1e-5, 60)
    state, _ = played(samples)
    after = update(state, sample(60 * 60 + 86_400, 0.9, observed_s=0.0))
    assert after.watched_s == state.watched_s
    assert after.progress == state.progress
    last = sample(60 * 61 + 86_400, 0.9 + 6e-4)
    after = update(after, last)
    assert forecast(after, last, None).share_per_s == pytest.approx(1e-5, rel=0.02)


def test_a_reboot_that_sets_progress_back_changes_no_rate() -> None:
    state, _ = played(even(1e-5, 60))
    last = sample(3600, 0.02, observed_s=0.0)
    for number in range(1, 5):
        last = sample(3600 + number * 60, 0.02 + number * 6e-4, observed_s=60.0 if number > 1 else 0.0)
        state = update(state, last)
    found = forecast(state, last, None)
    assert found.share_per_s == pytest.approx(1e-5, rel=0.05)


def test_a_standing_count_goes_out_of_sight_late_end_first() -> None:
    state, _ = played(even(1e-5, 60))
    seen: list[tuple[bool, bool, bool]] = []
    for number in range(1, 120):
        last = replace(sample(3600 + number * 60, 0.0354), moved=False)
        state = update(state, last)
        finish = forecast(state, last, None).finish
        assert finish is not None
        seen.append((finish.p10 is None, finish.p50 is None, finish.p90 is None))
    assert seen[0] == (False, False, False)
    assert seen[-1] == (True, True, True)
    assert (False, False, True) in seen
    assert (False, True, True) in seen
    assert all(late or not middle for _, middle, late in seen)
    assert all(middle or not early for early, middle, _ in seen)


def test_a_paused_run_has_no_end_in_sight_and_keeps_its_earliest() -> None:
    samples = even(1e-5, 60)
    state, _ = played(samples)
    last = replace(sample(3660, samples[-1].done), running=False, moved=False)
    found = forecast(update(state, last), last, None)
    assert found.finish is not None
    assert found.finish.p10 is not None
    assert found.finish.p50 is None
    assert found.finish.p90 is None
    assert found.share_per_s == 0


def test_a_collapse_moves_the_middle_within_four_polls() -> None:
    samples = even(1e-5, 30)
    done = samples[-1].done or 0.0
    for number in range(1, 5):
        done += 60 * 1e-5 / 15
        samples.append(sample((29 + number) * 60, done))
    _, middle, _ = left_s(played(samples)[1], samples[-1])
    assert middle == pytest.approx((1 - done) / (1e-5 / 15), rel=0.3)


def test_a_single_pause_of_two_polls_is_no_collapse() -> None:
    samples = even(1e-5, 60)
    done = samples[-1].done or 0.0
    samples += [sample(3600, done), sample(3660, done), sample(3720, done + 3 * 6e-4)]
    _, middle, _ = left_s(played(samples)[1], samples[-1])
    assert middle == pytest.approx((1 - done) / 1e-5, rel=0.35)


def test_bursts_and_pauses_come_to_their_mean() -> None:
    # Ten seconds in eighty at full rate, the rest at a fifteenth, polled every five seconds, as in the small captures.
    done, samples = 0.0, [sample(0, 0.0, 0.0)]
    for number in range(1, 400):
        rate = 1e-4 if number % 16 in {0, 1} else 1e-4 / 15
        done += 5 * rate
        samples.append(sample(number * 5, done, 5.0))
    _, found = played(samples)
    assert found.share_per_s == pytest.approx((2 * 1e-4 + 14 * 1e-4 / 15) / 16, rel=0.1)


@pytest.mark.parametrize("written", [None, 5e6])
def test_a_staircase_is_no_burst(written: float | None) -> None:
    # A count that moves every 600 s only (md's sixteenths, btrfs chunks), with and without the new drive's bytes.
    samples = [sample(0, 0.0, 0.0, written)]
    samples += [sample(n * 60, (n // 10) * 600 * 1e-5, 60.0, written) for n in range(1, 95)]
    _, found = played(samples)
    early, middle, late = left_s(found, samples[-1])
    true_s = (1 - 94 * 60 * 1e-5) / 1e-5
    assert middle == pytest.approx(true_s, rel=0.3)
    assert early < true_s < late


def test_between_the_steps_of_a_coarse_count_the_new_drives_bytes_tell_of_a_collapse() -> None:
    samples = [sample(0, 0.0, 0.0, 5e6)]
    samples += [sample(n * 60, (n // 10) * 600 * 1e-5, 60.0, 5e6) for n in range(1, 91)]
    healthy = left_s(played(samples)[1], samples[-1])[1]
    samples += [sample((90 + n) * 60, samples[-1].done, 60.0, 5e6 / 15) for n in range(1, 7)]
    collapsed = left_s(played(samples)[1], samples[-1])[1]
    assert collapsed > 8 * healthy


def test_the_usual_length_steadies_a_young_projection_only_where_it_agrees() -> None:
    samples = even(1e-5, 4)
    state, alone = played(samples)
    usual_hours = 1.3 * 1e5 / 3600
    drawn = forecast(state, samples[-1], Circumstances(usual_hours))
    far = forecast(state, samples[-1], Circumstances(20 * usual_hours))
    assert alone.finish is not None
    assert drawn.finish is not None
    assert alone.finish.p50 is not None
    assert drawn.finish.p50 is not None
    assert drawn.finish.p50 != alone.finish.p50
    assert far.finish == alone.finish


# A rate below what is kept of the progress is none.
rates = st.lists(st.floats(0.0, 2e-4).map(lambda rate: rate if rate > 1e-8 else 0.0), min_size=3, max_size=60)


@given(rates, st.floats(1.0, 600.0))
def test_quantiles_are_ordered(steps: list[float], poll_s: float) -> None:
    state, done = begin(), 0.0
    for number, rate in enumerate(steps):
        done = min(1.0, done + rate * poll_s)
        last = sample(number * poll_s, done, poll_s if number else 0.0)
        state = update(state, last)
        finish = forecast(state, last, Circumstances(24.0)).finish
        if finish is not None:
            early, middle, late = left_s(forecast(state, last, Circumstances(24.0)), last)
            assert 0 <= early <= middle <= late


@given(rates)
def test_doubling_size_and_rate_leaves_the_finish_unchanged(steps: list[float]) -> None:
    single, double = begin(), begin()
    done = 0.0
    for number, rate in enumerate(steps):
        done = min(1.0, done + rate * 60)
        one = sample(number * 60, done, 60.0 if number else 0.0, written=rate * 1e12)
        two = replace(sample(number * 60, done, one.observed_s, written=rate * 2e12), total_bytes=2 * 10**12)
        single, double = update(single, one), update(double, two)
        first, second = forecast(single, one, None), forecast(double, two, None)
        assert (first.finish is None) == (second.finish is None)
        if first.rate_bytes_per_s is not None and second.rate_bytes_per_s is not None:
            assert second.rate_bytes_per_s == pytest.approx(2 * first.rate_bytes_per_s, rel=1e-3, abs=1e-6)


def test_the_state_stays_small_and_survives_storage() -> None:
    state, done = begin(), 0.0
    for number in range(20_000):
        rate = 1e-6 * (1 + number % 7) / 4
        done += rate * 60
        state = update(state, sample(number * 60, done, 60.0 if number else 0.0, written=rate * 4e12))
    stored = STATE.dump_json(state)
    assert len(stored) < 4096 * 1.2
    assert STATE.validate_json(stored) == state
