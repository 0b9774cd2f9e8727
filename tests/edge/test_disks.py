"""The drives behind the members: on made-up hosts laid out like the kernel's own tree, and on this one."""

import os
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import psutil
import pytest

from mendwatch.daemon.clock import SystemClock
from mendwatch.model.capture import Capture, DiskCounters, DriveFacts
from mendwatch.sources.disks import Behind, Disks
from mendwatch.sources.recording import Header, RecordingWriter, read_recording
from support.behind import array, links, look
from support.block_tree import BlockTree, identify_page


@pytest.fixture
def tree(tmp_path: Path) -> BlockTree:
    return BlockTree(tmp_path)


def test_a_by_id_link_to_a_partition_leads_to_its_disk(tree: BlockTree) -> None:
    tree.disk("sda")
    tree.partition("sda", "sda1")
    tree.link("/dev/disk/by-id/ata-EXAMPLE_77-part1", "sda1")
    behind = look(tree, array("ata-EXAMPLE_77-part1", "/dev/disk/by-id/ata-EXAMPLE_77-part1"))
    assert behind.links == {
        "ata-EXAMPLE_77-part1": ("sda",),
        "/dev/disk/by-id/ata-EXAMPLE_77-part1": ("sda",),
    }
    assert (sorted(behind.disks), sorted(behind.partitions)) == (["sda"], ["sda1"])


def test_digits_are_no_partition(tree: BlockTree) -> None:
    tree.disk("nvme0n1", "pci0000:00/0000:01:00.0/nvme/nvme0")
    tree.partition("nvme0n1", "nvme0n1p2")
    tree.disk("loop7", "virtual/block")
    assert links(tree, "nvme0n1p2", "loop7", "nvme0n1") == {
        "nvme0n1p2": ("nvme0n1",),
        "loop7": ("loop7",),
        "nvme0n1": ("nvme0n1",),
    }


def test_a_disk_that_was_partitioned_for_its_member_gives_the_first_partition_s_row(tree: BlockTree) -> None:
    for disk, first in (("sda", "sda1"), ("nvme0n1", "nvme0n1p1")):
        tree.disk(disk)
        tree.partition(disk, first)
    assert sorted(look(tree, array("sda", "nvme0n1")).partitions) == ["nvme0n1p1", "sda1"]


def test_an_encrypted_partition_leads_down_to_the_disk(tree: BlockTree) -> None:
    tree.disk("sdb")
    tree.partition("sdb", "sdb1")
    tree.stacked("dm-0", ("sdb1",), dm__uuid="CRYPT-LUKS2-x", dm__name="locked")
    tree.link("/dev/mapper/locked", "dm-0")
    behind = look(tree, array("/dev/mapper/locked"))
    assert behind.links == {"/dev/mapper/locked": ("sdb",)}
    assert sorted(behind.partitions) == ["sdb1"]


def test_an_array_over_arrays_leads_to_every_disk(tree: BlockTree) -> None:
    for name in ("sda", "sdb", "sdc"):
        tree.disk(name)
    tree.stacked("md0", ("sda", "sdb"))
    tree.stacked("dm-1", ("md0", "sdc"), dm__uuid="LVM-x", dm__name="vg-lv")
    assert links(tree, "dm-1") == {"dm-1": ("sda", "sdb", "sdc")}


def test_several_paths_to_one_disk_are_one_disk(tree: BlockTree) -> None:
    tree.disk("sda")
    tree.disk("sdb")
    tree.stacked("dm-0", ("sda", "sdb"), dm__uuid="mpath-3600", dm__name="mpatha")
    assert links(tree, "dm-0") == {"dm-0": ("sda",)}


def test_partitions_of_what_is_stacked_lead_down_too(tree: BlockTree) -> None:
    """The prefixes of the device mapper's ids: lvm and kpartx, from memory."""
    for name in ("sda", "sdb", "sdc", "sdd"):
        tree.disk(name)
    tree.partition("sda", "sda2")
    tree.partition("sdb", "sdb2")
    tree.stacked("md0", ("sda2", "sdb2"))
    tree.partition("md0", "md0p1")
    tree.stacked("dm-0", ("sdc", "sdd"), dm__uuid="mpath-3600", dm__name="mpatha")
    tree.stacked("dm-1", ("dm-0",), dm__uuid="part1-mpath-3600", dm__name="mpatha-part1")
    behind = look(tree, array("md0p1", "dm-1"))
    assert behind.links == {"md0p1": ("sda", "sdb"), "dm-1": ("sdc",)}
    assert sorted(behind.partitions) == ["md0p1", "sda2", "sdb2"]


def test_a_leg_whose_drive_is_gone_has_no_disk(tree: BlockTree) -> None:
    """The volume manager then puts a target below it that stands on nothing."""
    tree.stacked("dm-0", (), dm__uuid="LVM-0", dm__name="vg-lv_rimage_0")
    behind = look(tree, array("lv_rimage_0", name="vg/lv"))
    assert (behind.links, behind.disks, behind.drives) == ({}, {}, {})


