"""btrfs: what its tool says of replace, scrub, balance, devices and chunks, and what sysfs tells without root.

Redundancy is counted by chunks: the weakest profile in use, less the missing devices. A replace counts its position on
the device, not the share of the data, so it ends where the allocation ends.
"""

from __future__ import annotations

from mendwatch.model.capture import Capture, CommandRead, FileRead, Read
from mendwatch.model.mountinfo import MOUNTINFO
from mendwatch.model.names import printable
from mendwatch.model.observation import Observation
from mendwatch.model.plugin import Command, File, Files, Want
from mendwatch.parsers.btrfs.arrays import build
from mendwatch.parsers.btrfs.gather import gather
from mendwatch.parsers.btrfs.mounts import mounts_of
from mendwatch.parsers.btrfs.redundancy import devids
from mendwatch.parsers.btrfs.sysfs import DEVICE_FILES, FILES, FOLDER, sysfs_of

COMMANDS = (
    ("btrfs", "replace", "status", "-1"),
    ("btrfs", "device", "stats"),
    ("btrfs", "filesystem", "show", "--raw"),
    ("btrfs", "filesystem", "usage", "-b"),
    ("btrfs", "device", "usage", "-b"),
    ("btrfs", "scrub", "status"),
)
BALANCE = ("btrfs", "balance", "status")


class BtrfsParser:
    """The filesystems that are mounted."""

    name = "btrfs"
    program = "btrfs"
    present_if = (f"{FOLDER}*-*",)

    def wants(self, reads: tuple[Read, ...]) -> tuple[Want, ...]:
        """What the kernel tells everyone, then the tool's word on each mounted filesystem."""
        if not reads:
            return (File(MOUNTINFO), *(Files(f"{FOLDER}*-*/{name}") for name in FILES))
        if any(isinstance(read, CommandRead) for read in reads):
            return _device_files(reads)
        text = next((r.text for r in reads if isinstance(r, FileRead) and r.path.endswith(MOUNTINFO)), None)
        operations = {folder.operation for folder in sysfs_of(reads).values()}
        # Before 5.10 sysfs does not tell; only then is everyone asked.
        balances = None in operations or any("balance" in (operation or "") for operation in operations)
        commands = (*COMMANDS, *([BALANCE] if balances else []))
        return tuple(Command((*argv, mount.point)) for mount in mounts_of(text or "") for argv in commands)

    def parse(self, capture: Capture) -> Observation:
        """Understand one capture."""
        gathered = gather(capture.reads)
        arrays = tuple(build(found, capture) for found in gathered.filesystems)
        unread = (*gathered.unread, *(line for found in gathered.filesystems for line in found.unread))
        error = None
        if gathered.failed:
            error = printable("; ".join(gathered.failed))
        elif not arrays and not gathered.complete and not gathered.none:
            error = "this poll holds no reading of a btrfs filesystem"
        return Observation(capture.at, capture.source, arrays, unread, error, gathered.complete and error is None)


def _device_files(reads: tuple[Read, ...]) -> tuple[Want, ...]:
    """The files of the devices that the tool has just listed, see :data:`DEVICE_FILES`."""
    return tuple(
        Files(f"{FOLDER}{found.uuid}/devinfo/{devid}/{name}")
        for found in gather(reads).filesystems
        if found.sysfs is not None and found.sysfs.operation != "device remove"
        for devid in sorted(devids(found) or ())
        for name in DEVICE_FILES
    )


PARSER = BtrfsParser()
