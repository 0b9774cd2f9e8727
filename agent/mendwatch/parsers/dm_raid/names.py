r"""Names and ids of mappings: what LVM makes of group and volume, and what device-mapper makes of odd characters.

Sources: lvm(8) and lib/misc/lvm-string.c of LVM (hyphens doubled, layers after a further one); dmsetup(8),
"--manglename" (characters that a name may not hold are written ``\xNN``).
"""

from __future__ import annotations

import re

from mendwatch.model.observation import IdKind

LVM_UUID = re.compile(r"LVM-\w{32}(?P<volume>\w{32})(?:-\w+)?")
LVM_GROUPS = (6, 4, 4, 4, 4, 4, 6)
# A volume with snapshots has its raid one layer below, under ``-real``.
LVM_NAME = re.compile(r"(?P<group>(?:[\w+.]|--)+)-(?P<volume>(?:[\w+.]|--)+)(?:-real)?", re.ASCII)
LEG = re.compile(r"(?P<mapped>.+)_rimage_(?P<slot>[0-9]{1,3})")
_ESCAPE = re.compile(r"\\x([0-9a-fA-F]{2})")


def unmangled(name: str) -> str:
    r"""The name as its owner typed it: ``my\x20raid`` is ``my raid``."""
    return _ESCAPE.sub(lambda found: chr(int(found[1], 16)), name)


def mapped_name(word: str) -> str:
    """The mapping that a word of the command line means: its name, or a path below ``/dev``."""
    path = re.fullmatch(r"/dev/(?!mapper/)([^/]+)/([^/]+)", word)
    return joined(path[1], path[2]) if path is not None else unmangled(word.rpartition("/")[2])


def joined(group: str, volume: str) -> str:
    """The name that LVM gives the mapping of a volume: hyphens doubled, then joined with one."""
    return f"{group.replace('-', '--')}-{volume.replace('-', '--')}"


def by_lvm(uuid: str | None) -> bool:
    """Whether a mapping's uuid is one that LVM gives."""
    return uuid is not None and LVM_UUID.fullmatch(uuid) is not None


def shown_name(mapped: str, uuid: str | None) -> str:
    """``vg/lv``; a mapping that LVM did not make keeps its own name."""
    name = LVM_NAME.fullmatch(mapped)
    if name is None or (uuid is not None and not by_lvm(uuid)):
        return mapped
    return f"{name['group'].replace('--', '-')}/{name['volume'].replace('--', '-')}"


def identity(mapped: str, uuid: str | None, reported: str | None) -> tuple[str, IdKind]:
    """The best id there is: the volume's own as sysfs or a report of LVM gives it, else the mapping's name."""
    if uuid is not None:
        match = LVM_UUID.fullmatch(uuid)
        if match is None:
            return uuid, IdKind.VOLUME_UUID
        # Written as LVM itself writes it, so that sysfs and a report give one id.
        letters = iter(match["volume"])
        return "-".join("".join(next(letters) for _ in range(length)) for length in LVM_GROUPS), IdKind.VOLUME_UUID
    return (reported, IdKind.VOLUME_UUID) if reported else (mapped, IdKind.NAME)


def leg_name(name: str, slot: int) -> str:
    """The member's name of one slot."""
    group, slash, volume = name.rpartition("/")
    return f"{volume}_rimage_{slot}" if group and slash else f"leg {slot}"
