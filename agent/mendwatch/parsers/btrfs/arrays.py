"""From the readings of one filesystem to the array as the later stages want it."""

from __future__ import annotations

import re
from collections.abc import Iterable

from mendwatch.model.capture import Capture
from mendwatch.model.names import printable
from mendwatch.model.observation import Array, Errors, IdKind, Member, Role, Setting
from mendwatch.parsers.btrfs.activities import activities_of, last_of, targets
from mendwatch.parsers.btrfs.chunks import Usage, holding
from mendwatch.parsers.btrfs.devices import Counted
from mendwatch.parsers.btrfs.readings import Readings
from mendwatch.parsers.btrfs.redundancy import (
    chunks_of,
    devids,
    gone_by_sysfs,
    missing_of,
    notes_of,
    profiles_of,
    redundancy_of,
)
from mendwatch.parsers.btrfs.text import LOST, NUMBER

NEEDED = frozenset({"filesystem usage"})


def build(found: Readings, capture: Capture) -> Array:
    """The filesystem as an array."""
    missing = missing_of(found)
    redundancy = redundancy_of(found, missing)
    data = sorted(profiles_of(holding(chunks_of(found))).get("data", set()))
    sizes = [device.size_bytes for device in found.show.devices] if found.show is not None else []
    target = found.show.target if found.show is not None else None
    label = found.show.label if found.show is not None else found.sysfs.label if found.sysfs is not None else None
    mount = printable(found.mount) if found.mount is not None else None
    name = printable(label) if label else mount or found.uuid or "btrfs"
    return Array(
        name=name,
        id=found.uuid or name,
        id_kind=IdKind.FILESYSTEM_UUID if found.uuid is not None else IdKind.NAME,
        system="btrfs",
        level=printable("+".join(data)) or None,
        state="degraded" if missing.count else "ok" if missing.exact else "unknown",
        redundancy_full=redundancy.full,
        redundancy_left=redundancy.left,
        why_unknown=redundancy.why_unknown,
        spares_free=0,
        data_errors=None,
        members=_members(found, capture),
        activities=activities_of(found, capture.at, capture.zone, missing.count if missing.exact else None),
        last_activity=last_of(found, capture.at, capture.zone),
        lost=redundancy.left is not None and redundancy.left < 0,
        slots=_slots(found),
        member_bytes=target.size_bytes if target is not None and target.size_bytes else max(sizes, default=None),
        settings=_settings(found),
        notes=notes_of(found, redundancy.full),
        aliases=(mount,) if mount is not None else (),
        partial=redundancy.left is None and not NEEDED & found.asked and found.sysfs is None,
    )


def _slots(found: Readings) -> int | None:
    """Devices without the target of a replace."""
    if found.show is not None:
        rows = sum(device.id != 0 for device in found.show.devices)
        total = (found.show.total or 0) - (found.show.target is not None)
        return max(rows, total) or None
    for one in (found.device_usage, found.usage):
        if one is not None and one.missing is not None:
            return len(one.free) - (0 in one.devids)
    devices = found.sysfs.devices if found.sysfs is not None else {}
    return sum(devid != 0 for devid in devices) or None


def _members(found: Readings, capture: Capture) -> tuple[Member, ...]:
    """By the reading that names the devices best: with number and path, with one of them, by number in sysfs."""
    filled = targets(found)
    if found.show is not None:
        gone = _gone(found)
        rows = ((one.id, one.path, one.missing or one.id in gone) for one in found.show.devices)
        members = _numbered(found, rows, filled, capture)
        return (*members, *_left_out(found, {device.id for device in found.show.devices}, capture))
    for listing in (found.device_usage, found.usage):
        if listing is not None and listing.numbered:
            return _numbered(found, ((*row, row[1] in LOST) for row in listing.numbered), filled, capture)
    if found.stats:
        return tuple(
            _member(_counted_name(device, found), device.errors, capture, missing=device.missing, target=at_target)
            for device in found.stats
            for at_target in [not device.missing and (device.devid == 0 or device.path in filled)]
        )
    if found.usage is not None and found.usage.free:
        return _named(found, found.usage, capture)
    return _left_out(found, set(), capture)


