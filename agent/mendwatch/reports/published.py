"""The published JSON: exactly the fields that the contract names, in its order, as JSON values."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime

from mendwatch.model.alert import Alert, Fact
from mendwatch.model.observation import Activity, Array, LastActivity, Member, Observation
from mendwatch.model.records import Finding, Hours, Quantiles, RunRecord, Sample, WindowRecord

DONE_DIGITS = 6


def rfc3339(at: datetime) -> str:
    """The time in UTC with a Z, to the millisecond at most: ``2026-03-01T02:03:04.5Z``."""
    text = at.astimezone(UTC).isoformat(timespec="milliseconds").removesuffix("+00:00")
    return text.rstrip("0").rstrip(".") + "Z"


def _at(at: datetime | None) -> str | None:
    return None if at is None else rfc3339(at)


def observation(seen: Observation) -> dict[str, Fact]:
    """One poll as the parser understood it."""
    return {
        "type": "observation",
        "at": rfc3339(seen.at),
        "source": seen.source,
        "arrays": [_array(array) for array in seen.arrays],
        "unread": [{"line": line.line, "text": line.text} for line in seen.unread],
        "error": seen.error,
    }


def _array(array: Array) -> dict[str, Fact]:
    return {
        "name": array.name,
        "id": array.id,
        "id_kind": array.id_kind.value,
        "system": array.system,
        "level": array.level,
        "state": array.state,
        "redundancy_full": array.redundancy_full,
        "redundancy_left": array.redundancy_left,
        "why_unknown": array.why_unknown,
        "spares_free": array.spares_free,
        "data_errors": array.data_errors,
        "members": [_member(member) for member in array.members],
        "activities": None if array.activities is None else [_activity(activity) for activity in array.activities],
        "last_activity": None if array.last_activity is None else _last(array.last_activity),
    }


def _member(member: Member) -> dict[str, Fact]:
    errors: Fact = None
    if member.errors is not None:
        counted = member.errors
        errors = {"read": counted.read, "write": counted.write, "checksum": counted.checksum}
    return {
        "name": member.name,
        "role": member.role.value,
        "group": member.group,
        "drive": member.drive,
        "state": member.state,
        "good": member.good,
        "rebuilding": member.rebuilding,
        "errors": errors,
    }


def _activity(activity: Activity) -> dict[str, Fact]:
    return {
        "kind": activity.kind.value,
        "word": activity.word,
        "running": activity.running,
        "waiting": activity.waiting,
        "paused": activity.paused,
        "started": _at(activity.started),
        "done": _share(activity.done),
        "done_bytes": activity.done_bytes,
        "total_bytes": activity.total_bytes,
        "native_seconds_left": activity.native_seconds_left,
        "errors": activity.errors,
    }


def _last(last: LastActivity) -> dict[str, Fact]:
    return {
        "kind": last.kind.value,
        "word": last.word,
        "outcome": last.outcome.value,
        "ended": _at(last.ended),
        "errors": last.errors,
    }


def _share(done: float | None) -> float | None:
    return None if done is None else round(done, DONE_DIGITS)


def progress(array: str, array_id: str, sample: Sample) -> dict[str, Fact]:
    """One poll of one running rebuild."""
    forecast = sample.forecast
    rate = forecast.rate_bytes_per_s if forecast is not None else None
    return {
        "type": "progress",
        "at": rfc3339(sample.at),
        "array": array,
        "array_id": array_id,
        "rebuild": sample.run,
        "done": _share(sample.done),
        "rate": None if rate is None else round(rate, 3),
        "finish": quantiles(forecast.finish if forecast is not None else None),
        "window_hours": hours(sample.window_hours),
        "native_finish": _at(sample.native_finish),
        "redundancy_left": sample.redundancy_left,
        "causes": [cause(finding) for finding in sample.causes],
    }


def quantiles(finish: Quantiles | None) -> Fact:
    """An end as a distribution; None while nothing can be said."""
    if finish is None:
        return None
    return {"p10": _at(finish.p10), "p50": _at(finish.p50), "p90": _at(finish.p90)}


def hours(window: Hours | None) -> Fact:
    """A length as a distribution, in hours."""
    if window is None:
        return None
    ends: Mapping[str, float | None] = {"p10": window.p10, "p50": window.p50, "p90": window.p90}
    return {name: None if value is None else round(value, 4) for name, value in ends.items()}


def cause(finding: Finding) -> dict[str, Fact]:
    """Why a rebuild is slow."""
    return {
        "cause": finding.cause.value,
        "member": finding.member,
        "confidence": round(finding.confidence, 3),
        "evidence": finding.evidence,
    }


def alert(raised: Alert, title: str, text: str) -> dict[str, Fact]:
    """An alert with its words; the same fields are a webhook's data."""
    return {
        "type": "alert",
        "id": raised.id,
        "at": rfc3339(raised.at),
        "kind": raised.kind.value,
        "level": raised.level.value,
        "reminder": raised.reminder,
        "host": raised.host,
        "system": raised.system,
        "array": raised.array,
        "array_id": raised.array_id,
        "rebuild": raised.rebuild,
        "window": raised.window,
        "redundancy_left": raised.redundancy_left,
        "redundancy_full": raised.redundancy_full,
        "finish": quantiles(raised.finish),
        "limit_hours": raised.limit_hours,
        "causes": [cause(finding) for finding in raised.causes],
        "title": title,
        "text": text,
    }


def run(record: RunRecord) -> dict[str, Fact]:
    """A rebuild or pass of the history."""
    return {
        "type": record.type,
        "id": record.id,
        "after": record.after,
        "array": record.array,
        "kind": record.kind,
        "started": rfc3339(record.started),
        "ended": _at(record.ended),
        "outcome": record.outcome.value,
        "bytes": record.bytes,
        "members": [*record.members],
    }


def window(record: WindowRecord) -> dict[str, Fact]:
    """A degraded window of the history."""
    return {
        "type": "window",
        "id": record.id,
        "array": record.array,
        "opened": rfc3339(record.opened),
        "opened_known": record.opened_known,
        "closed": _at(record.closed),
        "hours": round(record.hours, 6),
        "rebuilds": [*record.rebuilds],
    }
