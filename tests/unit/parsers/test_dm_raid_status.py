"""Status lines of device-mapper RAID, composed from the grammar in the kernel's dm-raid.rst and dm-raid.c (6.12)."""

from datetime import UTC, datetime

import pytest

from mendwatch.model.capture import Capture, CommandRead, FileRead, Read
from mendwatch.model.observation import Activity, ActivityKind, Array, IdKind, Observation
from mendwatch.parsers.dm_raid import PARSER

AT = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)
STATUS = ("dmsetup", "status", "--target", "raid", "--noflush")
TABLE = ("dmsetup", "table", "--target", "raid")
LIMITED = ("speed_limit_max", "1000 KiB/s", True)
VOLUME = "QwErTyUiOpAsDfGhJkLzXcVbNm012345"
GROUP = "0123456789abcdefghijKLMNOPQRSTUV"
DASHED = "QwErTy-UiOp-AsDf-GhJk-LzXc-VbNm-012345"


def observe(*reads: Read, links: dict[str, tuple[str, ...]] | None = None) -> Observation:
    return PARSER.parse(Capture(AT, "dm-raid", tuple(reads), links=links or {}))


def told(*lines: str) -> CommandRead:
    return CommandRead(STATUS, 0, "".join(f"{line}\n" for line in lines))


def table(line: str) -> CommandRead:
    return CommandRead(TABLE, 0, f"{line}\n")


def only(*reads: Read) -> Array:
    seen = observe(*reads)
    assert (seen.error, seen.unread) == (None, ())
    (array,) = seen.arrays
    return array


def running(array: Array) -> Activity:
    assert array.activities is not None
    (activity,) = array.activities
    return activity


# What each level survives: lvmraid(7), "DEVICE FAILURE"; the letters: dm-raid.rst, "Status Output".
@pytest.mark.parametrize(
    ("status", "level", "full", "left", "state"),
    [
        ("raid raid1 2 AA 800/800 idle 0 0 -", "raid1", 1, 1, "ok"),
        ("raid raid1 2 AD 800/800 idle 0 0 -", "raid1", 1, 0, "degraded"),
        ("raid raid1 3 ADA 800/800 idle 0 0 -", "raid1", 2, 1, "degraded"),
        ("raid raid1 2 DD 800/800 idle 0 0 -", "raid1", 1, -1, "failed"),
        ("raid raid1 2 A- 800/800 idle 0 0 -", "raid1", 1, 0, "degraded"),
        ("raid raid4 3 AAA 800/800 idle 0 0 -", "raid4", 1, 1, "ok"),
        ("raid raid5_ls 4 AAAa 300/800 recover 0 0 -", "raid5", 1, 0, "degraded"),
        ("raid raid5_ls 4 ADAa 300/800 recover 0 0 -", "raid5", 1, -1, "failed"),
        ("raid raid6_n_6 5 AAAAA 800/800 idle 0 0 -", "raid6", 2, 2, "ok"),
        ("raid raid6_zr 5 DAAAA 800/800 idle 0 0 A", "raid6", 2, 1, "degraded"),
        ("raid raid0 2 AA 800/800 idle 0 0 -", "raid0", 0, 0, "ok"),
        ("raid raid0 2 AD 800/800 idle 0 0 -", "raid0", 0, -1, "failed"),
        # In a resync or reshape every live leg reads `a`, and none is missing.
        ("raid raid1 2 aa 300/800 resync 0 0 -", "raid1", 1, 1, "ok"),
        ("raid raid5_ls 3 aDa 300/800 resync 0 0 -", "raid5", 1, 0, "degraded"),
        ("raid raid5_ls 4 aaaa 300/800 reshape 0 0 -", "raid5", 1, 1, "ok"),
        ("raid raid1 2 Aa 300/800 resync 0 0 -", "raid1", 1, 0, "degraded"),
        # Two near copies: slots 0+1 and 2+3 hold the same data.
        ("raid raid10 4 AAAA 800/800 idle 0 0 -", "raid10", 1, 1, "ok"),
        ("raid raid10 4 DAAA 800/800 idle 0 0 -", "raid10", 1, 0, "degraded"),
        ("raid raid10 4 DADA 800/800 idle 0 0 -", "raid10", 1, 0, "degraded"),
        ("raid raid10_near 4 DDAA 800/800 idle 0 0 -", "raid10", 1, -1, "failed"),
        # With far copies every neighbour holds the other copy, the last and the first too.
        ("raid raid10_far 4 DAAD 800/800 idle 0 0 -", "raid10", 1, -1, "failed"),
        ("raid raid10_offset 4 DADA 800/800 idle 0 0 -", "raid10", 1, 0, "degraded"),
    ],
)
def test_redundancy_is_counted_by_the_letters(status: str, level: str, full: int, left: int, state: str) -> None:
    array = only(told(f"books-mir: 0 800 {status}"))
    assert (array.level, array.redundancy_full, array.redundancy_left) == (level, full, left)
    assert (array.state, array.lost) == (state, left < 0)


