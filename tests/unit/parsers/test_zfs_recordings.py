"""The OpenZFS parser over every real recording (OpenZFS 2.3.9): no line unread, text and JSON of one mind, and the
redundancy that the recording's own account of what was done to the drives calls for.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from itertools import groupby

import pytest

from mendwatch.model.capture import Capture
from mendwatch.model.observation import Array, LastOutcome, Observation
from mendwatch.parsers.zfs import PARSER
from mendwatch.sources.recording import read_recording
from support.recordings import ENDING, FILES

NAMES = sorted(path.name for path in FILES.values() if path.name.startswith("zfs-"))
JSON, SCALED_JSON, PLAIN, TEXT = ("-j", "--json-int"), ("-j",), ("-p",), ()
DEFERRED = "zfs-2.3-raidz1-resilver-stalled-deferred-restarted.jsonl.gz"


@cache
def captures(name: str) -> tuple[Capture, ...]:
    return tuple(line for line in read_recording(FILES[name.removesuffix(ENDING)]).lines if isinstance(line, Capture))


def with_options(capture: Capture, options: tuple[str, ...]) -> Capture | None:
    """The same poll as if only this way of asking had been used."""
    reads = tuple(
        read
        for read in capture.commands()
        if read.argv[:2] == ("zpool", "status")
        and read.exit == 0
        and tuple(word for word in read.argv[2:] if word.startswith("-")) == options
    )
    return replace(capture, reads=(*reads, *capture.files())) if reads else None


def read(capture: Capture, options: tuple[str, ...]) -> Array | None:
    one = with_options(capture, options)
    if one is None:
        return None
    arrays = PARSER.parse(one).arrays
    assert len(arrays) == 1
    return arrays[0]


def facts(array: Array, *, members: bool) -> tuple[object, ...]:
    """What every way of asking tells alike; JSON alone tells which drive is deferred."""
    return (
        array.state,
        array.level,
        array.slots,
        array.redundancy_full,
        array.redundancy_left,
        array.lost,
        array.spares_free,
        tuple((m.name, m.role, m.group, m.state) for m in array.members),
        tuple((m.good, m.rebuilding) for m in array.members) if members else (),
        tuple((a.kind, a.word, a.running, a.paused, a.started, a.subject) for a in array.activities or ()),
        tuple(a.fills for a in array.activities or ()) if members else (),
    )


@pytest.mark.parametrize("name", NAMES)
def test_no_line_is_left_unread(name: str) -> None:
    for capture in captures(name):
        seen = PARSER.parse(capture)
        assert seen.unread == (), capture.at
        # One pool was exported for a moment and asked for by name.
        assert seen.error in {None, "zpool status: cannot open 'mix': no such pool"}, capture.at


@pytest.mark.parametrize("options", [TEXT, PLAIN, SCALED_JSON])
@pytest.mark.parametrize("name", NAMES)
def test_every_way_of_asking_tells_the_same(name: str, options: tuple[str, ...]) -> None:
    """Where nothing changed between the exact JSON of three polls, whatever else the middle one asked agrees."""
    whole = name != DEFERRED
    exact = [read(capture, JSON) for capture in captures(name)]
    told = [facts(one, members=whole) if one is not None else None for one in exact]
    others = [read(capture, options) for capture in captures(name)]
    compared = 0
    for place in range(1, len(told) - 1):
        other = others[place]
        if other is not None and told[place - 1] == told[place] == told[place + 1]:
            compared += 1
            assert facts(other, members=whole) == told[place], captures(name)[place].at
    assert compared or not any(others)


@pytest.mark.parametrize("name", NAMES)
def test_the_share_in_text_lies_between_the_exact_ones_around_it(name: str) -> None:
    """A hundredth of a percent is printed; the exact share of the poll before and of the same poll bound it."""
    before: Array | None = None
    for capture in captures(name):
        exact, text = read(capture, JSON), read(capture, TEXT)
        shares = [one.activities[0].done for one in (before, text, exact) if one is not None and one.activities]
        begun = {one.activities[0].started for one in (before, text, exact) if one is not None and one.activities}
        if len(shares) == 3 and len(begun) == 1:
            low, shown, high = (share or 0.0 for share in shares)
            assert low - 0.0001 <= shown <= high + 0.0001, capture.at
        before = exact


# What was done to the drives, by each recording's truth file: the redundancy (full, left) and the drives being filled,
# each once in a row.
A, B, C, D, E = (f"virtio-LAB-{letter}" for letter in "ABCDE")
Step = tuple[int | None, int | None, tuple[str, ...]]
REPLACED: list[Step] = [(1, 1, ()), (1, 0, ()), (1, 0, ("new",)), (1, 1, ())]
STORIES: dict[str, list[Step]] = {
    **{f"zfs-2.3-{kind}-A.jsonl.gz": REPLACED for kind in ("busy-host", "collapse", "healthy", "slow-source")},
    "zfs-2.3-raidz1-replace-healthy.jsonl.gz": REPLACED,
    "zfs-2.3-draid1-distributed-spare.jsonl.gz": [
        (1, 1, ()),
        (1, 0, ("draid1-0-0",)),
        (1, 1, ()),
        (1, 1, (f"{D}6-part1",)),
        (1, 1, ()),
    ],
    "zfs-2.3-mirror-attach-sequential-and-healing.jsonl.gz": [
        (0, 0, ()),
        (1, 0, (f"{C}2-part1",)),
        (1, 1, ()),
        (2, 1, (f"{C}3-part1",)),
        (2, 2, ()),
        (2, 1, ()),
        (2, 1, (f"{C}3-part1",)),
        (2, 2, ()),
        (1, 1, ()),
    ],
    "zfs-2.3-mixed-vdevs-states-spare-in-use.jsonl.gz": [
        (1, 1, ()),
        (1, 0, ()),
        (1, 0, (f"{E}5-part1",)),
        (1, 1, ()),
        (1, 1, (f"{E}6-part1",)),
        (1, 1, ()),
        (1, 0, ()),
    ],
    # The replaced drive still serves, so nothing is lost while its replacement is filled.
    DEFERRED: [(1, 1, (f"{A}4-part1",)), (1, 1, (f"{A}4-part1", f"{A}6-part1")), (1, 1, ())],
    # The drive being filled was changed twice: for a poll no drive shows what it got.
    "zfs-2.3-raidz1-scrub-paused-damaged-cancelled.jsonl.gz": [
        (1, 1, ()),
        (1, 0, ()),
        (1, 0, (f"{B}2-part1",)),
        (1, 0, ()),
        (1, 1, ()),
    ],
    "zfs-2.3-raidz1-suspended.jsonl.gz": [(1, 0, ()), (1, -1, ())],
}


def story(name: str) -> Iterator[Step]:
    for capture in captures(name):
        for array in PARSER.parse(capture).arrays:
            fills = tuple(fill for one in array.activities or () for fill in one.fills)
            shown = ("new",) if fills and STORIES[name] is REPLACED else fills
            yield array.redundancy_full, array.redundancy_left, shown


@pytest.mark.parametrize("name", NAMES)
def test_redundancy_follows_what_was_done_to_the_drives(name: str) -> None:
    assert [step for step, _ in groupby(story(name))] == STORIES[name]


@pytest.mark.parametrize("name", NAMES)
def test_a_count_moves_while_the_drives_are_written(name: str) -> None:
    """What is filled is never counted as good, and the counters of one run never fall."""
    before: dict[str, int] = {}
    started = None
    for capture in captures(name):
        for array in PARSER.parse(capture).arrays:
            for activity in array.activities or ():
                good = {member.name for member in array.members if member.good}
                assert not good & set(activity.fills)
                assert activity.counters
                if activity.started == started:
                    assert all(
                        activity.counters.get(key, 0) >= count for key, count in before.items() if key == "processed"
                    )
                before, started = activity.counters, activity.started


def test_a_suspended_pool_is_lost_though_its_tree_looks_fine() -> None:
    seen = observations("zfs-2.3-raidz1-suspended.jsonl.gz")[-1].arrays[0]
    assert (seen.state, seen.lost, seen.redundancy_left) == ("SUSPENDED", True, -1)
    assert seen.last_activity is not None
    assert seen.last_activity.outcome is LastOutcome.FINISHED_WITH_ERRORS
    assert (seen.data_errors or 0) > 1000


def test_named_pools_are_not_all_there_is() -> None:
    assert not any(seen.complete for seen in observations("zfs-2.3-draid1-distributed-spare.jsonl.gz"))
    assert all(seen.complete for seen in observations("zfs-2.3-healthy-A.jsonl.gz"))


def observations(name: str) -> list[Observation]:
    return [PARSER.parse(capture) for capture in captures(name)]