@pytest.mark.parametrize("state", ["UNAVAIL", "REMOVED"])
def test_a_kernel_name_is_not_believed_of_a_member_that_could_not_be_opened(tree: BlockTree, state: str) -> None:
    """Another drive may have the letter by now; a name that holds a serial number stays true."""
    for name in ("sda", "sdb", "sdc"):
        tree.disk(name)
    tree.link("/dev/disk/by-id/ata-EXAMPLE_77", "sdc")
    told = array("sda", "/dev/sdb", "ata-EXAMPLE_77")
    gone = replace(told, members=tuple(replace(member, state=state, good=False) for member in told.members))
    assert look(tree, gone).links == {"ata-EXAMPLE_77": ("sdc",)}


def test_the_legs_of_a_logical_volume_are_found_by_their_mapped_names(tree: BlockTree) -> None:
    for number, disk in enumerate(("sda", "sdb")):
        tree.disk(disk)
        tree.stacked(f"dm-{number}", (disk,), dm__uuid=f"LVM-{number}", dm__name=f"vg--a-my--lv_rimage_{number}")
    tree.stacked("dm-2", ("dm-0", "dm-1"), dm__uuid="LVM-2", dm__name="vg--a-my--lv")
    told = array("my-lv_rimage_0", "my-lv_rimage_1", "leg 2", name="vg-a/my-lv", device="dm-2")
    behind = look(tree, told)
    assert behind.links == {"my-lv_rimage_0": ("sda",), "my-lv_rimage_1": ("sdb",)}
    assert list(behind.array_devices) == ["dm-2"]


def test_what_is_not_attached_has_no_link(tree: BlockTree) -> None:
    tree.disk("sda")
    assert links(tree, "9703177860737789", "devid 2", "..", "", "/vault/file.img", "/dev/sdz", "x\0y") == {}


def test_a_name_with_a_slash_is_found_under_its_other_spelling(tree: BlockTree) -> None:
    tree.disk("cciss/c0d0")
    tree.partition("cciss/c0d0", "cciss/c0d0p1")
    behind = look(tree, array("/dev/cciss/c0d0p1"))
    assert behind.links == {"/dev/cciss/c0d0p1": ("cciss/c0d0",)}
    assert (list(behind.disks), list(behind.partitions)) == (["cciss/c0d0"], ["cciss/c0d0p1"])


def test_only_what_concerns_the_members_is_kept(tree: BlockTree) -> None:
    for name in ("sda", "sdb", "sdc"):
        tree.disk(name)
    tree.stacked("md0", ("sda",))
    tree.stacked("md1", ("sdb",))
    behind = look(tree, array("sda", device="md0"))
    assert (list(behind.disks), list(behind.drives), list(behind.array_devices)) == (["sda"], ["sda"], ["md0"])
    assert look(tree) == Behind()


def test_counters_are_those_of_the_kernel_s_table(tree: BlockTree) -> None:
    """Field numbers: the kernel's iostats description; the tree writes 101, 102 … as the first disk's fields."""
    tree.disk("sda")
    assert look(tree, array("sda")).disks["sda"] == DiskCounters(
        read_count=101,
        read_bytes=103 * 512,
        read_ms=104,
        write_count=105,
        write_bytes=107 * 512,
        write_ms=108,
        in_flight=109,
        busy_ms=110,
        weighted_ms=111,
    )


def test_an_odd_line_in_the_table_spoils_only_itself(tree: BlockTree) -> None:
    tree.disk("sda")
    tree.disk("sdb")
    table = tree.root / "proc/diskstats"
    lines = table.read_text().splitlines()
    table.write_text("garbage\n   8 1 sda 1 2 x\n" + lines[1] + "\n")
    assert list(look(tree, array("sda", "sdb")).disks) == ["sdb"]
    table.unlink()
    assert look(tree, array("sda", "sdb")).disks == {}


def test_facts_are_read_once_for_each_medium_and_boot(tree: BlockTree) -> None:
    folder = tree.disk("sda", diskseq="9", serial="FIRST")
    disks = Disks(SystemClock(), tree.root)

    def serial(boot: str) -> str | None:
        return disks.look((array("sda"),), boot).drives["sda"].serial

    assert serial("one") == "FIRST"
    tree.attributes(folder, {"serial": "SECOND"})
    assert serial("one") == "FIRST"
    tree.attributes(folder, {"diskseq": "10"})
    assert serial("one") == "SECOND"
    tree.attributes(folder, {"serial": "THIRD"})
    assert serial("two") == "THIRD"


def test_what_changes_while_a_drive_stays_is_read_each_time(tree: BlockTree) -> None:
    folder = tree.disk("sda", diskseq="9", queue__write_cache="write back", device__ioerr_cnt="0x2")
    tree.attributes(tree.root, {"sys__class__ata_link__link1__sata_spd": "6.0 Gbps"})
    disks = Disks(SystemClock(), tree.root)

    def told() -> tuple[str | None, str | None, int | None]:
        behind = disks.look((array("sda"),), "one")
        return behind.drives["sda"].link, behind.drives["sda"].write_cache, behind.disks["sda"].io_errors

    assert told() == ("6.0 Gbps", "write back", 2)
    tree.attributes(folder, {"queue__write_cache": "write through", "device__ioerr_cnt": "0xa"})
    tree.attributes(tree.root, {"sys__class__ata_link__link1__sata_spd": "1.5 Gbps"})
    assert told() == ("1.5 Gbps", "write through", 10)