def test_an_unknown_level_is_not_judged() -> None:
    array = only(told("books-mir: 0 800 raid raid7_zz 3 AAA 800/800 idle 0 0 -"))
    assert (array.redundancy_full, array.redundancy_left, array.lost) == (None, None, False)
    assert array.why_unknown == "the level raid7 is not known"


def test_three_copies_are_read_from_the_table() -> None:
    status = told("books-ten: 0 800 raid raid10 6 DAAADA 800/800 idle 0 0 -")
    line = "books-ten: 0 800 raid raid10 7 128 region_size 4096 raid10_copies 3 raid10_format near 6 253:0 253:1"
    array = only(status, table(line))
    assert (array.redundancy_full, array.redundancy_left) == (2, 1)


def test_far_copies_are_read_from_the_table() -> None:
    status = told("books-ten: 0 800 raid raid10 4 ADDA 800/800 idle 0 0 -")
    assert only(status).redundancy_left == 0
    far = table("books-ten: 0 800 raid raid10 5 128 raid10_copies 2 raid10_format far 4 253:0 253:1")
    assert only(status, far).redundancy_left == -1


TEN = "books-ten: 0 800 raid raid10 3 128 raid10_copies 2 4 253:0"


@pytest.mark.parametrize("count", ["0", "two"])
def test_a_senseless_count_of_copies_is_not_used(count: str) -> None:
    status = told("books-ten: 0 800 raid raid10 4 DAAA 800/800 idle 0 0 -")
    assert only(status, table(f"books-ten: 0 800 raid raid10 3 128 raid10_copies {count} 4 253:0")).redundancy_full == 1


def test_a_table_that_was_refused_leaves_the_defaults() -> None:
    status = told("books-ten: 0 800 raid raid10 4 DAAA 800/800 idle 0 0 -")
    line = "books-ten: 0 800 raid raid10 3 128 raid10_copies 4 4 253:0"
    assert only(status, CommandRead(TABLE, 1, line, "refused")).redundancy_full == 1


def test_an_odd_line_of_the_table_is_told_and_costs_nothing_else() -> None:
    status = told("books-ten: 0 800 raid raid10 4 DAAA 800/800 idle 0 0 -")
    seen = observe(status, CommandRead(TABLE, 0, f"\nnonsense\n{TEN}\nroot: 0 800 linear 8:1 0\n"))
    assert [array.redundancy_left for array in seen.arrays] == [0]
    assert [(odd.line, odd.text) for odd in seen.unread] == [(2, "nonsense")]


def test_a_table_without_the_volume_leaves_open_where_its_copies_lie() -> None:
    status = told("books-ten: 0 800 raid raid10 4 DAAA 800/800 idle 0 0 -")
    ten = only(status, CommandRead(TABLE, 0, f"nonsense {TEN}\n"))
    assert (ten.redundancy_left, ten.why_unknown) == (None, "dmsetup table does not tell where its copies lie")


