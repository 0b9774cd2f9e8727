"""The drives behind the members of arrays: their links, the kernel's counters, and what it knows of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import psutil

from mendwatch.model.capture import DiskCounters, DriveFacts
from mendwatch.model.clock import Clock
from mendwatch.model.observation import Array, Member
from mendwatch.sources.drive_facts import as_now, drive_facts, io_errors
from mendwatch.sources.files import Files
from mendwatch.sources.guard import Guard, Hung
from mendwatch.sources.links import Links
from mendwatch.sources.sysfs import Sysfs

_DISKSTATS = "/proc/diskstats"
_SECTOR_BYTES = 512  # diskstats counts in these, whatever the drive's own block size
_LEAST_FIELDS = 14  # major, minor, name and eleven counters; newer kernels append more
# OpenZFS could not open such a member: if it goes by a kernel name, another drive may have that name by now.
_NOT_OPENED = frozenset({"UNAVAIL", "REMOVED"})


@dataclass(frozen=True, slots=True)
class Behind:
    """What stands behind the members of one poll; the fields are the capture's."""

    disks: dict[str, DiskCounters] = field(default_factory=dict)
    partitions: dict[str, DiskCounters] = field(default_factory=dict)
    array_devices: dict[str, DiskCounters] = field(default_factory=dict)
    links: dict[str, tuple[str, ...]] = field(default_factory=dict)
    drives: dict[str, DriveFacts] = field(default_factory=dict)


class Disks:
    """Reads what concerns the drives behind arrays, and nothing of the host's other drives.

    Args:
        clock: says since when a read hangs.
        root: where the host's /proc, /sys and /dev stand.
    """

    def __init__(self, clock: Clock, root: Path = Path("/")) -> None:
        self._root = root
        self._sysfs = Sysfs(root)
        self._files = Files(clock, root)
        self._guard = Guard(clock)
        self._facts: dict[str, tuple[tuple[str | None, ...], DriveFacts]] = {}

    def look(self, arrays: Sequence[Array], boot: str | None) -> Behind:
        """What stands behind the members of these arrays now; empty if looking hangs."""
        if not arrays:
            return Behind()
        answer = self._guard.run({"drives": lambda: self._look(arrays, boot)})["drives"]
        return Behind() if isinstance(answer, Hung) else answer

    def _look(self, arrays: Sequence[Array], boot: str | None) -> Behind:
        finder = Links(self._sysfs)
        found = {
            member.name: finder.find(array, member.name)
            for array in arrays
            for member in array.members
            if not self._vanished(member)
        }
        links = {name: link for name, link in found.items() if link is not None}
        rows = self._rows()
        disks = sorted({disk for link in links.values() for disk in link.disks})
        partitions = sorted({partition for link in links.values() for partition in link.partitions})
        devices = {device: finder.node(device) or device for array in arrays if (device := array.device)}
        return Behind(
            disks={name: replace(rows[name], io_errors=io_errors(self._sysfs, name)) for name in disks if name in rows},
            partitions={name: rows[name] for name in partitions if name in rows},
            array_devices={device: rows[node] for device, node in devices.items() if node in rows},
            links={name: link.disks for name, link in links.items()},
            drives={name: as_now(self._sysfs, name, self._known(name, boot)) for name in disks},
        )

    def _vanished(self, member: Member) -> bool:
        return member.state in _NOT_OPENED and self._sysfs.exists(member.name.removeprefix("/dev/"))

    def _known(self, name: str, boot: str | None) -> DriveFacts:
        """The lasting facts of a disk, read once for each medium that takes its name."""
        folder = self._sysfs.folder(name)
        medium = (
            boot,
            self._sysfs.text(folder / "diskseq"),
            # Kernels before 5.15 do not number the media; these tell most changes.
            self._sysfs.text(folder / "size"),
            self._sysfs.text(folder / "device/wwid"),
        )
        known = self._facts.get(name)
        if known is None or known[0] != medium:
            known = self._facts[name] = (medium, drive_facts(self._sysfs, name))
        return known[1]

    def _rows(self) -> dict[str, DiskCounters]:
        """The counters of every block device of the host, by kernel name."""
        told = _table(self._files.read(_DISKSTATS).text or "")
        if self._root != Path("/"):
            return told
        return {**told, **_counted(told)}


def _counted(told: Mapping[str, DiskCounters]) -> dict[str, DiskCounters]:
    """The library's counters, with the two that it leaves out taken from the kernel's table."""
    try:
        # Without its own memory (nowrap): that would hide that a drive was plugged in anew.
        counted = psutil.disk_io_counters(perdisk=True, nowrap=False)
    except (OSError, ValueError, RuntimeError, NotImplementedError):
        return {}
    rows = {}
    for name, row in counted.items():
        rest = told.get(name, DiskCounters())
        rows[name] = DiskCounters(
            read_bytes=row.read_bytes,
            write_bytes=row.write_bytes,
            read_count=row.read_count,
            write_count=row.write_count,
            read_ms=row.read_time,
            write_ms=row.write_time,
            busy_ms=row.busy_time,
            in_flight=rest.in_flight,
            weighted_ms=rest.weighted_ms,
        )
    return rows


def _table(text: str) -> dict[str, DiskCounters]:
    """The kernel's table of counters (its iostats description); a line of another shape is left out."""
    rows = {}
    for line in text.splitlines():
        words = line.split()
        if len(words) < _LEAST_FIELDS or not all(word.isdecimal() for word in words[3:_LEAST_FIELDS]):
            continue
        reads, _, read_sectors, read_ms, writes, _, write_sectors, write_ms, in_flight, busy_ms, weighted_ms = map(
            int, words[3:_LEAST_FIELDS]
        )
        rows[words[2]] = DiskCounters(
            read_bytes=read_sectors * _SECTOR_BYTES,
            write_bytes=write_sectors * _SECTOR_BYTES,
            read_count=reads,
            write_count=writes,
            read_ms=read_ms,
            write_ms=write_ms,
            busy_ms=busy_ms,
            in_flight=in_flight,
            weighted_ms=weighted_ms,
        )
    return rows
