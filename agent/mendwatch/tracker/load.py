"""Learns how busy others usually keep an array's drives, from polls in which nothing runs."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from mendwatch.model.load import HOURS, UsualLoad, hour_of
from mendwatch.model.records import MemberSample

# An hour of the week counts for at most so many of its latest occurrences, so that habits may change.
WEEKS_COUNTED = 6
DIGITS = 4


def learn(load: UsualLoad, at: datetime, members: Iterable[MemberSample], observed_s: float) -> UsualLoad:
    """The usual load with one more stretch of watching, which ended at ``at``."""
    busy = [member.busy for member in members if member.busy is not None]
    if not busy or observed_s <= 0:
        return load
    hour = hour_of(at)
    shares = list(load.shares or (0.0,) * HOURS)
    seconds = list(load.seconds or (0.0,) * HOURS)
    known_s = min(seconds[hour], WEEKS_COUNTED * 3600.0)
    mean = sum(busy) / len(busy)
    shares[hour] = round((shares[hour] * known_s + mean * observed_s) / (known_s + observed_s), DIGITS)
    seconds[hour] = round(known_s + observed_s)
    return UsualLoad(tuple(shares), tuple(seconds))
