"""The tunables that can hold a resilver back, with their defaults (read at the release tags of OpenZFS).

Only a value that differs from the default in the slowing direction is told as slowing; the defaults alone already
slow a resilver under load.
"""

from __future__ import annotations

from mendwatch.model.capture import Capture
from mendwatch.model.observation import Setting

FOLDER = "/sys/module/zfs/parameters/"
# Name: (defaults of the versions, whether less or more is slower).
TUNABLES = {
    "zfs_resilver_min_time_ms": ((3000, 1500), "less"),
    "zfs_vdev_scrub_max_active": ((2, 3), "less"),
    "zfs_vdev_scrub_min_active": ((1,), "less"),
    "zfs_vdev_max_active": ((1000,), "less"),
    "zfs_scan_vdev_limit": ((4 << 20, 16 << 20), "less"),
    "zfs_scan_mem_lim_fact": ((20,), "more"),
    "zfs_scan_legacy": ((0,), "more"),
    "zfs_scan_suspend_progress": ((0,), "more"),
    "zfs_rebuild_vdev_limit": ((32 << 20, 64 << 20), "less"),
    "zfs_vdev_rebuild_max_active": ((3,), "less"),
}


def settings_of(capture: Capture) -> tuple[Setting, ...]:
    """The tunables that this poll read."""
    found: list[Setting] = []
    for name, (defaults, slower) in TUNABLES.items():
        text = (_file(capture, name) or "").strip()
        if not text.isdigit():
            continue
        value = int(text)
        slows = value < min(defaults) if slower == "less" else value > max(defaults)
        found.append(Setting(name, text, str(max(defaults)), slows))
    return tuple(found)


def suspended(capture: Capture) -> bool:
    """Whether all scans are held on purpose."""
    return (_file(capture, "zfs_scan_suspend_progress") or "0").strip() not in {"0", ""}


def _file(capture: Capture, name: str) -> str | None:
    return next((read.text for read in capture.files() if read.path.endswith(f"{FOLDER}{name}")), None)
