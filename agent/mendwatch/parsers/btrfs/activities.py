"""What runs on a btrfs filesystem, and what ran last: replace, removal of a device, balance, scrub."""

from __future__ import annotations

import re
from datetime import datetime, timedelta

from mendwatch.model.observation import Activity, ActivityKind, LastActivity, LastOutcome
from mendwatch.parsers.btrfs.dates import with_year, without_year
from mendwatch.parsers.btrfs.outputs import LOST
from mendwatch.parsers.btrfs.readings import Readings

WHEN = r"[ \d]?\d\.\w{3} \d\d:\d\d:\d\d"
COUNTS = r", (?P<write>\d+) write errs, (?P<read>\d+) uncorr\. read errs"
RUNNING = re.compile(rf"(?P<percent>\d+\.\d)% done{COUNTS}")
ENDED = re.compile(
    rf"Started on (?P<started>{WHEN}), (?P<how>finished|canceled|suspended) on (?P<ended>{WHEN})"
    rf"(?: at (?P<percent>\d+\.\d)%)?{COUNTS}"
)
NEVER = "Never started"
BALANCING = re.compile(r"Balance on '.*' is (?P<how>running|paused)(?:, \w+ requested)*")
BALANCED = re.compile(r"(?P<done>\d+) out of about (?P<total>\d+) chunks balanced \((?P<looked>\d+) considered\),.*")
NO_BALANCE = re.compile(r"No balance found on '.*'")
SCRUB_FIELD = re.compile(r"\s*(?P<name>[A-Z][A-Za-z ]+): +(?P<value>.*)")
SCRUB_OLD = re.compile(r"\s*(?:no stats available|scrub (?:status|started|resumed) .*|total bytes scrubbed: .*)")
SCRUBBED = re.compile(r"\S+\s+\((?P<percent>[\d.]+)%\)")
SPAN = re.compile(r"(?P<hours>\d+):(?P<minutes>\d\d):(?P<seconds>\d\d)")
REPLACE_OUTCOMES = {"finished": LastOutcome.FINISHED, "canceled": LastOutcome.CANCELLED}
SCRUB_OUTCOMES = {"finished": LastOutcome.FINISHED, "aborted": LastOutcome.CANCELLED}


def activities_of(found: Readings, at: datetime, zone: str, missing: int | None) -> tuple[Activity, ...] | None:
    """What runs or is held; None if this poll did not look where it would be seen."""
    runs = [*_replace(found, at, zone), *_removal(found, missing=bool(missing)), *_balance(found), *_scrub(found, zone)]
    if runs:
        return tuple(runs)
    operation = found.sysfs.operation if found.sysfs is not None else None
    if found.replace is None and operation is None:
        return None
    looked = operation is not None or found.usage is not None or found.show is not None
    if not looked and missing != 0:
        # The other way to rebuild, removal of the missing device, would show only in what this poll did not read.
        return None
    return ()


def replacing(found: Readings) -> bool:
    """Whether a replace runs or is suspended, so that the device with devid 0 is its target."""
    if found.replace is None:
        return found.sysfs is not None and found.sysfs.operation == "device replace"
    text = found.replace.strip()
    ended = ENDED.fullmatch(text)
    return RUNNING.fullmatch(text) is not None or (ended is not None and ended["how"] == "suspended")


def targets(found: Readings) -> tuple[str, ...]:
    """The device that a replace writes to."""
    if not replacing(found):
        return ()
    if found.show is not None:
        return (found.show.target.path,) if found.show.target is not None else ()
    if found.stats:
        # The counters are listed by devid, and the target's is 0.
        return (found.stats[0].path,)
    return ()


def _replace(found: Readings, at: datetime, zone: str) -> list[Activity]:
    if not replacing(found):
        text = (found.replace or "").strip()
        if text not in {"", NEVER} and ENDED.fullmatch(text) is None:
            found.odd(1, text)
        return []
    fills = targets(found)
    share = None
    target = found.show.target if found.show is not None else None
    if target is not None and target.size_bytes > 0:
        # The target carries the source's figures (dev-replace.c): its allocated part is where the position ends.
        share = min(1.0, target.used_bytes / target.size_bytes)
    if found.replace is None:
        return [Activity(ActivityKind.REBUILD, "replace", running=True, fills=fills, end_share=share)]
    text = found.replace.strip()
    match = RUNNING.fullmatch(text)
    held = ENDED.fullmatch(text)
    told = match or held
    if told is None:
        return []
    write, read = int(told["write"]), int(told["read"])
    permille = round(float(told["percent"]) * 10) if told["percent"] is not None else None
    counters = {"write_errors": write, "read_errors": read}
    return [
        Activity(
            kind=ActivityKind.REBUILD,
            word="replace",
            running=match is not None,
            paused=match is None,
            started=without_year(held["started"], at, zone) if held is not None else None,
            done=permille / 1000 if permille is not None else None,
            errors=write + read,
            fills=fills,
            counters=counters if permille is None else {"permille": permille, **counters},
            end_share=share,
            why_held=None if match is not None else "suspended",
        )
    ]


def _removal(found: Readings, *, missing: bool) -> list[Activity]:
    """A device that is being removed: its chunks are moved to the others, and no percentage exists."""
    operation = found.sysfs.operation if found.sysfs is not None else None
    leaving = _leaving(found)
    if operation != "device remove" and (operation is not None or not leaving or replacing(found)):
        return []
    if not leaving and missing:
        leaving = set(LOST)
    held = (
        [size for chunks in found.usage.chunks for path, size in chunks.held if path in leaving] if found.usage else []
    )
    kind = ActivityKind.REBUILD if missing else ActivityKind.REMOVE
    counters = {"allocated": sum(held)} if held else {}
    return [Activity(kind, "device remove", running=True, subject="device remove", counters=counters)]


