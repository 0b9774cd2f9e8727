"""From the lines and files of one md array to the array as the later stages want it."""

from __future__ import annotations

from mendwatch.model.capture import Capture
from mendwatch.model.observation import Array, Errors, IdKind, LastActivity, LastOutcome, Member, Role
from mendwatch.model.raid10 import left as raid10_left
from mendwatch.model.raid10 import partners as raid10_partners
from mendwatch.parsers.md.activities import activities_of, kind_of
from mendwatch.parsers.md.mdstat import Entry
from mendwatch.parsers.md.settings import settings_of
from mendwatch.parsers.md.sysfs import Sysfs, number

NO_UUID = frozenset("0:-")
SURVIVES = {"raid4": 1, "raid5": 1, "raid6": 2}
NONE_TO_LOSE = frozenset({"linear", "raid0", "faulty"})
DEFAULT_RAID10_LAYOUT = 0x102


def build(entry: Entry, sysfs: Sysfs, capture: Capture) -> Array | None:
    """The array, None for a container of external metadata, which holds no data of its own."""
    if entry.super_block is not None and entry.super_block.startswith("external:") and entry.state == "inactive":
        return None
    level = entry.level or _level(sysfs)
    slots = entry.slots or sysfs.number("raid_disks")
    activities = activities_of(entry, sysfs)
    filled = {name for activity in activities for name in activity.fills}
    members = tuple(_member(listed.name, listed.flags, entry, sysfs, filled, capture) for listed in entry.members)
    full = _full(level, slots, sysfs)
    left, why = _left(entry, level, slots, sysfs, members)
    lost = entry.state != "active" or sysfs.array.get("array_state") == "broken" or (left is not None and left < 0)
    if entry.state == "inactive" and not entry.members:
        lost = False
    uuid = sysfs.array.get("uuid", "")
    known = bool(uuid) and not set(uuid) <= NO_UUID
    component_kib = sysfs.number("component_size")
    return Array(
        name=entry.name,
        id=uuid if known else entry.name,
        id_kind=IdKind.ARRAY_UUID if known else IdKind.NAME,
        system="md",
        level=level,
        state=entry.state,
        redundancy_full=full,
        redundancy_left=left,
        why_unknown=why,
        spares_free=sum(member.role is Role.SPARE and "faulty" not in member.state for member in members),
        data_errors=None,
        members=members,
        activities=activities,
        last_activity=_last(sysfs, entry),
        lost=lost,
        slots=slots,
        member_bytes=component_kib * 1024 if component_kib is not None else None,
        settings=settings_of(sysfs, capture),
        notes=_notes(level, slots, sysfs, members, left),
        device=entry.name,
    )


def _level(sysfs: Sysfs) -> str | None:
    words = sysfs.array.get("level", "").split()
    return words[0] if words else None


def _member(
    name: str, flags: str, entry: Entry, sysfs: Sysfs, filled: set[str], capture: Capture
) -> Member:
    states = sysfs.states(name)
    faulty = "(F)" in flags or "faulty" in states
    files = sysfs.members.get(name, {})
    slot = files.get("slot")
    if "(J)" in flags or "journal" in states:
        role = Role.JOURNAL
    elif "(S)" in flags and entry.state != "inactive" and name not in filled:
        role = Role.SPARE
    else:
        role = Role.DATA
    if states:
        good = "in_sync" in states and not faulty
        state = files["state"]
    else:
        # By mdstat alone: whoever holds a slot and is not being filled is in sync.
        good = not faulty and name not in filled and "(R)" not in flags and entry.state == "active"
        state = "faulty" if faulty else "spare" if role is Role.SPARE or name in filled else "in_sync"
    drives = capture.links.get(name)
    errors = number(files, "errors")
    return Member(
        name=name,
        role=role,
        group=None,
        drive=drives[0] if drives else None,
        state=state,
        good=good and role is Role.DATA and slot != "none",
        rebuilding=name in filled,
        errors=Errors(read=errors) if errors is not None else None,
    )


def _full(level: str | None, slots: int | None, sysfs: Sysfs) -> int | None:
    if level in NONE_TO_LOSE:
        return 0
    if level in SURVIVES:
        return SURVIVES[level]
    if slots is None:
        return None
    if level in {"raid1", "multipath"}:
        return slots - 1
    if level == "raid10":
        near, far = _copies(sysfs)
        return raid10_left([True] * slots, near, far)
    return None


