"""device-mapper RAID (LVM RAID volumes): ``dmsetup status`` and ``table`` of the raid target.

The health letters decide, never the ratio: a volume with a dead leg and nothing running also reads full (the kernel's
drivers/md/dm-raid.c). ``done`` moves in steps of a sixteenth or five minutes.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise

from mendwatch.model.capture import Capture, CommandRead, FileRead, Read
from mendwatch.model.names import printable
from mendwatch.model.observation import (
    Activity,
    ActivityKind,
    Array,
    IdKind,
    Member,
    Observation,
    Role,
    Setting,
    Unread,
)
from mendwatch.model.plugin import Command, File, Files, Want
from mendwatch.model.raid10 import left as raid10_left
from mendwatch.model.raid10 import partners as raid10_partners

SECTOR_BYTES = 512
ACTIONS = "idle|frozen|resync|recover|check|repair|reshape|undef"
STATUS = re.compile(
    r"(?:(?P<name>\S+): )?\d+ \d+ raid (?P<type>raid\w+) (?P<legs>\d+) (?P<health>[AaD-]+) "
    rf"(?P<done>\d+)/(?P<total>\d+)(?: (?P<action>{ACTIONS})(?: \d+.*)?)?"
)
TABLE = re.compile(r"(?:(?P<name>\S+): )?\d+ \d+ raid (?P<type>raid\w+) (?P<count>\d+) (?P<rest>.+)")
# A line that ends within the word ``raid`` was cut short, and is none of another target.
OTHER_TARGET = re.compile(r"(?:\S+: )?\d+ \d+ (?!raid\b|r(?:ai?)?$)\S+.*|No devices found")
MEANING = {"A": "in sync", "a": "not in sync", "D": "failed", "-": "no device"}
KINDS = {
    "recover": ActivityKind.REBUILD,
    "resync": ActivityKind.RESYNC,
    "check": ActivityKind.CHECK,
    "repair": ActivityKind.RESYNC,
    "reshape": ActivityKind.RESHAPE,
}
SURVIVES = {"raid0": 0, "raid4": 1, "raid5": 1, "raid6": 2}
STILL = {"frozen": "sync action is frozen", "idle": "sync action is idle with a leg that is not in sync"}
SYSFS = re.compile(r".*/sys/block/(?P<device>dm-\d+)/dm/(?P<file>name|uuid)")
LVM_UUID = re.compile(r"LVM-\w{32}(?P<volume>\w{32})(?:-\w+)?")
LVM_GROUPS = (6, 4, 4, 4, 4, 4, 6)
# A volume with snapshots has its raid one layer below, under ``-real``.
LVM_NAME = re.compile(r"(?P<group>(?:[^-]|--)+)-(?P<volume>(?:[^-]|--)+)(?:-real)?")
LIMITS = "/proc/sys/dev/raid/speed_limit_"
# The kernel's md.c; a leg of a volume without limits of its own is held to these.
DEFAULTS = {"min": 1000, "max": 200000}


@dataclass(frozen=True, slots=True)
class _Status:
    """One line of ``dmsetup status``."""

    mapped: str
    type: str
    health: str
    done: int
    total: int
    action: str

    @property
    def level(self) -> str:
        """The level without its layout: ``raid5`` of ``raid5_ls``."""
        return self.type.partition("_")[0]

    @property
    def counts(self) -> tuple[bool, ...]:
        """Which legs count as redundancy.

        While a whole set is synced or reshaped, or waits for it, every live leg reads ``a`` though none is missing;
        only beside a leg in sync, or in a recovery, is ``a`` a leg that is yet to be filled.
        """
        all_read_a = self.action != "recover" and "A" not in self.health
        return tuple(letter == "A" or (all_read_a and letter == "a") for letter in self.health)

    @property
    def to_fill(self) -> tuple[bool, ...]:
        """Which legs are there and do not count yet."""
        return tuple(letter == "a" and not counts for letter, counts in zip(self.health, self.counts, strict=True))


@dataclass(slots=True)
class _Known:
    """What the other readings of the poll know of the volumes, by mapped name."""

    devices: dict[str, str] = field(default_factory=dict)
    uuids: dict[str, str] = field(default_factory=dict)
    parameters: dict[str, dict[str, str]] = field(default_factory=dict)
    limits: dict[str, str] = field(default_factory=dict)


class DmRaidParser:
    """The raid target of device-mapper."""

    name = "dm-raid"
    program = "dmsetup"
    present_if = ("/sys/block/dm-*/dm/uuid",)

    def wants(self, reads: tuple[Read, ...]) -> tuple[Want, ...]:
        """All in one round: no reading depends on another."""
        if reads:
            return ()
        return (
            Files("/sys/block/dm-*/dm/name"),
            Files("/sys/block/dm-*/dm/uuid"),
            File(f"{LIMITS}min"),
            File(f"{LIMITS}max"),
            Command(("dmsetup", "status", "--target", "raid", "--noflush")),
            Command(("dmsetup", "table", "--target", "raid")),
        )

    def parse(self, capture: Capture) -> Observation:
        """Understand one capture."""
        status = [read for read in capture.commands() if _is(read, "dmsetup", "status")]
        answered = [read for read in status if read.exit == 0]
        if not answered:
            said = _why(status[0]) if status else "dmsetup status: not in this poll"
            return Observation(capture.at, capture.source, error=printable(said), complete=False)
        unread: list[Unread] = []
        volumes: dict[str, _Status] = {}
        for read in answered:
            for number, line in enumerate(read.stdout.splitlines(), start=1):
                volume = _status(line.strip(), read)
                if volume is not None:
                    volumes[volume.mapped] = volume
                elif line.strip() and OTHER_TARGET.fullmatch(line.strip()) is None:
                    unread.append(Unread(number, line))
        known = _known(capture, unread)
        arrays = tuple(_array(volume, known, capture) for volume in volumes.values())
        complete = any(_asks_for_all(read) for read in answered) and not unread
        return Observation(capture.at, capture.source, arrays, tuple(unread), complete=complete)


def _is(read: CommandRead, program: str, verb: str | None = None) -> bool:
    if not read.argv or read.argv[0].rpartition("/")[2] != program:
        return False
    return verb is None or read.argv[1:2] == (verb,)


def _asks_for_all(read: CommandRead) -> bool:
    """Whether no device was named: every word is an option, or the value of ``--target``."""
    words = read.argv[2:]
    return all(word.startswith("-") or before == "--target" for before, word in pairwise(("", *words)))


def _why(read: CommandRead) -> str:
    said = read.error or next(iter(read.stderr.strip().splitlines()), f"ended with {read.exit}")
    return f"{' '.join(read.argv[:2])}: {said}"


def _status(line: str, read: CommandRead) -> _Status | None:
    match = STATUS.fullmatch(line)
    if match is None or int(match["done"]) > int(match["total"]) or len(match["health"]) > int(match["legs"]):
        return None
    if match["name"] is None and _asks_for_all(read):
        return None
    # Without a name in the line exactly one device was asked for: the last word of the command.
    mapped = match["name"] or read.argv[-1].rpartition("/")[2]
    total = int(match["total"])
    return _Status(mapped, match["type"], match["health"], int(match["done"]), total, match["action"] or "")


def _known(capture: Capture, unread: list[Unread]) -> _Known:
    known = _Known()
    _from_sysfs(known, capture.files())
    for read in capture.commands():
        if _is(read, "dmsetup", "table") and read.exit == 0:
            for number, line in enumerate(read.stdout.splitlines(), start=1):
                match = TABLE.fullmatch(line.strip())
                if match is not None:
                    mapped = match["name"] or read.argv[-1].rpartition("/")[2]
                    known.parameters[mapped] = _parameters(int(match["count"]), match["rest"].split())
                elif line.strip() and OTHER_TARGET.fullmatch(line.strip()) is None:
                    unread.append(Unread(number, line))
        elif _is(read, "lvs") and read.stdout.lstrip().startswith("{"):
            known.uuids = {**_reported(read.stdout), **known.uuids}
    return known


def _from_sysfs(known: _Known, files: Iterable[FileRead]) -> None:
    names: dict[str, str] = {}
    uuids: dict[str, str] = {}
    for file in files:
        match = SYSFS.fullmatch(file.path)
        if match is not None and file.text is not None:
            (names if match["file"] == "name" else uuids)[match["device"]] = file.text.strip()
        for end in DEFAULTS:
            if file.path.endswith(f"{LIMITS}{end}") and file.text is not None:
                known.limits[end] = file.text.strip()
    known.devices = {name: device for device, name in names.items()}
    known.uuids = {name: uuids[device] for device, name in names.items() if uuids.get(device)}


def _parameters(count: int, words: list[str]) -> dict[str, str]:
    """The named parameters of a table line; the first is the chunk size, those without a value are left out."""
    given = words[1:count]
    named: dict[str, str] = {}
    for name, value in pairwise(given):
        if not name.isdecimal() and name not in named:
            named[name] = value
    return named


def _reported(text: str) -> dict[str, str]:
    """Ids by mapped name, from a report of ``lvs`` that holds them."""
    try:
        rows = [row for part in json.loads(text)["report"] for row in part.get("lv", [])]
        named = [row for row in rows if {"vg_name", "lv_name", "lv_uuid"} <= set(row)]
        return {_mapped(row["vg_name"], row["lv_name"].strip("[]")): row["lv_uuid"] for row in named}
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return {}


def _mapped(group: str, volume: str) -> str:
    """The name that LVM gives the mapping: hyphens doubled, then joined with one."""
    return f"{group.replace('-', '--')}-{volume.replace('-', '--')}"


def _identity(mapped: str, known: _Known) -> tuple[str, str | None]:
    """``vg/lv`` and the volume's id; a mapping that LVM did not make keeps its own name and id."""
    uuid = known.uuids.get(mapped)
    made_by_lvm = LVM_UUID.fullmatch(uuid) if uuid is not None else None
    name = LVM_NAME.fullmatch(mapped)
    if uuid is not None and made_by_lvm is None and uuid.count("-") != len(LVM_GROUPS) - 1:
        return mapped, uuid
    if made_by_lvm is not None:
        # Written as LVM itself writes it, so that sysfs and a report give one id.
        letters = iter(made_by_lvm["volume"])
        uuid = "-".join("".join(next(letters) for _ in range(length)) for length in LVM_GROUPS)
    if name is None:
        return mapped, uuid
    return f"{name['group'].replace('--', '-')}/{name['volume'].replace('--', '-')}", uuid


