"""What runs, waits or is held on one md array."""

from __future__ import annotations

from mendwatch.model.observation import Activity, ActivityKind
from mendwatch.parsers.md.mdstat import Entry, Progress
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


def activities_of(entry: Entry, sysfs: Sysfs) -> tuple[Activity, ...]:
    """The one run that an md array can have at a time, or none."""
    action = sysfs.array.get("sync_action")
    fills = _fills(entry, sysfs, action)
    progress = entry.progress
    if progress is not None and progress.held is None:
        return (_running(progress, sysfs, action, fills),)
    if progress is not None:
        lacking = None not in (entry.slots, entry.good) and entry.slots != entry.good
        return (_held_by_the_kernel(progress, action, fills, lacking=lacking),)
    if fills and action in {"frozen", "idle"} and entry.state == "active":
        why = "sync_action frozen" if action == "frozen" else "idle with a member to fill"
        return (_held_by_hand(sysfs, fills, f"array is {entry.mode.strip('()')}" if entry.mode else why),)
    return ()


def _fills(entry: Entry, sysfs: Sysfs, action: str | None) -> tuple[str, ...]:
    """Members with a slot that are not in sync: these are filled, or would be."""
    rebuilding = action == "recover" or (entry.progress is not None and entry.progress.word.startswith("recover"))
    if sysfs.members:
        return tuple(
            listed.name
            for listed in entry.members
            if sysfs.members.get(listed.name, {}).get("slot", "none") not in {"none", "journal"}
            and "spare" in sysfs.states(listed.name)
            and not sysfs.states(listed.name) & {"in_sync", "faulty"}
        )
    return _newest(entry) if rebuilding else ()


def _newest(entry: Entry) -> tuple[str, ...]:
    """The members being filled by mdstat alone: the replacements, else the newest of those that hold a slot.

    A member added to a running array gets the lowest free number at or above the number of slots (bind_rdev_to_array
    in md.c), so the ones with the highest numbers are the newest.
    """
    replacing = tuple(listed.name for listed in entry.members if "(R)" in listed.flags)
    if replacing:
        return replacing
    placed = sorted((m for m in entry.members if not m.flags or m.flags == "(W)"), key=lambda m: m.number)
    surplus = len(placed) - (entry.good if entry.good is not None else len(placed))
    return tuple(m.name for m in placed[-surplus:]) if surplus > 0 else ()


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
        done=done_kib / total_kib if done_kib is not None and total_kib else None,
        done_bytes=done_kib * 1024 if done_kib is not None else None,
        total_bytes=total_kib * 1024 if total_kib is not None else None,
        native_seconds_left=progress.finish_min * 60 if progress.finish_min is not None else None,
        fills=fills if kind is ActivityKind.REBUILD else (),
        counters=counters,
        why_held="sync_max stops it here" if at_limit else None,
    )


def _at_sync_max(sysfs: Sysfs, done_kib: int | None, total_kib: int | None) -> bool:
    """Whether the run has come to the sector, short of the end, at which it was told to stop."""
    most = sysfs.number("sync_max")
    if most is None or done_kib is None or total_kib is None:
        return False
    return most <= done_kib * 2 and most < total_kib * 2


def _held_by_the_kernel(progress: Progress, action: str | None, fills: tuple[str, ...], *, lacking: bool) -> Activity:
    """DELAYED, PENDING, REMOTE: a waiting recovery, too, prints ``resync=DELAYED``; sysfs or a lack says what waits.

    PENDING is only ever said of a resync, that of an array which is not clean and was not written to yet.
    """
    dirty = progress.held == "PENDING"
    recovers = action == "recover" or (progress.word != "reshape" and not dirty and bool(fills or lacking))
    word = "recovery" if recovers else progress.word
    word = "repair" if action == "repair" else "check" if action == "check" else word
    kind = KINDS[word]
    remote = progress.held == "REMOTE"
    return Activity(
        kind=kind,
        word=word,
        running=remote,
        waiting=not remote,
        fills=fills if kind is ActivityKind.REBUILD else (),
        why_held=None if remote else f"{progress.word}={progress.held}",
    )


def _held_by_hand(sysfs: Sysfs, fills: tuple[str, ...], why: str) -> Activity:
    """Members to fill, and nothing that fills them: a rebuild that will not start by itself."""
    known = [number(sysfs.members[name], "recovery_start") for name in fills]
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
        fills=fills,
        counters={"recovery_start": min(starts)} if starts else {},
        why_held=why,
    )
