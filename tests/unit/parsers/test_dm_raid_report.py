"""What lvs reports, alone and beside a status; composed from lvs(8), lvmreport(7) and lvmraid(7)."""

import json
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mendwatch.model.capture import Capture, CommandRead, FileRead, Read
from mendwatch.model.observation import Array, IdKind, Observation
from mendwatch.model.plugin import Command
from mendwatch.model.policy import HostPolicy
from mendwatch.model.state import Track
from mendwatch.parsers.dm_raid import PARSER, REPORT, STATUS, TABLE
from mendwatch.tracker.track import track

AT = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)
UUID = "QwErTy-UiOp-AsDf-GhJk-LzXc-VbNm-012345"
WHOLE = "books-mir: 0 800 raid raid1 2 AA 800/800 idle 0 0 -"
MIR = {"vg_name": "books", "lv_name": "mir", "segtype": "raid1", "lv_attr": "rwi-aor---", "lv_health_status": ""}
MIR |= {"sync_percent": "100.00", "raid_sync_action": "idle", "devices": "mir_rimage_0(0),mir_rimage_1(0)"}


def image(slot: int, attributes: str = "iwi-aor---", devices: str = "/dev/sda(1)", **more: str) -> dict[str, str]:
    row = {"vg_name": "books", "lv_name": f"[mir_rimage_{slot}]", "segtype": "linear", "lv_attr": attributes}
    return {**row, "devices": devices, **more}


def report(*rows: object, argv: tuple[str, ...] = REPORT) -> CommandRead:
    return CommandRead(argv, 0, json.dumps({"report": [{"lv": rows}]}))


def status(*lines: str) -> CommandRead:
    return CommandRead(STATUS, 0, "".join(f"{line}\n" for line in lines))


def observe(*reads: Read) -> Observation:
    return PARSER.parse(Capture(AT, "dm-raid", reads))


def only(*reads: Read) -> Array:
    seen = observe(*reads)
    assert (seen.error, seen.unread) == (None, ())
    (array,) = seen.arrays
    return array


# lvs(8): the attributes; lvmraid(7), "Device Failure".
@pytest.mark.parametrize(
    ("rows", "left", "states"),
    [
        ((image(0), image(1)), 1, ["in sync", "in sync"]),
        ((image(0), image(1, "Iwi-aor---")), 0, ["in sync", "not in sync"]),
        ((image(0), image(1, "iwi-aor-p-", "[unknown](1)")), 0, ["in sync", "failed"]),
        ((image(0), image(1, "iwi-aor---", "unknown device(1)")), 0, ["in sync", "failed"]),
        ((image(0), image(1, "Iwi-aor-r-")), 0, ["in sync", "failed"]),
        ((image(0), image(1, segtype="error", devices="")), 0, ["in sync", "no device"]),
        ((image(0, "iwi-aor-p-"), image(1, "iwi-aor-p-")), -1, ["failed", "failed"]),
        # In old reports an image may be said to be in sync that stands on nothing.
        ((image(0), image(1, segtype="", devices="")), None, ["in sync", "unknown"]),
        ((image(0), image(1, "iwi-aor-X-")), None, ["in sync", "unknown"]),
        ((image(0),), None, ["in sync", "unknown"]),
        ((), None, ["unknown", "unknown"]),
    ],
)
def test_a_leg_counts_only_if_it_is_said_to_be_in_sync_and_on_a_device(
    rows: tuple[dict[str, str], ...], left: int | None, states: list[str]
) -> None:
    array = only(report(MIR, *rows))
    assert (array.redundancy_full, array.redundancy_left) == (1, left)
    assert [member.state for member in array.members] == states
    assert (array.why_unknown is None) == (left is not None)
    assert array.partial == (left is None)


def test_without_the_action_an_image_out_of_sync_is_not_judged() -> None:
    row = {name: value for name, value in MIR.items() if name != "raid_sync_action"}
    array = only(report({**row, "sync_percent": "20.00"}, image(0), image(1, "Iwi-aor---")))
    assert (array.redundancy_left, array.activities) == (None, None)
    assert only(report(row, image(0), image(1))).redundancy_left == 1


