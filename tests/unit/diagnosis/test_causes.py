"""Each cause on a view made by hand: what it needs, and what it must not be taken for."""

from __future__ import annotations

from dataclasses import replace

import pytest

from mendwatch.diagnosis import (
    busy_host,
    not_moving,
    scattered_layout,
    shingled_writer,
    slow_link,
    slow_reader,
    slow_writer,
    throttled,
)
from mendwatch.model.evidence import DriveMeans, DriveView, View, percent, speed
from mendwatch.model.observation import Errors, Setting
from mendwatch.model.records import Cause

MB = 1e6


def drive(name: str, busy: float, read: float = 0.0, write: float = 0.0, ms: float = 15.0) -> DriveView:
    now = DriveMeans(read * MB, write * MB, ms, ms, busy)
    return DriveView(name, now, DriveMeans(70 * MB, 70 * MB, 15.0, 15.0, 0.8), Errors(0, 0, 0))


def view(target: DriveView | None, *sources: DriveView, rate: float, best: float | None = 70.0) -> View:
    return View(
        target=target,
        sources=sources,
        rate_bytes_per_s=rate * MB,
        best_bytes_per_s=None if best is None else best * MB,
        slow_polls=30 if best is not None and rate < 0.6 * best else 0,
        polls=100,
        unsteady=1.0,
        settings=(),
        still_s=0.0,
        still_polls=0.0,
        stands=False,
        held=None,
    )


IDLE_PEERS = tuple(drive(f"s{n}", 0.06, read=4.9) for n in range(3))
SHINGLED = view(drive("new", 0.98, write=4.9, ms=870.0), *IDLE_PEERS, rate=4.9)
ALL = (not_moving, shingled_writer, slow_link, slow_writer, slow_reader, scattered_layout, busy_host, throttled)


def said(one: View) -> set[Cause]:
    return {found.cause for found in (cause.judge(one) for cause in ALL) if found is not None}


def test_shingled_writer_with_its_figures() -> None:
    found = shingled_writer.judge(SHINGLED)
    assert found is not None
    assert found.member == "new"
    assert found.confidence == pytest.approx(0.8)
    assert "98 % busy at 4.9 MB/s, 870 ms a write" in found.evidence
    assert "its 3 peers: 6 % busy" in found.evidence
    assert said(SHINGLED) == {Cause.SHINGLED_WRITER}
    sawing = shingled_writer.judge(replace(SHINGLED, unsteady=3.0))
    assert sawing is not None
    assert sawing.confidence == pytest.approx(0.9)


@pytest.mark.parametrize(
    "changed",
    [
        replace(SHINGLED, best_bytes_per_s=7 * MB),
        replace(SHINGLED, still_polls=5.0),
        replace(SHINGLED, target=drive("new", 0.5, write=4.9, ms=870.0)),
        replace(SHINGLED, target=drive("new", 0.98, write=4.9, ms=20.0)),
        replace(SHINGLED, sources=tuple(drive(f"s{n}", 0.9, read=4.9) for n in range(3))),
        replace(SHINGLED, sources=()),
        replace(SHINGLED, target=None),
    ],
)
def test_half_of_the_signature_is_no_shingled_writer(changed: View) -> None:
    assert shingled_writer.judge(changed) is None


def test_a_saturated_drive_alone_means_nothing() -> None:
    # The new drive of a healthy mirror is at its natural limit.
    assert said(view(drive("new", 0.97, write=68), drive("s0", 0.6, read=68), rate=68)) == set()


def test_the_inner_zones_of_a_healthy_drive_mean_nothing() -> None:
    assert said(view(drive("new", 0.7, write=31), *[drive(f"s{n}", 0.85, read=31) for n in range(3)], rate=31)) == set()


def test_a_drive_with_errors_is_slow_for_another_reason() -> None:
    target = replace(drive("new", 0.98, write=4.9, ms=870.0), errors=Errors(0, 12, 0))
    failing = replace(SHINGLED, target=target)
    found = slow_writer.judge(failing)
    assert found is not None
    assert "12 errors" in found.evidence
    assert said(failing) == {Cause.SLOW_WRITER}


def test_a_new_drive_that_was_never_any_faster() -> None:
    steady = view(drive("new", 0.98, write=8), *[drive(f"s{n}", 0.1, read=8) for n in range(3)], rate=8, best=8.2)
    assert said(steady) == {Cause.SLOW_WRITER}
    assert said(replace(steady, unsteady=2.0)) == set()
    quick_peers = tuple(drive(f"s{n}", 0.25, read=8) for n in range(3))
    assert said(replace(steady, sources=quick_peers)) == set()


