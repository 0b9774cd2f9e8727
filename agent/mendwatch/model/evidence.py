"""What the diagnosis keeps of a rebuild, and the view of it that every cause is judged by."""

from __future__ import annotations

from dataclasses import dataclass, field
from statistics import median

from mendwatch.model.observation import Errors, Setting

TWO_DIGITS_FROM = 10
SLOW_BELOW = 0.6


@dataclass(frozen=True, slots=True)
class DriveMeans:
    """What a drive did on average over the latest polls; None where its counters never said.

    Attributes:
        busy: share of the time with a request in flight, 0..1; bytes_per_read: the size of a read.
    """

    read_bytes_per_s: float | None = None
    write_bytes_per_s: float | None = None
    ms_per_read: float | None = None
    ms_per_write: float | None = None
    busy: float | None = None
    bytes_per_read: float | None = None


@dataclass(frozen=True, slots=True)
class DiagnosisState:
    """The bounded memory of one rebuild, carried from poll to poll.

    Attributes:
        pace_s: the usual time between polls, lately; polls: how many were observed.
        still_s: observed seconds since anything moved; longest_still_s: the longest that ended by itself.
        filled: names of the members being filled.
        rate_bytes_per_s: what the new drives took, averaged over the latest polls; mean_square: of the same.
        best_bytes_per_s: the highest that this average ever was.
        slow_polls: for how many polls the average has been below SLOW_BELOW of that.
        now: means of the latest polls by member; best: the same as it was at the best rate.
    """

    pace_s: float = 0.0
    polls: int = 0
    still_s: float = 0.0
    longest_still_s: float = 0.0
    filled: tuple[str, ...] = ()
    rate_bytes_per_s: float | None = None
    mean_square: float | None = None
    best_bytes_per_s: float | None = None
    slow_polls: int = 0
    now: dict[str, DriveMeans] = field(default_factory=dict)
    best: dict[str, DriveMeans] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class DriveView:
    """One member's drive: how it does now, and how it did when the rebuild was at its best (None: never seen then)."""

    name: str
    now: DriveMeans
    best: DriveMeans | None
    errors: Errors | None

    @property
    def moved_bytes_per_s(self) -> float:
        """Read and written, together."""
        return (self.now.read_bytes_per_s or 0.0) + (self.now.write_bytes_per_s or 0.0)


@dataclass(frozen=True, slots=True)
class View:
    """A rebuild as the causes see it.

    Attributes:
        target: the drive being filled (the busiest of several); None without counters.
        sources: the drives of the same group that are read, where counters tell of them.
        rate_bytes_per_s: what the new drives take lately; best_bytes_per_s: the best it ever was.
        slow_polls: as in DiagnosisState; polls: how many were observed.
        unsteady: mean square of the rate over the square of its mean, lately; 1 when perfectly even.
        settings: the limits and tunables that hold it back.
        still_s: observed seconds since anything moved; still_polls: the same in polls of the usual pace.
        stands: whether that is longer than this rebuild's own pauses explain.
        held: why it is paused or waits, in the storage system's words.
        target_link: the speed of the new drive's link in the kernel's words, None where it is not known.
    """

    target: DriveView | None
    sources: tuple[DriveView, ...]
    rate_bytes_per_s: float | None
    best_bytes_per_s: float | None
    slow_polls: int
    polls: int
    unsteady: float
    settings: tuple[Setting, ...]
    still_s: float
    still_polls: float
    stands: bool
    held: str | None
    target_link: str | None = None

    @property
    def peers_busy(self) -> float:
        """How busy the sources are, their median; one that is not known counts as busy, so that it is never idle."""
        return median(1.0 if source.now.busy is None else source.now.busy for source in self.sources)

    @property
    def share_of_best(self) -> float | None:
        """The rate lately over the best it ever was; None without counters or too early to say."""
        if self.rate_bytes_per_s is None or not self.best_bytes_per_s:
            return None
        return self.rate_bytes_per_s / self.best_bytes_per_s

    def fallen_below(self, share: float) -> bool:
        """Whether the rebuild is known to go at less than this share of its best."""
        fallen = self.share_of_best
        return fallen is not None and fallen < share


def speed(bytes_per_s: float | None) -> str:
    """A rate as evidence words it: '4.9 MB/s'."""
    if bytes_per_s is None:
        return "an unknown rate"
    mb = bytes_per_s / 1e6
    return f"{mb:.2g} MB/s" if mb < TWO_DIGITS_FROM else f"{mb:.0f} MB/s"


def percent(share: float) -> str:
    """A share as evidence words it: '98 %'."""
    return f"{share * 100:.0f} %"
