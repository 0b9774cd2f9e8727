"""The kernel's own picture of its block devices, as files below /sys."""

from __future__ import annotations

from pathlib import Path

_MOST_BYTES = 64 * 1024


class Sysfs:
    """Reads attributes of block devices; what is not there is None.

    Nothing here reaches a drive: :mod:`mendwatch.sources.drive_facts` says of each attribute why.
    """

    def __init__(self, root: Path) -> None:
        self.root = root

    def folder(self, name: str) -> Path:
        """Where a block device's attributes stand, by kernel name; names with a slash have ``!`` there."""
        return self.root / "sys/class/block" / name.replace("/", "!")

    def real(self, name: str) -> Path:
        """The device's place in the tree of buses."""
        return self.folder(name).resolve()

    def exists(self, name: str) -> bool:
        """Whether the kernel has a block device of this name."""
        return bool(name) and name not in {".", ".."} and self.folder(name).exists()

    def text(self, path: Path) -> str | None:
        """An attribute without the blanks around it; None if it is not there, not readable or empty."""
        raw = self.raw(path)
        return (raw.decode("utf-8", "replace").strip() or None) if raw is not None else None

    def raw(self, path: Path) -> bytes | None:
        """An attribute's bytes."""
        try:
            with path.open("rb", buffering=0) as stream:
                return stream.read(_MOST_BYTES)
        except OSError:
            return None

    def number(self, path: Path) -> int | None:
        """A decimal attribute."""
        text = self.text(path)
        return int(text) if text is not None and text.isdecimal() else None

    def is_partition(self, name: str) -> bool:
        """Whether it is a partition of another device."""
        return (self.folder(name) / "partition").exists()

    def parent(self, name: str) -> str:
        """The whole disk of a partition. Digits are not cut off names: ``nvme0n1p2``, ``md0p1``."""
        return self.real(name).parent.name.replace("!", "/")

    def below(self, name: str) -> tuple[str, ...]:
        """What a stacked device (device mapper, md) stands on directly."""
        return names_in(self.folder(name) / "slaves")

    def is_stacked(self, name: str) -> bool:
        """Whether it is a device of the device mapper or of md, and so no disk by itself."""
        return any((self.folder(name) / kind).exists() for kind in ("dm", "md"))

    def mapped(self) -> dict[str, str]:
        """Device-mapper names, each with its kernel name."""
        found = {}
        for folder in sorted((self.root / "sys/class/block").glob("dm-*")):
            label = self.text(folder / "dm/name")
            if label is not None:
                found[label] = folder.name
        return found

    def by_number(self, major: int, minor: int) -> str | None:
        """The kernel name of a device number."""
        folder = self.root / f"sys/dev/block/{major}:{minor}"
        return folder.resolve().name.replace("!", "/") if folder.exists() else None


def names_in(folder: Path) -> tuple[str, ...]:
    """The kernel names of the devices that a folder lists."""
    try:
        return tuple(sorted(entry.name.replace("!", "/") for entry in folder.iterdir()))
    except OSError:
        return ()
