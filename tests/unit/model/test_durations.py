"""Durations carry their unit; a refusal says what would be right."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from mendwatch.model.durations import Duration, format_duration, read_duration

READ = TypeAdapter(Duration)


@pytest.mark.parametrize(
    ("written", "seconds"),
    [
        ("90s", 90),
        ("20m", 1200),
        ("24h", 86400),
        ("9d", 777600),
        ("1.5h", 5400),
        (" 20m ", 1200),
    ],  # contract's examples
)
def test_what_the_contract_writes_is_read(written: str, seconds: float) -> None:
    assert READ.validate_python(written) == seconds


@pytest.mark.parametrize(
    ("written", "told"),
    [
        (20, 'write "20s" if seconds are meant'),
        (1.5, "has no unit"),
        ("20", "is no duration"),
        ("", "is no duration"),
        ("-5m", "is no duration"),
        ("5 weeks", "is no duration"),
        ("1h30m", "is no duration"),
        ("0s", "no time at all"),
        ("0.0h", "no time at all"),
        ("9000d", "at most 366d"),
        (True, "is no duration"),
        (["20m"], "is no duration"),
        ("٣m", "is no duration"),
    ],
)
def test_anything_else_is_refused_with_what_would_be_right(written: object, told: str) -> None:
    with pytest.raises(ValidationError, match=told) as refusal:
        READ.validate_python(written)
    assert "; " in refusal.value.errors()[0]["msg"]


@pytest.mark.parametrize(
    ("seconds", "written"),
    [(5, "5s"), (90, "90s"), (900, "15m"), (86400, "24h"), (259200, "72h"), (777600, "9d"), (0.5, "0.5s"), (0, "0s")],
)
def test_it_is_written_as_a_person_would(seconds: float, written: str) -> None:
    assert format_duration(seconds) == written


@given(st.integers(min_value=1, max_value=366 * 86400))
def test_what_is_written_reads_back_as_the_same(seconds: int) -> None:
    assert read_duration(format_duration(seconds)) == seconds
