"""Forms of /proc/mdstat that no recorded case shows: composed from md_seq_show() and status_resync() in md.c."""

from datetime import UTC, datetime

import pytest

from mendwatch.model.capture import Capture, FileRead
from mendwatch.model.errors import ParseError
from mendwatch.model.observation import Array, Observation
from mendwatch.parsers.md import PARSER

AT = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)
HEAD = "Personalities : [raid1] [raid5] [raid10] \n"
END = "unused devices: <none>\n"
MD0 = "md0 : active raid1 sdb[2] sda[0]\n      1048512 blocks super 1.2 [2/1] [U_]\n"
RUN = "      [==>..................]  recovery = 12.5% (131064/1048512) finish=0.9min speed=16383K/sec\n"


def read(text: str, **files: str) -> Observation:
    reads = [FileRead("/proc/mdstat", text)]
    reads += [FileRead(f"/sys/block/md0/md/{name.replace('__', '/')}", value) for name, value in files.items()]
    return PARSER.parse(Capture(AT, "md", tuple(reads)))


def one(text: str, **files: str) -> Array:
    (array,) = read(text, **files).arrays
    return array


@pytest.mark.parametrize(
    ("find", "put"),
    [
        ("\n", "\r\n"),
        ("\n", "   \n"),
        ("      ", ""),
        ("      ", "\t"),
        ("  ", "\N{NO-BREAK SPACE} "),
        ("md0 :", "    md0 :"),
        (" sda[0]", "\nsda[0]"),
        (" [2/1]", "\n[2/1]"),
        (" finish", "\nfinish"),
        ("[==>", "[==&gt;"),
        ("recovery = 12.5%", "recovery =12.5%"),
        (HEAD, f"# cat /proc/mdstat\n{HEAD}"),
        (HEAD, f"Every 2.0s: cat /proc/mdstat     store-1: Thu May  6 07:08:09 2031\n\n{HEAD}"),
        (END, f"{END}[admin@store-1 ~]$"),
    ],
)
def test_what_copying_does_to_the_text_changes_nothing(find: str, put: str) -> None:
    plain = f"{HEAD}{MD0}{RUN}      \n{END}"
    assert find in plain
    assert read(plain.replace(find, put)) == read(plain)


def test_lines_that_are_foreign_are_told_and_the_rest_is_read() -> None:
    seen = read(f"{HEAD}{MD0}{RUN}      \nState : clean\n/dev/md0:\n{END}")
    assert [line.text for line in seen.unread] == ["State : clean", "/dev/md0:"]
    assert [array.name for array in seen.arrays] == ["md0"]


def test_what_runs_is_not_known_where_a_line_of_the_array_was_not_read() -> None:
    array = one(f"{HEAD}{MD0}{RUN.replace('recovery', 'purification')}      \n{END}")
    assert array.activities is None
    assert array.redundancy_left == 0


def test_the_lines_of_an_array_whose_head_is_garbled_go_to_no_other() -> None:
    seen = read(f"{HEAD}{MD0}      \nmd1 ; active raid1 sdd[1] sdc[0]\n      99 blocks [2/2] [UU]\n{RUN}{END}")
    (array,) = seen.arrays
    assert (array.slots, array.redundancy_left, array.activities) == (2, 0, None)
    assert [line.line for line in seen.unread] == [5, 6, 7]


def test_a_file_that_was_begun_has_to_end_and_an_excerpt_is_not_all() -> None:
    assert read(HEAD + MD0 + RUN).error == "/proc/mdstat ends in the middle"
    excerpt = read(MD0 + RUN)
    assert (excerpt.error, excerpt.complete) == (None, False)
    assert not read(MD0 + RUN + END).complete


def test_a_size_with_two_counts_of_slots_or_a_word_of_another_length_tells_nothing() -> None:
    for counts in ("[2/2] [UU] [2/1]", "[2/2] [UUU]", "[3/3] [UU]"):
        array = one(f"{HEAD}md0 : active raid1 sdb[1] sda[0]\n      99 blocks super 1.2 {counts}\n{END}")
        assert array.redundancy_left is None, counts
        assert not any(member.good for member in array.members), counts


def test_other_text_is_refused() -> None:
    with pytest.raises(ParseError):
        read("cat: /proc/mdstat: Permission denied\n")


def test_a_raid10_without_its_copies_is_not_judged_by_the_usual_ones() -> None:
    text = f"{HEAD}md0 : active raid10 sdb[1] sda[0]\n      99 blocks super 1.2 [2/2] [UU]\n{END}"
    array = one(text)
    assert (array.redundancy_full, array.redundancy_left) == (None, None)
    assert array.why_unknown == "how many copies it keeps was not read"
    assert one(text, layout="258").redundancy_left == 1


