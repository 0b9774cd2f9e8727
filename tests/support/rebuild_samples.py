"""Samples of a rebuild straight from captures, read with a few regular expressions and without our own parsers.

So the forecaster and the diagnosis are tested by themselves, on real recordings and on invented rebuilds alike.
"""

from __future__ import annotations

import gzip
import json
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from mendwatch.model.capture import Capture, CommandRead, DiskCounters, DriveFacts, FileRead, Read
from mendwatch.model.observation import Activity, ActivityKind, Array, IdKind, Member, Role, Setting
from mendwatch.model.records import Sample
from mendwatch.tracker.drives import member_counters, member_samples
from support.recordings import FILES

WITH_COUNTERS = tuple(name for name in FILES if name.endswith("-A"))
GAP_S = 900.0
ZFS_LIMIT = 16777216


@dataclass(frozen=True, slots=True)
class Step:
    """One poll of a running rebuild."""

    sample: Sample
    array: Array


def moment(text: str) -> datetime:
    """A time of a truth file."""
    return datetime.fromisoformat(text)


def recorded(name: str) -> Iterator[Capture]:
    """The polls of a recording."""
    with gzip.open(FILES[name], "rt", encoding="utf-8") as lines:
        for line in lines:
            poll = json.loads(line)
            if "recording" in poll:
                continue
            yield Capture(
                at=datetime.fromisoformat(poll["at"]),
                source=poll["source"],
                reads=tuple(_read(read) for read in poll["reads"]),
                boot=poll.get("boot"),
                up=poll.get("up"),
                links={member: tuple(disks) for member, disks in (poll.get("links") or {}).items()},
                drives={disk: DriveFacts(**facts) for disk, facts in (poll.get("drives") or {}).items()},
                disks=_rows(poll, "disks"),
                partitions=_rows(poll, "partitions"),
                array_devices=_rows(poll, "array_devices"),
            )


def _rows(poll: dict[str, Any], key: str) -> dict[str, DiskCounters]:
    return {name: DiskCounters(**row) for name, row in (poll.get(key) or {}).items()}


def _read(read: dict[str, Any]) -> Read:
    if "path" in read:
        return FileRead(read["path"], read.get("text"), read.get("error"))
    return CommandRead(tuple(read["argv"]), read["exit"], read.get("stdout") or "", read.get("stderr") or "")


def steps(captures: Iterable[Capture], array_name: str) -> Iterator[Step]:
    """The polls in which a rebuild of the array runs, as samples."""
    before: Capture | None = None
    counters: dict[str, DiskCounters] = {}
    last: Sample | None = None
    for capture in captures:
        array = _array(capture, array_name)
        if array is None:
            continue
        activity = next(iter(array.activities or ()), None)
        elapsed_s = 0.0 if before is None else _seconds(before, capture)
        before_counters, counters = counters, member_counters(array, capture)
        before = capture
        if activity is None:
            continue
        observed_s = 0.0 if last is None or elapsed_s > GAP_S else elapsed_s
        last = Sample(
            run="run",
            at=capture.at,
            elapsed_s=(0.0 if last is None else last.elapsed_s + elapsed_s),
            observed_s=observed_s,
            done=activity.done,
            done_bytes=activity.done_bytes,
            total_bytes=activity.total_bytes,
            native_finish=None,
            redundancy_left=0,
            running=True,
            moved=last is None or activity.counters != last.counters,
            counters=activity.counters,
            members=member_samples(array, capture, before_counters, observed_s, activity.fills),
        )
        yield Step(last, array)


def _seconds(before: Capture, capture: Capture) -> float:
    if before.up is not None and capture.up is not None:
        return capture.up - before.up
    return (capture.at - before.at).total_seconds()


def _array(capture: Capture, name: str) -> Array | None:
    if capture.source == "md":
        return _md(capture, name)
    if capture.source == "zfs":
        return _zfs(capture, name)
    return _btrfs(capture, name)


