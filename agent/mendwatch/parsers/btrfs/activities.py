"""What runs on a btrfs filesystem: replace, removal of a missing device, scrub, balance."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from mendwatch.model.observation import Activity, ActivityKind, LastActivity, LastOutcome, Unread
from mendwatch.parsers.btrfs.readings import Readings

WHEN = r"[ \d]\d\.\w{3} \d\d:\d\d:\d\d"
COUNTS = r", (?P<write>\d+) write errs, (?P<read>\d+) uncorr\. read errs"
RUNNING = re.compile(rf"(?P<percent>[\d.]+)% done{COUNTS}")
ENDED = re.compile(
    rf"Started on (?P<started>{WHEN}), (?P<how>finished|canceled|suspended) on (?P<ended>{WHEN})"
    rf"(?: at (?P<percent>[\d.]+)%)?{COUNTS}"
)
BALANCING = re.compile(r"Balance on '.*' is (?P<how>running|paused).*")
BALANCED = re.compile(r"(?P<done>\d+) out of about (?P<total>\d+) chunks balanced.*")
SCRUBBED = re.compile(r"Bytes scrubbed:\s+\S+\s+\((?P<percent>[\d.]+)%\)")
OUTCOMES = {"finished": LastOutcome.FINISHED, "canceled": LastOutcome.CANCELLED}
AHEAD = timedelta(days=1)


def activities_of(found: Readings, operation: str | None, *, missing: bool) -> tuple[Activity, ...] | None:
    """What runs or is held; None if this poll did not look."""
    if found.replace is None and found.balance is None and found.scrub is None and operation is None:
        return None
    running: list[Activity] = []
    if found.replace is not None:
        running += _replace(found)
    elif operation == "device replace":
        running.append(Activity(ActivityKind.REBUILD, "replace", running=True, end_share=None, fills=_target(found)))
    if operation == "device remove" and not running:
        counters = {"leaving": found.leaving} if found.leaving is not None else _used(found)
        kind = ActivityKind.REBUILD if missing else ActivityKind.REMOVE
        running.append(Activity(kind, "device remove", running=True, counters=counters))
    running += _balance(found, operation)
    running += _scrub(found)
    return tuple(running)


def _used(found: Readings) -> dict[str, int]:
    return {f"used:{device.path}": device.used for device in found.devices if not device.missing}


def _target(found: Readings) -> tuple[str, ...]:
    return tuple(device.path for device in found.devices if device.id == 0)


def _replace(found: Readings) -> list[Activity]:
    text = (found.replace or "").strip()
    match = RUNNING.fullmatch(text)
    held = ENDED.fullmatch(text)
    if match is None and held is not None and held["how"] == "suspended" and held["percent"]:
        match = held
    if match is None:
        if held is None and text not in {"Never started", ""}:
            found.unread.append(Unread(1, text))
        return []
    done = float(match["percent"]) / 100
    target = next((device for device in found.devices if device.id == 0), None)
    errors = int(match["write"]) + int(match["read"])
    suspended = match is held
    return [
        Activity(
            kind=ActivityKind.REBUILD,
            word="replace",
            running=not suspended,
            paused=suspended,
            done=done,
            errors=errors,
            fills=_target(found),
            counters={"permille": round(done * 1000), "errors": errors},
            end_share=min(1.0, target.used / target.size) if target is not None and target.size else None,
            why_held="the replace is suspended" if suspended else None,
        )
    ]


def _balance(found: Readings, operation: str | None) -> list[Activity]:
    lines = (found.balance or "").splitlines()
    match = BALANCING.fullmatch(lines[0].strip()) if lines else None
    if match is None:
        if operation not in {"balance", "balance paused"}:
            return []
        return [Activity(ActivityKind.BALANCE, "balance", running=operation == "balance")]
    counted = BALANCED.match(lines[1].strip()) if len(lines) > 1 else None
    done = int(counted["done"]) if counted else None
    total = int(counted["total"]) if counted else None
    paused = match["how"] == "paused"
    share = done / total if done is not None and total else None
    return [Activity(ActivityKind.BALANCE, "balance", running=not paused, paused=paused, done=share)]


def _scrub(found: Readings) -> list[Activity]:
    text = found.scrub or ""
    if not re.search(r"^Status:\s+running", text, re.MULTILINE):
        return []
    match = SCRUBBED.search(text)
    return [
        Activity(
            ActivityKind.SCRUB, "scrub", running=True, done=float(match["percent"]) / 100 if match is not None else None
        )
    ]


def last_of(found: Readings, at: datetime, zone: str) -> LastActivity | None:
    """The last replace that ended; its line stays for ever, so only a change of it is an event."""
    match = ENDED.fullmatch((found.replace or "").strip())
    if match is None or match["how"] not in OUTCOMES:
        return None
    errors = int(match["write"]) + int(match["read"])
    outcome = OUTCOMES[match["how"]]
    if outcome is LastOutcome.FINISHED and errors:
        outcome = LastOutcome.FINISHED_WITH_ERRORS
    ended = _when(match["ended"], at, zone)
    started = _when(match["started"], ended or at, zone)
    return LastActivity(ActivityKind.REBUILD, "replace", outcome, ended, errors, started)


def _when(text: str, at: datetime, zone: str) -> datetime | None:
    """A date without a year: the latest that is not after ``at`` (but for a clock that differs a little)."""
    for year in (at.year + 1, at.year, at.year - 1):
        try:
            read = datetime.strptime(f"{text.strip()} {year} +0000", "%d.%b %H:%M:%S %Y %z")
        except ValueError:
            continue
        read = read.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC)
        if read <= at + AHEAD:
            return read
    return None
