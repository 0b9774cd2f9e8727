"""``Retry-After``: the examples of RFC 9110 (sections 10.2.3 and 5.6.7)."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from mendwatch.delivery.retry_after import retry_after_s

IN_1994 = datetime.fromtimestamp(784111777, UTC) - timedelta(seconds=90)
IN_1999 = datetime.fromtimestamp(946684799, UTC) - timedelta(hours=1)


@pytest.mark.parametrize(
    ("header", "now", "seconds"),
    [
        ("120", IN_1999, 120),
        (" 0 ", IN_1999, 0),
        ("Fri, 31 Dec 1999 23:59:59 GMT", IN_1999, 3600),
        ("Sun, 06 Nov 1994 08:49:37 GMT", IN_1994, 90),
        ("Sunday, 06-Nov-94 08:49:37 GMT", IN_1994, 90),
        ("Sun Nov  6 08:49:37 1994", IN_1994, 90),
    ],
)
def test_seconds_and_the_three_forms_of_a_date(header: str, now: datetime, seconds: float) -> None:
    assert retry_after_s(header, now) == seconds


@pytest.mark.parametrize(
    "header",
    [
        None,
        "",
        "soon",
        "-5",
        "1.5",
        "٣",
        "Fri, 31 Dec 1999 23:59:59 GMT",
        "Fri, 99 Dec 1999 23:59:59 GMT",
        "1" * 5000 + "x",
    ],
)
def test_a_past_date_or_anything_else_leaves_the_pause_to_us(header: str | None) -> None:
    assert retry_after_s(header, datetime(2026, 3, 1, tzinfo=UTC)) is None


def test_a_number_beyond_all_bounds_is_still_a_number() -> None:
    assert retry_after_s("9" * 400, IN_1999) == 999_999_999_999
