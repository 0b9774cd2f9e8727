"""The kernel's cumulative counters of the invented drives, moved on by what the rebuild and the users did."""

from __future__ import annotations

from dataclasses import dataclass, field

from mendwatch.model.capture import DiskCounters
from mendwatch.simulator.physics import Work
from mendwatch.simulator.scenario import Drive

REBUILD_REQUEST_BYTES = 512 * 1024
USERS_REQUEST_BYTES = 32 * 1024
USERS_READ_BYTES_PER_S = 6e6
USERS_WRITE_BYTES_PER_S = 2e6
USERS_MS = 9.0
SOURCE_QUEUE = 2.0
# Small blocks all over, and what a drive makes of a region that it reads again and again.
SMALL_REQUEST_BYTES = 24 * 1024
STUCK_QUEUE = 9.0


@dataclass(slots=True)
class Row:
    """One drive's counters so far."""

    read_bytes: float = 0.0
    write_bytes: float = 0.0
    read_count: float = 0.0
    write_count: float = 0.0
    read_ms: float = 0.0
    write_ms: float = 0.0
    busy_ms: float = 0.0
    in_flight: int = 0

    def counters(self) -> DiskCounters:
        """As the kernel tells them."""
        return DiskCounters(
            read_bytes=int(self.read_bytes) // 512 * 512,
            write_bytes=int(self.write_bytes) // 512 * 512,
            read_count=int(self.read_count),
            write_count=int(self.write_count),
            read_ms=int(self.read_ms),
            write_ms=int(self.write_ms),
            busy_ms=int(self.busy_ms),
            in_flight=self.in_flight,
            weighted_ms=int(self.read_ms + self.write_ms),
        )


@dataclass(slots=True)
class Bench:
    """The counters of all drives, by kernel name."""

    rows: dict[str, Row] = field(default_factory=dict)

    def move(self, serving: tuple[Drive, ...], target: Drive | None, work: Work, seconds: float) -> None:
        """Add what happened in a stretch of time.

        Args:
            serving: the drives with whole data.
            target: the drive being filled, if one is.
            work: of the rebuild and the users.
            seconds: how long the stretch was.
        """
        requests = (work.written_bytes - work.small_bytes) / REBUILD_REQUEST_BYTES
        small = work.small_bytes / SMALL_REQUEST_BYTES
        share = work.users_s / seconds if seconds else 0.0
        for number, drive in enumerate(serving):
            row = self.rows.setdefault(drive.device, Row())
            read, written = USERS_READ_BYTES_PER_S * work.users_s, USERS_WRITE_BYTES_PER_S * work.users_s
            row.read_bytes += work.written_bytes + read
            row.read_count += requests + small + read / USERS_REQUEST_BYTES
            row.read_ms += SOURCE_QUEUE * 1000 * max(0.0, work.source_busy_s - work.users_s)
            row.read_ms += USERS_MS * read / USERS_REQUEST_BYTES
            row.write_bytes += written
            row.write_count += written / USERS_REQUEST_BYTES
            row.write_ms += USERS_MS * written / USERS_REQUEST_BYTES
            row.busy_ms += 1000 * min(seconds, work.source_busy_s)
            row.in_flight = round(share)
            if number == 0 and work.stuck_source_s:
                # Only one of them has the bad region.
                row.busy_ms += 1000 * max(0.0, 0.99 * work.stuck_source_s - work.source_busy_s)
                row.read_ms += 1000 * STUCK_QUEUE * work.stuck_source_s
        if target is not None:
            row = self.rows.setdefault(target.device, Row())
            row.write_bytes += work.written_bytes
            row.write_count += work.written_bytes / REBUILD_REQUEST_BYTES
            row.write_ms += 1000 * work.target_queue_s
            row.busy_ms += 1000 * work.target_busy_s
            row.in_flight = round(work.target_queue_s / seconds) if seconds else 0
