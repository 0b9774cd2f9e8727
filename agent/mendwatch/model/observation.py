"""What a parser understood of one capture: arrays, members, what runs, and what it could not read.

The fields up to ``last_activity`` are the published observation (contract, section 3b); the rest is what the later
stages need and is left out of the published form.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum


class IdKind(StrEnum):
    """What an array's id is made of, best first."""

    POOL_GUID = "pool-guid"
    ARRAY_UUID = "array-uuid"
    FILESYSTEM_UUID = "filesystem-uuid"
    VOLUME_UUID = "volume-uuid"
    NAME = "name"


class Role(StrEnum):
    """What a member is for."""

    DATA = "data"
    SPARE = "spare"
    LOG = "log"
    CACHE = "cache"
    SPECIAL = "special"
    DEDUP = "dedup"
    JOURNAL = "journal"


class ActivityKind(StrEnum):
    """What runs on an array; only REBUILD fills a member."""

    REBUILD = "rebuild"
    SCRUB = "scrub"
    CHECK = "check"
    RESYNC = "resync"
    RESHAPE = "reshape"
    EXPAND = "expand"
    REMOVE = "remove"
    BALANCE = "balance"


class LastOutcome(StrEnum):
    """How the storage system says its last activity ended."""

    FINISHED = "finished"
    FINISHED_WITH_ERRORS = "finished-with-errors"
    CANCELLED = "cancelled"
    SUSPENDED = "suspended"


@dataclass(frozen=True, slots=True)
class Errors:
    """Errors that the storage system counts against a member; None is 'not told'."""

    read: int | None = None
    write: int | None = None
    checksum: int | None = None


@dataclass(frozen=True, slots=True)
class Member:
    """A leaf of an array.

    Attributes:
        name: as the storage system's own tool prints it.
        role: what it is for.
        group: the unit that survives losses by itself (``raidz1-0``), None where the array is the group.
        drive: the whole disk behind it, by kernel name, if known.
        state: the storage system's word.
        good: True only if its data count as redundancy now.
        rebuilding: True if it is being filled.
        errors: None where the system counts none.
    """

    name: str
    role: Role
    group: str | None
    drive: str | None
    state: str
    good: bool
    rebuilding: bool
    errors: Errors | None = None


@dataclass(frozen=True, slots=True)
class Activity:
    """A run that goes on or waits now.

    Attributes:
        kind: what it is; word: the storage system's own word for it.
        running: it advances by itself; waiting: behind another run or for a write; paused: by hand or by a setting.
        started: only if the storage system says so.
        done: share of the run's own work, 0..1, as the storage system counts; done_bytes and total_bytes likewise.
        native_seconds_left: the remaining time that the storage system itself prints.
        errors: errors of this run, if it counts them.
        subject: which part of the array, when several can run at once (a top-level vdev).
        fills: names of the members being filled.
        counters: every counter of the storage system that moves while the run moves, by name: the finest evidence
            of movement there is. Compared with the poll before, never added up.
        pass_started: changes when the run goes on after an import or reboot (OpenZFS), with ``started`` unchanged.
        end_share: the value of ``done`` at which this run will end: 1.0 for most, less where the count is a position
            that never reaches the end (btrfs: allocated bytes / device size); None when this poll did not say.
        why_held: a reason in words when it is paused or waits (``frozen``, ``resync=DELAYED``, ``suspended``).
    """

    kind: ActivityKind
    word: str
    running: bool
    waiting: bool = False
    paused: bool = False
    started: datetime | None = None
    done: float | None = None
    done_bytes: int | None = None
    total_bytes: int | None = None
    native_seconds_left: float | None = None
    errors: int | None = None
    subject: str | None = None
    fills: tuple[str, ...] = ()
    counters: dict[str, int] = field(default_factory=dict)
    pass_started: datetime | None = None
    end_share: float | None = 1.0
    why_held: str | None = None


@dataclass(frozen=True, slots=True)
class LastActivity:
    """The last run that ended, as the storage system remembers it; ``started`` and ``bytes`` only if it says so."""

    kind: ActivityKind
    word: str
    outcome: LastOutcome
    ended: datetime | None = None
    errors: int | None = None
    started: datetime | None = None
    bytes: int | None = None


@dataclass(frozen=True, slots=True)
class Setting:
    """A limit or tunable that can hold a rebuild back: its name, its value, and the value it has when nobody set it."""

    name: str
    value: str
    default: str | None
    slows: bool


@dataclass(frozen=True, slots=True)
class Array:
    """One redundant unit as one poll shows it.

    Attributes:
        redundancy_full: further losses survived when every slot is good; None if the text does not say.
        redundancy_left: further losses surely survived now; negative when more is lost than the layout survives.
        why_unknown: the reason when ``redundancy_left`` is None.
        spares_free: idle spares; data_errors: damaged data that the storage system counts.
        activities: empty when nothing runs or waits, None when this poll did not look (unknown).
        last_activity: None if there was none or the poll did not look.
        lost: the array does not serve (suspended, failed, broken, or more is lost than it survives).
        slots: how many data slots the layout has, a replacing or spare pair counting once.
        member_bytes: what filling one member writes at most, if known.
        settings: the throttles that were read.
        notes: single facts worth telling a person ('sdb is now the only copy of slot 0').
        remarks: the same from a reading that is made only seldom; None when this poll did not make it.
        device: the array's own block device (``md0``), whose counters show foreign load.
        aliases: other names under which a poll that lacks the id may show it (a mount point).
        partial: the poll was not asked for what redundancy needs, as polls of a recording may be: what it does not
            tell carries over, and is no blindness.
    """

    name: str
    id: str
    id_kind: IdKind
    system: str
    level: str | None
    state: str
    redundancy_full: int | None
    redundancy_left: int | None
    why_unknown: str | None
    spares_free: int | None
    data_errors: int | None
    members: tuple[Member, ...]
    activities: tuple[Activity, ...] | None
    last_activity: LastActivity | None
    lost: bool = False
    slots: int | None = None
    member_bytes: int | None = None
    settings: tuple[Setting, ...] = ()
    notes: tuple[str, ...] = ()
    remarks: tuple[str, ...] | None = None
    device: str | None = None
    aliases: tuple[str, ...] = ()
    partial: bool = False


@dataclass(frozen=True, slots=True)
class Unread:
    """A line that the parser neither read nor knowingly skipped."""

    line: int
    text: str


@dataclass(frozen=True, slots=True)
class Observation:
    """What one capture says.

    Attributes:
        complete: the arrays are all that this source has on this host; only then is an absent one gone.
        error: why nothing could be read or judged, else None.
    """

    at: datetime
    source: str
    arrays: tuple[Array, ...] = ()
    unread: tuple[Unread, ...] = ()
    error: str | None = None
    complete: bool = True