def test_a_volume_that_only_the_table_tells_is_not_gone() -> None:
    mirror = "books-mir: 0 800 raid raid1 2 AA 800/800 idle 0 0 -"
    assert observe(told(mirror)).complete
    assert not observe(told(mirror), CommandRead(TABLE, 0, f"{TEN}\n")).complete


def test_a_table_of_one_device_needs_no_name() -> None:
    status = told("books-ten: 0 800 raid raid10 4 ADDA 800/800 idle 0 0 -")
    asked = CommandRead(("dmsetup", "table", "books-ten"), 0, "0 800 raid raid10 3 128 raid10_format far 4 253:0\n")
    assert only(status, asked).redundancy_left == -1


def test_the_last_copy_of_a_raid10_is_named() -> None:
    array = only(told("books-ten: 0 800 raid raid10 4 DAAA 800/800 idle 0 0 -"))
    assert array.notes == ("the only copy of a part of the data is on ten_rimage_1",)


def test_a_first_sync_is_said_to_be_unfinished() -> None:
    array = only(told("books-mir: 0 800 raid raid1 2 aa 300/800 resync 0 0 -"))
    assert array.notes == ("initial sync, redundancy not complete: the legs are not in sync with each other yet",)
    assert [member.good for member in array.members] == [True, True]


@pytest.mark.parametrize(
    ("action", "kind"),
    [
        ("resync", ActivityKind.RESYNC),
        ("check", ActivityKind.CHECK),
        ("repair", ActivityKind.RESYNC),
        ("reshape", ActivityKind.RESHAPE),
    ],
)
def test_what_runs_on_a_whole_set_fills_no_leg(action: str, kind: ActivityKind) -> None:
    activity = running(only(told(f"books-mir: 0 800 raid raid1 2 AA 200/800 {action} 0 0 -")))
    assert (activity.kind, activity.word, activity.running, activity.fills) == (kind, action, True, ())
    assert (activity.done, activity.done_bytes, activity.total_bytes) == (0.25, 200 * 512, 800 * 512)
    assert (activity.counters, activity.end_share) == ({"position": 200}, 1.0)


def test_a_recovery_names_the_leg_that_it_fills() -> None:
    array = only(told("books-mir: 0 800 raid raid1 2 Aa 200/800 recover 0 0 -"))
    activity = running(array)
    assert (activity.kind, activity.fills, activity.done) == (ActivityKind.REBUILD, ("mir_rimage_1",), 0.25)
    states = [(m.name, m.state, m.good, m.rebuilding) for m in array.members]
    assert states == [("mir_rimage_0", "in sync", True, False), ("mir_rimage_1", "not in sync", False, True)]


def test_a_recovery_that_reads_full_before_it_begins_is_no_progress() -> None:
    """The kernel may report all done while the recovery is about to begin (libdm-targets.c of LVM)."""
    activity = running(only(told("books-mir: 0 800 raid raid1 2 Aa 800/800 recover 0 0 -")))
    assert (activity.running, activity.done, activity.done_bytes, activity.counters) == (True, None, None, {})


@pytest.mark.parametrize(("done", "share"), [(300, 0.5), (400, 0.5), (500, None)])
def test_a_raid10_recovers_by_legs_and_counts_by_the_whole(done: int, share: float | None) -> None:
    activity = running(only(told(f"books-ten: 0 800 raid raid10 4 AAAa {done}/800 recover 0 0 -")))
    assert activity.end_share == share


def test_a_run_of_no_known_length_has_no_share() -> None:
    activity = running(only(told("books-mir: 0 800 raid raid1 2 AA 0/0 check 0 0 -")))
    assert activity.done is None


