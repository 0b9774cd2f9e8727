"""The recording of LVM volumes (LVM 2.03.31, kernel 6.12) against what was done to them while it was taken."""

from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mendwatch.model.capture import Capture, CommandRead
from mendwatch.model.observation import Array, Observation
from mendwatch.parsers.dm_raid import PARSER
from mendwatch.sources.recording import read_recording
from support.recordings import FILES

FILE = FILES["lvm-2.03-raid1-raid5-initial-fail-repair"]


@pytest.fixture(scope="module")
def polls() -> list[Observation]:
    lines = list(read_recording(FILE).lines)
    assert len(lines) == 50
    return [PARSER.parse(line) for line in lines if isinstance(line, Capture)]


def at(polls: list[Observation], clock: str) -> dict[str, Array]:
    """The last poll at or before this time of the day."""
    until = datetime.fromisoformat(f"2026-11-25T{clock}").replace(tzinfo=UTC)
    seen = max((poll for poll in polls if poll.at <= until), key=lambda poll: poll.at)
    return {array.name: array for array in seen.arrays}


def test_every_line_of_every_poll_is_understood(polls: list[Observation]) -> None:
    assert len(polls) == 50
    assert [odd for poll in polls for odd in poll.unread] == []
    assert {poll.error for poll in polls} == {None}
    # While the two volumes were made, another reading of the poll told of one more than the kernel did a moment before.
    assert [poll.at.strftime("%H:%M:%S") for poll in polls if not poll.complete] == ["16:44:36", "16:45:58"]


# The events are those of the truth file beside the recording, the words those of the tool's own report.
@pytest.mark.parametrize(
    ("clock", "volume", "left", "state", "word"),
    [
        ("16:44:40", "vg/mir", 1, "ok", "resync"),  # raid1 volume made at 16:44:13: initial sync
        ("16:45:29", "vg/mir", 1, "ok", "resync"),
        ("16:45:33", "vg/mir", 1, "ok", None),  # initial sync ended at 16:45:32
        ("16:46:02", "vg/r5", 1, "ok", None),  # made without initial sync
        ("16:46:20", "vg/r5", 1, "ok", "check"),  # check asked for at 16:46:04
        ("16:46:43", "vg/mir", 0, "degraded", None),  # a drive of both was pulled out at 16:46:29
        ("16:46:43", "vg/r5", 0, "degraded", None),
        ("16:48:12", "vg/mir", 1, "ok", None),  # repaired from 16:47:17 on
        ("16:48:12", "vg/r5", 0, "degraded", None),  # its turn came at 16:48:27
        ("16:49:24", "vg/r5", 1, "ok", None),
        ("16:50:26", "vg/r5", 1, "ok", "repair"),  # asked for at 16:50:11
        ("16:50:43", "vg/r5", 1, "ok", None),
    ],
)
def test_it_follows_what_was_done(
    polls: list[Observation], clock: str, volume: str, left: int, state: str, word: str | None
) -> None:
    array = at(polls, clock)[volume]
    assert (array.redundancy_full, array.redundancy_left, array.state) == (1, left, state)
    assert array.activities is not None
    assert [activity.word for activity in array.activities] == ([word] if word else [])


def test_the_pulled_drive_s_legs_are_named(polls: list[Observation]) -> None:
    seen = at(polls, "16:46:50")
    failed = {name: [m.name for m in array.members if m.state == "failed"] for name, array in seen.items()}
    assert failed == {"vg/mir": ["mir_rimage_1"], "vg/r5": ["r5_rimage_0"]}


def test_the_initial_sync_only_moves_forward(polls: list[Observation]) -> None:
    mirror = [array for poll in polls for array in poll.arrays if array.name == "vg/mir"]
    done = [run.done_bytes or 0 for array in mirror for run in array.activities or () if run.word == "resync"]
    assert len(done) == 10
    assert done == sorted(set(done))
    assert {array.member_bytes for array in mirror} == {240 << 20}


WHOLE = "books-mir: 0 800 raid raid1 2 AD 800/800 idle 0 0 -\nbooks-r5: 0 800 raid raid5_ls 3 AAa 9/800 recover 0 0 -\n"


@settings(max_examples=200, deadline=None)
@given(st.integers(0, len(WHOLE)), st.integers(0, len(WHOLE)), st.text(max_size=20))
def test_cut_doubled_or_garbled_text_never_looks_whole(first: int, last: int, noise: str) -> None:
    text = WHOLE[:first] + noise + WHOLE[last:]
    capture = Capture(datetime(2031, 1, 1, tzinfo=UTC), "dm-raid", (CommandRead(("dmsetup", "status"), 0, text),))
    seen = PARSER.parse(capture)
    for array in seen.arrays:
        assert array.redundancy_left is None or array.redundancy_left <= (array.redundancy_full or 0)
    if not seen.complete:
        assert seen.unread
