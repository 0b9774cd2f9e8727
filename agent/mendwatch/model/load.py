"""How busy others usually keep the drives, by hour of the week."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

HOURS = 168


@dataclass(frozen=True, slots=True)
class UsualLoad:
    """Share of the time that drives were at work while nothing rebuilt, by hour of the week in UTC, Monday first.

    Attributes:
        shares: 168 shares, 0..1; empty before anything was seen.
        seconds: for how long each hour was watched, as far as it still counts.
    """

    shares: tuple[float, ...] = ()
    seconds: tuple[float, ...] = ()


def hour_of(when: datetime) -> int:
    """The hour of the week, 0 to 167."""
    utc = when.astimezone(UTC)
    return utc.weekday() * 24 + utc.hour
