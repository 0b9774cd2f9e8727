"""btrfs outputs, composed from the sources of btrfs-progs 6.19 (cmds/*.c) and the kernel's fs/btrfs (6.12).

What a mirror of two devices looks like while it is written to without one of them, and after the replacement, is real
(kernel 6.18, btrfs-progs 6.2).
"""

from collections.abc import Callable
from datetime import timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mendwatch.model.capture import CommandRead, FileRead, Read
from mendwatch.model.observation import ActivityKind, IdKind
from mendwatch.model.plugin import Command, File, Files
from mendwatch.parsers.btrfs import PARSER
from support.btrfs_samples import (
    BOTH,
    FILLING,
    GIB,
    GONE,
    LISTED,
    LOST_ONE,
    MOUNT,
    MOUNTED,
    MOUNTINFO,
    RUNNING,
    RUNS,
    STATS,
    TWO,
    UUID,
    activity_of,
    df,
    mirror,
    observe,
    only,
    replace,
    run,
    scrub,
    show,
    sysfs,
    usage,
)


# Tolerated failures: btrfs_raid_array in the kernel's volumes.c.
@pytest.mark.parametrize(
    ("profile", "full"),
    [
        ("single", 0),
        ("DUP", 0),
        ("RAID0", 0),
        ("RAID1", 1),
        ("RAID1C3", 2),
        ("RAID1C4", 3),
        ("RAID10", 1),
        ("RAID5", 1),
        ("RAID6", 2),
    ],
)
def test_each_profile_survives_what_the_kernel_says(profile: str, full: int) -> None:
    whole = only(show(*TWO), mirror(BOTH, profile))
    assert (whole.redundancy_full, whole.redundancy_left, whole.state) == (full, full, "ok")
    less = only(show(*LOST_ONE), mirror(GONE, profile))
    assert (less.redundancy_full, less.redundancy_left, less.state) == (full, full - 1, "degraded")
    assert less.lost == (full == 0)
    assert whole.level == profile.lower()


def test_data_without_a_copy_is_the_weakest_though_metadata_has_two() -> None:
    chunks = [("Data", "single", 4096, BOTH), ("Metadata", "RAID1", 4096, BOTH), ("System", "RAID1", 4096, BOTH)]
    assert only(show(*TWO), usage(*chunks)).redundancy_full == 0


def test_mixed_chunks_count_as_both() -> None:
    array = only(show(*TWO), usage(("Data+Metadata", "RAID1", 4096, BOTH), ("System", "RAID1", 4096, BOTH)))
    assert (array.level, array.redundancy_full, array.redundancy_left) == ("raid1", 1, 1)


def test_an_unknown_profile_is_not_judged() -> None:
    array = only(show(*TWO), mirror(BOTH, "RAID9"))
    assert (array.redundancy_left, array.why_unknown) == (None, "the profile raid9 is not known")


def test_parity_is_told_with_what_the_manual_says_of_it() -> None:
    assert any("mkfs.btrfs" in note for note in only(show(*TWO), mirror(BOTH, "RAID5")).notes)


def degraded_writes(sdb: tuple[str, ...], both: tuple[str, ...]) -> CommandRead:
    """As seen on a real mirror: single chunks on the survivor, of which only that of the system holds something."""
    return usage(
        ("Data", "single", 0, sdb),
        ("Data", "RAID1", 167772160, both),
        ("Metadata", "single", 0, sdb),
        ("Metadata", "RAID1", 311296, both),
        ("System", "single", 16384, sdb),
        ("System", "RAID1", 0, both),
        devices=both,
    )


def test_single_chunks_written_beside_a_mirror_are_no_loss() -> None:
    array = only(show(*FILLING, total=3), degraded_writes(("/dev/sdb",), GONE), replace(RUNS))
    assert (array.redundancy_full, array.redundancy_left, array.lost) == (1, 0, False)
    assert array.level == "raid1"


def test_a_replaced_mirror_is_not_whole_while_chunks_of_one_copy_are_left() -> None:
    array = only(show(*TWO), degraded_writes(("/dev/sdb",), BOTH))
    assert (array.redundancy_full, array.redundancy_left, array.state) == (1, 0, "ok")
    assert array.notes == ("some system chunks are single and survive less than the rest of the filesystem",)


