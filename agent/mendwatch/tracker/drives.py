"""The drives behind an array's members: which they are, and what they did between two polls.

What they did comes from the kernel's cumulative counters.

A member on a partition is judged by the partition's own row: the whole disk's busy time then grows only when a
request ends and its count in flight stays 0. Where that row is missing, the disk's weighted time says how busy it was.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace

from mendwatch.model.capture import Capture, DiskCounters, DriveFacts
from mendwatch.model.observation import Array, Member, Role
from mendwatch.model.records import MemberSample
from mendwatch.model.state import ArrayState
from mendwatch.model.status import DriveStatus

_PART = re.compile(r"-part(\d+)$")
_COUNTED_ROLES = frozenset({Role.DATA, Role.SPECIAL, Role.DEDUP})


def known_drives(state: ArrayState, capture: Capture) -> dict[str, DriveFacts]:
    """Facts by member name: as this poll shows them, else as last known.

    A member that vanishes may be listed under another name (OpenZFS: a number). Until the array is whole again, what
    it went by is kept, so that the missing drive can be named by its serial number.
    """
    now = {
        member.name: capture.drives[disks[0]]
        for member in state.array.members
        if (disks := capture.links.get(member.name)) and disks[0] in capture.drives
    }
    names = {member.name for member in state.array.members}
    return {name: facts for name, facts in state.drives.items() if state.window is not None or name in names} | now


def behind(state: ArrayState) -> tuple[DriveStatus, ...]:
    """The drives of an array: those of its members in their order, then those that it no longer lists."""
    listed = [
        DriveStatus(
            member=member.name,
            drive=member.drive,
            facts=state.drives[member.name],
            trouble=_in_trouble(member),
            io_errors=state.counters.get(member.name, DiskCounters()).io_errors,
        )
        for member in state.array.members
        if member.name in state.drives
    ]
    names = {member.name for member in state.array.members}
    # A drive that only goes by another name now is not gone.
    there = {(one.facts.model, one.facts.serial) for one in listed}
    gone = [
        DriveStatus(member=name, drive=None, facts=facts, listed=False, trouble=True)
        for name, facts in state.drives.items()
        if name not in names and facts.serial is not None and (facts.model, facts.serial) not in there
    ]
    return (*listed, *gone)


def _in_trouble(member: Member) -> bool:
    errors = member.errors
    counted = errors is not None and any((errors.read, errors.write, errors.checksum))
    return counted or member.rebuilding or (member.role in _COUNTED_ROLES and not member.good)


def shared_drives(state: ArrayState) -> tuple[str, ...]:
    """One line for each physical drive that holds several members of a group: its loss takes them all."""
    held: dict[tuple[str | None, str, str | None], list[Member]] = {}
    for member in state.array.members:
        if member.role not in _COUNTED_ROLES or member.drive is None:
            continue
        # The name spaces of an NVMe drive are disks of their own to the kernel; their serial number is the drive's.
        serial = state.drives.get(member.name, DriveFacts()).serial if member.drive.startswith("nvme") else None
        held.setdefault((member.group, "" if serial else member.drive, serial), []).append(member)
    return tuple(
        f"{', '.join(member.name for member in members)} are on one and the same drive"
        f" ({', '.join(dict.fromkeys(str(member.drive) for member in members))}): its loss takes them all"
        for members in held.values()
        if len(members) > 1
    )


def member_counters(array: Array, capture: Capture) -> dict[str, DiskCounters]:
    """The counters of the row that stands for each member, for those that have one.

    Errors are counted for whole disks only: a partition's row is given its disk's.
    """
    rows = {}
    for member in array.members:
        row, _ = _row(array, member, capture)
        if row is not None:
            disk = capture.disks.get(_drive(member, capture) or "", DiskCounters())
            rows[member.name] = replace(row, io_errors=disk.io_errors)
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
        bytes_per_read=_ratio(_grown(before.read_bytes, row.read_bytes), _grown(before.read_count, row.read_count)),
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
