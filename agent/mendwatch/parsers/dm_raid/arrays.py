"""From a raid volume, and what else a poll knows of it, to the array as the later stages want it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from mendwatch.model.capture import Capture
from mendwatch.model.names import printable
from mendwatch.model.observation import Activity, ActivityKind, Array, IdKind, Member, Role, Setting
from mendwatch.model.raid10 import partners as raid10_partners
from mendwatch.parsers.dm_raid.volume import MEANING, Volume, number

SECTOR_BYTES = 512
KINDS = {
    "recover": ActivityKind.REBUILD,
    "resync": ActivityKind.RESYNC,
    "check": ActivityKind.CHECK,
    "repair": ActivityKind.RESYNC,
    "reshape": ActivityKind.RESHAPE,
}
STILL = {"frozen": "sync action is frozen", "idle": "sync action is idle with a leg that is not in sync"}
# The kernel's md.c; a leg of a volume without limits of its own is held to these.
DEFAULTS = {"min": 1000, "max": 200000}
SYNCING = {
    "reshape": "reshaping: no leg reads as in sync before it ends",
    "": "initial sync, redundancy not complete: the legs are not in sync with each other yet",
}


@dataclass(frozen=True, slots=True)
class Known:
    """What a poll knows of one volume besides its letters.

    Attributes:
        legs: the members' names, in slot order.
        drives: the disks that a report names behind them.
        copies: near and far, of a raid10.
        own_limits: the volume's recovery limits by name; None if no reading tells whether it has any.
        system_limits: those that hold where it has none.
        remarks: what a report says of its health; None if the poll holds no report.
        why_unknown: why the redundancy is not known although letters are.
        partial: the poll was not asked for more.
        layout_told: False if the table, which tells where the copies of a raid10 lie, was asked for and did not.
    """

    name: str
    id: str
    id_kind: IdKind
    legs: tuple[str, ...]
    drives: Mapping[str, str] = field(default_factory=dict)
    copies: tuple[int, int] = (2, 1)
    own_limits: Mapping[str, str] | None = None
    system_limits: Mapping[str, str] = field(default_factory=dict)
    device: str | None = None
    suspended: bool = False
    remarks: tuple[str, ...] | None = None
    why_unknown: str | None = None
    partial: bool = False
    layout_told: bool = True


def build(volume: Volume, known: Known, capture: Capture) -> Array:
    """One array."""
    left, why = volume.left(known.copies)
    if volume.type == "raid10" and not known.layout_told:
        left, why = None, "dmsetup table does not tell where its copies lie"
    if left is None and known.why_unknown is not None:
        why = known.why_unknown
    lost = left is not None and left < 0
    legs = tuple(printable(leg) for leg in known.legs)
    fills = tuple(leg for leg, filled in zip(legs, volume.to_fill, strict=True) if filled)
    return Array(
        name=printable(known.name),
        id=printable(known.id),
        id_kind=known.id_kind,
        system="dm-raid",
        level=volume.level or None,
        state="failed" if lost else "unknown" if left is None else "ok" if all(volume.counts) else "degraded",
        redundancy_full=volume.full(known.copies),
        redundancy_left=left,
        why_unknown=why,
        spares_free=None,
        data_errors=None,
        members=tuple(
            _member(leg, letter, known.drives, capture, good=good, filled=leg in fills)
            for leg, letter, good in zip(legs, volume.health, volume.counts, strict=True)
        ),
        activities=_activities(volume, fills, known.copies),
        last_activity=None,
        lost=lost,
        slots=len(volume.health) or None,
        member_bytes=_member_bytes(volume, known.copies),
        settings=_settings(known),
        notes=_notes(volume, known, legs, left),
        remarks=known.remarks,
        device=known.device,
        partial=known.partial and left is None,
    )


def _member(
    leg: str, letter: str, reported: Mapping[str, str], capture: Capture, *, good: bool, filled: bool
) -> Member:
    links = capture.links.get(leg)
    drive = reported.get(leg) if not links else links[0] if len(links) == 1 else None
    return Member(leg, Role.DATA, None, drive, MEANING[letter], good=good, rebuilding=filled)


def _member_bytes(volume: Volume, copies: tuple[int, int]) -> int | None:
    """The size of a leg: what a resync counts, but for a raid10, which counts the sectors of the whole volume."""
    if volume.level != "raid10":
        return volume.total * SECTOR_BYTES if volume.total else None
    if volume.sectors is None or not volume.health:
        return None
    return volume.sectors * copies[0] * copies[1] // len(volume.health) * SECTOR_BYTES


def _activities(volume: Volume, fills: tuple[str, ...], copies: tuple[int, int]) -> tuple[Activity, ...] | None:
    """What runs or is held; None if the text does not name the action, or what it is about to do."""
    kind = KINDS.get(volume.action)
    if kind is not None:
        return (_running(volume, kind, fills, copies),)
    if volume.action not in STILL:
        return None
    if "a" not in volume.health:
        return None if "?" in volume.health else ()
    if not fills:
        return None
    return (
        Activity(
            ActivityKind.REBUILD, "recover", running=False, paused=True, fills=fills, why_held=STILL[volume.action]
        ),
    )


def _running(volume: Volume, kind: ActivityKind, fills: tuple[str, ...], copies: tuple[int, int]) -> Activity:
    rebuild = kind is ActivityKind.REBUILD
    if rebuild and volume.share == 1:
        # It reads full before it begins, and until the legs count: either way that is no progress.
        return Activity(kind, volume.action, running=True, fills=fills)
    return Activity(
        kind=kind,
        word=volume.action,
        running=True,
        done=volume.share,
        done_bytes=volume.done * SECTOR_BYTES if volume.done is not None else None,
        total_bytes=volume.total * SECTOR_BYTES if volume.total is not None else None,
        errors=volume.mismatches if kind is ActivityKind.CHECK else None,
        fills=fills if rebuild else (),
        counters={"position": volume.done} if volume.done is not None else {},
        end_share=_end_share(volume, copies) if rebuild else 1.0,
    )


def _end_share(volume: Volume, copies: tuple[int, int]) -> float | None:
    """A raid10 that recovers counts the sectors of a leg against those of the array (by the code, not seen)."""
    if volume.level != "raid10":
        return 1.0
    share = min(1.0, copies[0] * copies[1] / len(volume.health)) if volume.health else None
    return share if share is not None and volume.share is not None and volume.share <= share else None


def _settings(known: Known) -> tuple[Setting, ...]:
    """The volume's own limits, and those of the system where it is known to have none of its own."""
    if known.own_limits is None:
        return ()
    found: list[Setting] = []
    for end, default in DEFAULTS.items():
        name = f"{end}_recovery_rate"
        value = number(known.own_limits.get(name))
        if not value:
            name, value = f"speed_limit_{end}", number(known.system_limits.get(end))
        if value is not None:
            slows = end == "max" and 0 < value < default
            found.append(Setting(name, f"{value} KiB/s", f"{default} KiB/s", slows))
    return tuple(found)


def _notes(volume: Volume, known: Known, legs: tuple[str, ...], left: int | None) -> tuple[str, ...]:
    notes: list[str] = []
    if volume.whole_set:
        notes.append(SYNCING.get(volume.action, SYNCING[""]))
    if volume.level == "raid10" and left == 0 and not all(volume.counts):
        names = [legs[slot] for slot in raid10_partners(volume.counts, *known.copies)]
        notes.append(f"the only copy of a part of the data is on {', '.join(names)}")
    if volume.mismatches:
        # The kernel tells a number only of a check, and keeps it until something else has run.
        which = "the check that runs has" if volume.action == "check" else "the last check"
        notes.append(f"{which} found {volume.mismatches} sectors that do not match their copies or parity")
    if volume.action in STILL and "a" not in volume.health and volume.share is not None and volume.share < 1:
        notes.append(f"a sync or check stopped at {volume.share:.1%} and nothing runs")
    if known.suspended:
        notes.append("the volume is suspended: all that reads or writes it waits")
    return tuple(notes)
