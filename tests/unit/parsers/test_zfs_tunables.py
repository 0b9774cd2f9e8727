"""Tunables against the defaults of the running version (module/zfs at the release tags: vdev_queue.c, dsl_scan.c)."""

from __future__ import annotations

import pytest

from mendwatch.model.capture import FileRead
from mendwatch.model.observation import Array
from mendwatch.parsers.zfs import PARSER
from support.zfs_samples import answer, capture, document

SINCE = "Mon Mar  2 08:15:09 2026"
RUNNING = (
    f"  scan: resilver in progress since {SINCE}\n\t1T / 4T scanned, 1T / 4T issued\n\t1T resilvered, 25.00% done\n"
)


def host(version: str | None, root: str = "", **values: str) -> Array:
    files = [FileRead(f"{root}/sys/module/zfs/parameters/{name}", f"{value}\n") for name, value in values.items()]
    if version is not None:
        files.append(FileRead(f"{root}/sys/module/zfs/version", f"{version}\n"))
    (array,) = PARSER.parse(capture(answer(document(RUNNING)), *files)).arrays
    return array


@pytest.mark.parametrize(
    ("version", "name", "value", "default", "slows"),
    [
        ("2.4.1-1", "zfs_resilver_min_time_ms", "1500", "1500", False),
        ("2.2.2-0ubuntu9", "zfs_resilver_min_time_ms", "1500", "3000", True),
        ("0.8.3-1ubuntu12", "zfs_vdev_scrub_max_active", "2", "2", False),
        ("2.0.0", "zfs_vdev_scrub_max_active", "2", "2", False),
        ("2.0.1", "zfs_vdev_scrub_max_active", "2", "3", True),
        ("2.1.11", "zfs_scan_vdev_limit", "4194304", "4194304", False),
        ("2.1.12", "zfs_scan_vdev_limit", "4194304", "16777216", True),
        ("v2.3.0-rc2", "zfs_rebuild_vdev_limit", "33554432", "67108864", True),
        ("2.3.9", "zfs_vdev_nia_delay", "50", "5", True),
        ("2.3.9", "zfs_vdev_nia_credit", "50", "5", False),
        ("0.7.13", "zfs_resilver_delay", "20", "2", True),
        ("0.7.13", "zfs_top_maxinflight", "16", "32", True),
        # Of an unknown version only what is slower than every default is called slow.
        (None, "zfs_resilver_min_time_ms", "1500", "3000 or 1500", False),
        ("", "zfs_resilver_min_time_ms", "1000", "3000 or 1500", True),
    ],
)
def test_slow_is_what_is_slower_than_the_default_of_the_version(
    version: str | None, name: str, value: str, default: str, slows: bool
) -> None:
    (setting,) = host(version, **{name: value}).settings
    assert (setting.name, setting.value, setting.default, setting.slows) == (name, value, default, slows)


def test_what_is_no_number_is_left_out() -> None:
    assert host("2.3.9", zfs_scan_vdev_limit="?", zfs_scan_legacy="").settings == ()


def test_a_frozen_scan_says_so() -> None:
    (activity,) = host("2.3.9", root="/host", zfs_scan_suspend_progress="1").activities or ()
    assert (activity.running, activity.why_held) == (True, "zfs_scan_suspend_progress is set")
    (activity,) = host("2.3.9", zfs_scan_suspend_progress="0").activities or ()
    assert activity.why_held is None


def test_a_resilver_that_copies_nothing_is_told() -> None:
    assert "zfs_no_scrub_io" in " ".join(host("2.3.9", zfs_no_scrub_io="1").notes)
    assert host("2.3.9", zfs_no_scrub_io="0").notes == ()
