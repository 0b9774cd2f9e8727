"""From the readings of one filesystem to the array as the later stages want it."""

from __future__ import annotations

from dataclasses import dataclass

from mendwatch.model.capture import Capture
from mendwatch.model.names import printable
from mendwatch.model.observation import Array, Errors, IdKind, Member, Role, Setting
from mendwatch.parsers.btrfs.activities import activities_of, last_of, targets
from mendwatch.parsers.btrfs.outputs import LOST, Counted
from mendwatch.parsers.btrfs.readings import Readings

# How many devices each profile surely survives (btrfs_raid_array, tolerated_failures, in the kernel's volumes.c).
TOLERATED = {
    "single": 0,
    "dup": 0,
    "raid0": 0,
    "raid1": 1,
    "raid1c3": 2,
    "raid1c4": 3,
    "raid10": 1,
    "raid5": 1,
    "raid6": 2,
}
PARITY = frozenset({"raid5", "raid6"})
NEEDED = "filesystem usage"


@dataclass(frozen=True, slots=True)
class _Redundancy:
    full: int | None = None
    left: int | None = None
    why_unknown: str | None = None


def build(found: Readings, capture: Capture) -> Array:
    """The filesystem as an array."""
    missing = _missing(found)
    redundancy = _redundancy(found, missing)
    profiles = _profiles(found, empty=False)
    data = sorted(profiles.get("data", set()))
    members = _members(found, capture)
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
        level="+".join(data) or None,
        state="unknown" if missing is None else "degraded" if missing else "ok",
        redundancy_full=redundancy.full,
        redundancy_left=redundancy.left,
        why_unknown=redundancy.why_unknown,
        spares_free=0,
        data_errors=None,
        members=members,
        activities=activities_of(found, capture.at, capture.zone, missing),
        last_activity=last_of(found, capture.at, capture.zone),
        lost=redundancy.left is not None and redundancy.left < 0,
        slots=_slots(found),
        member_bytes=target.size_bytes if target is not None and target.size_bytes else max(sizes, default=None),
        settings=_settings(found),
        notes=_notes(profiles, redundancy.full),
        aliases=(mount,) if mount is not None else (),
        partial=redundancy.left is None and NEEDED not in found.asked and found.sysfs is None,
    )


def _missing(found: Readings) -> int | None:
    """How many devices are missing: the most that any reading says; None if none tells.

    ``Device missing`` of the summary is not used: it reads 0 while a missing device is being removed.
    """
    told: list[int] = []
    if found.sysfs is not None and found.sysfs.missing is not None:
        told.append(len(found.sysfs.missing))
    if found.show is not None:
        told.append(found.show.missing)
    if found.stats is not None:
        told.append(sum(device.missing for device in found.stats))
    return max(told, default=None)


def _profiles(found: Readings, *, empty: bool) -> dict[str, set[str]]:
    """The profiles by kind of chunk, in lower case, with or without those whose chunks are all empty."""
    if found.usage is not None and found.usage.whole:
        profiles: dict[str, set[str]] = {}
        for chunks in found.usage.chunks if empty else found.usage.holding():
            for kind in chunks.kind.split("+"):
                if chunks.size_bytes:
                    profiles.setdefault(kind, set()).add(chunks.profile)
        return profiles
    return found.sysfs.profiles if found.sysfs is not None else {}


def _redundancy(found: Readings, missing: int | None) -> _Redundancy:
    """The weakest of all chunks, less the missing devices that hold a part of it."""
    profiles = _profiles(found, empty=True)
    used = set().union(*profiles.values())
    unknown = sorted(used - set(TOLERATED))
    if unknown:
        return _Redundancy(why_unknown=f"the profile {', '.join(unknown)} is not known")
    if not used:
        return _Redundancy(why_unknown=_why(found, "this poll did not read the profiles"))
    full = _full(profiles)
    if missing is None:
        return _Redundancy(full, None, _why(found, "this poll did not read the devices"))
    weakest = min(TOLERATED[profile] for profile in set().union(*_profiles(found, empty=False).values()))
    if missing == 0:
        return _Redundancy(full, weakest)
    by_chunks = _left_by_chunks(found)
    if by_chunks is not None:
        return _Redundancy(full, by_chunks)
    if weakest == 0:
        # Chunks of a single copy may have been written after the loss, by the devices that are there.
        return _Redundancy(full, None, _why(found, "which chunks the missing devices hold is not told"))
    return _Redundancy(full, weakest - missing)


