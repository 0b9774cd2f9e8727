"""No text, whatever became of it, makes a parser crash, take long, or call a degraded array whole.

What is held against each kind of damage stands in ``support/judging.py``; ``tests/benchmarks/fuzz.py`` tries far more.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from random import Random
from types import FrameType

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mendwatch.model.capture import Capture, CommandRead, FileRead
from mendwatch.model.plugin import Parser
from mendwatch.parsers import btrfs, dm_raid, md, zfs
from mendwatch.testing.cases import understood
from support import damaging, judging, large_hosts
from support.mutations import ALL, JSON

AT = datetime(2026, 3, 2, 10, 0, tzinfo=UTC)
PARSERS: dict[str, Parser] = {"zfs": zfs.PARSER, "md": md.PARSER, "btrfs": btrfs.PARSER, "dm-raid": dm_raid.PARSER}
SURFACES = (
    *(("zfs", argv) for argv in (zfs.JSON_STATUS, zfs.TEXT_STATUS, zfs.GUIDS)),
    ("md", "/proc/mdstat"),
    *(("btrfs", (*argv, "/srv")) for argv in (*btrfs.COMMANDS, btrfs.BALANCE)),
    *(("dm-raid", argv) for argv in (dm_raid.STATUS, dm_raid.TABLE, dm_raid.REPORT)),
)
# Pieces of all the grammars, so that chance comes past the first line.
PIECES = (
    *(
        "  pool: v\n",
        " state: ONLINE\n",
        "  scan: ",
        "config:\n\n",
        "\tNAME STATE READ WRITE CKSUM\n",
        "errors: ",
        "raidz2-0",
    ),
    *(
        "resilver in progress since Mon Mar  2 08:15:09 2026\n",
        "replacing-1",
        " DEGRADED ",
        " 0 0 0",
        "1.5T",
        "%",
        "\t",
    ),
    *("Personalities : [raid6]\n", "md0 : active raid5 ", "sda[0]", "(F)", "      10 blocks", " [3/2]", " [UU_]", "\n"),
    *(
        "recovery = 1.0% (1/9)",
        "unused devices: <none>\n",
        "Label: 'a'  uuid: ",
        "\tTotal devices 2 ",
        "devid 1 size 1",
    ),
    *(
        "Data,RAID1: Size:1, Used:1\n",
        "Unallocated:\n",
        "<missing disk>",
        " MISSING",
        "UUID: ",
        "Started on ",
        "%% done",
    ),
    *(
        "vg-lv: 0 8 raid raid1 2 AA 8/8 ",
        "idle 0 0 -\n",
        "aAD-",
        '{"report":[{"lv":[',
        '{"pools":{',
        '"vdevs":{',
        "}",
        "]",
    ),
    *("-1", "99999999999999999999", " ", "  ", "\x00", "\r\n", "é", "\u2028", "nan", ":", ",", '"', "[", "("),
)


@given(surface=st.sampled_from(SURFACES), pieces=st.lists(st.sampled_from(PIECES) | st.text(max_size=3), max_size=30))
@settings(max_examples=400, deadline=None)
def test_no_text_makes_a_parser_fail(surface: tuple[str, str | tuple[str, ...]], pieces: list[str]) -> None:
    source, place = surface
    text = "".join(pieces)
    read = FileRead(place, text) if isinstance(place, str) else CommandRead(place, 0, text)
    seen = understood(PARSERS[source], Capture(AT, source, (read,)))
    assert seen.at == AT


@pytest.mark.parametrize(
    ("capture", "listing"),
    [
        (large_hosts.zfs_text(12), zfs.TEXT_STATUS),
        (large_hosts.zfs_json(12), zfs.JSON_STATUS),
        (replace(large_hosts.md(2), reads=large_hosts.md(2).reads[:1]), "/proc/mdstat"),
        (large_hosts.dm_raid(2), dm_raid.STATUS),
        (large_hosts.btrfs(4), ("btrfs", "filesystem", "show", "--raw", "/srv/pool")),
    ],
    ids=["zfs text", "zfs JSON", "mdstat", "dmsetup status", "btrfs show"],
)
def test_no_cut_makes_a_degraded_array_whole(capture: Capture, listing: str | tuple[str, ...]) -> None:
    """Cut at every single character; the first array is the degraded one."""
    parser = PARSERS[capture.source]
    places = [read.path if isinstance(read, FileRead) else read.argv for read in capture.reads]
    at = places.index(listing)
    text = damaging.text_of(capture.reads[at])
    truth = parser.parse(capture)
    worst = truth.arrays[0]
    assert worst.redundancy_left is not None
    assert worst.redundancy_full is not None
    assert worst.redundancy_left < worst.redundancy_full
    for end in range(len(text)):
        seen = understood(parser, damaging.with_text(capture, at, text[:end]))
        for array in seen.arrays:
            known = {one.id: one for one in truth.arrays}.get(array.id)
            assert (
                known is None or array.redundancy_left is None or array.redundancy_left <= (known.redundancy_left or 0)
            )
        traced = not seen.complete or seen.error is not None or bool(seen.unread)
        assert traced or len(seen.arrays) == len(truth.arrays), text[:end]


def test_damaged_recordings_are_never_taken_for_whole(capsys: pytest.CaptureFixture[str]) -> None:
    polls = damaging.seeds(every=30)
    inputs = 1500
    found = []
    for number in range(inputs):
        damaged = damaging.damage(Random(f"unit:{number}"), polls, large=0.001)
        found += [f"{damaged.origin}: {wrong}" for wrong in judging.tried(damaged)[0]]
    with capsys.disabled():
        print(f"\n{inputs} damaged polls tried")
    assert found == []


def test_every_kind_of_damage_damages() -> None:
    """A mutation that changes nothing would prove nothing."""
    as_json, as_text = (host(12).commands()[0].stdout + "é\n" for host in (large_hosts.zfs_json, large_hosts.zfs_text))
    for mutation in ALL:
        text = as_json.replace("é", "") if mutation in JSON else as_text
        changed = {mutation.change(Random(number), text, text[::-1], "foreign") for number in range(5)}
        assert bool(changed - {text}) is (mutation.name != "unchanged"), mutation.name


def calls(work: Callable[[], object]) -> int:
    """How many calls of functions it takes, a measure of work that no busy machine disturbs."""
    count = 0

    def profile(frame: FrameType, event: str, argument: object) -> None:
        nonlocal count
        count += event in {"call", "c_call"}

    before = sys.getprofile()
    sys.setprofile(profile)
    try:
        work()
    finally:
        sys.setprofile(before)
    return count


@pytest.mark.parametrize(
    ("compose", "small"),
    [
        (large_hosts.zfs_text, 60),
        (large_hosts.zfs_json, 60),
        (large_hosts.md, 10),
        (large_hosts.btrfs, 60),
        (large_hosts.dm_raid, 10),
    ],
    ids=["zfs text", "zfs JSON", "md", "btrfs", "dm-raid"],
)
def test_the_work_grows_no_faster_than_the_host(compose: Callable[[int], Capture], small: int) -> None:
    few, many = compose(small), compose(4 * small)
    parser = PARSERS[few.source]
    assert parser.parse(many).unread == ()
    assert calls(lambda: parser.parse(many)) <= 4.4 * calls(lambda: parser.parse(few))
