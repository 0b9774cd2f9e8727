"""The load to be expected by hour of the week, and what it makes of a stretch of undisturbed work."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from mendwatch.model.load import HOURS, UsualLoad, hour_of

KNOWN_LEAST_S = 900.0
HOURS_LEAST = 72
LEAST_QUIET = 0.1


class Week:
    """The expected share of the drives' time that others take, for every hour of the week."""

    def __init__(self, shares: Sequence[float]) -> None:
        self._shares = tuple(shares)

    def at(self, when: datetime) -> float:
        """The share at a moment."""
        return self._shares[hour_of(when)]

    def wall_s(self, start: datetime, quiet_s: float, cost: float) -> float:
        """How long it takes from ``start`` until so much undisturbed working time has come together.

        Args:
            start: from when.
            quiet_s: seconds that the work would take with nobody else there.
            cost: share of the work that is lost for a share of the drives' time that others take.
        """
        if cost <= 0 or quiet_s <= 0:
            return max(0.0, quiet_s)
        quiet = [max(LEAST_QUIET, 1.0 - cost * share) for share in self._shares]
        weeks = int(quiet_s // (sum(quiet) * 3600))
        left_s = quiet_s - weeks * sum(quiet) * 3600
        hour = hour_of(start)
        until = (start + timedelta(hours=1)).replace(minute=0, second=0, microsecond=0)
        span_s = (until - start).total_seconds()
        wall_s = weeks * HOURS * 3600.0
        while left_s > quiet[hour] * span_s:
            left_s -= quiet[hour] * span_s
            wall_s += span_s
            hour, span_s = (hour + 1) % HOURS, 3600.0
        return wall_s + left_s / quiet[hour]


def expected(load: UsualLoad) -> Week | None:
    """The week as far as it was watched; None before three days of it were.

    An hour that was not watched takes the mean of the same hour of other days, else of all.
    """
    known = [seconds >= KNOWN_LEAST_S for seconds in load.seconds]
    if sum(known) < HOURS_LEAST:
        return None
    overall = _mean([share for share, seen in zip(load.shares, known, strict=True) if seen])
    by_hour = [_mean([load.shares[h] for h in range(hour, HOURS, 24) if known[h]], overall) for hour in range(24)]
    return Week([share if known[hour] else by_hour[hour % 24] for hour, share in enumerate(load.shares)])


def _mean(values: Sequence[float], otherwise: float = 0.0) -> float:
    return sum(values) / len(values) if values else otherwise