def _full(profiles: dict[str, set[str]]) -> int:
    """What the filesystem survives when all is well: its weakest kind of chunk, each by the best of its profiles.

    With too few devices left to write to, the kernel makes chunks of a weaker profile (btrfs_reduce_alloc_profile), and
    they stay so after the replacement: redundancy that is lacking, not a layout that somebody chose. System chunks are
    made with the profile of the metadata, and are judged with them.
    """
    kinds = (profiles.get("data", set()), profiles.get("metadata", set()) | profiles.get("system", set()))
    return min(max(TOLERATED[profile] for profile in used) for used in kinds if used)


def _left_by_chunks(found: Readings) -> int | None:
    """The least that any kind of chunk has left; None where the output does not tell what missing devices hold."""
    if found.usage is None or not found.usage.whole:
        return None
    gone = set(LOST)
    if found.show is not None:
        gone |= {device.path for device in found.show.devices if device.missing}
    chunks = found.usage.holding()
    lost = [sum(path in gone for path, _ in one.held) for one in chunks]
    if not any(lost):
        return None
    return min(TOLERATED[one.profile] - count for one, count in zip(chunks, lost, strict=True))


def _why(found: Readings, otherwise: str) -> str:
    return printable(found.failed[0]) if found.failed else otherwise


def _slots(found: Readings) -> int | None:
    """Devices without the target of a replace."""
    if found.show is not None:
        rows = sum(device.id != 0 for device in found.show.devices)
        total = (found.show.total or 0) - (found.show.target is not None)
        return max(rows, total) or None
    if found.sysfs is not None and found.sysfs.devices:
        return sum(devid != 0 for devid in found.sysfs.devices)
    return None


def _members(found: Readings, capture: Capture) -> tuple[Member, ...]:
    filled = targets(found)
    if found.show is not None:
        counted = {device.devid: device for device in found.stats or () if device.devid is not None}
        by_path = {device.path: device for device in found.stats or () if not device.missing}
        members: list[Member] = []
        for device in sorted(found.show.devices, key=lambda device: device.id):
            name = f"devid {device.id}" if device.missing else printable(device.path)
            told = counted.get(device.id) or (by_path.get(device.path) if not device.missing else None)
            errors = told.errors if told is not None else _sysfs_errors(found, device.id)
            target = device.id == 0 or device.path in filled
            members.append(_member(name, errors, capture, missing=device.missing, target=target))
        return (*members, *_left_out(found, {device.id for device in found.show.devices}, capture))
    if found.stats:
        return tuple(
            _member(_counted_name(device, found), device.errors, capture, missing=device.missing, target=at_target)
            for device in found.stats
            for at_target in [not device.missing and device.path in filled]
        )
    return _left_out(found, set(), capture)


def _counted_name(device: Counted, found: Readings) -> str:
    """A missing device has only its number; the text of the counters leaves even that out."""
    if not device.missing:
        return printable(device.path)
    if device.devid is not None:
        return f"devid {device.devid}"
    gone = found.sysfs.missing if found.sysfs is not None else None
    return f"devid {gone[0]}" if gone is not None and len(gone) == 1 else "missing device"


def _left_out(found: Readings, listed: set[int], capture: Capture) -> tuple[Member, ...]:
    """The devices that only sysfs tells of, by number."""
    if found.sysfs is None:
        return ()
    return tuple(
        _member(
            f"devid {devid}",
            found.sysfs.errors(devid),
            capture,
            missing=files.get("missing") == "1",
            target=devid == 0 or files.get("replace_target") == "1",
        )
        for devid, files in sorted(found.sysfs.devices.items())
        if devid not in listed and "missing" in files
    )


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
        if limit.isdecimal()
    )


def _notes(profiles: dict[str, set[str]], full: int | None) -> tuple[str, ...]:
    """What a person should know of the profiles, above all why redundancy is lacking though every device is there."""
    notes = [
        f"some {kind} chunks are {profile} and survive less than the rest of the filesystem"
        for kind, used in sorted(profiles.items())
        for profile in sorted(used)
        if full is not None and TOLERATED[profile] < full
    ]
    if PARITY & set().union(*profiles.values()):
        notes.append("the manual of mkfs.btrfs calls raid5 and raid6 not ready for production")
    return tuple(notes)