def test_a_replaced_mirror_whose_single_chunks_are_empty_is_whole() -> None:
    chunks = [(kind, "single", 0, ("/dev/sdb",)) for kind in ("Data", "Metadata", "System")]
    array = only(show(*TWO), usage(*chunks, *[(kind, "RAID1", 4096, BOTH) for kind, *_ in chunks]))
    assert (array.redundancy_full, array.redundancy_left, array.notes) == (1, 1, ())


def test_a_device_of_no_filesystem_is_an_odd_line() -> None:
    seen = observe(run("filesystem", "show", "--raw", stdout="\tdevid    1 size 1 used 1 path /dev/sdb\n"))
    assert (len(seen.unread), seen.arrays, seen.complete) == (1, (), False)


def test_chunks_alone_do_not_tell_what_is_left() -> None:
    array = only(df(("Data", "RAID1"), ("System", "RAID1"), ("Metadata", "RAID1")), replace("Never started"))
    assert (array.redundancy_full, array.redundancy_left, array.state) == (1, None, "unknown")
    assert array.why_unknown == "this poll did not read the devices"


def test_chunks_of_no_size_are_none() -> None:
    text = mirror(BOTH).stdout.replace("Data,RAID1", "Data,single: Size:0, Used:9 (0.00%)\n\nData,RAID1", 1)
    array = only(show(*TWO), run("filesystem", "usage", "-b", stdout=text))
    assert (array.redundancy_full, array.redundancy_left, array.level) == (1, 1, "raid1")


def test_without_the_devices_rows_single_chunks_beside_a_loss_are_not_judged() -> None:
    """Not as root the tool leaves the rows out (seen with 6.2)."""
    chunks = [("Data", "single", 4096, ()), ("Data", "RAID1", 4096, ()), ("System", "RAID1", 4096, ())]
    array = only(show(*LOST_ONE), usage(*chunks, devices=()))
    assert (array.redundancy_left, array.lost) == (None, False)
    assert array.why_unknown is not None


def test_without_the_devices_rows_a_plain_mirror_is_judged_by_what_is_missing() -> None:
    array = only(show(*LOST_ONE), mirror((), "RAID1"))
    assert (array.redundancy_full, array.redundancy_left) == (1, 0)


@pytest.mark.parametrize("cut", ["System,", "Unallocated:"])
def test_a_listing_of_chunks_that_was_cut_is_not_judged(cut: str) -> None:
    whole = mirror(GONE).stdout
    array = only(show(*LOST_ONE), run("filesystem", "usage", "-b", stdout=whole[: whole.index(cut)]))
    assert array.redundancy_left is None


def test_two_missing_devices_of_a_triple_are_both_counted() -> None:
    rows = (TWO[0], "2 size 0 used 0 path  MISSING", "3 size 0 used 0 path <missing disk> MISSING")
    array = only(show(*rows), mirror(("/dev/sdb", "missing", "<missing disk>"), "RAID1C3"))
    assert (array.redundancy_full, array.redundancy_left) == (2, 0)
    assert [(m.name, m.state) for m in array.members][1:] == [("devid 2", "missing"), ("devid 3", "missing")]


def test_before_5_19_the_row_of_a_missing_device_is_left_out() -> None:
    array = only(show(TWO[0], total=2, tail="\t*** Some devices missing\n"), mirror(GONE))
    assert (array.state, array.redundancy_left, array.slots) == ("degraded", 0, 2)


@pytest.mark.parametrize(
    "read",
    [
        run("device", "stats", stdout=f"what\n{STATS}"),
        show(*TWO, tail="what\n"),
        run("filesystem", "usage", "-b", stdout=f"{mirror(BOTH).stdout}what\n"),
        run("scrub", "status", stdout="what\n"),
        FileRead(MOUNTINFO, f"{MOUNTED.text}what\n"),
    ],
)
def test_an_odd_line_anywhere_is_told(read: Read) -> None:
    seen = observe(show(*TWO), mirror(BOTH), read)
    assert [odd.text.strip() for odd in seen.unread] == ["what"]
    assert len(seen.arrays) == 1


def test_sizes_with_units_are_read_too_and_the_exact_ones_win() -> None:
    rounded = CommandRead(
        ("btrfs", "filesystem", "show", MOUNT),
        0,
        f"Label: none  uuid: {UUID}\n\tTotal devices 1 FS bytes used 1.00GiB\n"
        "\tdevid    1 size 3.50GiB used 1.00MiB path /dev/sdb\n",
    )
    alone = only(rounded)
    assert (alone.member_bytes, alone.name) == (round(3.5 * GIB), MOUNT)
    for order in ((rounded, show(*TWO)), (show(*TWO), rounded)):
        assert only(*order).member_bytes == 4 * GIB


