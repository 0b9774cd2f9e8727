"""The recordings of real btrfs mirrors (kernel 6.18, btrfs-progs 6.2) against what was done to them meanwhile.

The times and events are those of the truth file beside each recording.
"""

from datetime import UTC, datetime
from functools import cache

import pytest

from mendwatch.model.capture import Capture
from mendwatch.model.observation import ActivityKind, Array, LastOutcome, Observation
from mendwatch.parsers.btrfs import PARSER
from mendwatch.sources.recording import read_recording
from support.recordings import FILES

HEALTHY = "btrfs-6.18-raid1-replace-healthy"
COLLAPSE = "btrfs-6.18-raid1-replace-collapse-small-chunks"
NO_SPACE = "btrfs-6.18-raid1-replace-failed-no-space"
REMOVED = "btrfs-6.18-raid1-replace-cancelled-then-removed-missing"
NAMES = (HEALTHY, COLLAPSE, NO_SPACE, REMOVED)


@cache
def polls(name: str) -> tuple[Observation, ...]:
    lines = read_recording(FILES[name]).lines
    return tuple(PARSER.parse(line) for line in lines if isinstance(line, Capture))


def arrays(name: str) -> list[tuple[datetime, Array]]:
    return [(poll.at, array) for poll in polls(name) for array in poll.arrays]


def time(clock: str) -> datetime:
    return datetime.fromisoformat(f"2026-11-25T{clock}").replace(tzinfo=UTC)


def known_at(name: str, clock: str) -> Array:
    """The last poll at or before this time that read profiles and devices."""
    return [array for at, array in arrays(name) if at <= time(clock) and array.redundancy_left is not None][-1]


def test_all_recordings_are_held() -> None:
    assert sorted(NAMES) == [name for name in FILES if name.startswith("btrfs-")]


@pytest.mark.parametrize(("name", "count"), [(HEALTHY, 93), (COLLAPSE, 155), (NO_SPACE, 15), (REMOVED, 103)])
def test_every_line_of_every_poll_is_understood(name: str, count: int) -> None:
    assert len(polls(name)) == count
    assert [odd for poll in polls(name) for odd in poll.unread] == []


@pytest.mark.parametrize("name", NAMES)
def test_only_a_poll_while_unmounted_is_an_error(name: str) -> None:
    for poll in polls(name):
        assert len(poll.arrays) == (0 if poll.error else 1)
        assert poll.error is None or "not a btrfs filesystem" in poll.error
        assert not poll.complete, "these polls asked for one mount point, not for all that is mounted"


@pytest.mark.parametrize(
    ("name", "clock", "left", "state"),
    [
        (HEALTHY, "16:06:40", 1, "ok"),
        (HEALTHY, "16:07:11", 0, "degraded"),  # a device taken away at 16:06:52
        (HEALTHY, "16:12:30", 0, "degraded"),  # replaced from 16:07:13 on
        (HEALTHY, "16:12:46", 1, "ok"),  # ended at 16:12:38
        (COLLAPSE, "16:43:40", 1, "ok"),
        (COLLAPSE, "16:59:10", 0, "degraded"),
        (COLLAPSE, "16:59:25", 1, "ok"),
        (NO_SPACE, "16:03:20", 1, "ok"),
        (NO_SPACE, "16:03:56", 0, "degraded"),  # the replace failed; redundancy was not restored
        (REMOVED, "16:31:02", 1, "ok"),
        (REMOVED, "16:35:32", 0, "degraded"),  # cancelled
        (REMOVED, "16:37:35", 0, "degraded"),  # the missing device is being removed
        (REMOVED, "16:40:08", 1, "ok"),  # and was at 16:39:58
    ],
)
def test_redundancy_follows_what_was_done(name: str, clock: str, left: int, state: str) -> None:
    array = known_at(name, clock)
    assert (array.level, array.redundancy_full, array.redundancy_left, array.state) == ("raid1", 1, left, state)
    assert not array.lost


@pytest.mark.parametrize("name", NAMES)
def test_redundancy_is_never_more_than_the_devices_allow(name: str) -> None:
    for _, array in arrays(name):
        if any(member.state == "missing" for member in array.members):
            assert array.redundancy_left in {0, None}


@pytest.mark.parametrize(
    ("name", "began", "ended", "target", "reaches"),
    [(HEALTHY, "16:07:13.1", "16:12:36", "/dev/loop3", 0.565), (COLLAPSE, "16:43:56", "16:59:14", "/dev/loop3", 0.532)],
)
def test_a_replace_is_seen_at_every_poll_and_only_goes_forward(
    name: str, began: str, ended: str, target: str, reaches: float
) -> None:
    runs = [(at, array) for at, array in arrays(name) if time(began) < at < time(ended)]
    done: list[float] = []
    for _, array in runs:
        assert array.activities is not None
        (activity,) = array.activities
        assert (activity.kind, activity.word, activity.running) == (ActivityKind.REBUILD, "replace", True)
        assert activity.fills == (target,)
        assert [member.name for member in array.members if member.rebuilding] == [target]
        assert (activity.done_bytes, activity.total_bytes) == (None, None)
        assert activity.done is not None
        done.append(activity.done)
        if activity.end_share is not None:
            assert activity.end_share == pytest.approx(reaches, abs=0.001)
    assert len(runs) > 50
    assert done == sorted(done)
    # The position never comes near 1: it ends where the allocation ends.
    assert done[-1] <= reaches


@pytest.mark.parametrize(
    ("name", "clock", "outcome", "began", "ended"),
    [
        (HEALTHY, "16:12:46", LastOutcome.FINISHED, "16:07:12", "16:12:36"),
        (COLLAPSE, "16:59:25", LastOutcome.FINISHED, "16:43:55", "16:59:14"),
        (NO_SPACE, "16:03:56", LastOutcome.CANCELLED, "16:03:45", "16:03:45"),
        (REMOVED, "16:40:08", LastOutcome.CANCELLED, "16:31:15", "16:35:25"),
    ],
)
def test_the_last_replace_is_remembered(name: str, clock: str, outcome: LastOutcome, began: str, ended: str) -> None:
    array = known_at(name, clock)
    assert array.activities == ()
    last = array.last_activity
    assert last is not None
    assert (last.kind, last.outcome, last.errors) == (ActivityKind.REBUILD, outcome, 0)
    assert (last.started, last.ended) == (time(began), time(ended))


def test_the_removal_of_a_missing_device_rebuilds_without_a_share() -> None:
    seen = [
        activity
        for at, array in arrays(REMOVED)
        if time("16:36:05") < at < time("16:39:58")
        for activity in array.activities or ()
    ]
    assert len(seen) > 5
    assert {(one.kind, one.word, one.running, one.done) for one in seen} == {
        (ActivityKind.REBUILD, "device remove", True, None)
    }
    allocated = [one.counters["allocated"] for one in seen]
    assert allocated == sorted(allocated, reverse=True)
    assert allocated[0] > allocated[-1]


def test_a_device_that_was_added_is_a_new_slot() -> None:
    assert known_at(REMOVED, "16:35:32").slots == 3
    assert known_at(REMOVED, "16:35:57").slots == 4


def test_a_poll_in_which_the_counters_did_not_answer_claims_no_health() -> None:
    (at, array), *_ = [(at, array) for at, array in arrays(REMOVED) if at > time("16:37:35")]
    assert at < time("16:39:00")
    assert (array.state, array.redundancy_left) == ("unknown", None)
    assert array.why_unknown is not None
    assert "60 s" in array.why_unknown
