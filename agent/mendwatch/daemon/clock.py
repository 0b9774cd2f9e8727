"""The system's clock: the only place that reads it."""

from __future__ import annotations

import threading
import time
from datetime import UTC, datetime


class SystemClock:
    """Wall time, steady time and a wait that can be ended.

    Steady time is the kernel's boot-time clock where there is one: unlike the plain monotonic clock it goes on while
    the host sleeps, and what happens to an array during a suspend is time that passed.
    """

    def __init__(self) -> None:
        self._ended = threading.Event()

    def now(self) -> datetime:
        """The wall clock, aware, in UTC; it may jump."""
        return datetime.now(UTC)

    def ticks(self) -> float:
        """Seconds of a clock that never goes back, from an arbitrary start."""
        return time.clock_gettime(_STEADY)

    def wait(self, seconds: float) -> None:
        """Sleep for about this long, or until :meth:`end`; after that, return at once."""
        self._ended.wait(max(0.0, seconds))

    def end(self) -> None:
        """Wake everyone who waits, now and from now on. Not for signal handlers: it takes a lock."""
        self._ended.set()

    def monotonic_usec(self) -> int:
        """Microseconds of the clock by which the service manager orders its messages (``CLOCK_MONOTONIC``)."""
        return time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000


# Not every kernel that Python runs on has CLOCK_BOOTTIME; CLOCK_MONOTONIC is everywhere.
_STEADY: int = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
