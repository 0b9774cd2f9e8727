"""What ``/sys/fs/btrfs/<uuid>`` tells, to everyone (the kernel's fs/btrfs/sysfs.c)."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from mendwatch.model.capture import FileRead, Read
from mendwatch.model.observation import Errors
from mendwatch.parsers.btrfs.chunks import Chunks
from mendwatch.parsers.btrfs.text import NUMBER

FOLDER = "/sys/fs/btrfs/"
SIZES = ("total", "used")
FILES = (
    "label",
    "exclusive_operation",
    *(f"allocation/{kind}/*/{size}_bytes" for kind in ("data", "metadata", "mixed", "system") for size in SIZES),
    "devices/*/size",
    "devices/*/dm/name",
)
# A device that was missing when it was removed keeps its folder, though what it shows is gone (btrfs_rm_device takes
# the folder only of a device that is there): to read it is to read freed memory, and has been seen to end in an oops
# (6.18). So only the folders of devices are read that the filesystem itself lists, and none while one is removed.
DEVICE_FILES = ("error_stats", "scrub_speed_max")
PATH = re.compile(r".*/sys/fs/btrfs/(?P<uuid>[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12})/(?P<name>.+)")
DEVINFO = re.compile(r"devinfo/(?P<id>\d{1,20})/(?P<file>\w+)")
ALLOCATION = re.compile(r"allocation/(?P<kind>data|metadata|mixed|system)/(?P<profile>\w+)/(?P<size>total|used)_bytes")
MIXED = "data+metadata"
DEVICE = re.compile(r"devices/(?P<device>[^/]+)/(?P<file>size|dm/name)")


@dataclass(slots=True)
class Sysfs:
    """One filesystem's folder.

    Attributes:
        operation: what has the filesystem to itself (``none``, ``device replace``, …), None before 5.10.
        devices: the files of each device, by its devid; 0 is the target of a replace. One that was removed may be
            among them still.
        allocation: bytes by kind of chunk and profile, in all (``total``) and filled (``used``).
        blocks: the kernel names of the devices that are there, and their device-mapper names.
    """

    label: str | None = None
    operation: str | None = None
    devices: dict[int, dict[str, str]] = field(default_factory=dict)
    allocation: dict[tuple[str, str], dict[str, int]] = field(default_factory=dict)
    blocks: set[str] = field(default_factory=set)

    @property
    def missing(self) -> tuple[int, ...] | None:
        """The devids that are missing, None if sysfs does not tell it of all."""
        told = {devid: files["missing"] for devid, files in self.devices.items() if "missing" in files}
        if not told or len(told) < len(self.devices) or not set(told.values()) <= {"0", "1"}:
            return None
        return tuple(sorted(devid for devid, flag in told.items() if flag == "1"))

    @property
    def there(self) -> tuple[int, ...]:
        """The devids that are said to be there."""
        return tuple(devid for devid, files in self.devices.items() if files.get("missing") == "0")

    @property
    def has_target(self) -> bool:
        """Whether a replace has a target: it is there while one runs or is suspended."""
        return any(files.get("replace_target") == "1" for files in self.devices.values())

    @property
    def chunks(self) -> list[Chunks]:
        """What is allocated."""
        return [
            Chunks(MIXED if kind == "mixed" else kind, profile, sizes["total"], sizes.get("used"))
            for (kind, profile), sizes in self.allocation.items()
            if "total" in sizes
        ]

    def errors(self, devid: int) -> Errors | None:
        """The error counters of a device, None where the kernel tells none (before 6.1, or ``invalid``)."""
        lines = self.devices.get(devid, {}).get("error_stats", "").splitlines()
        counts = {
            name: int(count)
            for name, _, count in (line.partition(" ") for line in lines)
            if re.fullmatch(NUMBER, count)
        }
        if not counts:
            return None
        return Errors(
            read=counts.get("read_errs"),
            write=counts.get("write_errs"),
            checksum=counts.get("corruption_errs", 0) + counts.get("generation_errs", 0),
        )


def sysfs_of(reads: tuple[Read, ...]) -> dict[str, Sysfs]:
    """Every filesystem's folder, by UUID."""
    found: dict[str, Sysfs] = {}
    for read in reads:
        match = PATH.fullmatch(read.path) if isinstance(read, FileRead) else None
        if match is not None and isinstance(read, FileRead) and read.text is not None:
            _take(found.setdefault(match["uuid"], Sysfs()), match["name"], read.text.strip("\n"))
    return found


def _take(found: Sysfs, name: str, text: str) -> None:
    if name == "label":
        found.label = text or None
    elif name == "exclusive_operation":
        found.operation = text.strip()
    elif (device := DEVINFO.fullmatch(name)) is not None:
        found.devices.setdefault(int(device["id"]), {})[device["file"]] = text.strip()
    elif (chunks := ALLOCATION.fullmatch(name)) is not None:
        if re.fullmatch(NUMBER, text.strip()):
            sizes = found.allocation.setdefault((chunks["kind"], chunks["profile"]), {})
            sizes[chunks["size"]] = int(text)
    elif (block := DEVICE.fullmatch(name)) is not None:
        found.blocks.add(block["device"] if block["file"] == "size" else text.strip())
