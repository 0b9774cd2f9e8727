"""A made-up /sys, /dev and /proc as the kernel lays them out, for hosts that this machine is not."""

import os
from pathlib import Path

ATA = "pci0000:00/0000:00:1f.2/ata{n}/host{n}/target{n}:0:0/{n}:0:0:0/block"


class BlockTree:
    """Adds devices below a root, one by one."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self._stats: list[str] = []
        for folder in ("sys/class/block", "sys/dev/block", "dev/disk/by-id", "dev/mapper", "proc/sys/kernel/random"):
            (root / folder).mkdir(parents=True)
        (root / "proc/sys/kernel/random/boot_id").write_text("2f1c7a1e-0000-4000-8000-000000000001\n")
        (root / "proc/uptime").write_text("4321.50 8000.00\n")

    def disk(self, name: str, place: str = ATA.format(n=1), **attributes: str | bytes) -> Path:
        """A whole disk at a place in the tree of buses; attributes by path, ``__`` for a slash."""
        folder = self.root / "sys/devices" / place / name.replace("/", "!")
        (folder / "slaves").mkdir(parents=True)
        # As in the kernel, "device" stands beside the attributes and leads back to the bus.
        self.attributes(folder, {"size": "1000", "queue__rotational": "1", "queue__zoned": "none", **attributes})
        self._enter(name, folder)
        return folder

    def partition(self, disk: str, name: str) -> Path:
        """A partition of a disk."""
        folder = (self.root / "sys/class/block" / disk.replace("/", "!")).resolve() / name.replace("/", "!")
        folder.mkdir()
        (folder / "partition").write_text("1\n")
        self._enter(name, folder)
        return folder

    def stacked(self, name: str, below: tuple[str, ...], **attributes: str) -> Path:
        """A device that stands on others."""
        folder = self.disk(name, "virtual/block", **attributes)
        (folder / ("md" if name.startswith("md") else "dm")).mkdir(exist_ok=True)
        for one in below:
            target = (self.root / "sys/class/block" / one).resolve()
            (folder / "slaves" / one).symlink_to(os.path.relpath(target, folder / "slaves"))
        return folder

    def link(self, path: str, node: str) -> None:
        """A link below /dev, as udev makes them."""
        place = self.root / path.lstrip("/")
        place.parent.mkdir(parents=True, exist_ok=True)
        place.symlink_to(os.path.relpath(self.root / "dev" / node, place.parent))

    def attributes(self, folder: Path, values: dict[str, str | bytes]) -> None:
        """Write attribute files."""
        for key, value in values.items():
            path = folder / key.replace("__", "/")
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(value if isinstance(value, bytes) else value.encode() + b"\n")

    def _enter(self, name: str, folder: Path) -> None:
        entry = self.root / "sys/class/block" / name.replace("/", "!")
        entry.symlink_to(os.path.relpath(folder, entry.parent))
        node = self.root / "dev" / name
        node.parent.mkdir(parents=True, exist_ok=True)
        node.write_text("")
        number = len(self._stats) + 1
        counters = " ".join(str(number * 100 + field) for field in range(1, 12))
        self._stats.append(f"   8 {number:7} {name} {counters} 0 0 0 0 5 6")
        (self.root / "proc/diskstats").write_text("\n".join(self._stats) + "\n")


def identify_page(serial: str, model: str, *, zoned: int = 0, trim: int = 0) -> bytes:
    """The ATA Information page (89h) of a drive, with IDENTIFY DEVICE at byte 60 (SCSI / ATA Translation)."""
    words = bytearray(512)

    def put(first: int, text: str, length: int) -> None:
        padded = text.ljust(length).encode()
        for at in range(0, length, 2):
            words[2 * first + at], words[2 * first + at + 1] = padded[at + 1], padded[at]

    put(10, serial, 20)
    put(27, model, 40)
    words[2 * 69] = zoned
    words[2 * 169] = trim
    return bytes(60) + bytes(words)
