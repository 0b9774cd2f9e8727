"""Figures and times in words."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from mendwatch.reports.words import dated, hours, moment, moment_of, rate, share, size
from support.told_alerts import ZONE


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (0.0, "0 min"),
        (0.66, "40 min"),
        (1.99, "119 min"),
        (2.0, "2 h"),
        (15.4, "15.4 h"),
        (47.94, "47.9 h"),
        (48.0, "2 d"),
        (221.0, "9 d 5 h"),
        (None, "not known"),
        (True, "not known"),
        ("9", "not known"),
        (float("inf"), "not known"),
        (10**400, "not known"),
    ],
)
def test_lengths_of_time_in_words(value: object, words: str) -> None:
    assert hours(value) == words


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (None, "not known"),
        (512, "512 B"),
        (1500, "1.5 kB"),
        (71.4e6, "71.4 MB"),
        (4e12, "4.0 TB"),
        (float("nan"), "not known"),
    ],
)
def test_sizes_and_rates_in_words(value: float | None, words: str) -> None:
    assert size(value) == words
    assert rate(value) == (words if value is None or value != value else f"{words}/s")  # noqa: PLR0124 - not a number


def test_shares_in_words() -> None:
    assert share(0.2921) == "29.2%"
    assert share(None) == "not known"


@pytest.mark.parametrize(
    "text", [None, 5, "", "yesterday", "2026-03-10", "2026-03-10T08:00:00", "9999-12-31T23:59:59Z"]
)
def test_a_time_that_is_none_is_not_known(text: object) -> None:
    assert moment_of(text, "Pacific/Kiritimati") == "not known"


def test_times_in_words() -> None:
    at = datetime(2026, 3, 10, 23, 30, tzinfo=UTC)
    assert moment(at, ZONE) == "Wed 11 Mar 00:30"
    assert moment_of("2026-03-10T23:30:00Z", ZONE) == "Wed 11 Mar 00:30"
    assert dated(at, ZONE) == "2026-03-11 00:30"
    assert dated(datetime.max.replace(tzinfo=UTC), "Pacific/Kiritimati") == "not known"
