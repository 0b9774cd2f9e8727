"""A real btrfs mirror on loop devices, for tests that run as root on a kernel that knows btrfs."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

TOOLS = ("losetup", "mkfs.btrfs", "btrfs", "mount", "umount")


def why_not() -> str | None:
    """Why no such filesystem can be made here, None if it can."""
    if os.geteuid() != 0:
        return "needs root to set up loop devices"
    missing = [tool for tool in TOOLS if shutil.which(tool) is None]
    if missing:
        return f"needs {', '.join(missing)}"
    if "btrfs" not in Path("/proc/filesystems").read_text(encoding="ascii"):
        subprocess.run(["modprobe", "btrfs"], check=False, capture_output=True) if shutil.which("modprobe") else None
        if "btrfs" not in Path("/proc/filesystems").read_text(encoding="ascii"):
            return "the kernel has no btrfs"
    if not Path("/dev/loop-control").exists():
        return "no loop devices"
    return None


def run(*argv: str) -> str:
    done = subprocess.run(argv, check=False, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, f"{argv}: {done.stderr}"
    return done.stdout.strip()


@dataclass
class Mirror:
    """A mirror of three devices whose second is gone, and a fourth that can take its place."""

    mount: Path
    uuid: str
    survivor: str
    spare: str
    missing_id: int = 2

    def limit(self, bytes_per_s: int) -> None:
        """Slow the replacement down through the limit of the device that is replaced (0 lifts it)."""
        path = Path(f"/sys/fs/btrfs/{self.uuid}/devinfo/{self.missing_id}/scrub_speed_max")
        path.write_text(f"{bytes_per_s}\n", encoding="ascii")

    def replace(self) -> subprocess.Popen[bytes]:
        argv = ["btrfs", "replace", "start", "-B", "-f", str(self.missing_id), self.spare, str(self.mount)]
        return subprocess.Popen(argv, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


@contextmanager
def degraded_mirror(folder: Path, data_bytes: int) -> Iterator[Mirror]:
    """Make the mirror, fill it, take the second device away, and mount what is left."""
    loops: list[str] = []
    mount = folder / "mnt"
    mount.mkdir()
    mounted = False
    try:
        for number in range(4):
            image = folder / f"disk{number}.img"
            with image.open("wb") as file:
                file.truncate(data_bytes * 4 + (512 << 20))
            loops.append(run("losetup", "--find", "--show", str(image)))
        run("mkfs.btrfs", "-q", "-f", "-L", "lab-mirror", "-d", "raid1", "-m", "raid1", *loops[:3])
        run("mount", loops[0], str(mount))
        mounted = True
        with (mount / "data").open("wb") as file:
            for _ in range(data_bytes >> 20):
                file.write(os.urandom(1 << 20))
        run("umount", str(mount))
        mounted = False
        # Of three devices two are left, so that what is written meanwhile is still mirrored; of two, it would not be.
        run("losetup", "--detach", loops.pop(1))
        run("btrfs", "device", "scan", "--forget")
        run("btrfs", "device", "scan", loops[0], loops[1])
        run("mount", "-o", "degraded", loops[0], str(mount))
        mounted = True
        uuid = run("btrfs", "filesystem", "show", loops[0]).partition("uuid: ")[2].split()[0]
        yield Mirror(mount, uuid, loops[0], loops[2])
    finally:
        if mounted:
            subprocess.run(["umount", "-l", str(mount)], check=False, capture_output=True)
        for loop in loops:
            subprocess.run(["losetup", "--detach", loop], check=False, capture_output=True)
