"""Figures in words: lengths of time, rates, sizes, times in the host's zone."""

from __future__ import annotations

from datetime import datetime
from math import isfinite
from zoneinfo import ZoneInfo

NOT_KNOWN = "not known"
DAY_H = 24.0
MINUTES_BELOW_H = 2.0
DAYS_FROM_H = 48.0
STEPS = ((1e12, "TB"), (1e9, "GB"), (1e6, "MB"), (1e3, "kB"))


def _number(value: object) -> float | None:
    """The value as a number, None where it is none that can be told: facts are JSON of any kind."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if isfinite(number) else None


def hours(value: object) -> str:
    """A length of time: ``40 min``, ``15.4 h``, ``9 d 5 h``."""
    number = _number(value)
    if number is None:
        return NOT_KNOWN
    if number < MINUTES_BELOW_H:
        return f"{number * 60:.0f} min"
    if number < DAYS_FROM_H:
        return f"{number:.1f} h".replace(".0 h", " h")
    days, rest = divmod(round(number), int(DAY_H))
    return f"{days} d {rest} h" if rest else f"{days} d"


def size(value: object) -> str:
    """A number of bytes in decimal units."""
    number = _number(value)
    if number is None:
        return NOT_KNOWN
    for step, unit in STEPS:
        if abs(number) >= step:
            return f"{number / step:.1f} {unit}"
    return f"{number:.0f} B"


def rate(value: object) -> str:
    """Bytes a second."""
    return NOT_KNOWN if _number(value) is None else f"{size(value)}/s"


def share(value: object) -> str:
    """A share of the work in percent."""
    number = _number(value)
    return NOT_KNOWN if number is None else f"{number:.1%}"


def moment(at: datetime, zone: str) -> str:
    """A time with its day: ``Wed 11 Mar 11:05``."""
    try:
        return at.astimezone(ZoneInfo(zone)).strftime("%a %d %b %H:%M")
    except OverflowError:
        return NOT_KNOWN


def dated(at: datetime, zone: str) -> str:
    """A time that may lie years back: ``2026-03-11 11:05``."""
    try:
        return at.astimezone(ZoneInfo(zone)).strftime("%Y-%m-%d %H:%M")
    except OverflowError:
        return NOT_KNOWN


def moment_of(text: object, zone: str) -> str:
    """The same from an RFC 3339 text."""
    if not isinstance(text, str):
        return NOT_KNOWN
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        return NOT_KNOWN
    return NOT_KNOWN if at.tzinfo is None else moment(at, zone)


def count(number: int, one: str, many: str) -> str:
    """``1 drive``, ``3 drives``."""
    return f"{number} {one if number == 1 else many}"