def _copies(sysfs: Sysfs) -> tuple[int, int]:
    """Near and far copies of a raid10 (bits 0-7 and 8-15 of its layout)."""
    layout = sysfs.number("layout")
    layout = DEFAULT_RAID10_LAYOUT if layout is None else layout
    return layout & 0xFF, (layout >> 8) & 0xFF


def _left(
    entry: Entry, level: str | None, slots: int | None, sysfs: Sysfs, members: tuple[Member, ...]
) -> tuple[int | None, str | None]:
    """Redundancy left, and why not if it is not known: the lowest of all that this poll says."""
    if entry.state == "inactive":
        return None, "the array is inactive"
    if entry.state == "broken" or sysfs.array.get("array_state") == "broken":
        return -1, None
    if level in NONE_TO_LOSE:
        return 0, None
    if not entry.whole and "degraded" not in sysfs.array:
        return None, "its lines in /proc/mdstat are cut short"
    if level == "raid10":
        return _raid10(entry, slots, sysfs)
    missing = _missing(entry, slots, sysfs, members)
    if missing is None:
        return None, "neither the slots nor the degraded count were read"
    if level in SURVIVES:
        return SURVIVES[level] - missing, None
    if level in {"raid1", "multipath"} and slots is not None:
        return slots - 1 - missing, None
    return None, f"the level {level} is not known"


def _missing(entry: Entry, slots: int | None, sysfs: Sysfs, members: tuple[Member, ...]) -> int | None:
    """Slots without a member in sync: the highest of the three places that say so."""
    told: list[int] = []
    degraded = sysfs.number("degraded")
    if degraded is not None:
        told.append(degraded)
    if entry.slots is not None and entry.good is not None:
        told.append(entry.slots - entry.good)
    if slots is not None and sysfs.members and not any(m.state == "" for m in members):
        held = {sysfs.members[m.name]["slot"] for m in members if m.good and "slot" in sysfs.members.get(m.name, {})}
        # While the number of slots changes, members and slots belong to two geometries.
        if held and entry.progress is not None and entry.progress.word != "reshape":
            told.append(slots - len(held))
    return max(told, default=None)


def _raid10(entry: Entry, slots: int | None, sysfs: Sysfs) -> tuple[int | None, str | None]:
    in_sync = _in_sync(entry, slots, sysfs)
    if in_sync is None:
        return None, "which slots are in sync was not read"
    near, far = _copies(sysfs)
    return raid10_left(in_sync, near, far), None


def _in_sync(entry: Entry, slots: int | None, sysfs: Sysfs) -> list[bool] | None:
    """Which slots have a member in sync, in their order; a slot counts only if every source that tells says so."""
    word = entry.word
    if word is None:
        return None
    in_sync = [char == "U" for char in word]
    for name, files in sysfs.members.items():
        slot = number(files, "slot")
        if slot is None or slot >= len(in_sync) or "replacement" in sysfs.states(name):
            continue
        if "faulty" in sysfs.states(name):
            in_sync[slot] = False
    return in_sync if slots is None or len(in_sync) == slots else None


def _notes(
    level: str | None, slots: int | None, sysfs: Sysfs, members: tuple[Member, ...], left: int | None
) -> tuple[str, ...]:
    """The raid10 members whose loss would now lose data, by name."""
    if level != "raid10" or left != 0 or slots is None:
        return ()
    by_slot = {number(files, "slot"): name for name, files in sysfs.members.items()}
    good = {member.name for member in members if member.good}
    in_sync = [by_slot.get(slot) in good for slot in range(slots)]
    near, far = _copies(sysfs)
    names = [by_slot[slot] for slot in raid10_partners(in_sync, near, far) if slot in by_slot]
    return (f"the only copy of a part of the data is on {', '.join(names)}",) if names else ()


def _last(sysfs: Sysfs, entry: Entry) -> LastActivity | None:
    """Its memory holds what it last did, not how it came out: told only where nothing is missing afterwards."""
    word = sysfs.array.get("last_sync_action", "none")
    idle = sysfs.array.get("sync_action") == "idle" and entry.progress is None
    if not idle or word in {"idle", "none", ""} or sysfs.number("degraded") != 0:
        return None
    kind = kind_of(word)
    return LastActivity(kind, word, LastOutcome.FINISHED) if kind is not None and word.startswith("recover") else None