@pytest.mark.parametrize("action", ["idle", "frozen"])
def test_a_leg_that_nobody_fills_is_a_rebuild_that_is_held(action: str) -> None:
    array = only(told(f"books-mir: 0 800 raid raid1 2 Aa 300/800 {action} 0 0 -"))
    activity = running(array)
    assert (activity.kind, activity.fills) == (ActivityKind.REBUILD, ("mir_rimage_1",))
    assert (activity.running, activity.paused, activity.done) == (False, True, None)
    assert action in (activity.why_held or "")
    assert (array.redundancy_left, array.lost) == (0, False)


# rs_get_progress in dm-raid.c: while a sync is asked for and none runs yet, every leg reads `a`, whatever is to come.
@pytest.mark.parametrize("action", ["idle", "frozen", "undef", "recover"])
def test_where_no_leg_reads_as_in_sync_between_two_actions_nothing_is_known(action: str) -> None:
    array = only(told(f"books-r5: 0 800 raid raid5_ls 3 aaa 800/800 {action} 0 0 -"))
    assert (array.redundancy_full, array.redundancy_left, array.lost, array.state) == (1, None, False, "unknown")
    assert array.why_unknown == f"no leg reads as in sync while the action is {action}"
    assert action == "recover" or array.activities is None


def test_more_dead_legs_than_the_level_survives_are_known_whatever_the_others_are() -> None:
    array = only(told("books-r5: 0 800 raid raid5_ls 4 aDDa 800/800 idle 0 0 -"))
    assert (array.redundancy_left, array.lost, array.state) == (-1, True, "failed")


@pytest.mark.parametrize("health", ["AA", "AD", "A-"])
@pytest.mark.parametrize("action", ["idle", "frozen"])
def test_without_a_leg_to_fill_nothing_runs(health: str, action: str) -> None:
    assert only(told(f"books-mir: 0 800 raid raid1 2 {health} 800/800 {action} 0 0 -")).activities == ()


# Action and mismatches came with target version 1.5 (dm-raid.rst, "Version History").
@pytest.mark.parametrize("tail", ["", " undef 0 0 -"])
def test_a_target_that_names_no_action_leaves_it_unknown(tail: str) -> None:
    array = only(told(f"books-mir: 0 800 raid raid1 2 Aa 200/800{tail}"))
    assert (array.activities, array.redundancy_left) == (None, 0)


@pytest.mark.parametrize("tail", [" 0", " 0 0", " 0 0 -", " 0 0 a", " 0 0 A 7 more"])
def test_later_versions_add_fields(tail: str) -> None:
    assert running(only(told(f"books-mir: 0 800 raid raid1 2 Aa 200/800 recover{tail}"))).done == 0.25


def test_legs_that_were_taken_out_in_a_first_sync_have_no_letter() -> None:
    assert only(told("books-mir: 0 800 raid raid1 3 aa 200/800 resync 0 0 -")).slots == 2
    seen = observe(told("books-five: 0 800 raid raid5_ls 4 AAA 800/800 idle 0 0 -"))
    assert (seen.arrays, len(seen.unread), seen.complete) == ((), 1, False)


def test_a_raid10_of_one_leg_survives_nothing() -> None:
    assert only(told("books-ten: 0 800 raid raid10 1 A 800/800 idle 0 0 -")).redundancy_left == 0


@pytest.mark.parametrize(
    ("mapped", "name", "first"),
    [
        ("books-mir", "books/mir", "mir_rimage_0"),
        ("my--books-old--mir", "my-books/old-mir", "old-mir_rimage_0"),
        ("books-mir-real", "books/mir", "mir_rimage_0"),
        ("plain", "plain", "leg 0"),
        ("a-b-c", "a-b-c", "leg 0"),
    ],
)
def test_names_are_those_of_group_and_volume(mapped: str, name: str, first: str) -> None:
    array = only(told(f"{mapped}: 0 800 raid raid1 2 AA 800/800 idle 0 0 -"))
    assert (array.name, array.members[0].name) == (name, first)
    assert (array.id, array.id_kind) == (mapped, IdKind.NAME)


