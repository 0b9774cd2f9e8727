"""What the kernel knows of a drive, on made-up hosts laid out like the kernel's own tree."""

from pathlib import Path

import pytest

from mendwatch.model.capture import DriveFacts
from support.behind import array, facts, look
from support.block_tree import ATA, BlockTree, identify_page


@pytest.fixture
def tree(tmp_path: Path) -> BlockTree:
    return BlockTree(tmp_path)


def test_a_sata_drive_tells_its_whole_name_by_its_own_description(tree: BlockTree) -> None:
    page = identify_page("EX-SERIAL-0042", "EXAMPLE ROTATING DRIVE 8000GB", zoned=0, trim=0)
    tree.disk("sda", size="15628053168", device__vendor="ATA", device__model="EXAMPLE ROTATING", device__vpd_pg89=page)
    tree.attributes(tree.root, {"sys__class__ata_link__link1__sata_spd": "6.0 Gbps"})
    assert facts(tree, "sda") == DriveFacts(
        model="EXAMPLE ROTATING DRIVE 8000GB",
        serial="EX-SERIAL-0042",
        size_bytes=15628053168 * 512,
        rotational=True,
        discard=None,
        zoned="none",
        link="6.0 Gbps",
    )


def test_sector_sizes_and_cache_are_told(tree: BlockTree) -> None:
    """File names and words: the kernel's Documentation/ABI/stable/sysfs-block."""
    tree.disk(
        "sda",
        queue__logical_block_size="512",
        queue__physical_block_size="4096",
        queue__write_cache="write through",
    )
    tree.disk("sdb")
    told = look(tree, array("sda", "sdb")).drives
    assert (told["sda"].logical_sector_bytes, told["sda"].physical_sector_bytes) == (512, 4096)
    assert told["sda"].write_cache == "write through"
    assert (told["sdb"].logical_sector_bytes, told["sdb"].physical_sector_bytes) == (None, None)
    assert told["sdb"].write_cache is None


@pytest.mark.parametrize(
    ("said", "count"),
    [("0x0", 0), ("0x1f", 31), ("0xffffffff", 4294967295), ("31", None), ("0x", None), ("many", None)],
)
def test_errors_are_counted_in_hexadecimal(tree: BlockTree, said: str, count: int | None) -> None:
    """Printed as ``0x%x``: drivers/scsi/scsi_sysfs.c."""
    tree.disk("sda", device__ioerr_cnt=said)
    assert look(tree, array("sda")).disks["sda"].io_errors == count


@pytest.mark.parametrize(
    ("attributes", "bits", "zoned"),
    [
        ({"device__scsi_disk__0:0:0:0__zoned_cap": "drive-managed"}, 0, "drive-managed"),
        ({"device__scsi_disk__0:0:0:0__zoned_cap": "none"}, 2, "drive-managed"),
        ({"device__scsi_disk__0:0:0:0__zoned_cap": "none"}, 1, "host-aware"),
        ({"device__scsi_disk__0:0:0:0__zoned_cap": "none"}, 0, "none"),
        ({"queue__zoned": "host-managed"}, 0, "host-managed"),
        ({}, 3, "none"),
    ],
)
def test_a_drive_s_own_word_on_shingling_goes_before_the_kernel_s(
    tree: BlockTree, attributes: dict[str, str], bits: int, zoned: str
) -> None:
    tree.disk("sda", **attributes, device__vpd_pg89=identify_page("S", "M", zoned=bits))
    assert facts(tree, "sda").zoned == zoned


