"""The forms of btrfs outputs, how they are weighed against each other, and what is left of broken ones.

Composed from the sources of btrfs-progs 6.19 (cmds/*.c) and the kernel's fs/btrfs (6.12).
"""

import pytest

from mendwatch.model.capture import CommandRead
from mendwatch.model.plugin import Files
from mendwatch.parsers.btrfs import PARSER
from support.btrfs_samples import (
    BOTH,
    GIB,
    LISTED,
    MOUNT,
    MOUNTED,
    STATS,
    TWO,
    UUID,
    mirror,
    observe,
    only,
    run,
    show,
    sysfs,
    usage,
)


@pytest.mark.parametrize(
    ("operation", "read"), [("none", {1, 3}), ("device replace", {1, 3}), ("device remove", set())]
)
def test_only_folders_of_devices_that_are_listed_are_read_in_sysfs(operation: str, read: set[int]) -> None:
    """The folder of a missing device that was removed stays, with its memory freed (btrfs_rm_device; seen on 6.18)."""
    reads = (MOUNTED, *sysfs(exclusive_operation=operation), run("device", "usage", "-b", stdout=LISTED))
    patterns = [want.pattern for want in PARSER.wants(reads) if isinstance(want, Files)]
    folder = f"/sys/fs/btrfs/{UUID}/devinfo"
    assert set(patterns) == {
        f"{folder}/{devid}/{name}" for devid in read for name in ("error_stats", "scrub_speed_max")
    }
    assert not any("devinfo" in want.pattern for want in PARSER.wants(()) if isinstance(want, Files))


def test_no_folder_is_read_where_the_devices_were_not_listed() -> None:
    refused = run("device", "usage", "-b", code=1, stderr="ERROR: no\n")
    assert PARSER.wants((MOUNTED, *sysfs(exclusive_operation="none"), refused)) == ()


def test_a_device_that_was_removed_is_none_of_the_filesystem_though_sysfs_calls_it_missing() -> None:
    stale = sysfs(devinfo__1__missing="0", devinfo__2__missing="0", devinfo__3__missing="1", exclusive_operation="none")
    array = only(show(*TWO), mirror(BOTH), *stale)
    assert (array.state, array.redundancy_left, len(array.members)) == ("ok", 1, 2)


def test_some_missing_without_a_number_is_degraded_and_not_judged() -> None:
    """What anyone may see of ``filesystem usage`` (seen with 6.2): no rows, and the bytes that are missing."""
    text = usage(*[(kind, "RAID1C3", 1, ()) for kind in ("Data", "Metadata", "System")], devices=()).stdout
    text = text.replace("    Multiple", "    Device missing:\t\t      8589934592\n    Multiple")
    array = only(run("filesystem", "usage", "-b", stdout=text))
    assert (array.state, array.redundancy_full, array.redundancy_left) == ("degraded", 2, None)
    assert array.why_unknown == "how many devices are missing is not told"


def test_chunks_that_do_not_add_up_to_the_summary_were_cut() -> None:
    text = mirror(BOTH).stdout.replace("    Multiple", f"    Device allocated:\t\t{6 * GIB}\n    Multiple")
    assert only(show(*TWO), run("filesystem", "usage", "-b", stdout=text)).redundancy_left == 1
    cut = text[: text.index("Data,")] + text[text.index("Metadata,") :]
    assert only(show(*TWO), run("filesystem", "usage", "-b", stdout=cut)).redundancy_left is None