def sysfs(node: str, name: str, uuid: str | None) -> tuple[Read, ...]:
    folder = f"/sys/block/{node}/dm"
    return (FileRead(f"{folder}/name", f"{name}\n"), FileRead(f"{folder}/uuid", uuid, None if uuid else "gone"))


@pytest.mark.parametrize("layer", ["", "-real"])
def test_the_id_is_the_volume_s_with_or_without_a_snapshot(layer: str) -> None:
    status = told(f"books-mir{layer}: 0 800 raid raid1 2 AA 800/800 idle 0 0 -")
    array = only(*sysfs("dm-4", f"books-mir{layer}", f"LVM-{GROUP}{VOLUME}{layer}\n"), status)
    assert (array.id, array.id_kind, array.device) == (DASHED, IdKind.VOLUME_UUID, "dm-4")


def test_a_mapping_that_is_not_of_lvm_keeps_its_name() -> None:
    status = told("fast-box: 0 800 raid raid1 2 AA 800/800 idle 0 0 -")
    array = only(*sysfs("dm-1", "fast-box", "BOX-1\n"), status)
    assert (array.name, array.id, array.members[1].name) == ("fast-box", "BOX-1", "leg 1")


def test_a_uuid_that_could_not_be_read_leaves_the_name() -> None:
    status = told("books-mir: 0 800 raid raid1 2 AA 800/800 idle 0 0 -")
    array = only(*sysfs("dm-4", "books-mir", None), FileRead("/proc/other", "x"), status)
    assert (array.name, array.id_kind) == ("books/mir", IdKind.NAME)


def report(text: str) -> CommandRead:
    return CommandRead(("/usr/sbin/lvs", "-a", "--reportformat", "json"), 0, text)


def test_a_report_of_lvm_tells_the_id_as_well() -> None:
    row = f'{{"vg_name": "my-books", "lv_name": "[mir]", "lv_uuid": "{DASHED}"}}'
    status = told("my--books-mir: 0 800 raid raid1 2 AA 800/800 idle 0 0 -")
    array = only(status, report(f'{{"report": [{{"lv": [{row}, {{"lv_name": "x"}}]}}, {{"pv": []}}]}}'))
    assert (array.id, array.id_kind) == (DASHED, IdKind.VOLUME_UUID)


@pytest.mark.parametrize("text", ['{"report": ', '{"report": 7}', '{"other": []}', "Usage", '{"report": [7]}'])
def test_a_report_that_is_cut_or_strange_costs_only_the_id(text: str) -> None:
    seen = observe(told("books-mir: 0 800 raid raid1 2 AD 800/800 idle 0 0 -"), report(text))
    assert [(array.redundancy_left, array.id_kind) for array in seen.arrays] == [(0, IdKind.NAME)]
    assert [(odd.line, odd.text) for odd in seen.unread] == [(1, text)]
    assert (seen.error, seen.complete) == (None, True)


def test_a_line_without_a_name_is_of_the_device_that_was_asked_for() -> None:
    line = "0 800 raid raid1 2 AD 800/800 idle 0 0 -\n"
    seen = observe(CommandRead(("dmsetup", "status", "--noflush", "books-mir"), 0, line))
    assert [array.name for array in seen.arrays] == ["books/mir"]
    assert not seen.complete, "the others were not asked for"
    nobody = observe(CommandRead(STATUS, 0, line))
    assert (nobody.arrays, len(nobody.unread)) == ((), 1)


def test_the_drive_behind_a_leg_is_named_if_it_is_one() -> None:
    links = {"mir_rimage_0": ("sda",), "mir_rimage_1": ("sdb", "sdc")}
    (array,) = observe(told("books-mir: 0 800 raid raid1 2 AA 800/800 idle 0 0 -"), links=links).arrays
    assert [member.drive for member in array.members] == ["sda", None]


