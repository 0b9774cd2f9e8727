"""btrfs: ``replace status``, ``device stats``, ``filesystem show`` and ``usage``, and what sysfs tells without root.

Redundancy is counted by chunks: the weakest profile in use, less the missing devices (tolerated failures from
btrfs_raid_array in the kernel's volumes.c). A replace counts its position on the device, not the share of the data, so
it ends where the allocation ends.
"""

from __future__ import annotations

import re
from itertools import chain

from mendwatch.model.capture import Capture, CommandRead, FileRead, Read
from mendwatch.model.observation import Array, Errors, IdKind, Member, Observation, Role, Unread
from mendwatch.model.plugin import Command, File, Files, Want
from mendwatch.parsers.btrfs import readings
from mendwatch.parsers.btrfs.activities import activities_of, last_of
from mendwatch.parsers.btrfs.readings import UNLOCATED, Readings

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
MOUNTS = "/proc/self/mountinfo"
SYSFS = "/sys/fs/btrfs/"
SYSFS_FILES = (
    "label",
    "exclusive_operation",
    "devinfo/*/missing",
    "devinfo/*/replace_target",
    "devinfo/*/error_stats",
    "devinfo/*/scrub_speed_max",
    "allocation/data/*/total_bytes",
    "allocation/metadata/*/total_bytes",
    "allocation/system/*/total_bytes",
)
MOUNT = re.compile(r"\d+ \d+ \S+ (?P<root>\S+) (?P<place>\S+) .* - btrfs (?P<device>\S+) .*")
ESCAPED = re.compile(r"\\(\d{3})")


class BtrfsParser:
    """The filesystems that are mounted."""

    name = "btrfs"
    program = "btrfs"
    present_if = (f"{SYSFS}*-*",)

    def wants(self, reads: tuple[Read, ...]) -> tuple[Want, ...]:
        """What the kernel tells everyone, then the tool's word on each mounted filesystem."""
        if not reads:
            return (File(MOUNTS), *(Files(f"{SYSFS}*-*/{name}") for name in SYSFS_FILES))
        if any(isinstance(read, CommandRead) for read in reads):
            return ()
        mounts = _mounts(reads)
        balancing = any(
            isinstance(r, FileRead) and r.path.endswith("exclusive_operation") and "balance" in (r.text or "")
            for r in reads
        )
        commands = [
            ("btrfs", "replace", "status", "-1"),
            ("btrfs", "device", "stats"),
            ("btrfs", "filesystem", "show", "--raw"),
            ("btrfs", "filesystem", "usage", "-b"),
            ("btrfs", "scrub", "status"),
            *([("btrfs", "balance", "status")] if balancing else []),
        ]
        return tuple(Command((*argv, mount)) for mount in mounts for argv in commands)

    def parse(self, capture: Capture) -> Observation:
        """Understand one capture."""
        found = _gather(capture)
        arrays = tuple(_array(one, capture) for one in found)
        unread: tuple[Unread, ...] = tuple(chain.from_iterable(one.unread for one in found))
        complete = any(read.path.endswith(MOUNTS) and read.text is not None for read in capture.files())
        error = None
        if not arrays and not complete:
            failed = [_why(read) for read in capture.commands() if read.exit != 0]
            error = failed[0] if failed else "no reading of a btrfs filesystem in this poll"
        return Observation(capture.at, capture.source, arrays, unread, error, complete and error is None)


def _mounts(reads: tuple[Read, ...]) -> tuple[str, ...]:
    """One mount point for each filesystem, by its device; the one nearest the root of the filesystem."""
    places: dict[str, str] = {}
    for read in reads:
        if not isinstance(read, FileRead) or not read.path.endswith(MOUNTS):
            continue
        for line in (read.text or "").splitlines():
            match = MOUNT.fullmatch(line)
            if match is not None:
                place = ESCAPED.sub(lambda code: chr(int(code[1], 8)), match["place"])
                places.setdefault(match["device"], place)
    return tuple(places.values())


def _gather(capture: Capture) -> list[Readings]:
    """The readings of each filesystem: commands by mount point, sysfs by UUID."""
    by_mount: dict[str, Readings] = {}
    for read in capture.commands():
        mount = read.argv[-1] if read.argv else ""
        words = [word for word in read.argv[1:-1] if not word.startswith("-") and word != "json"]
        if not read.argv or read.argv[0].rpartition("/")[2] != "btrfs" or not mount.startswith("/"):
            continue
        found = by_mount.setdefault(mount, Readings(mount=mount))
        _take(found, tuple(words), read)
    by_uuid = {found.uuid: found for found in by_mount.values() if found.uuid}
    for file in capture.files():
        _, place, rest = file.path.partition(SYSFS)
        uuid, _, name = rest.partition("/")
        if place and name and file.text is not None:
            by_uuid.setdefault(uuid, Readings(uuid=uuid)).sysfs[name] = file.text.strip()
    told = [found for found in by_mount.values() if found.uuid is None and _said_anything(found)]
    return [*by_uuid.values(), *told]


