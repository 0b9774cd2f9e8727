from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from mendwatch.model.capture import Capture, DiskCounters
from mendwatch.model.observation import Array, IdKind, Member, Role
from mendwatch.tracker.drives import member_counters, member_samples
from support.rebuild_samples import recorded

AT = datetime(2026, 5, 4, 3, 2, 1, tzinfo=UTC)
BEFORE = DiskCounters(1000, 2000, 10, 20, 100, 400, 500, 0, 500)
# The published example of a saturated target (kernel fields, 60 s apart): 240 writes, 122,880 sectors, 1,900,000 ms.
AFTER = DiskCounters(1000, 2000 + 122_880 * 512, 10, 260, 100, 1_900_400, 60_500, 32, 1_900_500)


def array(*names: str, system: str = "md", role: Role = Role.DATA) -> Array:
    members = tuple(Member(name, role, None, None, "in_sync", good=True, rebuilding=False) for name in names)
    return Array("a", "a", IdKind.NAME, system, None, "active", 1, 0, None, 0, 0, members, (), None)


def capture(
    disks: dict[str, DiskCounters],
    partitions: dict[str, DiskCounters] | None = None,
    links: dict[str, tuple[str, ...]] | None = None,
) -> Capture:
    return Capture(AT, "md", disks=disks, partitions=partitions or {}, links=links or {})


def test_rates_of_a_whole_drive() -> None:
    one = array("sdd")
    (sample,) = member_samples(one, capture(disks={"sdd": AFTER}), {"sdd": BEFORE}, 60.0, ("sdd",))
    assert sample.drive == "sdd"
    assert sample.filling
    assert sample.write_bytes_per_s == pytest.approx(1_048_576)
    assert sample.ms_per_write == pytest.approx(1_900_000 / 240)
    assert sample.read_bytes_per_s == 0
    assert sample.ms_per_read is None
    assert sample.busy == 1.0


@pytest.mark.parametrize(
    ("member", "system", "links", "row"),
    [
        ("sdb1", "md", {"sdb1": ("sdb",)}, "sdb1"),
        ("/dev/sdb1", "btrfs", {"/dev/sdb1": ("sdb",)}, "sdb1"),
        ("ata-EXAMPLE_1-part2", "zfs", {"ata-EXAMPLE_1-part2": ("sdb",)}, "sdb2"),
        ("nvme-EXAMPLE_1-part1", "zfs", {"nvme-EXAMPLE_1-part1": ("nvme0n1",)}, "nvme0n1p1"),
        ("ata-EXAMPLE_1", "zfs", {"ata-EXAMPLE_1": ("sdb",)}, "sdb1"),
    ],
)
def test_a_member_on_a_partition_is_judged_by_the_partitions_own_row(
    member: str, system: str, links: dict[str, tuple[str, ...]], row: str
) -> None:
    whole = DiskCounters(read_bytes=7)
    polled = capture(links=links, partitions={row: BEFORE}, disks={"sdb": whole, "nvme0n1": whole})
    assert member_counters(array(member, system=system), polled) == {member: BEFORE}


def test_a_whole_drive_of_md_is_never_judged_by_a_partition() -> None:
    polled = capture(links={"sdb": ("sdb",)}, partitions={"sdb1": BEFORE}, disks={"sdb": AFTER})
    assert member_counters(array("sdb"), polled) == {"sdb": AFTER}


def test_the_whole_disks_weighted_time_stands_in_for_a_missing_partition_row() -> None:
    # Seen in live captures: the disk's busy time stands still while its partition works.
    after = replace(AFTER, busy_ms=BEFORE.busy_ms, weighted_ms=30_500)
    polled = capture(links={"sdb1": ("sdb",)}, disks={"sdb": after})
    (sample,) = member_samples(array("sdb1"), polled, {"sdb1": BEFORE}, 60.0, ())
    assert sample.busy == pytest.approx(0.5)


def test_a_counter_that_fell_says_nothing() -> None:
    polled = capture(disks={"sdd": replace(BEFORE, write_bytes=5, write_count=1, busy_ms=3, weighted_ms=2)})
    (sample,) = member_samples(array("sdd"), polled, {"sdd": BEFORE}, 60.0, ())
    assert sample.write_bytes_per_s is None
    assert sample.ms_per_write is None
    assert sample.busy is None
    assert sample.read_bytes_per_s == 0


def test_nothing_is_said_without_an_earlier_poll_or_time_between() -> None:
    polled = capture(disks={"sdd": AFTER})
    assert member_samples(array("sdd"), polled, {}, 60.0, ())[0].write_bytes_per_s is None
    assert member_samples(array("sdd"), polled, {"sdd": BEFORE}, 0.0, ())[0].write_bytes_per_s is None


def test_two_disks_behind_one_member_are_not_guessed_at() -> None:
    polled = capture(links={"dm-3": ("sda", "sdb")}, disks={"sda": AFTER, "sdb": AFTER})
    (sample,) = member_samples(array("dm-3"), polled, {"dm-3": BEFORE}, 60.0, ())
    assert sample.drive is None
    assert sample.write_bytes_per_s is None


def test_logs_and_spares_are_left_out_unless_they_are_filled() -> None:
    polled = capture(disks={"sdd": AFTER})
    assert member_samples(array("sdd", role=Role.SPARE), polled, {"sdd": BEFORE}, 60.0, ()) == ()
    assert len(member_samples(array("sdd", role=Role.SPARE), polled, {"sdd": BEFORE}, 60.0, ("sdd",))) == 1


def test_a_recorded_drive_at_its_limit() -> None:
    # The truth of this capture: every drive was limited to 3,000,000 bytes/s, reads and writes together.
    polls = [poll for poll in recorded("md-6.12-collapse-A") if "recovery" in (poll.file("/proc/mdstat") or "")]
    one = array("vda", "vdh")
    first, later = polls[2], polls[10]
    assert first.up is not None
    assert later.up is not None
    samples = member_samples(one, later, member_counters(one, first), later.up - first.up, ("vdh",))
    source, target = samples
    assert source.read_bytes_per_s == pytest.approx(3_000_000, rel=0.05)
    assert target.write_bytes_per_s == pytest.approx(3_000_000, rel=0.05)
    assert source.busy == pytest.approx(1.0, abs=0.05)
