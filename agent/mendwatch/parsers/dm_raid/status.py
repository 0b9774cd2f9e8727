"""``dmsetup status`` and ``dmsetup table`` of the raid target.

Sources: the kernel's Documentation/admin-guide/device-mapper/dm-raid.rst and drivers/md/dm-raid.c (raid_status);
dmsetup(8). Fields were added over time: action and mismatches with target version 1.5, then the data offset, then the
journal; what a later version may append is skipped.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from itertools import pairwise

from mendwatch.model.capture import CommandRead
from mendwatch.model.observation import Unread
from mendwatch.parsers.dm_raid.names import mapped_name, unmangled
from mendwatch.parsers.dm_raid.volume import Volume, number

# 508: DM_NAME_LEN less the end, each character written as four; 253: MAX_RAID_DEVICES in dm-raid.c.
STATUS = re.compile(
    r"(?:(?P<name>.{1,508}): )?[0-9]+ (?P<sectors>[0-9]{1,19}) raid (?P<type>raid\w{1,20}) (?P<legs>[0-9]{1,9}) "
    r"(?P<health>[AaD-]{1,253}) (?P<done>[0-9]{1,19})/(?P<total>[0-9]{1,19})"
    r"(?: (?P<action>[a-z]+)(?: (?P<mismatches>[0-9]{1,19})(?: .*)?)?)?"
)
TABLE = re.compile(
    r"(?:(?P<name>.{1,508}): )?[0-9]+ [0-9]+ raid raid\w{1,20} (?P<count>[0-9]{1,3}) (?P<words>.+)",
)
# A line that ends within the word ``raid`` was cut short, and is none of another target.
OTHER_TARGET = re.compile(r"(?:.+: )?[0-9]+ [0-9]+ (?!raid\b|r(?:ai?)?$)[a-z][\w-]*(?: .*)?|No devices found")
RAID10_PARAMETERS = frozenset({"raid10_copies", "raid10_format"})
TAKES_A_VALUE = frozenset({"--target", "-j", "--major", "-m", "--minor", "-u", "--uuid", "--manglename"})
ONE_DEVICE = frozenset({"-j", "--major", "-u", "--uuid"})


def is_dmsetup(read: CommandRead, verb: str) -> bool:
    """Whether this is the answer to a verb of dmsetup."""
    return bool(read.argv) and read.argv[0].rpartition("/")[2] == "dmsetup" and verb in read.argv[1:2]


def devices_of(read: CommandRead) -> tuple[str, ...] | None:
    """The mappings that were asked for by name; empty if all were, None if one was by something else."""
    words = read.argv[2:]
    if any(word.partition("=")[0] in ONE_DEVICE for word in words):
        return None
    named = (word for before, word in pairwise(("", *words)) if before not in TAKES_A_VALUE)
    return tuple(mapped_name(word) for word in named if not word.startswith("-"))


def volumes_of(read: CommandRead, unread: list[Unread]) -> dict[str, Volume]:
    """The raid volumes of a status, by mapped name; lines that are not understood are added to ``unread``."""
    found: dict[str, Volume] = {}
    for at, line, mapped, match in _lines(read, STATUS, unread):
        done, total, legs = int(match["done"]), int(match["total"]), int(match["legs"])
        letters = len(match["health"])
        # Legs that were taken out in a first sync have no letter any more (LVM's libdm-targets.c): a raid1 alone can do
        # without them.
        known = letters == legs or (letters < legs and match["type"] == "raid1")
        if done > total or not known or mapped is None:
            unread.append(Unread(at, line))
            continue
        if mapped in found and "D" not in match["health"] and "a" not in match["health"]:
            # A mapping of several parts is only as good as its worst; LVM makes none of the raid target.
            unread.append(Unread(at, line))
            continue
        found[mapped] = Volume(
            type=match["type"],
            health=match["health"],
            action=match["action"] or "",
            share=done / total if total else None,
            done=done,
            total=total,
            mismatches=number(match["mismatches"]),
            sectors=int(match["sectors"]),
        )
    return found


def tables_of(read: CommandRead, unread: list[Unread]) -> dict[str, dict[str, str]]:
    """The named parameters of each raid table, by mapped name."""
    found: dict[str, dict[str, str]] = {}
    for at, line, mapped, match in _lines(read, TABLE, unread):
        count, words = int(match["count"]), match["words"].split()
        # Behind the parameters stands the number of legs: without it the line was cut short.
        odd = any(word.startswith("raid10_") and word not in RAID10_PARAMETERS for word in words[:count])
        if mapped is None or odd or len(words) <= count or number(words[count]) is None:
            unread.append(Unread(at, line))
        else:
            found[mapped] = _parameters(count, words)
    return found


def copies_of(type_: str, legs: int, parameters: Mapping[str, str]) -> tuple[int, int]:
    """Near and far copies of a raid10; LVM makes two near ones, and so does the kernel when not told otherwise."""
    told = number(parameters.get("raid10_copies"))
    copies = told if told is not None and 0 < told <= max(legs, 2) else 2
    layout = type_.partition("_")[2] or parameters.get("raid10_format", "near")
    return (copies, 1) if layout == "near" else (1, copies)


def _lines(
    read: CommandRead, wanted: re.Pattern[str], unread: list[Unread]
) -> Iterator[tuple[int, str, str | None, re.Match[str]]]:
    """The lines of the raid target, each with the mapping that it is of; None where nothing says which."""
    devices = devices_of(read)
    # Without a name in the line exactly one device was asked for.
    only = devices[0] if devices is not None and len(devices) == 1 else None
    for at, line in enumerate(read.stdout.splitlines(), start=1):
        text = line.strip()
        match = wanted.fullmatch(text)
        if match is not None:
            yield at, line, (unmangled(match["name"]) if match["name"] is not None else only), match
        elif text and OTHER_TARGET.fullmatch(text) is None:
            unread.append(Unread(at, line))


def _parameters(count: int, words: list[str]) -> dict[str, str]:
    """The named parameters of a table line; the first is the chunk size, those without a value are left out."""
    named: dict[str, str] = {}
    for name, value in pairwise(words[1:count]):
        if number(name) is None and name not in named:
            named[name] = value
    return named
