"""How much time passed between two polls, and how much of it was observed.

Within one boot the kernel's monotonic seconds count, so that a stepped wall clock changes nothing; across boots and
where they are unknown the wall clock counts, never below zero. A pause much longer than the usual pace is a gap: time
in which nothing was observed.
"""

from __future__ import annotations

from statistics import median

from mendwatch.model.state import Interval, Moment

GAP_FACTOR = 3.0
GAP_LEAST_S = 180.0
FIRST_GAP_S = 900.0
PACES_KEPT = 9


def between(last: Moment | None, now: Moment, pace_s: tuple[float, ...]) -> Interval:
    """The interval from the last poll to this one; all zero when there was none."""
    if last is None:
        return Interval(0.0, 0.0, rebooted=False)
    rebooted = last.boot is not None and now.boot is not None and last.boot != now.boot
    same_boot = not rebooted and last.up is not None and now.up is not None and now.up >= last.up
    if same_boot and last.up is not None and now.up is not None:
        steady_s = now.up - last.up
    else:
        steady_s = max(0.0, (now.at - last.at).total_seconds())
    longest_s = max(GAP_LEAST_S, GAP_FACTOR * median(pace_s)) if pace_s else FIRST_GAP_S
    observed_s = steady_s if steady_s <= longest_s and not rebooted else 0.0
    return Interval(steady_s, observed_s, rebooted)


def paces(pace_s: tuple[float, ...], interval: Interval) -> tuple[float, ...]:
    """The usual pace with this interval added; a reboot or a poll at the same instant says nothing about it."""
    if interval.rebooted or interval.steady_s <= 0:
        return pace_s
    return (*pace_s, interval.steady_s)[-PACES_KEPT:]


def already_held(last: Moment | None, now: Moment) -> bool:
    """Whether a history that ends at ``last`` already holds the poll of ``now``."""
    if last is None:
        return False
    if last.boot is not None and last.boot == now.boot and last.up is not None and now.up is not None:
        return now.up <= last.up
    return now.at <= last.at
