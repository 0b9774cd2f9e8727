"""Records to text and back.

Most are stored as the JSON that pydantic makes of them. Samples come by the ten thousand, so theirs is a bare list
without names, times in microseconds, and the drives' rates rounded to what a measurement is worth.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

from pydantic import TypeAdapter

from mendwatch.model.alert import Alert
from mendwatch.model.records import (
    Cause,
    Finding,
    Forecast,
    Hours,
    MemberSample,
    Quantiles,
    RunRecord,
    Sample,
    SourceRecord,
    WindowRecord,
)

ALERT = TypeAdapter(Alert)
RUN = TypeAdapter(RunRecord)
WINDOW = TypeAdapter(WindowRecord)
SOURCE = TypeAdapter(SourceRecord)

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


def to_micros(at: datetime) -> int:
    """The time as whole microseconds since 1970."""
    return (at - _EPOCH) // _MICROSECOND


def from_micros(micros: int) -> datetime:
    """The same back, in UTC."""
    return _EPOCH + micros * _MICROSECOND


def micros_or_none(at: datetime | None) -> int | None:
    """The same for a time that may be unknown."""
    return None if at is None else to_micros(at)


def time_or_none(micros: int | None) -> datetime | None:
    """The same back."""
    return None if micros is None else from_micros(micros)


def sample_to_text(sample: Sample) -> str:
    """All of a sample that has no column of its own."""
    forecast, hours = sample.forecast, sample.window_hours
    return json.dumps(
        [
            sample.observed_s,
            sample.done,
            sample.done_bytes,
            sample.total_bytes,
            micros_or_none(sample.native_finish),
            sample.redundancy_left,
            int(sample.running),
            int(sample.moved),
            sample.counters,
            [_member_to_list(member) for member in sample.members],
            forecast and [forecast.rate_bytes_per_s, forecast.share_per_s, _ends(forecast.finish), forecast.basis_s],
            hours and [hours.p10, hours.p50, hours.p90],
            [[cause.cause.value, cause.member, cause.confidence, cause.evidence] for cause in sample.causes],
        ],
        separators=(",", ":"),
        ensure_ascii=False,
    )


def sample_from_text(run: str, at: int, elapsed_s: float, text: str) -> Sample:
    """The sample that :func:`sample_to_text` wrote."""
    observed_s, done, done_bytes, total, native, left, running, moved, counters, members, forecast, hours, causes = (
        json.loads(text)
    )
    return Sample(
        run=run,
        at=from_micros(at),
        elapsed_s=elapsed_s,
        observed_s=observed_s,
        done=done,
        done_bytes=done_bytes,
        total_bytes=total,
        native_finish=time_or_none(native),
        redundancy_left=left,
        running=bool(running),
        moved=bool(moved),
        counters=counters,
        members=tuple(_member_from_list(member) for member in members),
        forecast=forecast and _forecast(*forecast),
        window_hours=hours and Hours(*hours),
        causes=tuple(Finding(Cause(cause), *rest) for cause, *rest in causes),
    )


def _ends(finish: Quantiles | None) -> list[int | None] | None:
    return None if finish is None else [micros_or_none(end) for end in (finish.p10, finish.p50, finish.p90)]


def _forecast(rate: float | None, share: float | None, ends: list[int | None] | None, basis_s: float) -> Forecast:
    finish = Quantiles(*(time_or_none(end) for end in ends)) if ends is not None else None
    return Forecast(rate, share, finish, basis_s)


def _member_to_list(member: MemberSample) -> list[Any]:
    return [
        member.name,
        member.drive,
        _rounded(member.read_bytes_per_s, 0),
        _rounded(member.write_bytes_per_s, 0),
        _rounded(member.ms_per_read, 2),
        _rounded(member.ms_per_write, 2),
        _rounded(member.busy, 3),
        int(member.filling),
    ]


def _member_from_list(parts: list[Any]) -> MemberSample:
    name, drive, read, write, ms_per_read, ms_per_write, busy, filling = parts
    return MemberSample(name, drive, read, write, ms_per_read, ms_per_write, busy, bool(filling))


def _rounded(figure: float | None, digits: int) -> float | None:
    return figure if figure is None else round(figure, digits or None)
