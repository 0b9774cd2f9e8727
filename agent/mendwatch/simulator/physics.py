"""How fast the new drive fills, and what its peers do meanwhile.

References, beside what is drawn at random:
- media rate falls linearly from the outer to the inner zones, about 2:1 (zone-bit recording: encyclopaedic and textbook
  pages; ratio 2.25 from a full-surface pass in a public OpenZFS issue, 10214);
- a parity rebuild reaches some 60 % of the media rate, so that 4 TB in a four-drive single-parity array take 14 to
  17 h under light load (common practice, no source);
- users' share u of the drives' time costs the rebuild 1.75 u (Thomasian and Blaum, ACM ToS 5(3), 2009; from memory);
- a drive-managed shingled drive takes some 25 GiB at full rate (Aghayev and Desnoyers, "Skylight", FAST 2015; from
  memory), then bursts and pauses come to 5 MB/s: 9 to 9.5 days for 4 TB (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

from mendwatch.simulator.scenario import Kind, Scenario

USERS_COST = 1.75
GIB = 2**30
IDLE_QUEUE, DEEP_QUEUE = 2.0, 9.0
WALK_RATE = 0.4


@dataclass(slots=True)
class Work:
    """What happened in a stretch of time: bytes the new drive took, seconds it and each source were busy, queues."""

    written_bytes: float = 0.0
    target_busy_s: float = 0.0
    target_queue_s: float = 0.0
    source_busy_s: float = 0.0
    users_s: float = 0.0


class Course:
    """The course of one rebuild; :meth:`advance` takes it further.

    Attributes:
        done_bytes: what the new drive has taken; elapsed_s: since it began.
        walk_s: seconds that the storage system spends on finding out what is to be copied, slower meanwhile.
        done_at_walk_bytes: what was done when that was over.
        held: a limit holds it back (throttled) from here on.
    """

    def __init__(self, scenario: Scenario, rng: Random) -> None:
        self.size_bytes = scenario.write_bytes
        self.done_bytes = 0.0
        self.elapsed_s = 0.0
        self.held = False
        terabytes = scenario.size_bytes / 1e12
        self._outer = 1e6 * (rng.uniform(177, 185) + 10 * min(8.0, max(0.0, terabytes - 4)))
        self._inner = self._outer / rng.uniform(2.1, 2.3)
        self._share = rng.uniform(0.60, 0.63)
        self.walk_s = rng.uniform(180, 480) if scenario.system == "zfs" else 0.0
        self.done_at_walk_bytes = 0.0
        self._kind = scenario.kind
        self._cache_bytes = rng.uniform(20, 30) * GIB
        self._cleaning = 1e6 * rng.uniform(4.93, 5.07)
        self.event_bytes = self.size_bytes * {
            Kind.STALLED: rng.uniform(0.25, 0.5),
            Kind.THROTTLED: rng.uniform(0.04, 0.15),
            Kind.SECOND_FAILURE: rng.uniform(0.25, 0.5),
        }.get(scenario.kind, 2.0)
        self._stall_s = rng.uniform(2, 4) * 3600
        self.limit_bytes_per_s = 1024 * round(rng.uniform(5000, 12000), -2)
        self._burst_s = self._pause_s = 0.0
        self._rng = rng

    @property
    def over(self) -> bool:
        """Whether everything is written."""
        return self.done_bytes >= self.size_bytes - 1

    def advance(self, seconds: float, users: float) -> Work:
        """Go on for so long under this load; ends early when everything is written.

        Args:
            seconds: how long.
            users: share of the drives' time that others take.
        """
        work = Work()
        left_s = seconds
        while left_s > 1e-6 and not self.over:  # noqa: PLR2004
            best = self._conventional(users)
            rate, lasts_s, stuck = self._stretch(best)
            span_s = min(left_s, lasts_s)
            if rate > 0:
                span_s = min(span_s, (self.size_bytes - self.done_bytes) / rate)
            effort = rate / best
            self.done_bytes += rate * span_s
            self._spend(rate * span_s, span_s, waiting=rate == 0)
            self.elapsed_s += span_s
            left_s -= span_s
            busy = 0.99 if stuck else 0.7 * effort
            work.written_bytes += rate * span_s
            work.target_busy_s += busy * span_s
            work.target_queue_s += (DEEP_QUEUE if stuck else IDLE_QUEUE * effort) * span_s
            work.source_busy_s += min(1.0, 0.85 * effort + users) * span_s
        work.source_busy_s += left_s * users
        work.users_s = users * seconds
        return work

    def _conventional(self, users: float) -> float:
        place = self.done_bytes / self.size_bytes
        media = self._outer - (self._outer - self._inner) * place
        walking = WALK_RATE if self.elapsed_s < self.walk_s else 1.0
        return media * self._share * walking * (1.0 - USERS_COST * min(users, 0.5))

    def _stretch(self, best: float) -> tuple[float, float, bool]:
        """Rate, for how many seconds it stays, and whether the new drive is what holds it up."""
        lasts_s = 300.0
        if self.elapsed_s < self.walk_s:
            lasts_s = min(lasts_s, self.walk_s - self.elapsed_s + 1e-3)
        if self.done_bytes < self.event_bytes:
            lasts_s = min(lasts_s, (self.event_bytes - self.done_bytes) / best + 1e-3)
        elif self._kind is Kind.STALLED and self._stall_s > 0:
            return 0.0, self._stall_s, True
        elif self._kind is Kind.THROTTLED:
            self.held = True
            return min(best, self.limit_bytes_per_s), lasts_s, False
        if self._kind is not Kind.SHINGLED:
            return best, lasts_s, False
        if self._cache_bytes > 0:
            return best, min(lasts_s, self._cache_bytes / best + 1e-3), False
        if self._burst_s <= 0 and self._pause_s <= 0:
            self._burst_s = self._rng.uniform(4, 12)
            cycle_s = self._burst_s * best / self._cleaning
            self._pause_s = (cycle_s - self._burst_s) * self._rng.uniform(0.8, 1.2)
        if self._pause_s > 0:
            return 0.0, self._pause_s, True
        return best, self._burst_s, True

    def _spend(self, written_bytes: float, span_s: float, *, waiting: bool) -> None:
        """Take what this stretch used up off the cache, the burst, the pause or the standstill."""
        if self.elapsed_s < self.walk_s:
            self.done_at_walk_bytes = self.done_bytes
        if self._kind is Kind.STALLED and waiting:
            self._stall_s -= span_s
        elif self._cache_bytes > 0:
            self._cache_bytes -= written_bytes
        elif waiting:
            self._pause_s -= span_s
        else:
            self._burst_s -= span_s
