"""From the name that a storage system prints for a member to the whole disks behind it."""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass
from pathlib import Path

from mendwatch.model.observation import Array
from mendwatch.sources.sysfs import Sysfs

# In this order a bare name is looked up; OpenZFS leaves these folders off the names that it prints.
_FOLDERS = (
    "dev",
    "dev/disk/by-id",
    "dev/disk/by-vdev",
    "dev/disk/by-path",
    "dev/disk/by-partuuid",
    "dev/disk/by-partlabel",
    "dev/disk/by-uuid",
    "dev/mapper",
)
_DEEPEST = 8


@dataclass(frozen=True, slots=True)
class Link:
    """What a member's name stands for.

    Attributes:
        node: the block device itself, by kernel name (``sda1``, ``dm-3``).
        disks: the whole disks below it.
        partitions: the partitions on the way down, on one of which its data are.
    """

    node: str
    disks: tuple[str, ...]
    partitions: tuple[str, ...]


class Links:
    """Follows names down to disks, as the kernel sees them at this moment."""

    def __init__(self, sysfs: Sysfs) -> None:
        self._sysfs = sysfs
        self._mapped = sysfs.mapped()

    def find(self, array: Array, name: str) -> Link | None:
        """What a member of an array stands for; None if nothing of that name is attached, or no disk is below it."""
        node = self.node(name) or self._leg(array, name)
        if node is None:
            return None
        disks: dict[str, None] = {}
        partitions: dict[str, None] = {}
        self._down(node, disks, partitions, _DEEPEST)
        return Link(node, tuple(disks), tuple(partitions)) if disks else None

    def node(self, name: str) -> str | None:
        """The block device of a kernel name, a link's name or a path."""
        if name.startswith("/"):
            if not name.startswith("/dev/"):
                return None  # a file serves as a drive; to ask after it could hang with the array that it lies on
            return self._at(self._sysfs.root / name.lstrip("/")) or self._at(Path(name))
        if self._sysfs.exists(name):
            return name
        found = (self._at(self._sysfs.root / folder / name) for folder in _FOLDERS)
        return next((node for node in found if node is not None), None)

    def _at(self, path: Path) -> str | None:
        try:
            told = path.stat()
        except (OSError, ValueError):
            return None
        if stat.S_ISBLK(told.st_mode):
            node = self._sysfs.by_number(os.major(told.st_rdev), os.minor(told.st_rdev))
            if node is not None:
                return node
        dev, resolved = (self._sysfs.root / "dev").resolve(), path.resolve()
        name = str(resolved.relative_to(dev)) if resolved.is_relative_to(dev) else resolved.name
        return name if self._sysfs.exists(name) else None

    def _leg(self, array: Array, name: str) -> str | None:
        """A leg of a logical volume: the device mapper joins group and volume with a hyphen and doubles their own."""
        group, slash, _ = array.name.partition("/")
        if not slash:
            return None
        return self._mapped.get(f"{group.replace('-', '--')}-{name.replace('-', '--')}")

    def _down(self, node: str, disks: dict[str, None], partitions: dict[str, None], depth: int) -> None:
        if self._sysfs.is_partition(node):
            partitions[node] = None
            node = self._sysfs.parent(node)
        below = self._sysfs.below(node)
        if not below and self._sysfs.is_stacked(node):
            return  # what it stood on is gone, as below the leg of a volume that lost its drive
        if not below or depth == 0:
            disks[node] = None
            # OpenZFS names a disk that it partitioned by itself without the partition, which is the first.
            first = f"{node}{'p' if node[-1].isdigit() else ''}1"
            if not partitions and self._sysfs.exists(first) and self._sysfs.is_partition(first):
                partitions[first] = None
            return
        if (self._sysfs.text(self._sysfs.folder(node) / "dm/uuid") or "").startswith("mpath-"):
            below = below[:1]  # the paths of one and the same disk
        for one in below:
            self._down(one, disks, partitions, depth - 1)