SEEN_BY_ALL = {
    "label": "books",
    "exclusive_operation": "device replace",
    "devinfo__1__missing": "0",
    "devinfo__2__missing": "1",
    "devinfo__0__missing": "0",
    "devinfo__0__replace_target": "1",
    "devinfo__1__error_stats": "write_errs 1\nread_errs 2\nflush_errs 0\ncorruption_errs 3\ngeneration_errs 4",
    "devinfo__2__error_stats": "invalid",
    "devinfo__1__scrub_speed_max": "1048576",
    "allocation__data__raid1__total_bytes": "4096",
    "allocation__metadata__raid1__total_bytes": "4096",
    "allocation__metadata__single__total_bytes": "0",
    "allocation__system__raid1__total_bytes": "4096",
    "unknown_file": "1",
}


def test_without_root_sysfs_tells_redundancy_and_that_a_replace_runs() -> None:
    refused = run("replace", "status", "-1", code=1, stderr="ERROR: Operation not permitted\n")
    seen = observe(MOUNTED, *sysfs(**SEEN_BY_ALL), refused)
    assert (seen.error, seen.complete) == (None, True)
    (array,) = seen.arrays
    assert (array.name, array.id, array.id_kind) == ("books", UUID, IdKind.FILESYSTEM_UUID)
    assert (array.level, array.redundancy_full, array.redundancy_left) == ("raid1", 1, 0)
    activity = activity_of(array)
    assert (activity.kind, activity.running, activity.done) == (ActivityKind.REBUILD, True, None)
    assert {m.name: m.state for m in array.members} == {"devid 0": "target", "devid 1": "ok", "devid 2": "missing"}
    errors = {m.name: m.errors for m in array.members}
    assert errors["devid 2"] is None
    assert errors["devid 1"] is not None
    assert errors["devid 1"].checksum == 7


def test_a_forgotten_limit_on_reading_slows_a_replace() -> None:
    limits = {"devinfo__1__scrub_speed_max": "1048576", "devinfo__2__scrub_speed_max": "0"}
    told = only(*sysfs(**limits, devinfo__3__scrub_speed_max="odd")).settings
    assert [(one.value, one.slows) for one in told] == [("1048576 B/s", True), ("0 B/s", False)]


def test_the_readings_of_one_filesystem_are_one_array() -> None:
    reads = (MOUNTED, *sysfs(**SEEN_BY_ALL), show(*FILLING, total=3), mirror(GONE), replace(RUNS))
    array = only(*reads)
    assert (array.id, array.name, array.aliases) == (UUID, "books", (MOUNT,))


def test_a_filesystem_is_recognised_by_its_scrub_status_when_show_failed() -> None:
    other = "11111111-2222-3333-4444-555555555555"
    reads = [
        *sysfs(label="books", exclusive_operation="none"),
        FileRead(f"/sys/fs/btrfs/{other}/label", "other\n"),
        run("filesystem", "show", "--raw", code=None, error="no answer within 20 s"),
        scrub("finished"),
        replace("Never started"),
    ]
    assert [array.id for array in observe(*reads).arrays] == [UUID, other]


@pytest.mark.parametrize(
    ("file", "device"), [("devices__sdb__size", "/dev/sdb"), ("devices__dm-3__dm__name", "/dev/mapper/box")]
)
def test_a_filesystem_is_recognised_by_its_device(file: str, device: str) -> None:
    mounted = FileRead(MOUNTINFO, f"41 21 0:40 / {MOUNT} rw - btrfs {device} rw\n")
    reads = [*sysfs(**{file: "box" if "dm" in file else "800"}, label="books"), replace("Never started")]
    second = FileRead("/sys/fs/btrfs/11111111-2222-3333-4444-555555555555/label", "other\n")
    seen = observe(mounted, *reads, second)
    assert {array.id: array.aliases for array in seen.arrays}[UUID] == (MOUNT,)
    assert len(seen.arrays) == 2


def test_a_mounted_filesystem_that_nothing_tells_of_has_not_gone() -> None:
    hung = run("replace", "status", "-1", code=None, error="no answer within 20 s")
    seen = observe(MOUNTED, hung)
    for array in seen.arrays:
        assert (array.redundancy_left, array.state) == (None, "unknown")
        assert array.why_unknown is not None
        assert "no answer within 20 s" in array.why_unknown
    assert seen.arrays or not seen.complete


