"""How fast the new drive fills, and what its peers do meanwhile.

References, beside what is drawn at random:
- media rate falls linearly from the outer to the inner zones, about 2:1 (zone-bit recording: encyclopaedic and textbook
  pages; ratio 2.25 from a full-surface pass in a public OpenZFS issue, 10214);
- a parity rebuild reaches some 60 % of the media rate, so that 4 TB in a four-drive single-parity array take 14 to
  17 h under light load (common practice, no source);
- users' share u of the drives' time costs the rebuild 1.75 u (Thomasian and Blaum, ACM ToS 5(3), 2009; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

from mendwatch.simulator.brakes import Blame, Hold, Throttled, brake
from mendwatch.simulator.scenario import Kind, Scenario

USERS_COST = 1.75
IDLE_QUEUE, DEEP_QUEUE = 2.0, 9.0
WALK_RATE = 0.4
WOBBLE_S = 600.0
# How busy the new drive and the sources are, by who is to blame; times the effort where nobody is.
TARGET_BUSY, SOURCE_BUSY, STUCK_BUSY, SMALL_READS_BUSY = 0.7, 0.85, 0.99, 0.93
WAITING_BUSY = 0.08


@dataclass(slots=True)
class Work:
    """What happened in a stretch of time.

    Attributes:
        written_bytes: taken by the new drive; target_busy_s, target_queue_s: its time at work and queued.
        source_busy_s: time at work of each source, users' included; users_s: the users' share of it.
        stuck_source_s: time in which one source was all that the others waited for.
        small_bytes: of what each source read, in small blocks.
    """

    written_bytes: float = 0.0
    target_busy_s: float = 0.0
    target_queue_s: float = 0.0
    source_busy_s: float = 0.0
    users_s: float = 0.0
    stuck_source_s: float = 0.0
    small_bytes: float = 0.0


class Course:
    """The course of one rebuild; :meth:`advance` takes it further.

    Attributes:
        done_bytes: what the new drive has taken; elapsed_s: since it began.
        walk_s: seconds that the storage system spends on finding out what is to be copied, slower meanwhile.
        done_at_walk_bytes: what was done when that was over.
        held_after_s: when something first held it up, None before; blame: who holds it up now.
    """

    def __init__(self, scenario: Scenario, rng: Random) -> None:
        self.size_bytes = scenario.write_bytes
        self.done_bytes = 0.0
        self.elapsed_s = 0.0
        terabytes = scenario.size_bytes / 1e12
        self._outer = 1e6 * (rng.uniform(177, 185) + 10 * min(8.0, max(0.0, terabytes - 4)))
        self._inner = self._outer / rng.uniform(2.1, 2.3)
        self._share = rng.uniform(0.60, 0.63)
        self.walk_s = rng.uniform(180, 480) if scenario.system == "zfs" else 0.0
        self.done_at_walk_bytes = 0.0
        self.held_after_s: float | None = None
        self.blame = Blame.NOBODY
        self._brake = brake(scenario, rng)
        # Never reached but by a second failure.
        self.event_bytes = self.size_bytes * (rng.uniform(0.25, 0.5) if scenario.kind is Kind.SECOND_FAILURE else 2.0)
        self._unsteady = scenario.unsteady
        self._wobble = 1.0
        self._wobble_left_s = 0.0
        self._rng = rng

    @property
    def over(self) -> bool:
        """Whether everything is written."""
        return self.done_bytes >= self.size_bytes - 1

    @property
    def limit_bytes_per_s(self) -> float | None:
        """The limit that somebody set, while it is in force."""
        return self._brake.limit_bytes_per_s if isinstance(self._brake, Throttled) and self._brake.held else None

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
            hold = self._brake.hold(self.done_bytes, best)
            self.blame = hold.blame
            if self.held_after_s is None and hold.blame is not Blame.NOBODY:
                self.held_after_s = self.elapsed_s
            span_s = min(left_s, hold.lasts_s, self._steady_for_s())
            if hold.rate > 0:
                span_s = min(span_s, (self.size_bytes - self.done_bytes) / hold.rate)
            self._go_on(hold, span_s)
            left_s -= span_s
            _spend(work, hold, hold.rate / best, users, span_s)
        work.source_busy_s += left_s * users
        work.users_s = users * seconds
        return work

    def _go_on(self, hold: Hold, span_s: float) -> None:
        written_bytes = hold.rate * span_s
        self.done_bytes += written_bytes
        if self.elapsed_s < self.walk_s:
            self.done_at_walk_bytes = self.done_bytes
        self._brake.spend(written_bytes, span_s)
        self.elapsed_s += span_s
        self._wobble_left_s -= span_s

    def _steady_for_s(self) -> float:
        """Until something else changes: the walk is over, or the rate wobbles."""
        walk_s = self.walk_s - self.elapsed_s + 1e-3 if self.elapsed_s < self.walk_s else 1e9
        return min(walk_s, self._wobble_left_s + 1e-3) if self._unsteady else walk_s

    def _conventional(self, users: float) -> float:
        if self._unsteady and self._wobble_left_s <= 0:
            self._wobble_left_s = self._rng.uniform(0.5, 1.5) * WOBBLE_S
            self._wobble = self._rng.lognormvariate(0, self._unsteady)
        place = self.done_bytes / self.size_bytes
        media = self._outer - (self._outer - self._inner) * place
        walking = WALK_RATE if self.elapsed_s < self.walk_s else 1.0
        return media * self._share * walking * self._wobble * (1.0 - USERS_COST * min(users, 0.5))


def _spend(work: Work, hold: Hold, effort: float, users: float, span_s: float) -> None:
    """Add a stretch to the drives' time."""
    work.written_bytes += hold.rate * span_s
    # The sources lose time between two masters; the new drive only waits for them.
    fed = effort * (1.0 - USERS_COST * min(users, 0.5))
    target, queue, source = TARGET_BUSY * fed, IDLE_QUEUE * fed, SOURCE_BUSY * effort
    match hold.blame:
        case Blame.TARGET:
            target, queue = STUCK_BUSY, DEEP_QUEUE
        case Blame.SOURCE:
            target, source = WAITING_BUSY, WAITING_BUSY
            work.stuck_source_s += span_s
        case Blame.ALL:
            source = SMALL_READS_BUSY
            work.small_bytes += hold.rate * span_s
        case _:
            pass
    work.target_busy_s += target * span_s
    work.target_queue_s += queue * span_s
    work.source_busy_s += min(1.0, source + users) * span_s