def _said_anything(found: Readings) -> bool:
    return found.replace is not None or bool(found.stats) or bool(found.profiles)


def _take(found: Readings, words: tuple[str, ...], read: CommandRead) -> None:
    # A running balance answers with 1; error counters are printed whatever the exit code says of them.
    answered = words[:2] == ("balance", "status") or (words[:2] == ("device", "stats") and bool(read.stdout.strip()))
    if read.exit is None or (read.exit != 0 and not answered):
        found.failed.append(_why(read))
        return
    match words[:2]:
        case ("replace", "status"):
            found.replace = read.stdout
        case ("device", "stats"):
            readings.take_stats(found, read.stdout)
        case ("filesystem", "show"):
            found.devices.clear()
            readings.take_show(found, read.stdout)
        case ("filesystem", "usage"):
            readings.take_usage(found, read.stdout)
        case ("device", "usage"):
            readings.take_device_usage(found, read.stdout)
        case ("balance", "status"):
            found.balance = read.stdout
        case ("scrub", "status") if "-R" not in read.argv:
            found.scrub = read.stdout
        case _:
            pass


def _why(read: CommandRead) -> str:
    said = read.error or next(iter(read.stderr.strip().splitlines()), f"ended with {read.exit}")
    return f"{' '.join(read.argv[:3])}: {said}"


def _array(found: Readings, capture: Capture) -> Array:
    missing = _missing(found)
    profiles = _profiles(found)
    used = set(chain.from_iterable(profiles.values()))
    full = min((TOLERATED[p] for p in used if p in TOLERATED), default=None)
    unknown = sorted(used - set(TOLERATED))
    left = full - missing if full is not None and missing is not None and not unknown else None
    operation = found.sysfs.get("exclusive_operation")
    data = sorted(profiles.get("Data", ()))
    present = [device for device in found.devices if device.id != 0]
    label = found.label or found.sysfs.get("label") or None
    sizes = [device.size for device in found.devices if device.size]
    return Array(
        name=_clean(label or found.mount or found.uuid or "btrfs"),
        id=found.uuid or found.mount or "btrfs",
        id_kind=IdKind.FILESYSTEM_UUID if found.uuid else IdKind.NAME,
        system="btrfs",
        level="+".join(data) or None,
        state="degraded" if missing else "ok",
        redundancy_full=full,
        redundancy_left=left,
        why_unknown=None if left is not None else _why_unknown(found, unknown),
        spares_free=0,
        data_errors=None,
        members=_members(found, capture),
        activities=activities_of(found, operation, missing=bool(missing)),
        last_activity=last_of(found, capture.at, capture.zone),
        lost=left is not None and left < 0,
        slots=len(present) or None,
        member_bytes=max(sizes, default=None),
        aliases=(_clean(found.mount),) if found.mount else (),
    )


def _missing(found: Readings) -> int | None:
    """How many devices are missing, None if this poll does not tell."""
    told: list[int] = []
    flags = [text for name, text in found.sysfs.items() if name.endswith("/missing")]
    if flags:
        told.append(sum(flag == "1" for flag in flags))
    if found.shown:
        told.append(max(sum(device.missing for device in found.devices), int(found.some_missing)))
    if found.missing_bytes is not None:
        told.append(int(found.missing_bytes > 0))
    if not told and found.stats:
        told.append(sum(path in UNLOCATED or path.startswith("devid:") for path in found.stats))
    return max(told, default=None)


def _profiles(found: Readings) -> dict[str, set[str]]:
    """The profiles in use by kind of chunk, from the tool or from the names of the folders in sysfs."""
    if found.profiles:
        return found.profiles
    told: dict[str, set[str]] = {}
    for name in found.sysfs:
        match = re.fullmatch(r"allocation/(data|metadata|system)/(\w+)/total_bytes", name)
        if match is not None and found.sysfs[name] != "0":
            told.setdefault(match[1].capitalize(), set()).add(match[2])
    return told


def _why_unknown(found: Readings, unknown: list[str]) -> str:
    if unknown:
        return f"the profile {', '.join(unknown)} is not known"
    return found.failed[0] if found.failed else "this poll did not read the profiles and the devices"


def _members(found: Readings, capture: Capture) -> tuple[Member, ...]:
    """The devices as listed; the error counters alone do not tell which of them is the target of a replace."""
    members: list[Member] = []
    for device in found.devices:
        state = "target" if device.id == 0 else "missing" if device.missing else "ok"
        name = f"devid {device.id}" if device.missing else _clean(device.path)
        members.append(_member(name, state, found.stats.get(device.path), capture))
    return tuple(members)


def _member(name: str, state: str, errors: Errors | None, capture: Capture) -> Member:
    drives = capture.links.get(name)
    drive = drives[0] if drives else None
    return Member(name, Role.DATA, None, drive, state, state == "ok", state == "target", errors)


def _clean(name: str) -> str:
    return "".join(char if char.isprintable() else "?" for char in name)


PARSER = BtrfsParser()