def test_a_first_sync_counts_the_legs_that_are_there() -> None:
    row = {**MIR, "sync_percent": "12.50", "raid_sync_action": "resync"}
    array = only(report(row, image(0), image(1, "Iwi-aor---")))
    assert (array.redundancy_left, array.activities and array.activities[0].done) == (1, 0.125)
    assert array.notes[0].startswith("initial sync, redundancy not complete")
    assert only(report(row, image(0), image(1, "Iwi-aor-p-"))).redundancy_left == 0


@pytest.mark.parametrize("percent", ["", "nan", "-1", "101", "much", "inf"])
def test_a_senseless_percent_is_not_known(percent: str) -> None:
    row = {**MIR, "sync_percent": percent, "raid_sync_action": "recover"}
    (activity,) = only(report(row, image(0), image(1, "Iwi-aor---"))).activities or ()
    assert (activity.running, activity.done, activity.fills) == (True, None, ("mir_rimage_1",))


# The kernel's names of disks and their partitions: block/partitions/core.c, disk_name.
@pytest.mark.parametrize(
    ("devices", "drive"),
    [
        ("/dev/sda(1)", "sda"),
        ("/dev/sdaa12(1)", "sdaa"),
        ("/dev/nvme0n1(1)", "nvme0n1"),
        ("/dev/nvme0n12p3(1)", "nvme0n12"),
        ("/dev/mmcblk0p2(1)", "mmcblk0"),
        ("/dev/vdb(1),/dev/vdb(9)", "vdb"),
        ("/dev/sda1(1),/dev/sdb1(9)", None),
        ("/dev/md0(1)", None),
        ("/dev/mapper/mpatha(1)", None),
        ("/dev/disk/by-id/ata-EXAMPLE_1234(1)", None),
        ("mir_rimage_0(1)", None),
        ("", None),
    ],
)
def test_the_drive_behind_a_leg_is_known_where_its_name_says_so(devices: str, drive: str | None) -> None:
    array = only(status(WHOLE), report(MIR, image(0, devices=devices), image(1)))
    assert array.members[0].drive == drive


def test_links_that_were_followed_decide_over_the_report() -> None:
    links = {"mir_rimage_0": ("sdx",), "mir_rimage_1": ("sdy", "sdz")}
    capture = Capture(AT, "dm-raid", (status(WHOLE), report(MIR, image(0), image(1))), links=links)
    assert [member.drive for member in PARSER.parse(capture).arrays[0].members] == ["sdx", None]


def test_a_report_without_groups_is_matched_only_where_the_name_is_the_only_one() -> None:
    row = {"lv_name": "mir", "lv_uuid": UUID}
    assert only(status(WHOLE), report(row)).id == UUID
    two = observe(status(WHOLE, WHOLE.replace("books", "other")), report(row))
    assert {array.id_kind for array in two.arrays} == {IdKind.NAME}
    bare = only(status(WHOLE.replace("books-mir", "mir")), report(row))
    assert (bare.name, bare.id_kind) == ("mir", IdKind.NAME)


def test_a_leg_without_a_row_is_a_leg_all_the_same() -> None:
    row = {name: value for name, value in MIR.items() if name != "devices"}
    array = only(report(row, image(0), image(2)))
    assert (array.redundancy_full, array.redundancy_left) == (2, None)
    assert [member.state for member in array.members] == ["in sync", "unknown", "in sync"]


def test_other_volumes_are_no_arrays() -> None:
    rows = [{"lv_name": "plain", "lv_attr": "-wi-a-----"}, {"lv_name": "pair", "segtype": "mirror"}, {"lv_name": ""}]
    seen = observe(report(*rows, {"lv_name": "old", "lv_attr": "Rwi-aor---"}))
    assert [(array.name, array.level, array.why_unknown) for array in seen.arrays] == [
        ("old", None, "the level is not told")
    ]