def test_a_setting_that_stops_the_run_is_named_and_slows_only_where_it_is_reached() -> None:
    text = f"{HEAD}{MD0}{RUN}      \n{END}"
    for sector, reached in (("262128", True), ("524256", False)):
        array = one(text, sync_action="recover", sync_max=sector)
        (stop,) = [setting for setting in array.settings if setting.name == "sync_max"]
        assert (stop.value, stop.default, stop.slows) == (f"{sector} sectors", "max", reached)
        assert array.activities is not None
        assert array.activities[0].paused is reached
    assert not any(setting.name == "sync_max" for setting in one(text, sync_max="max").settings)


def test_a_spare_that_nothing_takes_in_is_a_rebuild_that_is_held() -> None:
    spare = MD0.replace("sdb[2]", "sdb[2](S)")
    held = {"frozen": "sync_action frozen", "idle": "idle with a spare at hand"}
    for action, why in held.items():
        array = one(HEAD + spare + END, sync_action=action, degraded="1")
        assert array.activities is not None
        assert [(run.kind, run.paused, run.fills, run.why_held) for run in array.activities] == [
            ("rebuild", True, (), why)
        ]
        assert array.spares_free == 1
    whole = spare.replace("[2/1] [U_]", "[1/1] [U]")
    assert one(HEAD + whole + END, sync_action="idle", degraded="0").activities == ()


def test_what_sysfs_tells_of_a_member_goes_over_the_flags() -> None:
    spare = MD0.replace("sdb[2]", "sdb[2](S)")
    files = {"dev-sdb__state": "spare", "dev-sdb__slot": "1", "dev-sda__state": "in_sync", "dev-sda__slot": "0"}
    array = one(f"{HEAD}{spare}{END}", sync_action="recover", degraded="1", **files)
    assert [(member.name, member.role, member.good) for member in array.members] == [
        ("sdb", "data", False),
        ("sda", "data", True),
    ]
    failed = one(f"{HEAD}{spare}{END}", **{**files, "dev-sda__state": "faulty,blocked,in_sync"})
    assert (failed.redundancy_left, failed.lost) == (-1, True)
    journal = one(f"{HEAD}{MD0}{END}", **{**files, "dev-sdb__state": "journal", "dev-sdb__slot": "journal"})
    assert journal.members[0].role == "journal"
    no_slot = one(f"{HEAD}{MD0}{END}", **{**files, "dev-sdb__state": "in_sync", "dev-sdb__slot": "none"})
    assert (no_slot.members[0].role, no_slot.members[0].good) == ("spare", False)


def test_what_runs_is_not_known_where_the_file_ends_before_it_would_be_told() -> None:
    assert one(HEAD + MD0).activities is None
    assert one(f"{HEAD}{MD0}      \n").activities == ()
    assert one(f"{HEAD}{MD0}      bitmap: 1/1 pages [4KB], 65536KB chunk").activities == ()
    cut = one(f"{HEAD}md0 : active raid10 sdc[2] sda[0]\n      99 blocks 2 near-copies [3/2] [U_U]\n")
    assert cut.why_unknown == "a reshape moves the copies, or what runs was not read"


def test_fewer_members_than_slots_said_to_be_in_sync_are_those_that_count() -> None:
    whole = "md0 : active raid1 sdb[1] sda[0]\n      99 blocks [2/2] [UU]\n"
    assert one(HEAD + whole + END).redundancy_left == 1
    for put in ("sdb[1](F)", "sdb[1](S)", ""):
        assert one(HEAD + whole.replace("sdb[1]", put) + END).redundancy_left == 0


# The count and the word are printed apart, with no lock between them (raid10_status in raid10.c).
@pytest.mark.parametrize(("count", "degraded"), [("4/3", "0"), ("4/4", "1")])
def test_a_raid10_with_more_missing_than_its_word_shows_is_not_known(count: str, degraded: str) -> None:
    ten = f"md0 : active raid10 sdd[3] sdc[2] sdb[1] sda[0]\n      99 blocks 2 near-copies [{count}] [UUUU]\n"
    array = one(HEAD + ten + END, degraded=degraded)
    assert (array.redundancy_full, array.redundancy_left) == (1, None)
    assert array.why_unknown == "which slots are in sync is told in two ways"


@pytest.mark.parametrize("copies", ["0", "3"])
def test_a_raid10_keeps_no_more_copies_than_it_has_slots(copies: str) -> None:
    text = f"{HEAD}md0 : active raid10 sdb[1] sda[0]\n      99 blocks {copies} near-copies [2/2] [UU]\n{END}"
    assert (one(text).redundancy_full, one(text).redundancy_left) == (None, None)
