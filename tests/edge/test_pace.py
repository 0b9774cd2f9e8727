"""Jobs keep their pace by steady time: a wall clock set back or forward delays none and bursts none."""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest
from freezegun import freeze_time
from structlog.testing import capture_logs

from mendwatch.daemon.clock import SystemClock
from mendwatch.daemon.pace import Pace


class Runs:
    """A job that notes when it ran, by the clock that no one sets."""

    def __init__(self, clock: SystemClock) -> None:
        self._clock = clock
        self.at: list[float] = []
        self._more = threading.Condition()

    def run(self) -> None:
        with self._more:
            self.at.append(self._clock.ticks())
            self._more.notify_all()

    def wait_for(self, count: int, timeout_s: float = 10.0) -> None:
        with self._more:
            assert self._more.wait_for(lambda: len(self.at) >= count, timeout_s), f"ran {len(self.at)} of {count} times"


@pytest.fixture
def clock() -> SystemClock:
    return SystemClock()


@pytest.fixture
def pace(clock: SystemClock) -> Iterator[Pace]:
    pace = Pace(clock)
    yield pace
    pace.stop()


@pytest.mark.parametrize("jump", [timedelta(hours=-3), timedelta(hours=3), timedelta(days=-400), timedelta(days=400)])
def test_a_wall_clock_that_is_set_delays_no_job_and_bursts_none(
    pace: Pace, clock: SystemClock, jump: timedelta
) -> None:
    runs = Runs(clock)
    pace.every("poll", lambda: 0.2, runs.run)
    with freeze_time(datetime.now(UTC), tick=True) as wall:
        pace.start()
        runs.wait_for(3)
        before = clock.now()
        wall.move_to(before + jump)
        assert abs(clock.now() - before - jump) < timedelta(seconds=5), "the wall clock was not really set"
        runs.wait_for(10)
    gaps = [later - earlier for earlier, later in zip(runs.at, runs.at[1:], strict=False)]
    assert min(gaps) > 0.15, gaps
    assert max(gaps) < 1.0, gaps


def test_the_pause_is_asked_anew_each_time(pace: Pace, clock: SystemClock) -> None:
    runs = Runs(clock)
    pauses = [0.05, 0.05, 0.6, 0.05]
    pace.every("poll", lambda: pauses[min(len(runs.at), len(pauses) - 1)], runs.run)
    pace.start()
    runs.wait_for(5)
    assert max(later - earlier for earlier, later in zip(runs.at, runs.at[1:], strict=False)) > 0.5


def test_a_job_that_hangs_holds_up_neither_the_others_nor_the_stop(pace: Pace, clock: SystemClock) -> None:
    hang = threading.Event()
    starts: list[float] = []

    def stuck() -> None:
        starts.append(clock.ticks())
        hang.wait(30)

    runs = Runs(clock)
    pace.every("stuck", lambda: 0.05, stuck)
    pace.every("poll", lambda: 0.05, runs.run)
    pace.start()
    runs.wait_for(10)
    assert len(starts) == 1, "a job must never run twice at a time"
    hang.set()


def test_a_job_that_raises_says_so_and_runs_again(pace: Pace, clock: SystemClock) -> None:
    runs = Runs(clock)

    def faulty() -> None:
        runs.run()
        raise RuntimeError

    with capture_logs() as log:
        pace.every("poll", lambda: 0.05, faulty)
        pace.start()
        runs.wait_for(3)
    assert log[0]["exc_info"], "the fault is told, with its trace"


def test_soon_runs_a_job_at_once_and_once_more_when_it_runs_just_now(pace: Pace, clock: SystemClock) -> None:
    runs = Runs(clock)
    entered, go_on = threading.Event(), threading.Event()

    def slow() -> None:
        runs.run()
        entered.set()
        go_on.wait(10)

    pace.every("post", lambda: 3600.0, slow)
    pace.start()
    assert entered.wait(10)
    pace.soon("post")  # while it runs
    go_on.set()
    runs.wait_for(2)
    pace.soon("post")
    runs.wait_for(3)
    pace.soon("nobody")


def test_within_only_ever_hastens(pace: Pace, clock: SystemClock) -> None:
    runs = Runs(clock)
    pace.every("poll", lambda: 3600.0, runs.run)
    pace.start()
    runs.wait_for(1)
    pace.within("poll", 0.2)
    pace.within("poll", 1800.0)
    runs.wait_for(2, timeout_s=5)


def test_a_dropped_job_runs_no_more_and_the_library_stays_quiet(
    pace: Pace, clock: SystemClock, caplog: pytest.LogCaptureFixture
) -> None:
    runs = Runs(clock)
    pace.every("poll", lambda: 0.05, runs.run)
    pace.start()
    runs.wait_for(2)
    pace.drop("poll")
    pace.drop("poll")
    assert pace.names() == frozenset()
    count = len(runs.at)
    clock.wait(0.3)
    assert len(runs.at) <= count + 1
    assert [record for record in caplog.records if record.levelno >= logging.INFO] == []