def _leaving(found: Readings) -> set[str]:
    """A device is shrunk to nothing before its chunks move (btrfs_rm_device): its free space reads negative."""
    if found.usage is None:
        return set()
    return {path for path, free in found.usage.free if free < 0}


def _balance(found: Readings) -> list[Activity]:
    operation = found.sysfs.operation if found.sysfs is not None else None
    lines = [line.strip() for line in (found.balance or "").splitlines() if line.strip()]
    head = BALANCING.fullmatch(lines[0]) if lines else None
    if head is None:
        for number, line in enumerate(lines, start=1):
            if NO_BALANCE.fullmatch(line) is None:
                found.odd(number, line)
        if operation not in {"balance", "balance paused"}:
            return []
        paused = operation == "balance paused"
        held = "balance paused" if paused else None
        return [Activity(ActivityKind.BALANCE, "balance", running=not paused, paused=paused, why_held=held)]
    counted = BALANCED.fullmatch(lines[1]) if len(lines) > 1 else None
    for number, line in enumerate(lines[1:], start=2):
        if BALANCED.fullmatch(line) is None:
            found.odd(number, line)
    done, total = (int(counted["done"]), int(counted["total"])) if counted is not None else (0, 0)
    paused = head["how"] == "paused"
    return [
        Activity(
            kind=ActivityKind.BALANCE,
            word="balance",
            running=not paused,
            paused=paused,
            done=min(1.0, done / total) if total else None,
            counters={"chunks": done, "considered": int(counted["looked"])} if counted is not None else {},
            why_held="balance paused" if paused else None,
        )
    ]


def _scrub_fields(found: Readings) -> dict[str, str]:
    """The fields of ``scrub status``; the prose of before 5.2 is knowingly skipped."""
    matches = (SCRUB_FIELD.fullmatch(line) for line in (found.scrub or "").splitlines())
    return {match["name"].strip(): match["value"].strip() for match in matches if match is not None}


def _scrub(found: Readings, zone: str) -> list[Activity]:
    for number, line in enumerate((found.scrub or "").splitlines(), start=1):
        if line.strip() and SCRUB_FIELD.fullmatch(line) is None and SCRUB_OLD.fullmatch(line) is None:
            found.odd(number, line)
    fields = _scrub_fields(found)
    if fields.get("Status") != "running":
        return []
    scrubbed = SCRUBBED.fullmatch(fields.get("Bytes scrubbed", ""))
    left = SPAN.fullmatch(fields.get("Time left", ""))
    return [
        Activity(
            kind=ActivityKind.SCRUB,
            word="scrub",
            running=True,
            started=with_year(fields.get("Scrub started", ""), zone),
            # After a cancel and a resume it counts past the end.
            done=min(1.0, float(scrubbed["percent"]) / 100) if scrubbed is not None else None,
            native_seconds_left=_seconds(left) if left is not None else None,
            errors=_scrub_errors(fields),
            counters={"hundredths": round(float(scrubbed["percent"]) * 100)} if scrubbed is not None else {},
        )
    ]


def _seconds(span: re.Match[str]) -> float:
    return int(span["hours"]) * 3600.0 + int(span["minutes"]) * 60 + int(span["seconds"])


def _scrub_errors(fields: dict[str, str]) -> int | None:
    """Errors that could not be corrected, None where the summary does not tell."""
    if fields.get("Error summary") == "no errors found":
        return 0
    told = fields.get("Uncorrectable", "")
    return int(told) if told.isdecimal() else None


def last_of(found: Readings, at: datetime, zone: str) -> LastActivity | None:
    """What ended last: both lines stay for ever, so only a change of them is an event."""
    ended = [last for last in (_last_replace(found, at, zone), _last_scrub(found, zone)) if last is not None]
    return max(ended, key=lambda last: last.ended.timestamp() if last.ended is not None else 0.0, default=None)


def _last_replace(found: Readings, at: datetime, zone: str) -> LastActivity | None:
    match = ENDED.fullmatch((found.replace or "").strip())
    if match is None or match["how"] not in REPLACE_OUTCOMES:
        return None
    errors = int(match["write"]) + int(match["read"])
    outcome = REPLACE_OUTCOMES[match["how"]]
    if outcome is LastOutcome.FINISHED and errors:
        outcome = LastOutcome.FINISHED_WITH_ERRORS
    ended = without_year(match["ended"], at, zone)
    started = without_year(match["started"], ended or at, zone)
    return LastActivity(ActivityKind.REBUILD, "replace", outcome, ended, errors, started)


def _last_scrub(found: Readings, zone: str) -> LastActivity | None:
    fields = _scrub_fields(found)
    outcome = SCRUB_OUTCOMES.get(fields.get("Status", ""))
    if outcome is None:
        return None
    errors = _scrub_errors(fields)
    if outcome is LastOutcome.FINISHED and errors:
        outcome = LastOutcome.FINISHED_WITH_ERRORS
    started = with_year(fields.get("Scrub started", ""), zone)
    span = SPAN.fullmatch(fields.get("Duration", ""))
    ended = started + timedelta(seconds=_seconds(span)) if started is not None and span is not None else None
    return LastActivity(ActivityKind.SCRUB, "scrub", outcome, ended, errors, started)