@pytest.mark.parametrize(
    ("arguments", "system", "expected"),
    [
        ("3 0 max_recovery_rate 128", "200000", [("max_recovery_rate", "128 KiB/s", True)]),
        ("3 0 max_recovery_rate 0", "200000", [("speed_limit_max", "200000 KiB/s", False)]),
        ("3 0 min_recovery_rate 64", "1000", [("min_recovery_rate", "64 KiB/s", False), LIMITED]),
        ("1 0", "1000", [LIMITED]),
        ("1 0", None, []),
    ],
)
def test_the_limits_that_hold_are_told(
    arguments: str, system: str | None, expected: list[tuple[str, str, bool]]
) -> None:
    reads: list[Read] = [
        told("books-mir: 0 800 raid raid1 2 AA 800/800 idle 0 0 -"),
        table(f"books-mir: 0 800 raid raid1 {arguments} 2 253:0 253:1"),
        FileRead("/proc/sys/dev/raid/speed_limit_max", system, None if system else "no such file"),
    ]
    assert [(s.name, s.value, s.slows) for s in only(*reads).settings] == expected


@pytest.mark.parametrize(
    "line",
    [
        "books-mir: 0 800 raid raid1 2 AD",
        "books-mir: 0 800 raid raid1 2 AX 800/800 idle 0 0 -",
        "books-mir: 0 800 raid raid1 2 AAA 800/800 idle 0 0 -",
        "books-mir: 0 800 raid",
        "Command failed.",
    ],
)
def test_a_line_that_could_not_be_read_makes_no_volume_look_gone(line: str) -> None:
    seen = observe(told("books-old: 0 800 raid raid1 2 AA 800/800 idle 0 0 -", "", line))
    assert [array.name for array in seen.arrays] == ["books/old"]
    assert [(odd.line, odd.text) for odd in seen.unread] == [(3, line)]
    assert not seen.complete


@pytest.mark.parametrize("text", ["", "No devices found\n", "root: 0 800 linear \nswap: 0 8 crypt \n"])
def test_a_host_without_such_volumes_is_fully_known(text: str) -> None:
    seen = observe(CommandRead(STATUS, 0, text))
    assert (seen.arrays, seen.unread, seen.error, seen.complete) == ((), (), None, True)


@pytest.mark.parametrize(
    ("read", "why"),
    [
        (CommandRead(STATUS, None, error="no answer within 20 s"), "no answer within 20 s"),
        (CommandRead(STATUS, 1, "", "\ncannot open the control node\nmore\n"), "cannot open the control node"),
        (CommandRead(STATUS, 1), "ended with 1"),
    ],
)
def test_a_status_that_was_not_given_is_an_error_and_no_absence(read: CommandRead, why: str) -> None:
    seen = observe(read)
    assert (seen.arrays, seen.error, seen.complete) == ((), f"dmsetup status: {why}", False)


def test_a_poll_without_a_status_says_so() -> None:
    seen = observe(CommandRead((), 0), CommandRead(("lvm", "version"), 0, ""))
    assert (seen.error, seen.complete) == ("dmsetup status: not in this poll", False)


def test_names_cannot_carry_control_characters() -> None:
    (array,) = observe(CommandRead(STATUS, 0, "books-\x1bmir: 0 800 raid raid1 2 AA 800/800 idle 0 0 -\n")).arrays
    assert array.name == "books-?mir"
    assert array.id == "books-?mir"


def test_of_a_mapping_with_several_parts_the_worst_counts() -> None:
    parts = ("vg0-a: 0 409600 raid raid1 2 Aa 0/409600 recover 0 0 -", "vg0-a: 409600 8 raid raid1 2 AA 8/8 idle 0 0 -")
    for lines in (parts, parts[::-1]):
        text = "\n".join(lines)
        read = CommandRead(("dmsetup", "status", "--target", "raid", "--noflush"), 0, f"{text}\n")
        (array,) = PARSER.parse(Capture(AT, "dm-raid", (read,))).arrays
        assert array.redundancy_left == 0
