"""One source followed: what hangs, fails or surprises ends one poll at most, and no alert is lost over it."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

import pytest
from structlog.testing import capture_logs

from mendwatch import cycle
from mendwatch.daemon.clock import SystemClock
from mendwatch.daemon.watch import Desk, Routes, Rules, Watch
from mendwatch.model.alert import Alert, AlertKind
from mendwatch.model.capture import Capture, CommandRead
from mendwatch.model.errors import SourceError
from mendwatch.model.observation import Array, Observation, Unread
from mendwatch.model.policy import ArrayPolicy, HostPolicy
from mendwatch.model.store import Commit
from support.story import Told, array

POLICY = HostPolicy("store-1", ArrayPolicy(blind_after_s=0.0), named_sources=("zfs",))


class Source:
    """A looker that tells what it is told to, hangs, or fails."""

    def __init__(self) -> None:
        self.parser = Told()
        self.hang: threading.Event | None = None
        self.fail: Exception | None = None
        self.looks = 0

    def shows(self, *arrays: Array) -> None:
        self.parser.next = Observation(datetime(2026, 3, 2, tzinfo=UTC), "zfs", arrays)

    def present(self) -> bool:
        return True

    def capture(self) -> Capture:
        self.looks += 1
        if self.hang is not None:
            self.hang.wait(30)
        if self.fail is not None:
            raise self.fail
        return Capture(datetime.now(UTC), "zfs", (CommandRead(("zpool", "status"), 0, "text"),))


@dataclass
class Office:
    """Takes in what a watch hands in."""

    store_works: bool = True
    commits: list[Commit] = field(default_factory=list)
    unstored: list[tuple[tuple[Alert, ...], Routes]] = field(default_factory=list)
    nudges: int = 0

    def keep(self, commit: Commit) -> bool:
        self.commits.append(commit)
        return self.store_works

    def stored(self) -> None:
        self.nudges += 1

    def desk(self) -> Desk:
        rules = Rules(POLICY, lambda alerts: tuple((alert.id, "ops") for alert in alerts))
        return Desk(
            lambda: rules, self.keep, self.stored, lambda alerts, routes: self.unstored.append((alerts, routes))
        )

    def kinds(self) -> list[AlertKind]:
        return [alert.kind for commit in self.commits for alert in commit.alerts]


def watch(source: Source, office: Office, limit_s: float = 5.0) -> Watch:
    return Watch(source, cycle.begin("zfs"), office.desk(), SystemClock(), limit_s)


def test_a_kind_of_line_that_is_not_understood_is_logged_once_and_kept_with_the_source() -> None:
    source, office = Source(), Office()
    one = watch(source, office)
    with capture_logs() as logged:
        for number in range(3):
            source.shows(array())
            source.parser.next = replace(source.parser.next, unread=(Unread(number, f"{number}.5 bells"),))
            one.poll()
    said = [entry for entry in logged if entry["event"] == "a line was not understood"]
    assert [(entry["line"], entry["text"]) for entry in said] == [(0, "0.5 bells")]
    assert office.commits[-1].source.unread == 1
    assert office.commits[-1].source.first_unread == (Unread(2, "2.5 bells"),)


def test_a_poll_hands_in_one_commit_with_the_routes_of_its_alerts() -> None:
    source, office = Source(), Office()
    source.shows(array(0))
    followed = watch(source, office)
    followed.poll()
    (commit,) = office.commits
    assert [alert.kind for alert in commit.alerts] == [AlertKind.REDUNDANCY_REDUCED]
    assert commit.deliveries == ((commit.alerts[0].id, "ops"),)
    assert cycle.load(commit.state) == followed.state
    assert (office.nudges, office.unstored) == (1, [])
    assert followed.busy


def test_what_the_store_does_not_take_is_sent_from_memory_once_and_the_watch_goes_on() -> None:
    source, office = Source(), Office(store_works=False)
    source.shows(array(0))
    followed = watch(source, office)
    followed.poll()
    ((alerts, routes),) = office.unstored
    assert routes == ((alerts[0].id, "ops"),)
    followed.poll()
    assert len(office.unstored) == 1
    assert len(office.commits) == 2, "the second commit follows, without the alert that was raised before"
    assert office.kinds() == [AlertKind.REDUNDANCY_REDUCED]


def test_a_look_that_hangs_makes_the_source_blind_and_holds_nothing_up() -> None:
    source, office, clock = Source(), Office(), SystemClock()
    source.shows(array(1))
    followed = watch(source, office, limit_s=0.2)
    followed.poll()
    source.hang = threading.Event()
    began = clock.ticks()
    for _ in range(5):
        followed.poll()
    assert clock.ticks() - began < 2.0
    assert source.looks == 2, "while one look hangs there is no second one"
    assert AlertKind.SOURCE_BLIND in office.kinds()
    assert "not answered" in (followed.state.track.blind_error or "")
    source.hang.set()
    source.hang = None
    clock.wait(0.2)
    followed.poll()
    assert followed.state.track.blind_since is None
    assert source.looks == 3, "what came back late is thrown away, a fresh look counts"
    assert followed.state.track.arrays, "an array that could not be seen is not gone"
    assert AlertKind.ARRAY_GONE not in office.kinds()


@pytest.mark.parametrize("fail", [SourceError("zpool: permission refused"), ValueError("a plug-in's own bug")])
def test_a_look_that_fails_is_blind_with_its_reason(fail: Exception) -> None:
    source, office = Source(), Office()
    source.fail = fail
    with capture_logs() as log:
        followed = watch(source, office)
        followed.poll()
        followed.poll()
    assert str(fail) in (followed.state.track.blind_error or "")
    assert followed.polled
    told = [entry for entry in log if entry["event"] == "the source cannot be read"]
    assert len(told) == 1, "said when it begins, not at each poll"
    ours = [entry for entry in log if "fault of our own" in entry["event"]]
    assert bool(ours) is isinstance(fail, ValueError)


def test_text_that_breaks_our_judgement_is_our_fault_and_the_source_counts_as_blind(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    source, office = Source(), Office()
    source.shows(array(1))
    followed = watch(source, office)
    followed.poll()

    def broken(_capture: Capture) -> Observation:
        raise KeyError

    monkeypatch.setattr(source.parser, "parse", broken)
    with capture_logs() as log:
        followed.poll()
        followed.poll()
    assert "KeyError" in (followed.state.track.blind_error or "")
    assert [entry for entry in log if "fault of our own" in entry["event"] and entry["exc_info"]]
    assert AlertKind.SOURCE_BLIND in office.kinds()


def test_a_fault_in_handing_in_ends_one_poll_only() -> None:
    source, office = Source(), Office()
    source.shows(array(1))
    desk = office.desk()

    def broken(_commit: Commit) -> bool:
        raise RuntimeError

    followed = Watch(source, cycle.begin("zfs"), Desk(desk.rules, broken, desk.stored, desk.unstored), SystemClock(), 5)
    with capture_logs() as log:
        followed.poll()
    assert followed.polled
    assert log[-1]["exc_info"]
