"""Which drives stand behind an array: as they are, as last known, and where two members share one."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

from mendwatch.model.capture import Capture, DiskCounters, DriveFacts
from mendwatch.model.observation import Array, Errors, IdKind, Member, Role
from mendwatch.model.state import ArrayState, WindowState
from mendwatch.tracker.drives import behind, known_drives, member_counters, shared_drives

AT = datetime(2026, 5, 4, 3, 2, 1, tzinfo=UTC)
WINDOW = WindowState("w", AT, opened_known=True, full=1, level=0)


def member(name: str, drive: str | None = None, group: str | None = "mirror-0", role: Role = Role.DATA) -> Member:
    return Member(name, role, group, drive, "ONLINE", good=True, rebuilding=False)


def state(*members: Member, drives: dict[str, DriveFacts] | None = None, window: bool = False) -> ArrayState:
    array = Array("a", "a", IdKind.NAME, "zfs", None, "ONLINE", 1, 0, None, 0, 0, members, (), None)
    return ArrayState("a", array, "a", AT, AT, drives=drives or {}, window=WINDOW if window else None)


def known(serial: str | None) -> DriveFacts:
    return DriveFacts(model="EXAMPLE", serial=serial)


def poll(**links: str) -> Capture:
    drives = {drive: known(f"S-{drive}") for drive in links.values()}
    return Capture(AT, "zfs", links={name: (drive,) for name, drive in links.items()}, drives=drives)


def test_a_partition_s_row_is_given_its_disk_s_errors() -> None:
    polled = Capture(
        AT,
        "zfs",
        links={"b1": ("sdb",), "d1": ("sdd", "sde")},
        partitions={"b1": DiskCounters(read_bytes=5), "d1": DiskCounters(read_bytes=6)},
        disks={"sdb": DiskCounters(read_bytes=9, io_errors=3), "sdd": DiskCounters(io_errors=4)},
    )
    rows = member_counters(state(member("b1"), member("d1")).array, polled)
    assert rows == {"b1": DiskCounters(read_bytes=5, io_errors=3), "d1": DiskCounters(read_bytes=6)}


def test_what_a_vanished_member_was_stays_known_until_the_array_is_whole() -> None:
    """OpenZFS then lists it by a number."""
    whole = state(member("a"), member("b"))
    drives = known_drives(whole, poll(a="sda", b="sdb"))
    assert drives == {"a": known("S-sda"), "b": known("S-sdb")}
    lost = state(member("a"), member("9703177860737789"), drives=drives, window=True)
    kept = known_drives(lost, poll(a="sda"))
    assert kept == drives
    told = behind(replace(lost, drives=kept))
    assert [(one.member, one.facts.serial, one.listed, one.trouble) for one in told] == [
        ("a", "S-sda", True, False),
        ("b", "S-sdb", False, True),
    ]
    mended = state(member("a"), member("c"), drives=kept)
    assert known_drives(mended, poll(a="sda", c="sdc")) == {"a": known("S-sda"), "c": known("S-sdc")}


def test_a_member_that_lost_its_drive_under_its_own_name_keeps_it_in_mind() -> None:
    lost = state(member("a"), member("b"), drives={"b": known("S-sdb")})
    assert known_drives(lost, poll(a="sda"))["b"] == known("S-sdb")


def test_a_drive_that_goes_by_another_name_now_is_not_gone() -> None:
    """Kernel names move at every boot; without a serial number nothing can be said."""
    moved = state(
        member("sdd"),
        drives={"sde": known("SAME"), "sdd": known("SAME"), "sdf": known(None)},
        window=True,
    )
    assert [one.member for one in behind(moved)] == ["sdd"]


def test_the_drives_in_trouble_are_marked() -> None:
    spare = replace(member("s"), role=Role.SPARE, good=False)
    members = (
        member("well"),
        replace(member("counted"), errors=Errors(0, 0, 2)),
        replace(member("clean"), errors=Errors(0, None, 0)),
        replace(member("lost"), good=False),
        replace(member("new"), good=False, rebuilding=True),
        spare,
        member("unseen"),
    )
    drives = {one.name: known(one.name) for one in members if one.name != "unseen"}
    counters = {"well": DiskCounters(io_errors=7)}
    told = behind(replace(state(*members, drives=drives), counters=counters))
    assert [(one.member, one.trouble) for one in told] == [
        ("well", False),
        ("counted", True),
        ("clean", False),
        ("lost", True),
        ("new", True),
        ("s", False),
    ]
    assert (told[0].io_errors, told[1].io_errors) == (7, None)


def test_two_members_of_a_group_on_one_drive_are_told() -> None:
    told = shared_drives(state(member("a1", "sda"), member("b1", "sdb"), member("a2", "sda")))
    assert told == ("a1, a2 are on one and the same drive (sda): its loss takes them all",)


def test_what_a_drive_s_loss_takes_from_unlike_groups_is_no_matter() -> None:
    whole = state(
        member("a1", "sda"),
        member("a2", "sda", group="mirror-1"),
        member("a3", "sda", role=Role.CACHE),
        member("x", None),
        member("y", None),
    )
    assert shared_drives(whole) == ()


def test_name_spaces_of_one_nvme_drive_are_one_drive() -> None:
    """The kernel shows each name space as a disk (NVM Express base specification: a serial number is a subsystem's)."""
    two = state(
        member("a", "nvme0n1"), member("b", "nvme0n2"), drives={"a": known("ONE"), "b": known("ONE"), "c": known("ONE")}
    )
    assert shared_drives(two) == ("a, b are on one and the same drive (nvme0n1, nvme0n2): its loss takes them all",)
    assert shared_drives(replace(two, drives={"a": known("ONE"), "b": known("TWO")})) == ()
    assert shared_drives(state(member("a", "nvme0n1"), member("b", "nvme1n1"))) == ()