def _copies(volume: _Status, parameters: Mapping[str, str]) -> tuple[int, int]:
    """Near and far copies of a raid10; LVM makes two near ones, and so does the kernel when not told otherwise."""
    told = parameters.get("raid10_copies", "")
    copies = int(told) if told.isdecimal() and int(told) > 0 else 2
    layout = volume.type.partition("_")[2] or parameters.get("raid10_format", "near")
    return (copies, 1) if layout == "near" else (1, copies)


def _array(volume: _Status, known: _Known, capture: Capture) -> Array:
    parameters = known.parameters.get(volume.mapped, {})
    name, uuid = _identity(volume.mapped, known)
    name = printable(name)
    copies = _copies(volume, parameters)
    full = _redundancy(volume.level, (True,) * len(volume.health), copies)
    left = _redundancy(volume.level, volume.counts, copies)
    lost = left is not None and left < 0
    legs = tuple(_leg(name, number) for number in range(len(volume.health)))
    fills = tuple(leg for leg, filled in zip(legs, volume.to_fill, strict=True) if filled)
    return Array(
        name=name,
        id=uuid or volume.mapped,
        id_kind=IdKind.VOLUME_UUID if uuid else IdKind.NAME,
        system="dm-raid",
        level=volume.level,
        state="failed" if lost else "ok" if all(volume.counts) else "degraded",
        redundancy_full=full,
        redundancy_left=left,
        why_unknown=None if left is not None else f"the level {volume.level} is not known",
        spares_free=None,
        data_errors=None,
        members=tuple(
            _member(leg, letter, capture, good=good, filled=leg in fills)
            for leg, letter, good in zip(legs, volume.health, volume.counts, strict=True)
        ),
        activities=_activities(volume, fills, copies),
        last_activity=None,
        lost=lost,
        slots=len(volume.health),
        member_bytes=volume.total * SECTOR_BYTES if volume.level != "raid10" else None,
        settings=_settings(parameters, known.limits),
        notes=_notes(volume, legs, left, copies),
        device=known.devices.get(volume.mapped),
    )


