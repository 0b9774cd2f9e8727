"""The story as captures: a few quiet polls, a drive is lost, replaced after a wait, and the rebuild runs its course."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from random import Random
from uuid import UUID

from mendwatch.model.capture import Capture, DriveFacts
from mendwatch.simulator import md_text, zfs_text
from mendwatch.simulator.brakes import Blame
from mendwatch.simulator.counters import Bench
from mendwatch.simulator.load import Load
from mendwatch.simulator.physics import Course, Work
from mendwatch.simulator.scenario import Drive, Kind, Scenario
from mendwatch.simulator.scene import Scene

QUIET_POLLS_AT_END = 5
HISTORY_PACE_S = 900.0
KERNEL_WINDOW_S = 30.0


def captures(scenario: Scenario) -> Iterator[Capture]:
    """The polls of the story, in order; the same for the same scenario."""
    return Story(scenario).captures()


class Story:
    """What has happened so far.

    Attributes:
        scene: how things stand at the latest poll.
        pace_s: the time to the next poll; a reader may change it.
        held_since: when something first held the rebuild up; blame: who holds it up now.
        users: the others' share of the drives' time now.
    """

    def __init__(self, scenario: Scenario) -> None:
        # Chance here invents a story and protects nothing.
        rng = Random(scenario.seed)  # noqa: S311
        self._rng = rng
        self._scenario = scenario
        self.pace_s = scenario.poll_s
        self.held_since: datetime | None = None
        self.blame = Blame.NOBODY
        self.users = 0.0
        self._course = Course(scenario, rng)
        self._bench = Bench()
        self._boot = str(UUID(int=rng.getrandbits(128), version=4))
        self._uuid = UUID(int=rng.getrandbits(128), version=4)
        self._up_s = rng.uniform(5, 60) * 86400
        self._load = Load(scenario)
        members = scenario.members()
        self._first, self._second = rng.sample(range(len(members)), 2)
        began = scenario.start - timedelta(days=scenario.history_days)
        self._began = began
        self.scene = Scene(scenario, began, members)

    def captures(self) -> Iterator[Capture]:
        """The polls, in order."""
        scenario = self._scenario
        for poll in range(int(scenario.history_days * 86400 / HISTORY_PACE_S), 0, -1):
            yield self._capture(scenario.start - timedelta(seconds=poll * HISTORY_PACE_S))
        quiet = 0
        due_s = 0.0
        while quiet < QUIET_POLLS_AT_END:
            at = scenario.start + timedelta(seconds=round(due_s + self._rng.uniform(0, 0.4), 3))
            if scenario.until is not None and at > scenario.until:
                return
            yield self._capture(at)
            quiet += self.scene.ended is not None
            due_s += self.pace_s

    def _capture(self, at: datetime) -> Capture:
        """The story goes on until ``at`` and is polled there."""
        self._go_on(at)
        scene, scenario = self.scene, self._scenario
        drives = self._present()
        rows = {drive.device: self._bench.rows[drive.device].counters() for drive in drives}
        zfs = scenario.system == "zfs"
        return Capture(
            at=at,
            source=scenario.system,
            reads=zfs_text.reads(scene) if zfs else md_text.reads(scene, self._uuid),
            boot=self._boot,
            up=round(self._up_s + (at - self._began).total_seconds(), 2),
            zone=scenario.zone,
            disks=rows,
            partitions={f"{device}1": row for device, row in rows.items()} if zfs else {},
            links={drive.name: (drive.device,) for drive in drives},
            drives={drive.device: self._facts(drive) for drive in drives},
        )

    def _present(self) -> tuple[Drive, ...]:
        drives = [drive for drive in self.scene.members if drive not in self.scene.lost]
        return (*drives, self.scene.new) if self.scene.new is not None else tuple(drives)

    def _facts(self, drive: Drive) -> DriveFacts:
        return DriveFacts(
            model=drive.model,
            serial=drive.serial,
            size_bytes=self._scenario.size_bytes,
            rotational=True,
            discard=drive.discard,
            zoned="none",
            link=drive.link,
        )

    def _go_on(self, at: datetime) -> None:
        seconds = (at - self.scene.at).total_seconds()
        users = self.users = self._load.at(at)
        replaced_at = self._scenario.replaced_at
        if self.scene.new is None and at >= replaced_at:
            self.scene = replace(self.scene, new=self._scenario.replacement(), began=replaced_at)
            seconds = (at - replaced_at).total_seconds()
        if not self.scene.lost and at >= self._scenario.lost_at:
            self.scene = replace(self.scene, lost=(self.scene.members[self._first],))
        if self.scene.rebuilding:
            self._rebuild(at, seconds, users)
        else:
            work = Work(source_busy_s=users * seconds, users_s=users * seconds)
            self._bench.move(self._present(), None, work, seconds)
        self.scene = replace(self.scene, at=at)

    def _rebuild(self, at: datetime, seconds: float, users: float) -> None:
        course = self._course
        recent_s = min(KERNEL_WINDOW_S, seconds)
        before_s = course.elapsed_s
        early = course.advance(seconds - recent_s, users)
        late = course.advance(recent_s, users)
        serving = tuple(drive for drive in self._present() if drive != self.scene.new)
        self._bench.move(serving, self.scene.new, early, max(1e-3, seconds - recent_s))
        self._bench.move(serving, self.scene.new, late, max(1e-3, recent_s))
        walking = course.elapsed_s < course.walk_s
        since_bytes = course.done_bytes - (0.0 if walking else course.done_at_walk_bytes)
        if self._scenario.kind is Kind.SECOND_FAILURE and course.done_bytes >= course.event_bytes:
            self.scene = replace(self.scene, lost=(*self.scene.lost[:1], self.scene.members[self._second]))
        self.scene = replace(
            self.scene,
            done_bytes=min(course.done_bytes, float(course.size_bytes)),
            recent_bytes=late.written_bytes,
            recent_s=recent_s,
            walked=course.elapsed_s / course.walk_s if walking else 1.0,
            pass_s=course.elapsed_s - (0.0 if walking else course.walk_s),
            pass_share=since_bytes / course.size_bytes,
            limit_bytes_per_s=course.limit_bytes_per_s,
        )
        self.blame = course.blame
        if self.held_since is None and course.held_after_s is not None:
            self.held_since = self._scenario.replaced_at + timedelta(seconds=course.held_after_s)
        if course.over:
            unused_s = seconds - (course.elapsed_s - before_s)
            self.scene = replace(self.scene, ended=at - timedelta(seconds=unused_s))
