"""Linux md: ``/proc/mdstat`` and ``/sys/block/md*/md``.

Where the two disagree within one poll, the lower redundancy counts: ``degraded`` follows an unplugged drive by some
seconds, and a member's own state or the ``[UU_]`` word may be ahead of it. Progress is mdstat's, which moves all the
time; ``sync_completed`` moves sixteen times in all.
"""

from __future__ import annotations

from mendwatch.model.capture import Capture, Read
from mendwatch.model.observation import Observation
from mendwatch.model.plugin import File, Files, Want
from mendwatch.parsers.md.arrays import build
from mendwatch.parsers.md.mdstat import read_mdstat
from mendwatch.parsers.md.settings import limits_of_the_system
from mendwatch.parsers.md.sysfs import Sysfs, sysfs_of

MDSTAT = "/proc/mdstat"
ABSENT = "No such file or directory"
ARRAY_FILES = (
    "array_state",
    "chunk_size",
    "component_size",
    "degraded",
    "last_sync_action",
    "layout",
    "level",
    "metadata_version",
    "mismatch_cnt",
    "raid_disks",
    "reshape_position",
    "resync_start",
    "sync_action",
    "sync_completed",
    "sync_max",
    "sync_speed",
    "sync_speed_max",
    "sync_speed_min",
    "uuid",
)
MEMBER_FILES = ("errors", "recovery_start", "size", "slot", "state")


class MdParser:
    """Linux md."""

    name = "md"
    program = None
    present_if = (MDSTAT,)

    def wants(self, reads: tuple[Read, ...]) -> tuple[Want, ...]:
        """All in one round: no reading depends on another."""
        if reads:
            return ()
        return (
            File(MDSTAT),
            *(Files(f"/sys/block/md*/md/{name}") for name in ARRAY_FILES),
            *(Files(f"/sys/block/md*/md/dev-*/{name}") for name in MEMBER_FILES),
            File("/proc/sys/dev/raid/speed_limit_min"),
            File("/proc/sys/dev/raid/speed_limit_max"),
        )

    def parse(self, capture: Capture) -> Observation:
        """Understand one capture.

        Raises:
            ParseError: the text is not that of ``/proc/mdstat``.
        """
        mdstat = next((read for read in capture.files() if read.path.endswith(MDSTAT)), None)
        if mdstat is None:
            lacking = f"this poll holds no reading of {MDSTAT}"
            return Observation(capture.at, capture.source, error=lacking, complete=False)
        if mdstat.text is None:
            # Without the kernel's md module there is no such file, and no array either.
            absent = ABSENT in (mdstat.error or "")
            why = None if absent else f"{MDSTAT}: {mdstat.error}"
            return Observation(capture.at, capture.source, error=why, complete=absent)
        read = read_mdstat(mdstat.text)
        files = sysfs_of(capture)
        limits = limits_of_the_system(capture)
        arrays = [build(entry, files.get(entry.name, Sysfs()), capture, limits) for entry in read.entries.values()]
        shown = tuple(array for array in arrays if array is not None)
        # The first lines alone, or the lines of a few arrays, are an excerpt; a file that was begun has to end.
        error = f"{MDSTAT} ends in the middle" if read.begun and not read.ended else None
        complete = read.begun and read.ended and not read.unread
        return Observation(capture.at, capture.source, shown, read.unread, error=error, complete=complete)


PARSER = MdParser()