def test_all_of_it_is_recorded_and_played_again(tree: BlockTree, tmp_path: Path) -> None:
    page = identify_page("EX-SERIAL-0042", "EXAMPLE ROTATING DRIVE 8000GB", trim=1)
    tree.disk(
        "sda",
        device__vendor="ATA",
        device__vpd_pg89=page,
        device__ioerr_cnt="0x7",
        queue__logical_block_size="512",
        queue__physical_block_size="4096",
        queue__write_cache="write back",
        queue__discard_max_hw_bytes="4096",
    )
    tree.partition("sda", "sda1")
    tree.attributes(tree.root, {"sys__class__ata_link__link1__sata_spd": "6.0 Gbps"})
    behind = look(tree, array("sda1"))
    known = behind.drives["sda"]
    assert None not in {getattr(known, name) for name in DriveFacts.__slots__}, "every field is filled"
    at = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
    polled = Capture(
        at, "md", disks=behind.disks, partitions=behind.partitions, links=behind.links, drives=behind.drives
    )
    path = tmp_path / "poll.jsonl"
    with RecordingWriter(path, Header()) as writer:
        writer.append(polled)
    assert list(read_recording(path).lines) == [polled]


def test_recordings_that_know_less_or_more_are_played(tmp_path: Path) -> None:
    path = tmp_path / "older.jsonl"
    path.write_text(
        '{"recording": 1}\n'
        '{"at": "2026-03-01T12:00:00Z", "source": "md", "disks": {"sda": {"read_bytes": 1}},'
        ' "drives": {"sda": {"model": "EXAMPLE"}}}\n'
        '{"at": "2026-03-01T12:01:00Z", "source": "md", "disks": {"sda": {"io_errors": 2, "flushes": 3}},'
        ' "drives": {"sda": {"colour": "grey", "physical_sector_bytes": 4096}}}\n'
    )
    older, newer = (line for line in read_recording(path).lines if isinstance(line, Capture))
    assert (older.disks["sda"].io_errors, older.drives["sda"]) == (None, DriveFacts(model="EXAMPLE"))
    assert (newer.disks["sda"].io_errors, newer.drives["sda"]) == (2, DriveFacts(physical_sector_bytes=4096))


@pytest.fixture
def loop(tmp_path: Path) -> Iterator[str]:
    """A real block device of our own."""
    if os.geteuid() != 0 or shutil.which("losetup") is None:
        pytest.skip("needs root and losetup for a block device of its own")
    image = tmp_path / "image"
    with image.open("wb") as stream:
        stream.truncate(8 * 1024 * 1024)
    done = subprocess.run(["losetup", "-f", "--show", image], check=False, capture_output=True, text=True)
    if done.returncode:
        pytest.skip(f"no loop device here: {done.stderr.strip()}")
    device = done.stdout.strip()
    yield device
    subprocess.run(["losetup", "-d", device], check=True)


@pytest.mark.root
def test_a_real_device_tells_its_sectors_as_the_system_s_own_tool_does(loop: str) -> None:
    """Against blockdev (util-linux), which asks the kernel by ioctl and not by sysfs."""
    if shutil.which("blockdev") is None:
        pytest.skip("needs blockdev to compare with")
    told = Disks(SystemClock()).look((array(loop),), "b").drives[loop.removeprefix("/dev/")]
    asked = subprocess.run(
        ["blockdev", "--getss", "--getpbsz", "--getsize64", loop], check=True, capture_output=True, text=True
    )
    assert [told.logical_sector_bytes, told.physical_sector_bytes, told.size_bytes] == [
        int(number) for number in asked.stdout.split()
    ]


@pytest.mark.root
def test_a_real_device_is_counted_by_the_kernel(loop: str) -> None:
    name = loop.removeprefix("/dev/")
    disks = Disks(SystemClock())
    before = disks.look((array(loop),), "b")
    handle = os.open(loop, os.O_WRONLY | os.O_SYNC)
    try:
        os.write(handle, b"x" * 1024 * 1024)
    finally:
        os.close(handle)
    after = disks.look((array(loop),), "b")
    assert after.links == {loop: (name,)}
    assert after.drives[name].size_bytes == 8 * 1024 * 1024
    first, second = before.disks[name], after.disks[name]
    assert first.write_bytes is not None
    assert second.write_bytes == first.write_bytes + 1024 * 1024
    reference = psutil.disk_io_counters(perdisk=True, nowrap=False)[name]
    assert (second.write_bytes, second.write_count, second.busy_ms) == (
        reference.write_bytes,
        reference.write_count,
        reference.busy_time,
    )
    assert second.in_flight == 0
    assert second.weighted_ms is not None
