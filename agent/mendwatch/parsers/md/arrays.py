"""From the lines and files of one md array to the array as the later stages want it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TypeAlias

from mendwatch.model.capture import Capture
from mendwatch.model.names import printable
from mendwatch.model.observation import ActivityKind, Array, Errors, IdKind, LastActivity, LastOutcome, Member, Role
from mendwatch.model.raid10 import left as raid10_left
from mendwatch.model.raid10 import partners as raid10_partners
from mendwatch.parsers.md.activities import activities_of
from mendwatch.parsers.md.mdstat import Entry
from mendwatch.parsers.md.settings import settings_of
from mendwatch.parsers.md.standing import WITHOUT_REDUNDANCY, Standing, standings
from mendwatch.parsers.md.sysfs import Sysfs, number

NO_UUID = frozenset("0:-")
SURVIVES = {"raid4": 1, "raid5": 1, "raid6": 2}
# What a container prints, and an array in one does not: the name of the format, not a path.
CONTAINER = re.compile(r"external:(?![/-]).*")

Copies: TypeAlias = tuple[int, int] | None


def build(entry: Entry, sysfs: Sysfs, capture: Capture, limits: Mapping[str, str]) -> Array | None:
    """The array; None for a container of external metadata, which holds no data, and for one that is being stopped."""
    container = CONTAINER.fullmatch(entry.super_block or "") is not None
    if entry.state == "inactive" and not entry.odd and (container or not entry.members):
        return None
    level = entry.level or _level(sysfs)
    slots = entry.slots or sysfs.number("raid_disks")
    stands = standings(entry, sysfs)
    activities = activities_of(entry, sysfs, stands)
    filled = {name for activity in activities or () for name in activity.fills}
    members = tuple(_member(name, stand, entry, sysfs, filled, capture) for name, stand in stands.items())
    copies = _copies(entry, slots, sysfs)
    full = _full(level, slots, copies)
    left, why = _left(entry, level, slots, sysfs, copies)
    lost = entry.state in {"inactive", "broken"} or (left is not None and left < 0)
    uuid = sysfs.array.get("uuid", "")
    known = bool(uuid) and not set(uuid) <= NO_UUID
    component_kib = sysfs.number("component_size")
    return Array(
        name=printable(entry.name),
        id=uuid if known else printable(entry.name),
        id_kind=IdKind.ARRAY_UUID if known else IdKind.NAME,
        system="md",
        level=level,
        state=entry.state,
        redundancy_full=full,
        redundancy_left=left,
        why_unknown=why,
        spares_free=sum(member.role is Role.SPARE for member in members),
        data_errors=None,
        members=members,
        activities=activities,
        last_activity=_last(sysfs, entry),
        lost=lost,
        slots=slots,
        member_bytes=component_kib * 1024 if component_kib is not None else None,
        settings=settings_of(sysfs, limits, activities or ()),
        notes=_notes(entry, level, slots, sysfs, left, copies),
        device=printable(entry.name),
    )


def _level(sysfs: Sysfs) -> str | None:
    words = sysfs.array.get("level", "").split()
    return words[0] if words else None


def _member(name: str, standing: Standing, entry: Entry, sysfs: Sysfs, filled: set[str], capture: Capture) -> Member:
    files = sysfs.members.get(name, {})
    if standing is Standing.JOURNAL:
        role = Role.JOURNAL
    elif standing is Standing.SPARE and entry.state != "inactive":
        role = Role.SPARE
    else:
        role = Role.DATA
    # A member that is being filled is called a spare, as sysfs does.
    word = "spare" if standing is Standing.TO_FILL else standing.value
    drives = capture.links.get(name)
    errors = number(files, "errors")
    return Member(
        name=printable(name),
        role=role,
        group=None,
        drive=drives[0] if drives else None,
        state=files.get("state") or word,
        good=standing is Standing.IN_SYNC and entry.state == "active",
        rebuilding=printable(name) in filled,
        errors=Errors(read=errors) if errors is not None else None,
    )


def _full(level: str | None, slots: int | None, copies: Copies) -> int | None:
    if level in WITHOUT_REDUNDANCY:
        return 0
    if level in SURVIVES:
        return SURVIVES[level]
    if slots is None:
        return None
    if level in {"raid1", "multipath"}:
        return slots - 1
    if level == "raid10" and copies is not None:
        return raid10_left([True] * slots, *copies)
    return None


def _copies(entry: Entry, slots: int | None, sysfs: Sysfs) -> Copies:
    """Near and far copies of a raid10, as printed or by its layout; None where neither was read, or cannot be so."""
    told = _by_layout(sysfs.number("layout"))
    if entry.near is not None and entry.far is not None:
        told = entry.near, entry.far
    # No array runs with fewer copies than one, or with more than it has slots (setup_conf in raid10.c).
    return told if told is not None and 1 <= told[0] * told[1] <= (slots or 0) else None


def _by_layout(layout: int | None) -> Copies:
    """Bits 0-7 and 8-15 of the layout (setup_geo in raid10.c)."""
    return None if layout is None else (layout & 0xFF, (layout >> 8) & 0xFF)


def _left(
    entry: Entry, level: str | None, slots: int | None, sysfs: Sysfs, copies: Copies
) -> tuple[int | None, str | None]:
    """Redundancy left, and why not if it is not known: the lowest of all that this poll says."""
    if entry.odd:
        return None, "its line in /proc/mdstat is not understood"
    if entry.state == "inactive":
        return None, "the array is inactive"
    left, why = _counted(entry, level, slots, sysfs, copies)
    if entry.state == "broken" or sysfs.array.get("array_state") == "broken":
        return min(-1, left if left is not None else -1), None
    return left, why


def _counted(
    entry: Entry, level: str | None, slots: int | None, sysfs: Sysfs, copies: Copies
) -> tuple[int | None, str | None]:
    if not entry.whole or (entry.word is None and level not in WITHOUT_REDUNDANCY):
        # Sysfs alone may be a moment ahead: its word is taken only beside the text's.
        return None, "its lines in /proc/mdstat are cut short"
    if level in WITHOUT_REDUNDANCY:
        return 0, None
    if level == "raid10":
        return _counted_raid10(entry, slots, sysfs, copies)
    missing = _missing(entry, slots, sysfs)
    if level in SURVIVES:
        return SURVIVES[level] - missing, None
    if level in {"raid1", "multipath"} and slots is not None:
        return slots - 1 - missing, None
    return None, f"the level {level} is not known"


def _counted_raid10(entry: Entry, slots: int | None, sysfs: Sysfs, copies: Copies) -> tuple[int | None, str | None]:
    in_sync = _in_sync(entry, slots, sysfs)
    if in_sync is None:
        return None, "which slots are in sync was not read"
    if copies is None:
        return None, "how many copies it keeps was not read"
    if not _reshapes(entry, sysfs) and _missing(entry, slots, sysfs) > in_sync.count(False):
        return None, "which slots are in sync is told in two ways"
    if (entry.gap or _reshapes(entry, sysfs)) and not all(in_sync):
        return _in_both_geometries(in_sync, copies, sysfs)
    return raid10_left(in_sync, *copies), None


def _in_both_geometries(in_sync: list[bool], copies: tuple[int, int], sysfs: Sysfs) -> tuple[int | None, str | None]:
    """While a raid10 is reshaped, a loss must be survived by the new geometry and the old (enough() in raid10.c)."""
    slots, old = sysfs.before("raid_disks"), _by_layout(sysfs.before("layout"))
    if slots is None or old is None or slots > len(in_sync):
        return None, "a reshape moves the copies, or what runs was not read"
    return min(raid10_left(in_sync, *copies), raid10_left(in_sync[:slots], *old)), None


def _missing(entry: Entry, slots: int | None, sysfs: Sysfs) -> int:
    """Slots without a member in sync: the highest of the three places that say so.

    The members' own states are ahead of the count in ``[n/m]`` and ``degraded``, which lag an unplugged drive by
    some seconds; the count is ahead of them where a state was read a moment later, after a rebuild had ended.
    """
    told: list[int] = []
    degraded = sysfs.number("degraded")
    if degraded is not None:
        told.append(degraded)
    if entry.slots is not None and entry.good is not None:
        told.append(entry.slots - entry.good)
    if entry.word is not None and not _reshapes(entry, sysfs):
        told.append(entry.word.count("_"))
    held = _held_at_most(entry, sysfs)
    if slots is not None and held is not None:
        told.append(slots - held)
    return max(told, default=0)


def _held_at_most(entry: Entry, sysfs: Sysfs) -> int | None:
    """How many slots can have a member in sync: those that say so, and those that neither say so nor carry a flag."""
    if _reshapes(entry, sysfs):
        return None
    told = {name for name, files in sysfs.members.items() if {"state", "slot"} <= set(files)}
    in_sync = {name for name in told if _in_sync_by_itself(name, sysfs)}
    listed = {member.name for member in entry.members}
    silent = sum(member.flags in {"", "(W)"} for member in entry.members if member.name not in told)
    # One that sysfs tells of and the text does not may be one that the text lists and sysfs does not tell of.
    silent = max(0, silent - len(told - in_sync - listed))
    return silent + len({number(sysfs.members[name], "slot") for name in in_sync & listed})


def _in_sync_by_itself(name: str, sysfs: Sysfs) -> bool:
    states = sysfs.states(name)
    return number(sysfs.members[name], "slot") is not None and "in_sync" in states and "faulty" not in states


def _reshapes(entry: Entry, sysfs: Sysfs) -> bool:
    """Whether the number of slots may be changing, so that members and slots belong to two geometries."""
    return entry.reshapes or sysfs.array.get("sync_action") == "reshape"


def _held_slots(entry: Entry, sysfs: Sysfs) -> set[int | None] | None:
    """The slots with a member in sync by the members' own states; None unless every listed member told its own."""
    names = [listed.name for listed in entry.members]
    told = all({"state", "slot"} <= set(sysfs.members.get(name, {})) for name in names)
    if _reshapes(entry, sysfs) or not names or not told:
        return None
    return {number(sysfs.members[name], "slot") for name in names if _in_sync_by_itself(name, sysfs)}