def _numbered(
    found: Readings, rows: Iterable[tuple[int, str, bool]], filled: tuple[str, ...], capture: Capture
) -> tuple[Member, ...]:
    """Devices by number and path, in the order of their numbers; the last of a row says whether it is missing."""
    counted = [*(found.stats or ()), *(found.one_device or ())]
    by_number = {device.devid: device.errors for device in reversed(counted) if device.devid is not None}
    by_path = {device.path: device.errors for device in reversed(counted) if not device.missing}
    return tuple(
        _member(
            f"devid {devid}" if missing else printable(path),
            by_number.get(devid) or (None if missing else by_path.get(path)) or _sysfs_errors(found, devid),
            capture,
            missing=missing,
            target=devid == 0 or (path in filled and not missing),
        )
        for devid, path, missing in sorted(rows)
    )


def _named(found: Readings, usage: Usage, capture: Capture) -> tuple[Member, ...]:
    """Devices that only the space they have free tells of, by path."""
    counted = {device.path: device.errors for device in found.one_device or ()}
    return tuple(
        _member("missing device" if gone else printable(path), counted.get(path), capture, missing=gone, target=False)
        for path, _ in usage.free
        for gone in [path in LOST]
    )


def _counted_name(device: Counted, found: Readings) -> str:
    """A missing device has only its number; the text of the counters leaves even that out in some versions."""
    if not device.missing:
        return printable(device.path)
    if device.devid is not None:
        return f"devid {device.devid}"
    gone = gone_by_sysfs(found)
    return f"devid {gone[0]}" if gone is not None and len(gone) == 1 else "missing device"


def _left_out(found: Readings, listed: set[int], capture: Capture) -> tuple[Member, ...]:
    """The devices that only sysfs tells of, and those that a listing left out as missing (before 5.19), by number."""
    counted = {device.devid: device.errors for device in found.stats or () if device.devid is not None}
    numbers = _gone(found)
    known = devids(found)
    folders = found.sysfs.devices if found.sysfs is not None else {}
    by_sysfs = {devid for devid, files in folders.items() if "missing" in files and (known is None or devid in known)}
    return tuple(
        _member(
            f"devid {devid}",
            counted.get(devid) or _sysfs_errors(found, devid),
            capture,
            missing=devid in numbers or folders.get(devid, {}).get("missing") == "1",
            target=devid == 0 or folders.get(devid, {}).get("replace_target") == "1",
        )
        for devid in sorted((by_sysfs | numbers) - listed)
    )


def _gone(found: Readings) -> set[int]:
    """The devids that an output other than ``filesystem show`` calls missing."""
    numbers = {device.devid for device in found.stats or () if device.devid is not None and device.missing}
    for one in (found.device_usage, found.usage):
        if one is not None:
            numbers |= {devid for devid, path in one.numbered if path in LOST}
    return numbers


def _sysfs_errors(found: Readings, devid: int) -> Errors | None:
    return found.sysfs.errors(devid) if found.sysfs is not None else None


def _member(name: str, errors: Errors | None, capture: Capture, *, missing: bool, target: bool) -> Member:
    drives = capture.links.get(name)
    state = "target" if target else "missing" if missing else "ok"
    return Member(
        name=name,
        role=Role.DATA,
        group=None,
        drive=drives[0] if drives else None,
        state=state,
        good=state == "ok",
        rebuilding=target,
        errors=errors,
    )


def _settings(found: Readings) -> tuple[Setting, ...]:
    """The limits on reading a device: a replace reads through the same path as a scrub (scrub_throttle_dev_io)."""
    if found.sysfs is None:
        return ()
    told = {devid: files.get("scrub_speed_max", "") for devid, files in sorted(found.sysfs.devices.items())}
    return tuple(
        Setting(f"scrub_speed_max of devid {devid}", f"{limit} B/s", "0 B/s (no limit)", int(limit) > 0)
        for devid, limit in told.items()
        if re.fullmatch(NUMBER, limit)
    )
