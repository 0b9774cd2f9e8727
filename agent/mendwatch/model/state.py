"""What the tracker carries from one poll to the next, and what the policy remembers having said.

All of it is plain data of bounded size: it is stored with every poll and read back after a restart.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from mendwatch.model.alert import Alert, Fact
from mendwatch.model.capture import DiskCounters, DriveFacts
from mendwatch.model.load import UsualLoad
from mendwatch.model.observation import ActivityKind, Array, Errors, LastActivity
from mendwatch.model.records import Finding, Forecast, Hours, MemberSample, Outcome, Quantiles


@dataclass(frozen=True, slots=True)
class Moment:
    """When a poll ended: wall clock, and the kernel's boot and monotonic seconds where known."""

    at: datetime
    boot: str | None = None
    up: float | None = None


@dataclass(frozen=True, slots=True)
class Interval:
    """The time between two polls of a source.

    Attributes:
        steady_s: seconds that passed, never negative, by the monotonic clock where both polls share a boot.
        observed_s: the same if the polls are close enough together to say what happened in between, else 0.
        rebooted: the host was booted in between.
    """

    steady_s: float
    observed_s: float
    rebooted: bool


@dataclass(frozen=True, slots=True)
class Ending:
    """A run that is no longer seen, until two polls and a minute confirm that it is over."""

    since: datetime
    outcome: Outcome
    errors: int | None
    good: bool
    polls: int = 1
    lasted_s: float = 0.0


@dataclass(frozen=True, slots=True)
class RunState:
    """A rebuild or pass that goes on, or is ending.

    Attributes:
        elapsed_s: steady seconds since it started; observed_s: of these, watched.
        done: share of its own work, 0..1; began_at_done: what it was when first seen.
        step: how far the last poll brought it, to judge whether a vanished pass had reached its end.
        still_s: observed seconds without movement; longest_still_s: the longest that movement ended by itself.
        held: why it waits or is paused, if it is.
        told_underway: the first notice was given.
        first_finish: the first projection that was said.
    """

    id: str
    kind: ActivityKind
    word: str
    started: datetime
    started_known: bool
    seen: datetime
    first_seen: datetime | None = None
    subject: str | None = None
    after: str | None = None
    fills: tuple[str, ...] = ()
    pass_started: datetime | None = None
    elapsed_s: float = 0.0
    observed_s: float = 0.0
    polls: int = 0
    done: float | None = None
    done_bytes: int | None = None
    total_bytes: int | None = None
    began_at_done: float | None = None
    step: float = 0.0
    end_share: float | None = None
    native_finish: datetime | None = None
    errors: int | None = None
    counters: dict[str, int] = field(default_factory=dict)
    moved: bool = True
    still_s: float = 0.0
    still_since: datetime | None = None
    longest_still_s: float = 0.0
    running: bool = True
    waiting: bool = False
    held: str | None = None
    ending: Ending | None = None
    window: str | None = None
    members: tuple[MemberSample, ...] = ()
    forecast: Forecast | None = None
    window_hours: Hours | None = None
    first_finish: Quantiles | None = None
    first_finish_at: datetime | None = None
    causes: tuple[Finding, ...] = ()

    @property
    def is_rebuild(self) -> bool:
        """Whether it fills members; anything else is a pass."""
        return self.kind is ActivityKind.REBUILD

    @property
    def active(self) -> bool:
        """Whether it was seen at the last poll that looked."""
        return self.ending is None


@dataclass(frozen=True, slots=True)
class WindowState:
    """An open degraded window.

    Attributes:
        full: the full level, held at the value it had when the window opened.
        clocks_s: seconds with redundancy left at or below k, by k.
        level: redundancy left as last confirmed; a rise counts after two polls and a minute, a fall at once.
        risen_to: what is left now, where that is above ``level``, with when it was first seen so, and the polls and
            seconds since.
        waiting_s: seconds without any rebuild since the last one was seen.
    """

    id: str
    opened: datetime
    opened_known: bool
    full: int
    level: int
    elapsed_s: float = 0.0
    clocks_s: dict[int, float] = field(default_factory=dict)
    least: int | None = None
    rebuilds: tuple[str, ...] = ()
    restarts: int = 0
    waiting_s: float = 0.0
    risen_to: int | None = None
    risen_since: datetime | None = None
    risen_polls: int = 0
    risen_s: float = 0.0


