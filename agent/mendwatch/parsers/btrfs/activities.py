"""What runs on a btrfs filesystem, and what ran last: replace, removal of a device, balance, scrub."""

from __future__ import annotations

from datetime import datetime, timedelta

from mendwatch.model.observation import Activity, ActivityKind, LastActivity, LastOutcome
from mendwatch.parsers.btrfs.dates import with_year, without_year
from mendwatch.parsers.btrfs.readings import Readings
from mendwatch.parsers.btrfs.replacement import ReplaceState
from mendwatch.parsers.btrfs.text import LOST

REPLACE_OUTCOMES = {ReplaceState.FINISHED: LastOutcome.FINISHED, ReplaceState.CANCELED: LastOutcome.CANCELLED}
# One that was interrupted, by a crash or a shutdown, goes on from there with `scrub resume`.
SCRUB_OUTCOMES = {
    "finished": LastOutcome.FINISHED,
    "aborted": LastOutcome.CANCELLED,
    "interrupted": LastOutcome.SUSPENDED,
}


def activities_of(found: Readings, at: datetime, zone: str, missing: int | None) -> tuple[Activity, ...] | None:
    """What runs or is held; None if this poll did not look where it would be seen."""
    runs = [*_replace(found, at, zone), *_removal(found, missing), *_balance(found), *_scrub(found, zone)]
    if runs:
        return tuple(runs)
    operation = _operation(found)
    if found.replace is None and operation is None:
        return None
    looked = operation is not None or any((found.usage, found.show, found.device_usage))
    if not looked and missing != 0:
        # The other way to rebuild, removal of the missing device, would show only in what this poll did not read.
        return None
    return ()


def replacing(found: Readings) -> bool:
    """Whether a replace runs or is suspended, so that the device with devid 0 is its target."""
    if found.replace is not None:
        return found.replace.held_or_running
    return found.sysfs is not None and (found.sysfs.operation == "device replace" or found.sysfs.has_target)


def targets(found: Readings) -> tuple[str, ...]:
    """The device that a replace writes to."""
    if not replacing(found):
        return ()
    if found.show is not None:
        return (found.show.target.path,) if found.show.target is not None else ()
    if found.stats:
        # The counters are listed by devid, and the target's is 0.
        return (found.stats[0].path,) if found.stats[0].devid in {0, None} else ()
    listings = (one.numbered for one in (found.device_usage, found.usage) if one is not None)
    return tuple(path for listed in listings for devid, path in listed if devid == 0)[:1]


def _operation(found: Readings) -> str | None:
    return found.sysfs.operation if found.sysfs is not None else None


def _replace(found: Readings, at: datetime, zone: str) -> list[Activity]:
    if not replacing(found):
        return []
    fills = targets(found)
    share = None
    target = found.show.target if found.show is not None else None
    if target is not None and target.size_bytes > 0:
        # The target carries the source's figures (dev-replace.c): its allocated part is where the position ends.
        share = min(1.0, target.used_bytes / target.size_bytes)
    told = found.replace
    # A filesystem that is mounted read-only has a target and no operation: the replace is suspended.
    running = told.state is ReplaceState.RUNNING if told is not None else _operation(found) == "device replace"
    held = None if running else "suspended"
    if told is None:
        kind = ActivityKind.REBUILD
        return [Activity(kind, "replace", running, paused=not running, fills=fills, end_share=share, why_held=held)]
    counters = {"write_errors": told.write_errors, "read_errors": told.read_errors}
    return [
        Activity(
            kind=ActivityKind.REBUILD,
            word="replace",
            running=running,
            paused=not running,
            started=without_year(told.started, at, zone),
            done=told.permille / 1000 if told.permille is not None else None,
            errors=told.write_errors + told.read_errors,
            fills=fills,
            counters=counters if told.permille is None else {"permille": told.permille, **counters},
            end_share=share,
            why_held=held,
        )
    ]