@pytest.mark.parametrize(
    ("place", "attributes", "discard"),
    [
        (ATA.format(n=2), {"device__vendor": "ATA", "queue__discard_max_hw_bytes": "2147450880"}, True),
        (ATA.format(n=2), {"device__vendor": "ATA", "queue__discard_max_hw_bytes": "0"}, False),
        (ATA.format(n=2), {"device__vendor": "ATA", "queue__discard_max_bytes": "2147450880"}, True),
        (ATA.format(n=2), {"device__vendor": "ATA", "device__vpd_pg89": identify_page("S", "M", trim=1)}, True),
        ("pci/host0/port-0:0/end_device-0:0/target/block", {"queue__discard_max_hw_bytes": "1"}, True),
        # What only says that it rotates: virtual drives, bridges, drives that can be taken out.
        (ATA.format(n=2), {"device__vendor": "QEMU", "queue__discard_max_hw_bytes": "1"}, None),
        (
            ATA.format(n=2),
            {"device__vendor": "ATA", "device__model": "QEMU HARDDISK", "queue__discard_max_hw_bytes": "1"},
            None,
        ),
        ("pci/virtio3/block", {"device__vendor": "ATA", "queue__discard_max_hw_bytes": "1"}, None),
        (ATA.format(n=2), {"device__vendor": "ATA", "removable": "1", "queue__discard_max_hw_bytes": "1"}, None),
        (ATA.format(n=2), {"device__vendor": "ATA", "size": "0", "queue__discard_max_hw_bytes": "1"}, None),
        # One that does not rotate is asked no such question.
        ("pci/virtio3/block", {"queue__rotational": "0", "queue__discard_max_hw_bytes": "1"}, True),
    ],
)
def test_discard_of_a_rotating_drive_counts_only_on_a_real_one(
    tree: BlockTree, place: str, attributes: dict[str, str | bytes], discard: bool | None
) -> None:
    tree.disk("sda", place, **attributes)
    assert facts(tree, "sda").discard is discard


def test_a_serial_is_taken_from_wherever_the_kernel_has_it(tree: BlockTree) -> None:
    tree.disk("sda", device__vpd_pg80=b"\0\x80\0\x0c  EX-SAS-0001")
    tree.disk("nvme0n1", device__serial="EX-NVME-1   ", device__model="Example Flash")
    tree.disk("vda", "pci/virtio1/block", serial="EX-VIRT")
    behind = look(tree, array("sda", "nvme0n1", "vda"))
    assert {name: told.serial for name, told in behind.drives.items()} == {
        "sda": "EX-SAS-0001",
        "nvme0n1": "EX-NVME-1",
        "vda": "EX-VIRT",
    }
    assert behind.drives["nvme0n1"].model == "Example Flash"


def test_links_of_every_bus(tree: BlockTree) -> None:
    port = "pci/host0/port-0:3"
    tree.disk("sda", f"{port}/end_device-0:3/target0:0:3/0:0:3:0/block")
    tree.disk("nvme0n1", "pci0000:00/0000:01:00.0/nvme/nvme0")
    tree.disk("sdb", ATA.format(n=4))
    tree.disk("vda", "pci/virtio1/block")
    tree.disk("sdc", "pci0000:00/usb2/2-1/2-1.4/2-1.4:1.0/host9/target9:0:0/9:0:0:0/block")
    shared = "virtual/nvme-subsystem/nvme-subsys1"
    tree.disk("nvme1n1", shared)
    devices = tree.root / "sys/devices"
    tree.attributes(devices / "pci0000:00/usb2/2-1", {"speed": "10000"})
    tree.attributes(devices / "pci0000:00/usb2/2-1/2-1.4", {"speed": "480"})
    tree.attributes(
        devices / shared,
        {"nvme1__device__current_link_speed": "16.0 GT/s PCIe", "nvme1__device__current_link_width": "2"},
    )
    tree.attributes(devices / port, {"phy-0:3__sas_phy__phy-0:3__negotiated_linkrate": "12.0 Gbit"})
    tree.attributes(
        devices / "pci0000:00/0000:01:00.0", {"current_link_speed": "8.0 GT/s PCIe", "current_link_width": "4"}
    )
    tree.attributes(tree.root, {"sys__class__ata_link__link4__sata_spd": "<unknown>"})
    behind = look(tree, array("sda", "sdb", "sdc", "nvme0n1", "nvme1n1", "vda"))
    assert {name: told.link for name, told in behind.drives.items()} == {
        "nvme0n1": "8.0 GT/s PCIe x4",
        "nvme1n1": "16.0 GT/s PCIe x2",
        "sda": "12.0 Gbit",
        "sdb": None,
        "sdc": "USB 480 Mbit/s",
        "vda": None,
    }
