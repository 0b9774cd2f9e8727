"""How many further losses a btrfs filesystem survives: its weakest chunks count, less what is missing of them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from mendwatch.model.names import printable
from mendwatch.parsers.btrfs.chunks import PARITY, Chunks, holding
from mendwatch.parsers.btrfs.readings import Readings
from mendwatch.parsers.btrfs.text import LOST

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
SHOW = "filesystem show"


@dataclass(frozen=True, slots=True)
class Redundancy:
    """What is left of how much, and why that is not known."""

    full: int | None = None
    left: int | None = None
    why_unknown: str | None = None


@dataclass(frozen=True, slots=True)
class Missing:
    """How many devices are missing; ``exact`` if that is all of them, at least so many if not."""

    count: int
    exact: bool


def missing_of(found: Readings) -> Missing:
    """How many devices are missing: the most that any reading says.

    Sysfs is asked last: a device that was missing when it was removed may stand there still.
    """
    told: list[int] = []
    at_least = 0
    if found.show is not None:
        at_least = found.show.missing
        if found.show.whole:
            told.append(found.show.missing)
    if found.stats is not None:
        told.append(sum(device.missing for device in found.stats))
    listings = (one.missing for one in (found.usage, found.device_usage) if one is not None)
    told += [missing for missing in listings if missing is not None]
    if found.usage is not None and found.usage.missing_bytes:
        at_least = max(at_least, 1)
    gone = gone_by_sysfs(found)
    if gone is not None:
        told.append(len(gone))
    # A device that goes while it is mounted keeps its path everywhere but there.
    listed = found.show.whole if found.show is not None else gone is not None or SHOW not in found.asked
    exact = bool(told) and listed
    return Missing(max([*told, at_least]), exact=exact)


def gone_by_sysfs(found: Readings) -> tuple[int, ...] | None:
    """The devids that sysfs calls missing, of those that the filesystem has; None if it does not tell."""
    if found.sysfs is None or found.sysfs.missing is None:
        return None
    listed = devids(found)
    if listed is None or not set(found.sysfs.there) <= listed:
        return found.sysfs.missing  # a listing that lacks devices which are there was cut short
    return tuple(devid for devid in found.sysfs.missing if devid in listed)


def devids(found: Readings) -> set[int] | None:
    """The devices that the filesystem has by number, None if no reading lists them all."""
    for one in (found.device_usage, found.usage):
        if one is not None and one.numbered and one.missing is not None:
            return {devid for devid, _ in one.numbered}
    show = found.show
    return {device.id for device in show.devices} if show is not None and len(show.devices) == show.total else None


def chunks_of(found: Readings) -> list[Chunks]:
    """The chunks by the best reading that is whole; empty if there is none.

    ``device usage`` does not tell what is in them: that is filled in from what sysfs says.
    """
    sysfs = found.sysfs.chunks if found.sysfs is not None else []
    for one in (found.usage, found.df):
        if one is not None and one.whole:
            return one.chunks
    if found.device_usage is not None and found.device_usage.whole:
        used = {(chunks.kind, chunks.profile): chunks.used_bytes for chunks in sysfs}
        return [
            Chunks(one.kind, one.profile, one.size_bytes, used.get((one.kind, one.profile)), one.held)
            for one in found.device_usage.chunks
        ]
    # A filesystem without metadata or system chunks was not read whole.
    return sysfs if {"metadata", "system"} <= {kind for one in sysfs for kind in one.kind.split("+")} else []


def profiles_of(chunks: Iterable[Chunks]) -> dict[str, set[str]]:
    """The profiles by kind of chunk, in lower case; chunks of data and metadata count as both."""
    profiles: dict[str, set[str]] = {}
    for one in chunks:
        for kind in one.kind.split("+"):
            if one.size_bytes:
                profiles.setdefault(kind, set()).add(one.profile)
    return profiles


def redundancy_of(found: Readings, missing: Missing) -> Redundancy:
    """The weakest of all chunks, less the missing devices that hold a part of it."""
    chunks = chunks_of(found)
    profiles = profiles_of(chunks)
    used = set().union(*profiles.values())
    unknown = sorted(used - set(TOLERATED))
    if unknown:
        return Redundancy(why_unknown=printable(f"the profile {', '.join(unknown)} is not known"))
    if not used:
        return Redundancy(why_unknown=_why(found, "this poll did not read the profiles"))
    full = _full(profiles)
    if not missing.exact:
        why = "how many devices are missing is not told" if missing.count else "this poll did not read the devices"
        return Redundancy(full, None, _why(found, why))
    if _may_be_empty(chunks):
        return Redundancy(full, None, _why(found, "which chunks hold something is not told"))
    weakest = min(TOLERATED[one.profile] for one in holding(chunks))
    if missing.count == 0:
        return Redundancy(full, weakest)
    by_chunks = _left_by_chunks(found, chunks)
    if by_chunks is not None:
        return Redundancy(full, by_chunks)
    if weakest == 0:
        # Chunks of a single copy may have been written after the loss, by the devices that are there.
        return Redundancy(full, None, _why(found, "which chunks the missing devices hold is not told"))
    return Redundancy(full, weakest - missing.count)


def notes_of(found: Readings, full: int | None) -> tuple[str, ...]:
    """What a person should know of the profiles, above all why redundancy is lacking though every device is there."""
    chunks = chunks_of(found)
    profiles = profiles_of(holding(chunks)) if not _may_be_empty(chunks) else {}
    notes = [
        f"some {kind} chunks are {profile} and survive less than the rest of the filesystem"
        for kind, used in sorted(profiles.items())
        for profile in sorted(used)
        if full is not None and TOLERATED[profile] < full
    ]
    if PARITY & set().union(*profiles_of(chunks).values()):
        notes.append("the manual of mkfs.btrfs calls raid5 and raid6 not ready for production")
    return tuple(notes)


def _full(profiles: dict[str, set[str]]) -> int:
    """What the filesystem survives when all is well: its weakest kind of chunk, each by the best of its profiles.

    With too few devices left to write to, the kernel makes chunks of a weaker profile (btrfs_reduce_alloc_profile), and
    they stay so after the replacement: redundancy that is lacking, not a layout that somebody chose. System chunks are
    made with the profile of the metadata, and are judged with them.
    """
    kinds = (profiles.get("data", set()), profiles.get("metadata", set()) | profiles.get("system", set()))
    return min(max(TOLERATED[profile] for profile in used) for used in kinds if used)


def _may_be_empty(chunks: list[Chunks]) -> bool:
    """Whether chunks that survive less than others of their kind may hold nothing, which changes what is left."""
    unsaid = {one.kind for one in chunks if one.size_bytes and one.used_bytes is None}
    return any(
        len({TOLERATED.get(one.profile) for one in chunks if one.size_bytes and one.kind == kind}) > 1
        for kind in unsaid
    )


def _left_by_chunks(found: Readings, chunks: list[Chunks]) -> int | None:
    """The least that any kind of chunk has left; None where the output does not tell what missing devices hold."""
    gone = set(LOST)
    if found.show is not None:
        gone |= {device.path for device in found.show.devices if device.missing}
    there = holding(chunks)
    lost = [sum(path in gone for path, _ in one.held) for one in there]
    if not any(lost):
        return None
    return min(TOLERATED[one.profile] - count for one, count in zip(there, lost, strict=True))


def _why(found: Readings, otherwise: str) -> str:
    return printable(found.failed[0]) if found.failed else otherwise