def test_a_report_of_lvm_that_failed_alone_is_an_error() -> None:
    seen = observe(CommandRead(REPORT, 5, "", "  Cannot process volume group books\n"))
    assert (seen.error, seen.complete, seen.arrays) == ("lvs: Cannot process volume group books", False, ())


def test_the_same_table_in_two_widths() -> None:
    wide = "  LV    VG     Attr       Cpy%Sync\n  mir   books  rwi-aor--- 100.00\n"
    narrow = "LV VG Attr Copy%\n"
    assert [array.name for array in observe(CommandRead(("lvs",), 0, wide)).arrays] == ["books/mir"]
    assert observe(CommandRead(("lvs",), 0, narrow)).arrays == ()


def test_a_table_without_a_heading_is_unread() -> None:
    seen = observe(CommandRead(("lvs", "--noheadings"), 0, "\n  mir books\n"))
    assert [(odd.line, odd.text) for odd in seen.unread] == [(2, "  mir books")]


@pytest.mark.parametrize("argv", [("lvs",), ("/usr/sbin/lvs", "books"), ("lvm", "lvs"), ("/sbin/lvm", "lvs", "-a")])
def test_the_report_is_known_however_it_was_called(argv: tuple[str, ...]) -> None:
    assert only(report(MIR, image(0), image(1), argv=argv)).redundancy_left == 1


@pytest.mark.parametrize("argv", [("lvs", "--version"), ("lvm", "version"), ("pvs",), ()])
def test_other_commands_are_no_report(argv: tuple[str, ...]) -> None:
    assert observe(report(MIR, argv=argv)).error == "dmsetup status: not in this poll"


def test_limits_are_told_only_where_it_is_known_whose_they_are() -> None:
    system = FileRead("/proc/sys/dev/raid/speed_limit_max", "1000\n")
    assert only(status(WHOLE), system).settings == ()
    of_lvm = {**MIR, "raid_min_recovery_rate": "", "raid_max_recovery_rate": "64"}
    limit = [(one.name, one.value) for one in only(status(WHOLE), report(of_lvm), system).settings]
    assert limit == [("max_recovery_rate", "64 KiB/s")]
    table = CommandRead(TABLE, 0, "books-mir: 0 800 raid raid1 3 0 max_recovery_rate 32 2 253:0 253:1 253:2 253:3\n")
    limit = [(one.name, one.value) for one in only(status(WHOLE), table, report(of_lvm), system).settings]
    assert limit == [("max_recovery_rate", "32 KiB/s")]


# dmsetup(8): how devices are named on the command line.
@pytest.mark.parametrize(
    ("words", "name"),
    [
        (("books-mir",), "books/mir"),
        (("--noflush", "/dev/mapper/books-mir"), "books/mir"),
        (("/dev/my-books/mir", "--noflush"), "my-books/mir"),
        (("--target", "raid", "my\\x20raid"), "my raid"),
        (("-u", "LVM-0"), None),
        (("books-mir", "books-old"), None),
        (("--target", "raid"), None),
    ],
)
def test_a_nameless_line_is_of_the_one_device_that_was_asked_for(words: tuple[str, ...], name: str | None) -> None:
    line = "0 800 raid raid1 2 AD 800/800 idle 0 0 -"
    table = CommandRead(("dmsetup", "table", *words), 0, "0 800 raid raid1 1 0 2 253:0 253:1 253:2 253:3\n")
    seen = observe(CommandRead(("dmsetup", "status", *words), 0, line), table)
    assert [array.name for array in seen.arrays] == ([name] if name else [])
    assert len(seen.unread) == (0 if name else 2)
    assert not seen.complete


def asked(*reads: Read) -> list[tuple[str, ...]]:
    return [want.argv for want in PARSER.wants(reads) if isinstance(want, Command)]


def seldom(*lines: str) -> str | None:
    (want,) = PARSER.wants((FileRead("/proc/sys/dev/raid/speed_limit_max", "1"), status(*lines)))
    assert isinstance(want, Command)
    return want.seldom


