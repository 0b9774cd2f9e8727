"""The dates that btrfs-progs prints: in local time, and some without a year."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
SHORT = re.compile(r"\s*(?P<day>\d{1,2})\.(?P<month>[A-Z][a-z]{2}) (?P<hour>\d\d):(?P<minute>\d\d):(?P<second>\d\d)")
CLOCK = r"(?P<hour>\d\d):(?P<minute>\d\d):(?P<second>\d\d)"
FULL = (
    re.compile(rf"[A-Z][a-z]{{2}} (?P<month>[A-Z][a-z]{{2}})\s+(?P<day>\d{{1,2}}) {CLOCK} (?P<year>\d{{4}})"),
    # The same by the rules of English-speaking countries (%c in glibc's locales en_US and en_GB).
    re.compile(
        rf"[A-Z][a-z]{{2}}\s+(?P<day>\d{{1,2}}) (?P<month>[A-Z][a-z]{{2}}) (?P<year>\d{{4}}) {CLOCK}"
        r"(?: (?P<half>AM|PM))?(?: [A-Z]{1,5}| [+-]\d{2,4})?"
    ),
)
SHORT = re.compile(rf"\s*(?P<day>\d{{1,2}})\.(?P<month>[A-Z][a-z]{{2}}) {CLOCK}")
LEAP_YEARS_APART = 8  # around a century without a leap day


def without_year(text: str, at: datetime, zone: str) -> datetime | None:
    """A date such as `` 3.Mar 09:15:02``: the latest such moment that is not after ``at``."""
    match = SHORT.fullmatch(text)
    if match is None:
        return None
    for year in range(at.year + 1, at.year - LEAP_YEARS_APART - 1, -1):
        moment = _moment(match, year, zone)
        if moment is not None and moment <= at:
            return moment
    return None


def with_year(text: str, zone: str) -> datetime | None:
    """A date such as ``Wed Nov 25 16:31:25 2026``."""
    match = next((told for form in FULL if (told := form.fullmatch(text.strip())) is not None), None)
    return None if match is None else _moment(match, int(match["year"]), zone)


def _moment(match: re.Match[str], year: int, zone: str) -> datetime | None:
    if match["month"] not in MONTHS:
        return None
    month = MONTHS.index(match["month"]) + 1
    day, hour, minute, second = (int(match[part]) for part in ("day", "hour", "minute", "second"))
    half = match.groupdict().get("half")
    if half is not None:
        hour = hour % 12 + (12 if half == "PM" else 0)
    try:
        return datetime(year, month, day, hour, minute, second, tzinfo=ZoneInfo(zone)).astimezone(UTC)
    except (ValueError, OverflowError):
        return None
