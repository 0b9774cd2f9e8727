"""What is asked of the simulator, and what follows from it: names of drives, level, refusals."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from enum import StrEnum

DRIVES_LEAST, DRIVES_MOST = 4, 12
SIZE_LEAST_BYTES, SIZE_MOST_BYTES = 10**11, 4 * 10**13
DOUBLE_PARITY_FROM = 6
PARITIES = {"raidz1": 1, "raidz2": 2, "raidz3": 3, "raid5": 1, "raid6": 2}
SYSTEMS = {"zfs": ("raidz1", "raidz2", "raidz3"), "md": ("raid5", "raid6")}
LETTERS = "bcdefghijklmnop"


class Kind(StrEnum):
    """How the rebuild goes."""

    HEALTHY = "healthy"
    SHINGLED = "shingled"
    STALLED = "stalled"
    THROTTLED = "throttled"
    SECOND_FAILURE = "second-failure"
    BUSY_HOST = "busy-host"
    BAD_REGION = "bad-region"
    SLOW_LINK = "slow-link"
    SCATTERED = "scattered"


@dataclass(frozen=True, slots=True)
class Drive:
    """An invented drive: the member's name, the kernel's name, and what the kernel knows of it."""

    name: str
    device: str
    model: str
    serial: str
    discard: bool
    link: str = "6.0 Gbps"


@dataclass(frozen=True, slots=True)
class Scenario:
    """One rebuild to invent.

    Attributes:
        kind: how it goes.
        system: ``zfs`` or ``md``.
        drives: members of the array, one of which is lost and replaced.
        size_bytes: of each drive; allocated: the share of it that the rebuild has to write (md: always all).
        level: None takes single parity below six drives, else double; a second failure always takes double.
        array: name of the pool or md device; None takes ``vault`` or ``md0``.
        start: the first poll.
        zone: where the office hours are.
        office_load: share of the drives' time that users take in office hours; a fifth of it at other times.
        backup_load: the same share in the hours of the nightly backup.
        unsteady: how unlike the load of two hours and the rate of two stretches are, in log scale.
        history_days: polls a quarter of an hour apart before the story begins.
        late_onset: a shingled drive collapses only after a long stretch in order of blocks.
        lifted_after_s: after this time somebody lifts the limit of a throttled one; None: nobody does.
        healthy_polls: polls before the loss; wait_s: from the loss to the new drive.
        until: no poll after this; None plays to the end.

    Raises:
        ValueError: a value is out of bounds, or the level is not one of the system or of the kind.
    """

    kind: Kind = Kind.HEALTHY
    system: str = "zfs"
    drives: int = 4
    size_bytes: int = 4 * 10**12
    allocated: float = 1.0
    level: str | None = None
    host: str = "store-1"
    array: str | None = None
    start: datetime = datetime(2026, 3, 2, 17, 0, tzinfo=UTC)
    poll_s: float = 60.0
    zone: str = "UTC"
    office_load: float = 0.04
    backup_load: float = 0.0
    unsteady: float = 0.0
    history_days: float = 0.0
    late_onset: bool = False
    lifted_after_s: float | None = None
    healthy_polls: int = 5
    wait_s: float = 1800.0
    until: datetime | None = None
    seed: int = 1

    def __post_init__(self) -> None:
        for wrong, message in (
            (self.system not in SYSTEMS, f"{self.system!r} is no system; take zfs or md"),
            (not DRIVES_LEAST <= self.drives <= DRIVES_MOST, f"{self.drives} drives; take {DRIVES_LEAST} to 12"),
            (
                not SIZE_LEAST_BYTES <= self.size_bytes <= SIZE_MOST_BYTES,
                f"drives of {self.size_bytes} bytes; take 100GB to 40TB",
            ),
            (not 0 < self.allocated <= 1, f"{self.allocated} allocated; take a share above 0, at most 1"),
            (not 0 <= self.office_load <= 0.5, f"an office load of {self.office_load}; take 0 to 0.5"),  # noqa: PLR2004
            (not 0 <= self.backup_load <= 0.5, f"a backup load of {self.backup_load}; take 0 to 0.5"),  # noqa: PLR2004
            (not 1 <= self.poll_s <= 3600, f"a poll every {self.poll_s} s; take 1s to 1h"),  # noqa: PLR2004
        ):
            if wrong:
                raise ValueError(message)
        if self.level is not None and self.level not in SYSTEMS[self.system]:
            message = f"{self.level!r} is no level of {self.system}; take one of {', '.join(SYSTEMS[self.system])}"
            raise ValueError(message)
        if self.kind is Kind.SECOND_FAILURE and self.parity < 2:  # noqa: PLR2004
            message = f"a second failure needs double parity, {self.level} has one"
            raise ValueError(message)

    @property
    def lost_at(self) -> datetime:
        """When the drive is lost, between two polls."""
        return self.start + timedelta(seconds=(self.healthy_polls - 0.5) * self.poll_s)

    @property
    def replaced_at(self) -> datetime:
        """When the new drive is put in."""
        return self.lost_at + timedelta(seconds=self.wait_s)

    @property
    def layout(self) -> str:
        """The level, ``raidz1`` or ``raid6``."""
        if self.level is not None:
            return self.level
        double = self.drives >= DOUBLE_PARITY_FROM or self.kind is Kind.SECOND_FAILURE
        return SYSTEMS[self.system][1 if double else 0]

    @property
    def parity(self) -> int:
        """Losses survived when every slot is good."""
        return PARITIES[self.layout]

    @property
    def array_name(self) -> str:
        """The pool, or the md device."""
        return self.array or ("vault" if self.system == "zfs" else "md0")

    @property
    def write_bytes(self) -> int:
        """What the new drive has to take, in whole KiB."""
        share = self.allocated if self.system == "zfs" else 1.0
        return int(self.size_bytes * share) // 1024 * 1024

    def members(self) -> tuple[Drive, ...]:
        """The drives that the array begins with."""
        return tuple(self._drive(number, shingled=False) for number in range(self.drives))

    def replacement(self) -> Drive:
        """The drive that takes the lost one's place."""
        new = self._drive(self.drives, shingled=self.kind is Kind.SHINGLED)
        return replace(new, link="480 Mbps") if self.kind is Kind.SLOW_LINK else new

    def _drive(self, number: int, *, shingled: bool) -> Drive:
        gigabytes = self.size_bytes // 10**9
        model = f"EX{gigabytes}-{'S' if shingled else 'C'}"
        serial = f"Q{7 if shingled else 4}{self.seed % 1000:03d}{number + 1:02d}"
        device = f"sd{LETTERS[number]}"
        name = f"ata-{model}_{serial}" if self.system == "zfs" else device
        return Drive(name, device, model, serial, discard=shingled)