@dataclass(frozen=True, slots=True)
class ArrayState:
    """One array as it is followed.

    Attributes:
        key: the id under which the history knows it: the best one known when it was first seen.
        array: as last observed, with what single polls lacked carried over.
        known_as: the best identity seen so far, with its kind.
        seen: the poll that last showed it; boot: of that poll.
        absent_s: observed seconds for which complete polls have not shown it.
        full: the full level: follows the layout, upwards only once that much redundancy was really there.
        layout_full: the full level of the layout as last announced.
        usual_hours: what past rebuilds of this array took, the latest few.
        errors: per member, as last counted; counters: the drives' counters at the last poll.
        drives: facts of the drives behind the members, by member name; load: what others usually ask of them.
    """

    key: str
    array: Array
    known_as: str
    seen: datetime
    first_seen: datetime
    boot: str | None = None
    absent_s: float = 0.0
    absent_since: datetime | None = None
    rebooted_since: bool = False
    full: int | None = None
    layout_full: int | None = None
    slots: int | None = None
    left: int | None = None
    window: WindowState | None = None
    runs: tuple[RunState, ...] = ()
    last: LastActivity | None = None
    usual_hours: tuple[float, ...] = ()
    errors: dict[str, Errors] = field(default_factory=dict)
    counters: dict[str, DiskCounters] = field(default_factory=dict)
    drives: dict[str, DriveFacts] = field(default_factory=dict)
    suspects: tuple[str, ...] = ()
    load: UsualLoad = field(default_factory=UsualLoad)

    @property
    def rebuilds(self) -> tuple[RunState, ...]:
        """The rebuilds that go on."""
        return tuple(run for run in self.runs if run.is_rebuild and run.active)


@dataclass(frozen=True, slots=True)
class Track:
    """All that is followed of one source.

    Attributes:
        pace_s: the usual time between polls, lately.
        sighted: the last poll that could be understood; blind_s: observed seconds since the first that could not.
    """

    source: str
    last: Moment | None = None
    pace_s: tuple[float, ...] = ()
    arrays: dict[str, ArrayState] = field(default_factory=dict)
    sighted: datetime | None = None
    blind_since: datetime | None = None
    blind_s: float = 0.0
    blind_error: str | None = None


class EventKind(StrEnum):
    """What the tracker saw happen; conditions that last are read off the state instead."""

    LEFT_FELL = "left-fell"
    WINDOW_CLOSED = "window-closed"
    RUN_BEGAN = "run-began"
    RUN_RESTARTED = "run-restarted"
    RUN_MOVED = "run-moved"
    RUN_OVER = "run-over"
    LAYOUT_CHANGED = "layout-changed"
    DATA_DAMAGED = "data-damaged"
    ERRORS_GAINED = "errors-gained"
    SIGHTED = "sighted"


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that happened at this poll; ``window`` is the window as it was, where it has closed."""

    kind: EventKind
    array: str
    run: RunState | None = None
    window: WindowState | None = None
    facts: dict[str, Fact] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Standing:
    """An alert whose condition has not ended; ``quiet_s`` is the time since it was last said."""

    alert: Alert
    quiet_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Said:
    """What was said of a window's projection, so that each reason is said once.

    Attributes:
        reasons: ``reason/level`` of what was said; last_p90: the latest end that was stated.
        over_polls, over_s: for how long the projection has been over without being said; within likewise.
        later: how often an end moved past what was last said.
    """

    reasons: tuple[str, ...] = ()
    last_p90: datetime | None = None
    over_polls: int = 0
    over_s: float = 0.0
    within_polls: int = 0
    within_s: float = 0.0
    later: int = 0


@dataclass(frozen=True, slots=True)
class Memory:
    """The policy's memory of one source.

    Attributes:
        standing: by condition; said: by window id; underway: ids of rebuilds whose first notice was given.
        quiet_s: by array key, seconds since a member last gained errors.
    """

    standing: dict[str, Standing] = field(default_factory=dict)
    said: dict[str, Said] = field(default_factory=dict)
    underway: tuple[str, ...] = ()
    quiet_s: dict[str, float] = field(default_factory=dict)