def _in_sync(entry: Entry, slots: int | None, sysfs: Sysfs) -> list[bool] | None:
    """Which slots have a member in sync, in their order; a slot counts only if every reading that tells says so."""
    if entry.word is None or (slots is not None and len(entry.word) != slots):
        return None
    held = _held_slots(entry, sysfs)
    return [char == "U" and (held is None or slot in held) for slot, char in enumerate(entry.word)]


def _notes(
    entry: Entry, level: str | None, slots: int | None, sysfs: Sysfs, left: int | None, copies: Copies
) -> tuple[str, ...]:
    """The raid10 members whose loss would now lose data: by name, where sysfs tells who holds the slot."""
    in_sync = _in_sync(entry, slots, sysfs)
    if level != "raid10" or left != 0 or in_sync is None or copies is None or _reshapes(entry, sysfs):
        return ()
    listed = {member.name for member in entry.members}
    names = {
        number(files, "slot"): printable(name)
        for name, files in sysfs.members.items()
        if name in listed and _in_sync_by_itself(name, sysfs)
    }
    alone = [names.get(slot, f"the member in slot {slot}") for slot in raid10_partners(in_sync, *copies)]
    return (f"the only copy of a part of the data is on {', '.join(alone)}",) if alone else ()


def _last(sysfs: Sysfs, entry: Entry) -> LastActivity | None:
    """Its memory holds what it last did, not how it came out: told only where everything listed is in sync now."""
    word = sysfs.array.get("last_sync_action", "none")
    idle = sysfs.array.get("sync_action") == "idle" and entry.progress is None
    in_sync = all("in_sync" in sysfs.states(listed.name) for listed in entry.members)
    if not idle or not word.startswith("recover") or sysfs.number("degraded") != 0 or not in_sync:
        return None
    return LastActivity(ActivityKind.REBUILD, word, LastOutcome.FINISHED)