def test_files_are_read_first_then_the_kernel_is_asked_then_lvm() -> None:
    assert asked() == []
    assert asked(FileRead("/x", "1")) == [STATUS, TABLE]
    assert asked(FileRead("/x", "1"), status(WHOLE)) == [REPORT]
    assert asked(FileRead("/x", "1"), status("No devices found")) == []
    assert asked(FileRead("/x", "1"), CommandRead(STATUS, 1, "", "refused")) == []


def test_the_report_depends_on_volumes_letters_and_actions_alone() -> None:
    filled = "books-mir: 0 800 raid raid1 2 Aa {}/800 recover 0 0 -"
    other = "books-r5: 0 800 raid raid5_ls 3 AAA 800/800 idle 0 0 -"
    assert seldom(filled.format(8)) == seldom(filled.format(80))
    assert seldom(WHOLE, other) == seldom(other, WHOLE)
    texts = [seldom(*lines) for lines in ((WHOLE,), (filled.format(8),), (other,), (WHOLE, other))]
    texts += [seldom(WHOLE.replace("idle", "check"))]
    assert len(set(texts)) == len(texts)


def test_a_poll_without_the_report_changes_nothing() -> None:
    first = Capture(
        AT,
        "dm-raid",
        (
            status(WHOLE),
            report({**MIR, "lv_uuid": UUID, "lv_health_status": "partial"}, image(0), image(1, devices="[unknown](1)")),
        ),
    )
    later = [Capture(AT + timedelta(seconds=60 * n), "dm-raid", (status(WHOLE),)) for n in range(1, 5)]
    tracked = track(Track("dm-raid"), PARSER.parse(first), first, HostPolicy("store-1"))
    (before,) = tracked.track.arrays.values()
    for capture in later:
        tracked = track(tracked.track, PARSER.parse(capture), capture, HostPolicy("store-1"))
        assert tracked.events == ()
    (after,) = tracked.track.arrays.values()
    assert (after.array, after.key, after.known_as) == (before.array, before.key, before.known_as)
    assert after.array.id == UUID
    assert [member.drive for member in after.array.members] == ["sda", None]
    assert after.array.remarks == ("LVM reports: partial",)


def test_what_lvm_said_of_other_letters_does_not_stay() -> None:
    lost = WHOLE.replace("AA", "AD")
    first = Capture(AT, "dm-raid", (status(lost), report({**MIR, "lv_health_status": "partial"}, image(0), image(1))))
    second = Capture(AT + timedelta(seconds=60), "dm-raid", (status(WHOLE),))
    tracked = track(Track("dm-raid"), PARSER.parse(first), first, HostPolicy("store-1"))
    tracked = track(tracked.track, PARSER.parse(second), second, HostPolicy("store-1"))
    (state,) = tracked.track.arrays.values()
    assert state.array.remarks is None
    assert [member.drive for member in state.array.members] == ["sda", None]


FULL = json.dumps({"report": [{"lv": [MIR, image(0), image(1, "Iwi-aor-p-", "[unknown](1)")]}]})
TEXT = """  LV             VG    Type   Attr       Cpy%Sync SyncAction Devices
  mir            books raid1  rwi-aor-p- 100.00   idle       mir_rimage_0(0),mir_rimage_1(0)
  [mir_rimage_0] books linear iwi-aor---                     /dev/sda(1)
  [mir_rimage_1] books linear Iwi-aor-p-                     [unknown](1)
"""


def test_the_text_of_the_next_test_is_read_in_whole() -> None:
    for text in (FULL, TEXT):
        assert only(CommandRead(REPORT, 0, text)).redundancy_left == 0


@settings(max_examples=300, deadline=None)
@given(st.sampled_from([FULL, TEXT]), st.integers(0, len(FULL)), st.integers(0, len(FULL)), st.text(max_size=12))
def test_a_garbled_report_never_looks_whole(whole: str, first: int, last: int, noise: str) -> None:
    text = whole[:first] + noise + whole[last:]
    for array in observe(CommandRead(REPORT, 0, text)).arrays:
        assert array.redundancy_left is None or array.redundancy_left <= 0
