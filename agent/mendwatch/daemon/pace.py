"""Jobs that keep their pace by steady time.

The scheduler underneath (APScheduler 3) asks ``datetime.now(its time zone)`` what time it is: it reads the wall
clock. Set back by two hours, that clock would keep every job waiting for two hours; set forward, it would make every
job late at once, and late jobs are dropped by default. Yet ``datetime.now(tz)`` leaves the last word to
``tz.fromutc``. So we hand the scheduler a time zone of our own whose answer does not come from the wall clock at all
but from ``clock.ticks()``: inside the scheduler, "now" is a made-up date plus the seconds of the steady clock. What
is late nevertheless (the host was suspended, a poll took long) runs once, as soon as it can.

Each run has a daemon thread of its own: a run that never returns holds up neither the other jobs nor the end of the
process, which the usual pool would join.
"""

from __future__ import annotations

import logging
import sys
import threading
from collections.abc import Callable
from datetime import datetime, timedelta, tzinfo
from typing import Any

import structlog
from apscheduler.executors.base import BaseExecutor, run_job
from apscheduler.jobstores.base import JobLookupError
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.base import BaseTrigger

from mendwatch.model.clock import Clock

_START = datetime(2000, 1, 1)  # noqa: DTZ001 - an arbitrary origin of steady time, no moment of the calendar


class SteadyZone(tzinfo):
    """A time zone in which it is always the steady clock's time, whatever the wall clock says."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock

    def now(self) -> datetime:
        """The steady clock's time as a date."""
        return (_START + timedelta(seconds=self._clock.ticks())).replace(tzinfo=self)

    def fromutc(self, _wall: datetime) -> datetime:
        """What ``datetime.now(zone)`` returns, once it has read the wall clock in vain."""
        return self.now()

    def utcoffset(self, _when: datetime | None) -> timedelta:
        """None to speak of: dates of this zone are compared with each other only."""
        return timedelta(0)

    def dst(self, _when: datetime | None) -> timedelta:
        """Steady time knows no summer."""
        return timedelta(0)

    def tzname(self, _when: datetime | None) -> str:
        """For error messages."""
        return "steady"


class _Every(BaseTrigger):  # type: ignore[misc] # the library has no types
    """Due a pause after it was last started; the pause is asked anew each time."""

    def __init__(self, pause_s: Callable[[], float]) -> None:
        self._pause_s = pause_s

    def get_next_fire_time(self, _previous: datetime | None, now: datetime) -> datetime:
        return now + timedelta(seconds=self._pause_s())


class _DaemonThreads(BaseExecutor):  # type: ignore[misc] # the library has no types
    """Runs each job in a daemon thread of its own."""

    def _do_submit_job(self, job: Any, run_times: list[datetime]) -> None:
        threading.Thread(target=self._run, args=(job, run_times), name=f"job {job.id}", daemon=True).start()

    def _run(self, job: Any, run_times: list[datetime]) -> None:
        try:
            events = run_job(job, job._jobstore_alias, run_times, self._logger.name)
        except BaseException:  # noqa: BLE001 - as the library's own pools do: whatever it was, the job must run again
            _, error, trace = sys.exc_info()
            self._run_job_error(job.id, error, trace)
        else:
            self._run_job_success(job.id, events)


class Pace:
    """The jobs of the daemon, by name."""

    def __init__(self, clock: Clock) -> None:
        # The library logs every single run; what goes wrong in a job is reported below.
        logging.getLogger("apscheduler").setLevel(logging.CRITICAL)
        self._zone = SteadyZone(clock)
        self._asked: set[str] = set()
        self._log = structlog.get_logger()
        self._scheduler = BackgroundScheduler(
            timezone=self._zone,
            executors={"default": _DaemonThreads()},
            job_defaults={"coalesce": True, "misfire_grace_time": None, "max_instances": 1},
        )

    def start(self) -> None:
        """Begin to run what is due."""
        self._scheduler.start()

    def every(self, name: str, pause_s: Callable[[], float], do: Callable[[], None]) -> None:
        """Run ``do`` now and then after each pause, never twice at a time; a job of that name is replaced."""

        def run() -> None:
            # A call of `soon` that comes while the job runs is honoured by one more round.
            more = True
            while more:
                self._asked.discard(name)
                try:
                    do()
                except Exception:  # noqa: BLE001 - a fault in one run must not be the last of the job
                    self._log.exception("a job failed by a fault of our own; it will run again", job=name)
                more = name in self._asked

        self._scheduler.add_job(run, _Every(pause_s), id=name, replace_existing=True, next_run_time=self._zone.now())

    def soon(self, name: str) -> None:
        """Run this job at once, once more if it runs just now; unknown names are left alone."""
        self._asked.add(name)
        self._move(name, self._zone.now())

    def within(self, name: str, seconds: float) -> None:
        """Let this job run within so many seconds, if it is not due earlier anyway."""
        latest = self._zone.now() + timedelta(seconds=seconds)
        job = self._scheduler.get_job(name)
        if job is not None and job.next_run_time is not None and job.next_run_time > latest:
            self._move(name, latest)

    def drop(self, name: str) -> None:
        """Run this job no more; a run that goes on is left to end."""
        try:
            self._scheduler.remove_job(name)
        except JobLookupError:
            return

    def names(self) -> frozenset[str]:
        """The jobs that are paced now."""
        return frozenset(job.id for job in self._scheduler.get_jobs())

    def stop(self) -> None:
        """Start nothing more; runs that go on are left to end."""
        self._scheduler.shutdown(wait=False)

    def _move(self, name: str, when: datetime) -> None:
        try:
            self._scheduler.modify_job(name, next_run_time=when)
        except JobLookupError:
            self._asked.discard(name)