def _removal(found: Readings, missing: int | None) -> list[Activity]:
    """A device that is being removed: its chunks are moved to the others, and no percentage exists."""
    operation = _operation(found)
    leaving = _leaving(found)
    if operation != "device remove" and (operation is not None or not leaving or replacing(found)):
        return []
    rebuilds = any(path in LOST for path in leaving) if leaving else bool(missing)
    counters = {"allocated": sum(leaving.values())} if leaving else {}
    kind = ActivityKind.REBUILD if rebuilds else ActivityKind.REMOVE
    return [Activity(kind, "device remove", running=True, subject="device remove", counters=counters)]


def _leaving(found: Readings) -> dict[str, int]:
    """Bytes that devices still hold which are being removed."""
    for one in (found.usage, found.device_usage):
        if one is not None and (leaving := one.leaving()):
            return leaving
    rows = found.show.devices if found.show is not None else ()
    return {row.path: row.used_bytes for row in rows if row.size_bytes == 0 < row.used_bytes}


def _balance(found: Readings) -> list[Activity]:
    told = found.balance
    operation = _operation(found)
    if told is None and operation not in {"balance", "balance paused"}:
        return []
    paused = told.paused if told is not None else operation == "balance paused"
    done, total, looked = (told.done, told.total, told.looked) if told is not None else (None, None, None)
    return [
        Activity(
            kind=ActivityKind.BALANCE,
            word="balance",
            running=not paused,
            paused=paused,
            done=min(1.0, done / total) if done is not None and total else None,
            counters={"chunks": done, "considered": looked} if done is not None and looked is not None else {},
            why_held="balance paused" if paused else None,
        )
    ]


def _scrub(found: Readings, zone: str) -> list[Activity]:
    told = found.scrub
    if told is None or told.status != "running":
        return []
    counters = {"hundredths": round(told.percent * 100)} if told.percent is not None else {}
    if told.bytes_scrubbed is not None:
        counters["scrubbed"] = told.bytes_scrubbed
    return [
        Activity(
            kind=ActivityKind.SCRUB,
            word="scrub",
            running=True,
            started=with_year(told.started or "", zone),
            # After a cancel and a resume it counts past the end.
            done=min(1.0, told.percent / 100) if told.percent is not None else None,
            native_seconds_left=told.left_s,
            errors=told.errors,
            counters=counters,
        )
    ]


def last_of(found: Readings, at: datetime, zone: str) -> LastActivity | None:
    """What ended last: both lines stay for ever, so only a change of them is an event."""
    ended = [last for last in (_last_replace(found, at, zone), _last_scrub(found, zone)) if last is not None]
    return max(ended, key=lambda last: last.ended.timestamp() if last.ended is not None else 0.0, default=None)


def _last_replace(found: Readings, at: datetime, zone: str) -> LastActivity | None:
    told = found.replace
    if told is None or told.state not in REPLACE_OUTCOMES:
        return None
    errors = told.write_errors + told.read_errors
    outcome = REPLACE_OUTCOMES[told.state]
    if outcome is LastOutcome.FINISHED and errors:
        outcome = LastOutcome.FINISHED_WITH_ERRORS
    ended = without_year(told.ended, at, zone)
    started = without_year(told.started, ended or at, zone)
    return LastActivity(ActivityKind.REBUILD, "replace", outcome, ended, errors, started)


def _last_scrub(found: Readings, zone: str) -> LastActivity | None:
    told = found.scrub
    outcome = SCRUB_OUTCOMES.get(told.status or "") if told is not None else None
    if told is None or outcome is None:
        return None
    if outcome is LastOutcome.FINISHED and told.errors:
        outcome = LastOutcome.FINISHED_WITH_ERRORS
    started = with_year(told.started or "", zone)
    ended = started + timedelta(seconds=told.lasted_s) if started is not None and told.lasted_s is not None else None
    return LastActivity(ActivityKind.SCRUB, "scrub", outcome, ended, told.errors, started)