def _redundancy(level: str, good: tuple[bool, ...], copies: tuple[int, int]) -> int | None:
    lacking = len(good) - sum(good)
    if level == "raid1":
        return len(good) - 1 - lacking
    if level == "raid10":
        return raid10_left(good, *copies)
    return SURVIVES[level] - lacking if level in SURVIVES else None


def _leg(name: str, number: int) -> str:
    volume = name.rpartition("/")[2]
    return f"{volume}_rimage_{number}" if "/" in name else f"leg {number}"


def _member(leg: str, letter: str, capture: Capture, *, good: bool, filled: bool) -> Member:
    drives = capture.links.get(leg)
    drive = drives[0] if drives and len(drives) == 1 else None
    return Member(leg, Role.DATA, None, drive, MEANING[letter], good=good, rebuilding=filled)


def _activities(volume: _Status, fills: tuple[str, ...], copies: tuple[int, int]) -> tuple[Activity, ...] | None:
    """What runs or is held; None if the status does not name the action (target versions before 1.5)."""
    kind = KINDS.get(volume.action)
    if kind is not None:
        rebuild = kind is ActivityKind.REBUILD
        if rebuild and volume.done == volume.total:
            # It reads full before it begins, and until the legs count: either way that is no progress.
            return (Activity(kind, volume.action, running=True, fills=fills),)
        running = Activity(
            kind=kind,
            word=volume.action,
            running=True,
            done=volume.done / volume.total if volume.total else None,
            done_bytes=volume.done * SECTOR_BYTES,
            total_bytes=volume.total * SECTOR_BYTES,
            fills=fills if rebuild else (),
            counters={"position": volume.done},
            end_share=_end_share(volume, copies) if rebuild else 1.0,
        )
        return (running,)
    if volume.action not in STILL:
        return None
    if "a" not in volume.health:
        return ()
    kind, word = (ActivityKind.REBUILD, "recover") if fills else (ActivityKind.RESYNC, "resync")
    return (Activity(kind, word, running=False, paused=True, fills=fills, why_held=STILL[volume.action]),)