def test_mounts_that_could_not_be_read_leave_the_list_incomplete() -> None:
    seen = observe(FileRead(MOUNTINFO, None, "Permission denied"))
    assert not seen.complete
    assert seen.error is not None
    assert "Permission denied" in seen.error


def test_a_poll_without_any_reading_says_so() -> None:
    seen = observe(
        CommandRead((), 0), CommandRead(("grep", "x", "/proc/mounts"), 0, "x\n"), CommandRead(("btrfs", "x", "/y"), 0)
    )
    assert (seen.arrays, seen.complete) == ((), False)
    assert seen.error is not None


def test_a_host_that_has_no_such_mount_is_fully_known() -> None:
    seen = observe(FileRead(MOUNTINFO, "22 27 0:21 / /proc rw,relatime - proc proc rw\n"))
    assert (seen.arrays, seen.error, seen.complete) == ((), None, True)


def test_a_balance_that_failed_and_a_timeout_by_exit_code_are_no_answers() -> None:
    failed = run("balance", "status", code=2, stderr="ERROR: no\n")
    late = run("device", "stats", code=124)
    array = only(*sysfs(label="books"), MOUNTED, failed, late)
    assert array.activities is None
    assert array.redundancy_left is None


def test_names_cannot_carry_control_characters() -> None:
    array = only(show("1 size 4096 used 1 path /dev/s\x1bdb", label="'bo\x07oks'"))
    assert (array.name, array.members[0].name) == ("bo?oks", "/dev/s?db")


def wanted(*reads: Read) -> tuple[str, ...]:
    return tuple(want.argv[-1] for want in PARSER.wants(reads) if isinstance(want, Command))


def test_files_come_first_and_then_one_mount_point_of_each_filesystem() -> None:
    first = PARSER.wants(())
    assert all(isinstance(want, (File, Files)) for want in first)
    text = (
        "41 21 0:40 /@home /home rw - btrfs /dev/sdb rw\n"
        "42 21 0:40 / /srv/My\\040Books rw shared:1 - btrfs /dev/sdb rw\n"
        "43 21 0:41 / /mnt rw - btrfs /dev/sdc rw\n"
        "44 21 8:1 / / rw - ext4 /dev/sda1 rw\n"
    )
    asked = wanted(FileRead(MOUNTINFO, text))
    assert set(asked) == {"/srv/My Books", "/mnt"}
    assert PARSER.wants((FileRead(MOUNTINFO, text), replace("Never started"))) == ()
    assert wanted(FileRead(MOUNTINFO, None, "gone")) == ()


@pytest.mark.parametrize(("operation", "asks"), [("none", False), ("balance", True), ("balance paused", True)])
def test_a_balance_is_asked_for_only_while_there_is_one(operation: str, asks: bool) -> None:
    wants = PARSER.wants((MOUNTED, *sysfs(exclusive_operation=operation)))
    assert any(isinstance(want, Command) and "balance" in want.argv for want in wants) == asks


OUTPUTS: tuple[Callable[[str], CommandRead], ...] = (
    lambda text: run("filesystem", "show", "--raw", stdout=text),
    lambda text: run("filesystem", "usage", "-b", stdout=text),
    lambda text: run("replace", "status", "-1", stdout=text),
    lambda text: run("device", "stats", stdout=text),
    lambda text: run("scrub", "status", stdout=text),
    lambda text: run("filesystem", "df", stdout=text),
    lambda text: run("device", "usage", stdout=text),
)
WHOLE = (
    *(show(*LOST_ONE).stdout, mirror(GONE).stdout, f"{RUNS}\n", STATS, scrub("running", RUNNING).stdout),
    *(df(("Data", "RAID1"), ("System", "RAID1"), ("Metadata", "RAID1")).stdout, LISTED),
)


@settings(max_examples=300, deadline=timedelta(seconds=2))
@given(st.integers(0, 6), st.integers(0, 400), st.integers(0, 400), st.text(max_size=12))
def test_cut_doubled_or_garbled_text_never_looks_whole(which: int, first: int, last: int, noise: str) -> None:
    texts = list(WHOLE)
    texts[which] = texts[which][:first] + noise + texts[which][last:]
    seen = observe(*[output(text) for output, text in zip(OUTPUTS, texts, strict=True)])
    for array in seen.arrays:
        assert array.redundancy_left is None or array.redundancy_left < 1
