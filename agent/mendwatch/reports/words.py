"""Figures in words: lengths of time, rates, sizes, times in the host's zone."""

from __future__ import annotations

from datetime import datetime
from math import isfinite
from zoneinfo import ZoneInfo

DAY_H = 24.0
MINUTES_BELOW_H = 2.0
DAYS_FROM_H = 48.0
STEPS = ((1e12, "TB"), (1e9, "GB"), (1e6, "MB"), (1e3, "kB"))


def hours(value: object) -> str:
    """A length of time: ``40 min``, ``15.4 h``, ``9 d 5 h``."""
    if not isinstance(value, int | float) or not isfinite(value):
        return "not known"
    if value < MINUTES_BELOW_H:
        return f"{value * 60:.0f} min"
    if value < DAYS_FROM_H:
        return f"{value:.1f} h".replace(".0 h", " h")
    days, rest = divmod(round(value), int(DAY_H))
    return f"{days} d {rest} h" if rest else f"{days} d"


def size(value: object) -> str:
    """A number of bytes in decimal units."""
    if not isinstance(value, int | float) or not isfinite(value):
        return "not known"
    for step, unit in STEPS:
        if abs(value) >= step:
            return f"{value / step:.1f} {unit}"
    return f"{value:.0f} B"


def rate(value: object) -> str:
    """Bytes a second."""
    return f"{size(value)}/s" if isinstance(value, int | float) and isfinite(value) else "not known"


def share(value: object) -> str:
    """A share of the work in percent."""
    return f"{value:.1%}" if isinstance(value, int | float) and isfinite(value) else "not known"


def moment(at: datetime, zone: str) -> str:
    """A time with its day: ``Wed 11 Mar 11:05``."""
    return at.astimezone(ZoneInfo(zone)).strftime("%a %d %b %H:%M")


def moment_of(text: object, zone: str) -> str:
    """The same from an RFC 3339 text."""
    if not isinstance(text, str):
        return "not known"
    try:
        return moment(datetime.fromisoformat(text), zone)
    except (ValueError, OverflowError):
        return "not known"


def count(number: int, one: str, many: str) -> str:
    """``1 drive``, ``3 drives``."""
    return f"{number} {one if number == 1 else many}"
