from __future__ import annotations

import re
from collections import deque
from datetime import timedelta

import pytest

from mendwatch.model.capture import Capture, CommandRead
from mendwatch.simulator import Kind, Scenario, captures
from mendwatch.simulator.zfs_text import lasted, scaled
from support.rebuild_samples import steps

SYSTEMS = ("zfs", "md")


def hours(scenario: Scenario) -> float:
    """From the new drive to the end."""
    (last,) = deque(captures(scenario), maxlen=1)
    quiet_s = (scenario.healthy_polls - 0.5 + 4.5) * scenario.poll_s
    return ((last.at - scenario.start).total_seconds() - quiet_s - scenario.wait_s) / 3600


@pytest.mark.parametrize("system", SYSTEMS)
@pytest.mark.parametrize("seed", range(4))
def test_four_terabytes_take_14_to_17_hours_on_a_conventional_drive(system: str, seed: int) -> None:
    # Common practice, no source: four 4 TB drives, single parity, light load.
    assert 14 <= hours(Scenario(system=system, seed=seed)) <= 17


@pytest.mark.parametrize("system", SYSTEMS)
@pytest.mark.parametrize("seed", range(2))
def test_four_terabytes_take_9_to_9_and_a_half_days_on_a_shingled_drive(system: str, seed: int) -> None:
    # Common practice, no source.
    assert 9 <= hours(Scenario(kind=Kind.SHINGLED, system=system, seed=seed, poll_s=300)) / 24 <= 9.5


def test_office_hours_make_it_longer() -> None:
    assert hours(Scenario(office_load=0.3)) > hours(Scenario(office_load=0.0)) + 1


@pytest.mark.parametrize("kind", list(Kind))
def test_the_same_seed_tells_the_same_story(kind: Kind) -> None:
    until = Scenario().start + timedelta(hours=2)
    first = list(captures(Scenario(kind=kind, seed=7, until=until)))
    assert first == list(captures(Scenario(kind=kind, seed=7, until=until)))
    assert first != list(captures(Scenario(kind=kind, seed=8, until=until)))
    assert first[-1].at <= until


@pytest.mark.parametrize("system", SYSTEMS)
@pytest.mark.parametrize("kind", list(Kind))
def test_time_progress_and_counters_only_go_forward(kind: Kind, system: str) -> None:
    scenario = Scenario(kind=kind, system=system, poll_s=600, seed=3)
    last: Capture | None = None
    for capture in captures(scenario):
        assert capture.source == system
        if last is not None:
            assert capture.at > last.at
            assert capture.boot == last.boot
            assert capture.up is not None
            assert last.up is not None
            assert capture.up - last.up == pytest.approx((capture.at - last.at).total_seconds(), abs=0.02)
            for device, row in last.disks.items():
                if device in capture.disks:
                    now = capture.disks[device]
                    assert (now.read_bytes or 0) >= (row.read_bytes or 0)
                    assert (now.write_bytes or 0) >= (row.write_bytes or 0)
                    assert (now.busy_ms or 0) - (row.busy_ms or 0) <= 1000 * (capture.at - last.at).total_seconds() + 1
        last = capture
    done = [step.sample.done or 0.0 for step in steps(captures(scenario), scenario.array_name)]
    assert done == sorted(done)
    assert done[-1] > 0.95


def text(capture: Capture) -> str:
    read = capture.reads[0]
    return read.stdout if isinstance(read, CommandRead) else read.text or ""


def told(scenario: Scenario) -> list[str]:
    return [text(capture) for capture in captures(scenario)]


def test_a_pool_is_whole_then_degraded_then_resilvering_then_whole() -> None:
    texts = told(Scenario(poll_s=300))
    assert " state: ONLINE" in texts[0]
    assert "scan:" not in texts[0]
    assert "FAULTED" in texts[6]
    assert "replacing-" in texts[30]
    assert "(resilvering)" in texts[30]
    assert re.search(r"resilvered 3\.64T in 1[4-7]:\d\d:\d\d with 0 errors on Tue Mar  3", texts[-1])
    assert "FAULTED" not in texts[-1]


def test_the_tools_own_estimate_is_there_when_fast_and_gone_below_ten_mebibytes() -> None:
    # OpenZFS leaves the end out where the pass's mean issue rate is below 10 MiB/s (module/zfs/dsl_scan.c, 2.3).
    texts = told(Scenario(kind=Kind.SHINGLED, drives=4, poll_s=3600))
    assert "to go" in texts[7]
    printed = re.search(r"issued at ([\d.]+)M/s", texts[-20])
    assert printed is not None
    assert ("to go" in texts[-20]) == (float(printed[1]) >= 10)


def test_the_kernels_own_estimate_is_the_last_half_minute_carried_on() -> None:
    found = re.search(r"\((\d+)/(\d+)\) finish=([\d.]+)min speed=(\d+)K/sec", told(Scenario(system="md"))[400])
    assert found is not None
    done, total, minutes, speed = (float(group) for group in found.groups())
    assert minutes == pytest.approx((total - done) / speed / 60, rel=0.01)


def test_a_second_failure_leaves_one_redundancy_less() -> None:
    assert told(Scenario(kind=Kind.SECOND_FAILURE, poll_s=300))[-1].count("FAULTED") == 1
    last = told(Scenario(kind=Kind.SECOND_FAILURE, system="md", poll_s=300))[-1]
    assert "[4/3]" in last
    assert last.count("(F)") == 1


def test_a_stalled_rebuild_stands_for_hours_and_goes_on() -> None:
    shares = [step.sample.done for step in steps(captures(Scenario(kind=Kind.STALLED, system="md", poll_s=300)), "md0")]
    stands = max(shares.count(share) for share in set(shares)) * 300 / 3600
    assert 2 <= stands <= 4.2


def test_a_throttle_is_shown_where_the_owner_would_set_it() -> None:
    (last,) = deque(captures(Scenario(kind=Kind.THROTTLED, system="md", poll_s=3600)), maxlen=1)
    assert "(local)" in (last.file("/sys/block/md0/md/sync_speed_max") or "")
    (last,) = deque(captures(Scenario(kind=Kind.THROTTLED, poll_s=3600)), maxlen=1)
    assert last.file("/sys/module/zfs/parameters/zfs_scan_vdev_limit") == "524288\n"


@pytest.mark.parametrize(
    ("count", "printed"),
    [
        (20 * 2**40, "20T"),
        (int(6.31 * 2**40), "6.31T"),
        (int(58.3 * 2**20), "58.3M"),
        (1023 * 2**30 + 1, "1023G"),
        (0, "0B"),
        (512, "512B"),
        (int(14.2 * 2**40), "14.2T"),
    ],
)
def test_numbers_are_scaled_as_the_tool_does(count: int, printed: str) -> None:
    # lib/libzutil/zutil_nicenum.c of OpenZFS: at most five characters, most digits that fit.
    assert scaled(count) == printed


def test_durations_are_worded_as_the_tool_does() -> None:
    assert lasted(54_180) == "15:03:00"
    assert lasted(9 * 86400 + 11_564) == "9 days 03:12:44"
