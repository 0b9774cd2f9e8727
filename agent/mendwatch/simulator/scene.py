"""An instant of the invented story: all that the texts are written from."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from mendwatch.simulator.scenario import Drive, Scenario


@dataclass(frozen=True, slots=True)
class Scene:
    """How things stand at one poll.

    Attributes:
        members: the drives that the array began with; lost: those of them that failed, in order.
        new: the replacement once it is there.
        began: when the rebuild began, None before; ended: when it was over, None before.
        done_bytes: what the new drive has taken; recent_bytes: of these, in the last ``recent_s`` seconds.
        walked: share of the search for what is to be copied that is over (OpenZFS).
        pass_s, pass_share: seconds and share of the work since the rate is averaged anew (OpenZFS).
        limit_bytes_per_s: a limit that somebody set, None while there is none.
    """

    scenario: Scenario
    at: datetime
    members: tuple[Drive, ...]
    lost: tuple[Drive, ...] = ()
    new: Drive | None = None
    began: datetime | None = None
    ended: datetime | None = None
    done_bytes: float = 0.0
    recent_bytes: float = 0.0
    recent_s: float = 30.0
    walked: float = 0.0
    pass_s: float = 0.0
    pass_share: float = 0.0
    limit_bytes_per_s: float | None = None

    @property
    def rebuilding(self) -> bool:
        """Whether the rebuild runs."""
        return self.began is not None and self.ended is None

    @property
    def share(self) -> float:
        """Share of the work that is done."""
        return min(1.0, self.done_bytes / self.scenario.write_bytes)

    @property
    def missing(self) -> int:
        """Slots without whole data."""
        return len(self.lost) - (self.ended is not None)
