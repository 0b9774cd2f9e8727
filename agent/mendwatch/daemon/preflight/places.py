"""What a path stands on: its mount, and every block device beneath it, to tell whether it is a watched array."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from mendwatch.model.mountinfo import MOUNTINFO, Mount, mounts
from mendwatch.model.observation import Array
from mendwatch.sources.links import Links
from mendwatch.sources.sysfs import Sysfs

_MOUNTS = Path(MOUNTINFO)
_DEEPEST = 8


@dataclass(frozen=True, slots=True)
class Ground:
    """What a path stands on.

    Attributes:
        mount: None if the kernel's list could not be read.
        devices: kernel names of the device that is mounted and of all beneath it; empty if there is none to be seen.
    """

    mount: Mount | None
    devices: frozenset[str]


def ground(path: Path, root: Path, mounts: Path = _MOUNTS) -> Ground:
    """What stands beneath a path, or beneath the nearest folder above it that exists.

    Args:
        path: absolute.
        root: where the host's /sys stands.
        mounts: the kernel's list of mounts, as this process sees them.
    """
    there = existing(path).resolve()
    try:
        listed = mounts.read_text(encoding="utf-8", errors="surrogateescape")
    except OSError:
        return Ground(None, frozenset())
    mount = mount_of(str(there), listed)
    if mount is None:
        return Ground(None, frozenset())
    sysfs = Sysfs(root)
    # btrfs and overlays have numbers without a device behind them: for these the mounted device is told by name.
    node = sysfs.by_number(mount.major, mount.minor) or Links(sysfs).node(mount.device)
    return Ground(mount, frozenset(_down(sysfs, node, _DEEPEST)) if node is not None else frozenset())


def existing(path: Path) -> Path:
    """The path itself, or the nearest folder above it that exists."""
    return next(place for place in (path, *path.parents) if os.path.lexists(place))


def mount_of(path: str, listed: str) -> Mount | None:
    """The mount that a path lies in; of two on one point, the later one is what is seen (proc(5), mountinfo)."""
    found: Mount | None = None
    for mount in mounts(listed):
        inside = path == mount.point or path.startswith(mount.point.rstrip("/") + "/")
        if inside and (found is None or len(mount.point) >= len(found.point)):
            found = mount
    return found


def _down(sysfs: Sysfs, node: str, depth: int) -> Iterator[str]:
    yield node
    if depth == 0:
        return
    beneath = (sysfs.parent(node),) if sysfs.is_partition(node) else sysfs.below(node)
    for one in beneath:
        yield from _down(sysfs, one, depth - 1)


def array_beneath(on: Ground, arrays: Iterable[Array], root: Path) -> Array | None:
    """The array that carries what stands on this ground, None if none of these does."""
    links = Links(Sysfs(root))
    for array in arrays:
        if array.system == "zfs":
            if on.mount is not None and on.mount.kind == "zfs" and on.mount.device.split("/")[0] == array.name:
                return array
        elif array.system == "btrfs":
            members = {links.node(member.name) for member in array.members}
            if on.mount is not None and on.mount.kind == "btrfs" and links.node(on.mount.device) in members - {None}:
                return array
        elif on.devices & {array.device, array.name}:
            return array
    return None
