"""What the kernel tells of mappings without root: ``/sys/block/dm-*/dm``, and the system's own limits.

Source: the kernel's Documentation/ABI/testing/sysfs-block-dm.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field

from mendwatch.model.capture import FileRead, Read
from mendwatch.model.plugin import File, Files, Want
from mendwatch.parsers.dm_raid.names import LEG, unmangled

LIMITS = "/proc/sys/dev/raid/speed_limit_"
PATH = re.compile(r".*/sys/block/(?P<device>dm-[0-9]+)/dm/(?P<file>name|uuid|suspended)")
WANTS: tuple[Want, ...] = (
    *(Files(f"/sys/block/dm-*/dm/{name}") for name in ("name", "uuid", "suspended")),
    *(File(f"{LIMITS}{end}") for end in ("min", "max")),
)


@dataclass(frozen=True, slots=True)
class Sysfs:
    """The files of one poll; mappings are told apart by their names."""

    devices: dict[str, str] = field(default_factory=dict)
    uuids: dict[str, str] = field(default_factory=dict)
    suspended: frozenset[str] = frozenset()
    limits: dict[str, str] = field(default_factory=dict)

    @property
    def legs(self) -> dict[str, tuple[int, ...]]:
        """The slots of each volume of which a leg is mapped, by the volume's mapped name."""
        found: dict[str, list[int]] = {}
        for name in self.devices:
            leg = LEG.fullmatch(name)
            if leg is not None:
                found.setdefault(leg["mapped"], []).append(int(leg["slot"]))
        return {mapped: tuple(sorted(slots)) for mapped, slots in found.items()}


def sysfs_of(reads: Iterable[Read]) -> Sysfs:
    """What a poll has read of it."""
    known: dict[str, dict[str, str]] = {}
    limits: dict[str, str] = {}
    for read in reads:
        if not isinstance(read, FileRead) or read.text is None:
            continue
        match = PATH.fullmatch(read.path)
        if match is not None:
            known.setdefault(match["device"], {})[match["file"]] = read.text.rstrip("\n")
        elif LIMITS in read.path:
            limits[read.path.rpartition("_")[2]] = read.text.strip()
    named = {unmangled(files["name"]): (device, files) for device, files in known.items() if files.get("name")}
    return Sysfs(
        {name: device for name, (device, _) in named.items()},
        {name: files["uuid"].strip() for name, (_, files) in named.items() if files.get("uuid", "").strip()},
        frozenset(name for name, (_, files) in named.items() if files.get("suspended", "").strip() == "1"),
        limits,
    )
