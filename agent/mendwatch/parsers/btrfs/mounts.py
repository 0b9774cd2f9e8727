"""Which btrfs filesystems are mounted, and at which one of its places each is asked."""

from __future__ import annotations

from mendwatch.model.mountinfo import Mount, mounts


def mounts_of(text: str) -> tuple[Mount, ...]:
    """One mount of each btrfs filesystem, the whole filesystem before a part of it, the shorter path first."""
    found: dict[tuple[int, int, str], Mount] = {}
    for mount in mounts(text):
        if mount.kind == "btrfs":
            key = (mount.major, mount.minor, mount.device)
            found[key] = min(found.get(key, mount), mount, key=_preference)
    return tuple(found.values())


def _preference(mount: Mount) -> tuple[bool, int, str]:
    return mount.root != "/", len(mount.point), mount.point