def _made(name: str, members: tuple[Member, ...], activity: Activity | None, settings: tuple[Setting, ...]) -> Array:
    return Array(
        name=name,
        id=name,
        id_kind=IdKind.NAME,
        system="zfs" if members and members[0].group else "md",
        level=None,
        state="",
        redundancy_full=1,
        redundancy_left=0,
        why_unknown=None,
        spares_free=0,
        data_errors=0,
        members=members,
        activities=() if activity is None else (activity,),
        last_activity=None,
        settings=settings,
    )


def _activity(done: float, sizes: tuple[int, int] | None, fills: tuple[str, ...], counters: dict[str, int]) -> Activity:
    return Activity(
        kind=ActivityKind.REBUILD,
        word="rebuild",
        running=True,
        done=done,
        done_bytes=None if sizes is None else sizes[0],
        total_bytes=None if sizes is None else sizes[1],
        fills=fills,
        counters=counters,
    )


def _md(capture: Capture, name: str) -> Array | None:
    text = capture.file("/proc/mdstat") or ""
    block = re.search(rf"^{name} : (.*\n(?:(?!\S).*\n)*)", text, re.MULTILINE)
    if block is None:
        return None
    base = f"/sys/block/{name}/md/"
    states = {
        drive: (capture.file(f"{base}dev-{drive}/state") or "").strip()
        for drive in re.findall(r"(\w+)\[\d+\]", block[1].splitlines()[0])
    }
    members = tuple(
        Member(drive, Role.DATA, None, drive, state, good="in_sync" in state, rebuilding=state == "spare")
        for drive, state in states.items()
    )
    found = re.search(r"recovery = *[\d.]+% \((\d+)/(\d+)\)", block[1])
    activity = None
    if found is not None:
        done, total = int(found[1]) * 1024, int(found[2]) * 1024
        fills = tuple(member.name for member in members if member.rebuilding)
        activity = _activity(done / total, (done, total), fills, {"blocks": done})
    limit = (capture.file(f"{base}sync_speed_max") or "").strip()
    return _made(name, members, activity, (Setting("sync_speed_max", limit, "200000", "local" in limit),))


def _zfs(capture: Capture, name: str) -> Array | None:
    printed = [read.stdout for read in capture.commands() if read.argv[:2] == ("zpool", "status")]
    plain = next((text for text in printed if f"pool: {name}\n" in text), None)
    if plain is None:
        return None
    rows = re.findall(r"^\t {4,6}(\S+) +(ONLINE|\w+) +\d+ +\d+ +\d+(.*)$", plain, re.MULTILINE)
    members = tuple(
        Member(row, Role.DATA, "group-0", None, state, state == "ONLINE" and "resilv" not in note, "resilv" in note)
        for row, state, note in rows
        if not row.startswith("replacing")
    )
    fills = tuple(member.name for member in members if member.rebuilding)
    activity = None
    if percent := re.search(r"([\d.]+)% done", plain):
        activity = _activity(float(percent[1]) / 100, None, fills, {"percent": int(float(percent[1]) * 100)})
    for text in printed:
        if not text.startswith("{"):
            continue
        scan = json.loads(text)["pools"][name].get("scan_stats") or {}
        if scan.get("function") == "RESILVER" and scan.get("state") == "SCANNING":
            done, total = scan["issued"], scan["to_examine"] - scan["skipped"]
            counters = {"issued": done, "processed": scan["processed"]}
            activity = _activity(min(1.0, done / total), (done, total), fills, counters)
    limit = (capture.file("/sys/module/zfs/parameters/zfs_scan_vdev_limit") or "").strip()
    lowered = limit.isdigit() and int(limit) < ZFS_LIMIT
    return _made(name, members, activity, (Setting("zfs_scan_vdev_limit", limit, str(ZFS_LIMIT), lowered),))


def _btrfs(capture: Capture, name: str) -> Array | None:
    for read in capture.commands():
        percent = re.search(r"([\d.]+)% done", read.stdout) if "replace" in read.argv else None
        if percent is not None:
            done = float(percent[1]) / 100
            return _made(name, (), _activity(done, None, (), {"permille": int(done * 1000)}), ())
    return None
