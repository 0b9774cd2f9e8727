"""What one poll of one source brought in: raw text, the drives' counters, and what the kernel knows of the drives.

The fields are those of a recording's line (shared contract, section 2), so that a live poll and a played one are the
same thing to every later stage.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import TypeAlias


@dataclass(frozen=True, slots=True)
class CommandRead:
    """A command that was run; ``exit`` is None when it gave no answer, and ``error`` says why."""

    argv: tuple[str, ...]
    exit: int | None
    stdout: str = ""
    stderr: str = ""
    seconds: float | None = None
    error: str | None = None


@dataclass(frozen=True, slots=True)
class FileRead:
    """A status file; ``text`` is None when it could not be read, and ``error`` says why."""

    path: str
    text: str | None = None
    error: str | None = None


Read: TypeAlias = CommandRead | FileRead


@dataclass(frozen=True, slots=True)
class DiskCounters:
    """The kernel's cumulative counters of one block device; None is 'not told', never 0.

    Attributes:
        io_errors: commands that ended with an error since the drive was attached, of whole SCSI and SATA disks only;
            harmless probes count too, so that only its growth says anything.
    """

    read_bytes: int | None = None
    write_bytes: int | None = None
    read_count: int | None = None
    write_count: int | None = None
    read_ms: int | None = None
    write_ms: int | None = None
    busy_ms: int | None = None
    in_flight: int | None = None
    weighted_ms: int | None = None
    io_errors: int | None = None


@dataclass(frozen=True, slots=True)
class DriveFacts:
    """What the kernel knows of a whole disk, without waking it.

    Attributes:
        model: in full where the drive's own description is at hand.
        discard: whether it takes discards; None on a rotating drive that is no SATA or SAS drive of its own.
        zoned: ``none``, ``host-aware``, ``host-managed`` or ``drive-managed``; ``none`` never clears a drive.
        link: the speed now, in the kernel's words.
        logical_sector_bytes, physical_sector_bytes: the unit of addressing, and that of writing without a detour.
        write_cache: ``write back`` (on) or ``write through`` (off).
    """

    model: str | None = None
    serial: str | None = None
    size_bytes: int | None = None
    rotational: bool | None = None
    discard: bool | None = None
    zoned: str | None = None
    link: str | None = None
    logical_sector_bytes: int | None = None
    physical_sector_bytes: int | None = None
    write_cache: str | None = None


@dataclass(frozen=True, slots=True)
class Capture:
    """One poll of one source.

    Attributes:
        at: when the poll ended, aware, UTC.
        source: ``zfs``, ``md``, ``btrfs``, ``dm-raid`` or a plug-in's name.
        reads: in the order in which they were made.
        boot: the kernel's boot id, if known.
        up: seconds of the kernel's monotonic clock at ``at``, if known.
        zone: the IANA zone in which the tools printed dates without one.
        disks: counters by whole disk (kernel name).
        partitions: counters by partition.
        array_devices: counters by array device (``md0``).
        links: member name to the whole disks behind it.
        drives: facts by whole disk.
    """

    at: datetime
    source: str
    reads: tuple[Read, ...] = ()
    boot: str | None = None
    up: float | None = None
    zone: str = "UTC"
    disks: dict[str, DiskCounters] = field(default_factory=dict)
    partitions: dict[str, DiskCounters] = field(default_factory=dict)
    array_devices: dict[str, DiskCounters] = field(default_factory=dict)
    links: dict[str, tuple[str, ...]] = field(default_factory=dict)
    drives: dict[str, DriveFacts] = field(default_factory=dict)

    def file(self, path: str) -> str | None:
        """The text of a status file, None when it was not read or could not be."""
        for read in self.reads:
            if isinstance(read, FileRead) and read.path == path:
                return read.text
        return None

    def commands(self) -> tuple[CommandRead, ...]:
        """The commands that were run, in order."""
        return tuple(read for read in self.reads if isinstance(read, CommandRead))

    def files(self) -> tuple[FileRead, ...]:
        """The files that were read, in order."""
        return tuple(read for read in self.reads if isinstance(read, FileRead))
