"""What the history remembers: rebuilds and passes, degraded windows, samples, forecasts and findings."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from mendwatch.model.observation import Unread


class Outcome(StrEnum):
    """How a run stands or ended."""

    RUNNING = "running"
    FINISHED = "finished"
    FINISHED_WITH_ERRORS = "finished-with-errors"
    CANCELLED = "cancelled"
    INTERRUPTED = "interrupted"
    RESTARTED = "restarted"


@dataclass(frozen=True, slots=True)
class Quantiles:
    """A distribution of an end; a quantile is None when that end is not in sight."""

    p10: datetime | None
    p50: datetime | None
    p90: datetime | None


@dataclass(frozen=True, slots=True)
class Hours:
    """A distribution of a length in hours; None as in Quantiles."""

    p10: float | None
    p50: float | None
    p90: float | None


class Cause(StrEnum):
    """Why a rebuild is slow; no cause is better than a wrong one."""

    SHINGLED_WRITER = "shingled-writer"
    SLOW_WRITER = "slow-writer"
    SLOW_READER = "slow-reader"
    BUSY_HOST = "busy-host"
    THROTTLED = "throttled"
    SLOW_LINK = "slow-link"
    SCATTERED_LAYOUT = "scattered-layout"
    NOT_MOVING = "not-moving"


@dataclass(frozen=True, slots=True)
class Finding:
    """A cause with its evidence: one line with figures."""

    cause: Cause
    member: str | None
    confidence: float
    evidence: str


@dataclass(frozen=True, slots=True)
class Forecast:
    """The end of a rebuild as a distribution.

    Attributes:
        rate_bytes_per_s: in bytes of the storage system's progress count; None when not known.
        share_per_s: the same as share of the whole run per second.
        finish: None only while nothing can be said yet; its quantiles are None when that end is not in sight.
        basis_s: seconds of observed time that the figures rest on.
    """

    rate_bytes_per_s: float | None
    share_per_s: float | None
    finish: Quantiles | None
    basis_s: float


@dataclass(frozen=True, slots=True)
class RunRecord:
    """A rebuild or a pass in the history; ``type`` is ``rebuild`` or ``pass``.

    Attributes:
        after: the run that this one started over, if any.
        members: names of the members being filled.
        first_finish: the first projection that was said, to be held against the truth.
        observed_s: seconds during which it was watched; hours: from start to end by steady time.
    """

    type: str
    id: str
    after: str | None
    array: str
    array_id: str
    source: str
    kind: str
    word: str
    started: datetime
    ended: datetime | None
    outcome: Outcome
    bytes: int | None
    members: tuple[str, ...]
    hours: float = 0.0
    window: str | None = None
    first_finish: Quantiles | None = None
    first_finish_at: datetime | None = None
    causes: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class WindowRecord:
    """A degraded window in the history."""

    id: str
    array: str
    array_id: str
    source: str
    opened: datetime
    opened_known: bool
    closed: datetime | None
    hours: float
    rebuilds: tuple[str, ...]
    redundancy_full: int
    redundancy_least: int | None


@dataclass(frozen=True, slots=True)
class MemberSample:
    """What one member's drive did between this poll and the one before; None where the counters do not say."""

    name: str
    drive: str | None
    read_bytes_per_s: float | None = None
    write_bytes_per_s: float | None = None
    ms_per_read: float | None = None
    ms_per_write: float | None = None
    busy: float | None = None
    filling: bool = False
    bytes_per_read: float | None = None


@dataclass(frozen=True, slots=True)
class Sample:
    """One poll of one running rebuild: kept, every one.

    Attributes:
        elapsed_s: steady seconds since the run was first seen (its own start where that is known and earlier).
        observed_s: seconds since the poll before that count as observed; 0 after a gap.
        counters: as in Activity.
        moved: whether any counter of the storage system moved since the poll before.
    """

    run: str
    at: datetime
    elapsed_s: float
    observed_s: float
    done: float | None
    done_bytes: int | None
    total_bytes: int | None
    native_finish: datetime | None
    redundancy_left: int | None
    running: bool
    moved: bool
    counters: dict[str, int] = field(default_factory=dict)
    members: tuple[MemberSample, ...] = ()
    forecast: Forecast | None = None
    window_hours: Hours | None = None
    causes: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class SourceRecord:
    """When a source was last polled and last understood, and what it says of itself.

    Attributes:
        unread: how many lines of the last poll were not understood; first_unread: the first of them.
    """

    source: str
    polled: datetime
    sighted: datetime | None
    error: str | None
    unread: int
    arrays: tuple[str, ...]
    first_unread: tuple[Unread, ...] = ()