def test_one_slow_source_holds_the_others_up() -> None:
    slow = view(drive("new", 0.04, write=6), drive("s0", 0.99, read=6, ms=900), drive("s1", 0.05, read=6), rate=6)
    found = slow_reader.judge(slow)
    assert found is not None
    assert found.member == "s0"
    assert "99 % busy" in found.evidence
    assert said(slow) == {Cause.SLOW_READER}


@pytest.mark.parametrize(
    "others",
    [
        (),
        (drive("s1", 0.9, read=6),),
        (drive("s1", 0.05, read=6, ms=400),),
        (replace(drive("s1", 0.05), now=DriveMeans(busy=None)),),
    ],
)
def test_a_source_is_not_blamed_without_peers_that_do_better(others: tuple[DriveView, ...]) -> None:
    assert (
        slow_reader.judge(view(drive("new", 0.04, write=6), drive("s0", 0.99, read=6, ms=900), *others, rate=6)) is None
    )


def test_a_slow_source_from_the_start_is_said_less_surely() -> None:
    slow = view(
        drive("new", 0.04, write=6), drive("s0", 0.99, read=6, ms=900), drive("s1", 0.05, read=6), rate=6, best=None
    )
    found = slow_reader.judge(slow)
    assert found is not None
    assert found.confidence < 0.85


BUSY = view(drive("new", 0.4, write=20), *[drive(f"s{n}", 0.97, read=40, write=10) for n in range(3)], rate=20)


def test_a_busy_host_with_what_others_take() -> None:
    found = busy_host.judge(BUSY)
    assert found is not None
    assert "30 MB/s beyond the rebuild's own 20 MB/s" in found.evidence
    assert "it went at 70 MB/s before" in found.evidence
    assert said(BUSY) == {Cause.BUSY_HOST}


@pytest.mark.parametrize(
    "changed",
    [
        replace(BUSY, slow_polls=5),
        replace(BUSY, sources=tuple(drive(f"s{n}", 0.97, read=21) for n in range(3))),
        replace(BUSY, sources=tuple(drive(f"s{n}", 0.4, read=40, write=10) for n in range(3))),
        replace(BUSY, target=drive("new", 0.99, write=20, ms=300)),
        replace(BUSY, rate_bytes_per_s=None),
    ],
)
def test_a_host_is_not_called_busy_for_less(changed: View) -> None:
    assert busy_host.judge(changed) is None


HELD = replace(
    view(drive("new", 0.1, write=9), *[drive(f"s{n}", 0.15, read=9) for n in range(3)], rate=9),
    settings=(Setting("sync_speed_max", "9000", "200000", slows=True),),
)


def test_throttled_names_the_setting() -> None:
    found = throttled.judge(HELD)
    assert found is not None
    assert found.evidence.startswith("sync_speed_max = 9000; 9 MB/s")
    assert said(HELD) == {Cause.THROTTLED}


@pytest.mark.parametrize(
    "changed",
    [
        replace(HELD, settings=()),
        replace(HELD, sources=(drive("s0", 0.9, read=9),)),
        replace(HELD, sources=(replace(drive("s0", 0.1), now=DriveMeans()),)),
        replace(HELD, target=None),
    ],
)
def test_throttled_needs_a_setting_and_idle_drives(changed: View) -> None:
    assert throttled.judge(changed) is None


def test_not_moving_says_for_how_long_or_what_holds_it() -> None:
    stands = not_moving.judge(replace(SHINGLED, stands=True, still_s=1500.0))
    assert stands is not None
    assert stands.evidence == "no counter of the storage system moved for 25 min"
    held = not_moving.judge(replace(SHINGLED, held="frozen"))
    assert held is not None
    assert "frozen" in held.evidence
    assert not_moving.judge(SHINGLED) is None


def test_without_counters_nothing_is_said() -> None:
    assert said(view(None, rate=5)) == set()


def test_figures_are_worded_for_people() -> None:
    assert [speed(rate) for rate in (4.9 * MB, 0.55 * MB, 123.4 * MB, None)] == [
        "4.9 MB/s",
        "0.55 MB/s",
        "123 MB/s",
        "an unknown rate",
    ]
    assert percent(0.984) == "98 %"


