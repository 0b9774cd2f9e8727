"""What runs, waits or is held on one md array."""

from __future__ import annotations

from collections.abc import Mapping

from mendwatch.model.names import printable
from mendwatch.model.observation import Activity, ActivityKind
from mendwatch.parsers.md.mdstat import Entry, Progress
from mendwatch.parsers.md.settings import STOPPED
from mendwatch.parsers.md.standing import WITHOUT_REDUNDANCY, Standing
from mendwatch.parsers.md.sysfs import Sysfs, number

SECTOR_BYTES = 512
KINDS = {
    "recovery": ActivityKind.REBUILD,
    "recover": ActivityKind.REBUILD,
    "resync": ActivityKind.RESYNC,
    "repair": ActivityKind.RESYNC,
    "check": ActivityKind.CHECK,
    "reshape": ActivityKind.RESHAPE,
}
READ_ONLY = {"readonly": "read-only", "read-auto": "auto-read-only"}


def activities_of(entry: Entry, sysfs: Sysfs, standings: Mapping[str, Standing]) -> tuple[Activity, ...] | None:
    """The one run that an md array can have at a time, or none; None where the line that tells was not read."""
    action = sysfs.array.get("sync_action")
    fills = tuple(name for name, standing in standings.items() if standing is Standing.TO_FILL)
    progress = entry.progress
    if progress is not None and progress.held is None:
        return (_running(progress, sysfs, action, fills),)
    if progress is not None:
        to_fill = bool(fills) or Standing.UNKNOWN in standings.values()
        return (_held_by_the_kernel(progress, action, fills, to_fill=to_fill),)
    why = _why_nothing_fills(entry, sysfs, action, standings)
    if why is not None:
        return (_held_by_hand(sysfs, fills, why),)
    return None if entry.gap or not entry.whole else ()


def _why_nothing_fills(entry: Entry, sysfs: Sysfs, action: str | None, standings: Mapping[str, Standing]) -> str | None:
    """Why members that could be filled are not; None if there are none, or sysfs did not say that nothing runs."""
    if action not in {"frozen", "idle"} or entry.state != "active" or entry.level in WITHOUT_REDUNDANCY:
        return None
    to_fill = Standing.TO_FILL in standings.values()
    counted = (entry.slots or 0) - (entry.good or 0) if entry.good is not None else 0
    degraded = max(sysfs.number("degraded") or 0, counted) > 0
    if not to_fill and not (degraded and Standing.SPARE in standings.values()):
        return None
    mode = entry.mode.strip("()") or READ_ONLY.get(sysfs.array.get("array_state", ""), "")
    if mode:
        return f"array is {mode}"
    if action == "frozen":
        return "sync_action frozen"
    return "idle with a member to fill" if to_fill else "idle with a spare at hand"


def _running(progress: Progress, sysfs: Sysfs, action: str | None, fills: tuple[str, ...]) -> Activity:
    word = "repair" if action == "repair" else progress.word
    kind = KINDS[word]
    done_kib, total_kib = progress.done_kib, progress.total_kib
    at_limit = _at_sync_max(sysfs, done_kib, total_kib)
    counters = {"position": done_kib} if done_kib is not None else {}
    completed = number(sysfs.array, "sync_completed")
    if completed is not None:
        counters["sync_completed"] = completed
    return Activity(
        kind=kind,
        word=word,
        running=not at_limit,
        paused=at_limit,
        done=min(1.0, done_kib / total_kib) if done_kib is not None and total_kib else None,
        done_bytes=done_kib * 1024 if done_kib is not None else None,
        total_bytes=total_kib * 1024 if total_kib is not None else None,
        native_seconds_left=progress.finish_s,
        fills=_names(fills) if kind is ActivityKind.REBUILD else (),
        counters=counters,
        why_held=STOPPED if at_limit else None,
    )


def _names(fills: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(printable(name) for name in fills)


def _at_sync_max(sysfs: Sysfs, done_kib: int | None, total_kib: int | None) -> bool:
    """Whether the run has come to the sector, short of the end, at which it was told to stop."""
    most = sysfs.number("sync_max")
    if most is None or done_kib is None or total_kib is None:
        return False
    return most <= done_kib * 2 and most < total_kib * 2


def _held_by_the_kernel(progress: Progress, action: str | None, fills: tuple[str, ...], *, to_fill: bool) -> Activity:
    """DELAYED, PENDING, REMOTE: a waiting recovery, too, prints ``resync=DELAYED``; sysfs or a lack says what waits.

    PENDING is only ever said of a resync, that of an array which is not clean and was not written to yet. REMOTE says
    ``recover`` for a recovery.
    """
    unclear = progress.held == "DELAYED" and progress.word != "reshape" and action in {None, "recover"}
    recovers = action == "recover" or (unclear and to_fill)
    word = "recovery" if recovers else progress.word
    word = "repair" if action == "repair" else "check" if action == "check" else word
    kind = KINDS[word]
    remote = progress.held == "REMOTE"
    return Activity(
        kind=kind,
        word=word,
        running=remote,
        waiting=not remote,
        fills=_names(fills) if kind is ActivityKind.REBUILD else (),
        why_held=None if remote else f"{progress.word}={progress.held}",
    )


def _held_by_hand(sysfs: Sysfs, fills: tuple[str, ...], why: str) -> Activity:
    """Members to fill, and nothing that fills them: a rebuild that will not start by itself."""
    known = [number(sysfs.members.get(name, {}), "recovery_start") for name in fills]
    starts = [sectors for sectors in known if sectors is not None]
    component_kib = sysfs.number("component_size")
    total_bytes = component_kib * 1024 if component_kib else None
    done_bytes = min(starts) * SECTOR_BYTES if starts else None
    return Activity(
        kind=ActivityKind.REBUILD,
        word="recovery",
        running=False,
        paused=True,
        done=min(1.0, done_bytes / total_bytes) if done_bytes is not None and total_bytes else None,
        done_bytes=done_bytes,
        total_bytes=total_bytes,
        fills=_names(fills),
        counters={"recovery_start": min(starts)} if starts else {},
        why_held=why,
    )
