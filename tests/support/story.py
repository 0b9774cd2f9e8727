"""A story told poll by poll: observations made by hand, played through the real cycle."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

from mendwatch import cycle
from mendwatch.model.alert import Alert, AlertKind
from mendwatch.model.capture import Capture, Read
from mendwatch.model.observation import (
    Activity,
    ActivityKind,
    Array,
    Errors,
    IdKind,
    LastActivity,
    Member,
    Observation,
    Role,
)
from mendwatch.model.plugin import Want
from mendwatch.model.policy import ArrayPolicy, HostPolicy
from mendwatch.model.records import RunRecord, WindowRecord

START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
TB = 10**12


class Told:
    """A parser that says what the story says."""

    name = "zfs"
    program = None
    present_if = ()

    def __init__(self) -> None:
        self.next = Observation(START, "zfs")

    def wants(self, reads: tuple[Read, ...]) -> tuple[Want, ...]:
        return ()

    def parse(self, capture: Capture) -> Observation:
        return replace(self.next, at=capture.at)


def member(name: str, *, good: bool = True, rebuilding: bool = False, errors: Errors | None = None) -> Member:
    state = "ONLINE" if good or rebuilding else "OFFLINE"
    return Member(name, Role.DATA, "raidz1-0", None, state, good, rebuilding, errors or Errors(0, 0, 0))


def array(left: int | None = 1, full: int | None = 1, **changes: object) -> Array:
    """A four-drive single-parity pool; the fourth member is the one in trouble."""
    members = [member("a"), member("b"), member("c"), member("d", good=left is None or left >= 1)]
    made = Array(
        name="vault",
        id="42",
        id_kind=IdKind.POOL_GUID,
        system="zfs",
        level="raidz1",
        state="ONLINE" if left == full else "DEGRADED",
        redundancy_full=full,
        redundancy_left=left,
        why_unknown=None,
        spares_free=0,
        data_errors=0,
        members=tuple(members),
        activities=(),
        last_activity=None,
        slots=4,
        member_bytes=4 * TB,
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def resilver(done: float, started: datetime | None = None, **changes: object) -> Activity:
    total = 12 * TB
    made = Activity(
        kind=ActivityKind.REBUILD,
        word="resilver",
        running=True,
        started=started,
        done=done,
        done_bytes=int(done * total),
        total_bytes=total,
        fills=("d2",),
        counters={"issued": int(done * total)},
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def filling(done: float, started: datetime | None = None, **changes: object) -> Array:
    """The pool while its fourth member is being filled."""
    members = (member("a"), member("b"), member("c"), member("d2", good=False, rebuilding=True))
    return array(0, members=members, activities=(resilver(done, started, **changes),))


def mended(last: LastActivity | None = None) -> Array:
    """The pool with the new member good."""
    return array(1, members=(member("a"), member("b"), member("c"), member("d2")), last_activity=last)


@dataclass
class Story:
    """Plays arrays through the cycle at a steady pace and keeps all that came of it."""

    policy: ArrayPolicy = field(default_factory=lambda: ArrayPolicy(window_limit_s={0: 86400.0}))
    pace_s: float = 60.0
    at: datetime = START
    up: float | None = 1000.0
    boot: str | None = "boot-1"
    alerts: list[Alert] = field(default_factory=list)
    runs: dict[str, RunRecord] = field(default_factory=dict)
    windows: dict[str, WindowRecord] = field(default_factory=dict)
    steps: list[cycle.Step] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.parser = Told()
        self.state = cycle.begin("zfs")
        self.host = HostPolicy("store-1", default=self.policy)

    def see(self, *arrays: Array, **changes: object) -> cycle.Step:
        """One poll that shows these arrays."""
        self.parser.next = replace(Observation(self.at, "zfs", arrays), **changes)  # type: ignore[arg-type]
        step = cycle.step(self.state, Capture(self.at, "zfs", boot=self.boot, up=self.up), self.parser, self.host)
        # As after a restart of the agent: the next poll starts from what the history holds.
        self.state = cycle.load(step.commit.state)
        assert self.state == step.state
        self.alerts += step.commit.alerts
        self.runs |= {run.id: run for run in step.commit.runs}
        self.windows |= {window.id: window for window in step.commit.windows}
        self.steps.append(step)
        self.pause(self.pace_s)
        return step

    def pause(self, seconds: float) -> None:
        self.at += timedelta(seconds=seconds)
        if self.up is not None:
            self.up += seconds

    def repeat(self, times: int, *arrays: Array, **changes: object) -> None:
        for _ in range(times):
            self.see(*arrays, **changes)

    def fill(self, shares: Iterable[float], started: datetime | None = None, **changes: object) -> None:
        for share in shares:
            self.see(filling(share, started, **changes))

    def kinds(self) -> list[str]:
        return [alert.kind.value for alert in self.alerts]

    def of(self, kind: AlertKind) -> list[Alert]:
        return [alert for alert in self.alerts if alert.kind is kind]


def shares(begin: float, end: float, polls: int) -> list[float]:
    """Evenly spaced progress, both ends included."""
    return [begin + (end - begin) * n / (polls - 1) for n in range(polls)]