def test_unlike_profiles_without_their_fill_are_not_judged() -> None:
    """``device usage`` does not tell whether the chunks of a single copy are empty."""
    rows = "".join(f"   {kind}:\t\t{GIB}\n" for kind in ("Data,RAID1", "Metadata,RAID1", "System,RAID1"))
    devices = [f"{path}, ID: {n}\n   Device size:\t{GIB}\n{rows}" for n, path in enumerate(BOTH, start=1)]
    free = f"   Unallocated:\t{GIB}\n"
    told = run("device", "usage", "-b", stdout=f"{devices[0]}   Data,single:\t{GIB}\n{free}{devices[1]}{free}")
    array = only(told)
    assert (array.redundancy_full, array.redundancy_left) == (1, None)
    assert array.why_unknown == "which chunks hold something is not told"
    filled = {"data__raid1": "96", "data__single": "0", "metadata__raid1": "96", "system__raid1": "96"}
    sizes = {f"allocation__{name}__used_bytes": used for name, used in filled.items()}
    totals = {name.replace("used", "total"): str(GIB) for name in sizes}
    assert only(told, *sysfs(**sizes, **totals)).redundancy_left == 1


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (("filesystem", "usage"), "Data,RAID1: what\n"),
        (
            ("filesystem", "usage"),
            "Data Metadata\nId Path RAID1 RAID1 Unallocated\n-- ----\n 1 /dev/sdb 1.00GiB what\n",
        ),
        (("filesystem", "df"), "Data, RAID1: total=what\n"),
        (("--format", "json", "filesystem", "df"), '{"filesystem-df": [{"bg-type": "Data"}]}'),
        (("--format", "json", "filesystem", "df"), '{"filesystem-df": 1e999}'),
        (("device", "usage"), "/dev/sdb, ID: 1\n   Data: what\n"),
        (("scrub", "status"), "Status:           sleeping\n"),
        (("scrub", "status"), "Duration of it all: 1\n"),
        (("scrub", "status"), f"Bytes scrubbed:   {'9' * 400}\nwhat\n"),
        (("replace", "status"), f"{'9' * 400}.0% done, 0 write errs, 0 uncorr. read errs\n"),
        (("filesystem", "show"), f"Label: none  uuid: {UUID}\n\tdevid 1 size {'9' * 5000} used 0 path /dev/sdb\n"),
        (("device", "stats"), f"[/dev/sdb].write_io_errs {'9' * 5000}\n"),
        (("balance", "status"), f"{'9' * 5000} out of about 1 chunks balanced (1 considered), 1% left\n"),
        (("device", "stats"), f"{'x ' * 5_000_000}\n"),
    ],
)
def test_a_line_that_cannot_be_read_is_told_and_costs_nothing_else(words: tuple[str, ...], text: str) -> None:
    seen = observe(show(*TWO), CommandRead(("btrfs", *words, MOUNT), 0, text), mirror(BOTH))
    assert len(seen.unread) == 1
    assert len(seen.unread[0].text) < 10_000
    (array,) = seen.arrays
    assert array.id == UUID


def test_of_several_forms_the_most_exact_counts_and_each_is_accounted_for() -> None:
    table = run("filesystem", "usage", "-T", stdout="what\n")
    for order in ((table, mirror(BOTH)), (mirror(BOTH), table)):
        seen = observe(show(*TWO), *order)
        assert [odd.text for odd in seen.unread] == ["what"]
        assert seen.arrays[0].redundancy_left == 1


def test_a_device_that_the_counters_call_missing_is_not_good() -> None:
    counters = run("device", "stats", stdout=STATS)
    array = only(MOUNTED, show(*TWO), mirror(BOTH), counters)
    assert array.redundancy_left == 0
    assert [(member.name, member.good) for member in array.members] == [("/dev/sdb", True), ("devid 2", False)]


def test_sysfs_that_was_read_in_part_tells_no_redundancy() -> None:
    kinds = ("data", "metadata", "system")
    held = {f"allocation__{kind}__raid1__{size}_bytes": "4096" for kind in kinds for size in ("total", "used")}
    there = {"devinfo__1__missing": "0", "devinfo__2__missing": "0"}
    assert only(MOUNTED, *sysfs(**held, **there)).redundancy_left == 1
    of_one = {"devinfo__1__missing": "0", "devinfo__2__scrub_speed_max": "0"}
    assert only(MOUNTED, *sysfs(**held, **of_one)).redundancy_left is None
    data = {name: text for name, text in held.items() if "metadata" not in name}
    assert only(MOUNTED, *sysfs(**data, **there)).redundancy_left is None