def _end_share(volume: _Status, copies: tuple[int, int]) -> float | None:
    """A raid10 that recovers counts the sectors of a leg against those of the array (by the code, not seen)."""
    if volume.level != "raid10":
        return 1.0
    share = min(1.0, copies[0] * copies[1] / len(volume.health))
    return share if volume.done <= share * volume.total else None


def _settings(parameters: Mapping[str, str], limits: Mapping[str, str]) -> tuple[Setting, ...]:
    """The volume's own limits where its table has them, else those of the system."""
    found: list[Setting] = []
    for end, default in DEFAULTS.items():
        name, value = f"{end}_recovery_rate", parameters.get(f"{end}_recovery_rate", "")
        if not value.isdecimal() or int(value) == 0:
            name, value = f"speed_limit_{end}", limits.get(end, "")
        if value.isdecimal():
            slows = end == "max" and 0 < int(value) < default
            found.append(Setting(name, f"{value} KiB/s", f"{default} KiB/s", slows))
    return tuple(found)


def _notes(volume: _Status, legs: tuple[str, ...], left: int | None, copies: tuple[int, int]) -> tuple[str, ...]:
    if "A" not in volume.health and any(volume.counts):
        return ("the legs are not in sync with each other yet: redundancy is not complete before they are",)
    if volume.level != "raid10" or left != 0 or all(volume.counts):
        return ()
    names = [legs[slot] for slot in raid10_partners(volume.counts, *copies)]
    return (f"the only copy of a part of the data is on {', '.join(names)}",)


PARSER = DmRaidParser()
