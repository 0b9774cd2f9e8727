"""device-mapper RAID (LVM RAID volumes): ``dmsetup status`` of the raid target.

The health letters decide, never the ratio: a volume with a dead leg and nothing running also reads full (the kernel's
dm-raid.c). ``done`` moves in steps of a sixteenth or five minutes.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass

from mendwatch.model.capture import Capture, CommandRead, Read
from mendwatch.model.observation import Activity, ActivityKind, Array, IdKind, Member, Observation, Role, Unread
from mendwatch.model.plugin import Command, Files, Want
from mendwatch.model.raid10 import left as raid10_left

SECTOR_BYTES = 512
LINE = re.compile(
    r"(?:(?P<name>\S+): )?\d+ (?P<length>\d+) raid (?P<type>\S+) (?P<legs>\d+) (?P<health>[AaD-]+) "
    r"(?P<done>\d+)/(?P<total>\d+)(?: (?P<action>\w+)(?: (?P<mismatch>\d+).*)?)?"
)
MEANING = {"A": "in sync", "a": "not in sync", "D": "failed", "-": "no device"}
KINDS = {
    "recover": ActivityKind.REBUILD,
    "resync": ActivityKind.RESYNC,
    "check": ActivityKind.CHECK,
    "repair": ActivityKind.RESYNC,
    "reshape": ActivityKind.RESHAPE,
}
SURVIVES = {"raid0": 0, "raid4": 1, "raid5": 1, "raid6": 2}
UNSYNCED = frozenset({"resync", "reshape"})


@dataclass(frozen=True, slots=True)
class _Volume:
    """One status line."""

    mapped: str
    level: str
    health: str
    done: int
    total: int
    action: str


class DmRaidParser:
    """The raid target of device-mapper."""

    name = "dm-raid"
    program = "dmsetup"
    present_if = ("/sys/block/dm-*/dm/uuid",)

    def wants(self, reads: tuple[Read, ...]) -> tuple[Want, ...]:
        """All in one round."""
        if reads:
            return ()
        return (
            Files("/sys/block/dm-*/dm/name"),
            Files("/sys/block/dm-*/dm/uuid"),
            Command(("dmsetup", "status", "--target", "raid", "--noflush")),
        )

    def parse(self, capture: Capture) -> Observation:
        """Understand one capture."""
        status = [read for read in capture.commands() if _is_status(read)]
        answered = [read for read in status if read.exit == 0]
        if not answered:
            said = status[0].error or status[0].stderr.strip() if status else "no dmsetup status in this poll"
            error = f"dmsetup status: {said}"
            return Observation(capture.at, capture.source, error=error, complete=False)
        volumes: dict[str, _Volume] = {}
        unread: list[Unread] = []
        for read in answered:
            for number, line in enumerate(read.stdout.splitlines(), start=1):
                volume = _volume(line.strip(), read)
                if volume is not None:
                    volumes[volume.mapped] = volume
                elif " raid " in line or not re.match(r"\S+: \d+ \d+ |No devices found", line):
                    unread.append(Unread(number, line))
        uuids = _uuids(capture)
        arrays = tuple(_array(volume, uuids) for volume in volumes.values())
        return Observation(capture.at, capture.source, arrays, tuple(unread), complete=True)


def _is_status(read: CommandRead) -> bool:
    return bool(read.argv) and read.argv[0].rpartition("/")[2] == "dmsetup" and read.argv[1:2] == ("status",)


def _volume(line: str, read: CommandRead) -> _Volume | None:
    match = LINE.fullmatch(line)
    if match is None:
        return None
    # Without a name in the line exactly one device was asked for: the last word of the command.
    mapped = match["name"] or read.argv[-1]
    level = match["type"].partition("_")[0]
    return _Volume(mapped, level, match["health"], int(match["done"]), int(match["total"]), match["action"] or "")


def _uuids(capture: Capture) -> dict[str, str]:
    """The id of each mapped volume: from sysfs, or from the report of lvs if the poll holds one."""
    names: dict[str, str] = {}
    ids: dict[str, str] = {}
    for file in capture.files():
        match = re.fullmatch(r".*/sys/block/(dm-\d+)/dm/(name|uuid)", file.path)
        if match is not None and file.text is not None:
            (names if match[2] == "name" else ids)[match[1]] = file.text.strip()
    found = {names[dev]: ids[dev].removeprefix("LVM-") for dev in names if ids.get(dev, "").startswith("LVM-")}
    for read in capture.commands():
        if read.argv and read.argv[0].rpartition("/")[2] == "lvs" and read.stdout.lstrip().startswith("{"):
            found |= {name: uuid for name, uuid in _reported(read.stdout).items() if name not in found}
    return found


def _reported(text: str) -> dict[str, str]:
    try:
        rows = [row for part in json.loads(text)["report"] for row in part.get("lv", [])]
        return {_mapped(row["vg_name"], row["lv_name"].strip("[]")): row["lv_uuid"] for row in rows if "lv_uuid" in row}
    except (ValueError, KeyError, TypeError, AttributeError):
        return {}


def _mapped(group: str, volume: str) -> str:
    """The name that LVM gives the mapping: hyphens doubled, then joined with one."""
    return f"{group.replace('-', '--')}-{volume.replace('-', '--')}"


def _named(mapped: str) -> str:
    """``vg/lv`` from the mapped name; a name that LVM did not make stays as it is."""
    match = re.fullmatch(r"((?:[^-]|--)+)-((?:[^-]|--)+)", mapped)
    if match is None:
        return mapped
    return f"{match[1].replace('--', '-')}/{match[2].replace('--', '-')}"


def _array(volume: _Volume, uuids: dict[str, str]) -> Array:
    uuid = uuids.get(volume.mapped)
    name = _named(volume.mapped)
    full = _redundancy(volume.level, ["A"] * len(volume.health))
    left = _redundancy(volume.level, _letters(volume))
    lost = left is not None and left < 0
    fills = tuple(_leg(name, n) for n, letter in enumerate(volume.health) if letter == "a") if _recovers(volume) else ()
    return Array(
        name=name,
        id=uuid or volume.mapped,
        id_kind=IdKind.VOLUME_UUID if uuid else IdKind.NAME,
        system="dm-raid",
        level=volume.level,
        state="failed" if lost else "degraded" if left != full else "ok",
        redundancy_full=full,
        redundancy_left=left,
        why_unknown=None if left is not None else f"the level {volume.level} is not known",
        spares_free=None,
        data_errors=None,
        members=tuple(_member(name, number, letter, fills, volume) for number, letter in enumerate(volume.health)),
        activities=_activities(volume, fills),
        last_activity=None,
        lost=lost,
        slots=len(volume.health),
        member_bytes=volume.total * SECTOR_BYTES if volume.level != "raid10" else None,
    )


def _letters(volume: _Volume) -> list[str]:
    """The health letters as they count: in a resync or reshape every live leg reads ``a`` though none is missing."""
    if volume.action in UNSYNCED and set(volume.health) == {"a"}:
        return ["A"] * len(volume.health)
    return list(volume.health)


def _redundancy(level: str, letters: list[str]) -> int | None:
    bad = sum(letter != "A" for letter in letters)
    if level == "raid1":
        return len(letters) - 1 - bad
    if level == "raid10":
        return raid10_left([letter == "A" for letter in letters], 2, 1)
    return SURVIVES[level] - bad if level in SURVIVES else None


def _recovers(volume: _Volume) -> bool:
    """Whether legs are being filled, or would be if nothing held it."""
    return volume.action in {"recover", "frozen", "idle", ""} and "a" in volume.health


def _leg(name: str, number: int) -> str:
    volume = name.rpartition("/")[2]
    return f"{volume}_rimage_{number}" if "/" in name else f"leg {number}"


def _member(name: str, number: int, letter: str, fills: tuple[str, ...], volume: _Volume) -> Member:
    leg = _leg(name, number)
    good = _letters(volume)[number] == "A"
    return Member(leg, Role.DATA, None, None, MEANING[letter], good, leg in fills and not good)


def _activities(volume: _Volume, fills: tuple[str, ...]) -> tuple[Activity, ...]:
    kind = KINDS.get(volume.action)
    if kind is not None:
        return (
            Activity(
                kind=kind,
                word=volume.action,
                running=True,
                done=volume.done / volume.total if volume.total else None,
                done_bytes=volume.done * SECTOR_BYTES,
                total_bytes=volume.total * SECTOR_BYTES,
                fills=fills if kind is ActivityKind.REBUILD else (),
                counters={"position": volume.done},
            ),
        )
    if volume.action == "frozen" and fills:
        held = "sync action is frozen"
        return (Activity(ActivityKind.REBUILD, "recover", running=False, paused=True, fills=fills, why_held=held),)
    return ()


PARSER = DmRaidParser()