@pytest.mark.parametrize(
    ("link", "megabytes"),
    [
        ("1.5 Gbps", 150.0),  # 8 of 10 bits are data: Serial ATA, Serial Attached SCSI
        ("6.0 Gbps", 600.0),
        ("12.0 Gbit", 1200.0),
        ("480 Mbps", 40.0),  # common practice, no source
        ("5000 Mbps", 500.0),
        ("5.0 GT/s PCIe x2", 1000.0),
        ("8.0 GT/s PCIe x4", 3938.0),  # 128 of 130: PCI Express from its third generation on
    ],
)
def test_what_a_link_carries(link: str, megabytes: float) -> None:
    assert slow_link.ceiling(link) == pytest.approx(megabytes * MB, rel=1e-3)


def test_a_link_without_a_speed_has_no_ceiling() -> None:
    assert slow_link.ceiling("unknown") is None


LINKED = replace(
    view(drive("new", 0.97, write=36), *(drive(f"s{n}", 0.3, read=36) for n in range(3)), rate=36, best=37),
    target_link="480 Mbps",
)


def test_slow_link_with_its_figures() -> None:
    found = slow_link.judge(LINKED)
    assert found is not None
    assert found.evidence == (
        "new drive new: its link runs at 480 Mbps, which carries about 40 MB/s; it takes 36 MB/s, 97 % busy; "
        "its 3 peers: 30 % busy"
    )
    assert said(LINKED) == {Cause.SLOW_LINK}


@pytest.mark.parametrize(
    "changed",
    [
        replace(LINKED, target_link=None),
        replace(LINKED, target_link="6.0 Gbps"),
        replace(LINKED, rate_bytes_per_s=20 * MB),
        replace(LINKED, unsteady=2.0),
        replace(LINKED, target=drive("new", 0.5, write=36)),
        replace(LINKED, sources=tuple(drive(f"s{n}", 0.9, read=36) for n in range(3))),
        replace(LINKED, polls=2),
    ],
)
def test_half_of_it_is_no_slow_link(changed: View) -> None:
    assert slow_link.judge(changed) is None


def small(one: DriveView, kib: float, write: float = 0.0) -> DriveView:
    return replace(one, now=replace(one.now, bytes_per_read=kib * 1024, write_bytes_per_s=write * MB))


SCATTERED = view(
    drive("new", 0.2, write=12), *(small(drive(f"s{n}", 0.93, read=12), 24) for n in range(3)), rate=12, best=13
)


def test_scattered_layout_with_its_figures() -> None:
    found = scattered_layout.judge(SCATTERED)
    assert found is not None
    assert found.evidence == "the 3 source drives: 93 % busy with reads of 24 KiB at 12 MB/s each; new drive new: 20 %"
    assert said(SCATTERED) == {Cause.SCATTERED_LAYOUT}


@pytest.mark.parametrize(
    "changed",
    [
        # A healthy resilver of small records was seen to read 86 KiB at a time.
        replace(SCATTERED, sources=tuple(small(drive(f"s{n}", 0.93, read=12), 86) for n in range(3))),
        replace(SCATTERED, sources=tuple(small(drive(f"s{n}", 0.4, read=12), 24) for n in range(3))),
        replace(SCATTERED, sources=tuple(small(drive(f"s{n}", 0.93, read=40), 24) for n in range(3))),
        replace(SCATTERED, sources=tuple(drive(f"s{n}", 0.93, read=12) for n in range(3))),
        replace(SCATTERED, target=drive("new", 0.9, write=12)),
        replace(SCATTERED, target=None),
    ],
)
def test_half_of_it_is_no_scattered_layout(changed: View) -> None:
    assert scattered_layout.judge(changed) is None


def busied(kib: float, write: float) -> View:
    """A rebuild at a third of its best while the sources are as busy as ever."""
    sources = []
    for number in range(3):
        one = small(drive(f"s{number}", 0.95, read=25), kib, write)
        assert one.best is not None
        sources.append(replace(one, best=replace(one.best, bytes_per_read=512 * 1024.0)))
    return view(drive("new", 0.3, write=23), *sources, rate=23)


def test_others_requests_are_told_by_the_time_that_they_take() -> None:
    found = busy_host.judge(busied(kib=90, write=0.5))
    assert found is not None
    assert "for 69 % of the time with others' requests" in found.evidence
    # Reads as large as ever, or nothing written to the sources: nobody else is seen there.
    assert busy_host.judge(busied(kib=500, write=0.5)) is None
    assert busy_host.judge(busied(kib=90, write=0.0)) is None
