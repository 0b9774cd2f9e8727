"""When a receiver asks us to come again (RFC 9110, section 10.2.3)."""

from __future__ import annotations

from datetime import UTC, datetime
from email.utils import parsedate_to_datetime


def retry_after_s(header: str | None, now: datetime) -> float | None:
    """The seconds to wait by a ``Retry-After`` header.

    None where it says nothing of use: no header, no number and no date, or a date that has passed.
    """
    text = (header or "").strip()
    if text.isascii() and text.isdigit():
        return float(text[:12])  # more digits than that are no time that anybody means
    try:
        at = parsedate_to_datetime(text)
    except ValueError:
        return None
    if at.tzinfo is None:
        at = at.replace(tzinfo=UTC)  # the asctime form carries no zone and is GMT by definition
    wait_s = (at - now).total_seconds()
    return wait_s if wait_s > 0 else None
