"""What the drives behind an array's members did between two polls, from the kernel's cumulative counters.

A member on a partition is judged by the partition's own row: the whole disk's busy time then grows only when a
request ends and its count in flight stays 0. Where that row is missing, the disk's weighted time says how busy it was.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from mendwatch.model.capture import Capture, DiskCounters
from mendwatch.model.observation import Array, Member, Role
from mendwatch.model.records import MemberSample

_PART = re.compile(r"-part(\d+)$")
_COUNTED_ROLES = frozenset({Role.DATA, Role.SPECIAL, Role.DEDUP})


def member_counters(array: Array, capture: Capture) -> dict[str, DiskCounters]:
    """The counters of the row that stands for each member, for those that have one."""
    rows = {}
    for member in array.members:
        row, _ = _row(array, member, capture)
        if row is not None:
            rows[member.name] = row
    return rows


def member_samples(
    array: Array, capture: Capture, before: Mapping[str, DiskCounters], dt_s: float, fills: tuple[str, ...]
) -> tuple[MemberSample, ...]:
    """What each data member's drive did in the ``dt_s`` seconds since ``before`` was counted.

    Args:
        array: as this poll shows it.
        capture: the poll.
        before: :func:`member_counters` of the poll before.
        dt_s: seconds between the two; 0 where they cannot be compared.
        fills: names of the members being filled, of whatever role.
    """
    return tuple(
        _sample(array, member, capture, before.get(member.name), dt_s, filling=member.name in fills)
        for member in array.members
        if member.role in _COUNTED_ROLES or member.name in fills
    )


def _sample(
    array: Array, member: Member, capture: Capture, before: DiskCounters | None, dt_s: float, *, filling: bool
) -> MemberSample:
    row, from_whole_disk = _row(array, member, capture)
    drive = _drive(member, capture)
    if row is None or before is None or dt_s <= 0:
        return MemberSample(name=member.name, drive=drive, filling=filling)
    busy_ms = None if from_whole_disk else _grown(before.busy_ms, row.busy_ms)
    if busy_ms is None:
        busy_ms = _grown(before.weighted_ms, row.weighted_ms)
    return MemberSample(
        name=member.name,
        drive=drive,
        read_bytes_per_s=_ratio(_grown(before.read_bytes, row.read_bytes), dt_s),
        write_bytes_per_s=_ratio(_grown(before.write_bytes, row.write_bytes), dt_s),
        ms_per_read=_ratio(_grown(before.read_ms, row.read_ms), _grown(before.read_count, row.read_count)),
        ms_per_write=_ratio(_grown(before.write_ms, row.write_ms), _grown(before.write_count, row.write_count)),
        busy=None if busy_ms is None else min(1.0, busy_ms / (dt_s * 1000)),
        filling=filling,
    )


def _row(array: Array, member: Member, capture: Capture) -> tuple[DiskCounters | None, bool]:
    """The row that stands for a member, and whether it is a whole disk's although the member is a partition."""
    base = member.name.rsplit("/", 1)[-1]
    if base in capture.partitions:
        return capture.partitions[base], False
    drive = _drive(member, capture)
    if drive is None:
        return None, False
    number = _PART.search(base)
    # OpenZFS hides the suffix of a disk that it partitioned by itself; its data are on the first partition.
    part = number.group(1) if number else "1" if array.system == "zfs" else None
    if part is not None:
        own = capture.partitions.get(f"{drive}{'p' if drive[-1].isdigit() else ''}{part}")
        if own is not None:
            return own, False
    on_partition = part is not None or (base != drive and base.startswith(drive))
    return capture.disks.get(drive), on_partition


def _drive(member: Member, capture: Capture) -> str | None:
    """The one whole disk behind a member, by kernel name; None where there are several or none is known."""
    disks = capture.links.get(member.name, ())
    if len(disks) == 1:
        return disks[0]
    if disks:
        return None
    base = member.name.rsplit("/", 1)[-1]
    return base if base in capture.disks else member.drive


def _grown(before: int | None, now: int | None) -> int | None:
    """How far a counter went; None if either is unknown or it fell (another drive, or the same one plugged in anew)."""
    if before is None or now is None or now < before:
        return None
    return now - before


def _ratio(amount: int | None, per: float | None) -> float | None:
    return amount / per if amount is not None and per else None
