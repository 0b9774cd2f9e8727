"""The tunables that can hold a resilver back, against their defaults in the running version.

The defaults were read at the release tags of OpenZFS (module/zfs: vdev_queue.c, dsl_scan.c, vdev_rebuild.c). Only a
value that differs from its default in the slowing direction is told as slowing: the defaults alone already slow a
resilver under load.
"""

from __future__ import annotations

import re

from mendwatch.model.capture import Capture
from mendwatch.model.observation import Setting

FOLDER = "/sys/module/zfs/parameters/"
VERSION = "/sys/module/zfs/version"
RELEASE = re.compile(r"v?(\d{1,9})\.(\d{1,9})\.(\d{1,9})")
NUMBER = re.compile(r"[0-9]{1,20}")
Version = tuple[int, ...]
FIRST: Version = (0, 0, 0)
LESS, MORE = "less", "more"
# Name: the default since each version, and which direction is slower. A tunable that a version lacks has no file.
TUNABLES: dict[str, tuple[tuple[tuple[Version, int], ...], str]] = {
    "zfs_resilver_min_time_ms": (((FIRST, 3000), ((2, 4, 1), 1500)), LESS),
    "zfs_vdev_scrub_max_active": (((FIRST, 2), ((2, 0, 1), 3)), LESS),
    "zfs_vdev_scrub_min_active": (((FIRST, 1),), LESS),
    "zfs_vdev_nia_delay": (((FIRST, 5),), MORE),
    "zfs_vdev_nia_credit": (((FIRST, 5),), LESS),
    "zfs_vdev_max_active": (((FIRST, 1000),), LESS),
    "zfs_scan_vdev_limit": (((FIRST, 4 << 20), ((2, 1, 12), 16 << 20)), LESS),
    "zfs_scan_mem_lim_fact": (((FIRST, 20),), MORE),
    "zfs_scan_legacy": (((FIRST, 0),), MORE),
    "zfs_scan_suspend_progress": (((FIRST, 0),), MORE),
    "zfs_rebuild_vdev_limit": (((FIRST, 32 << 20), ((2, 1, 12), 64 << 20)), LESS),
    "zfs_vdev_rebuild_min_active": (((FIRST, 1),), LESS),
    "zfs_vdev_rebuild_max_active": (((FIRST, 3),), LESS),
    "zfs_resilver_delay": (((FIRST, 2),), MORE),
    "zfs_scan_idle": (((FIRST, 50),), MORE),
    "zfs_top_maxinflight": (((FIRST, 32),), LESS),
    "zfs_no_scrub_io": (((FIRST, 0),), MORE),
}


def settings_of(capture: Capture) -> tuple[Setting, ...]:
    """The tunables that this poll read."""
    texts = _texts(capture)
    release = RELEASE.match(texts.get(VERSION, ""))
    version = tuple(int(number) for number in release.groups()) if release is not None else None
    found: list[Setting] = []
    for name, (defaults, slower) in TUNABLES.items():
        text = texts.get(FOLDER + name, "")
        if NUMBER.fullmatch(text) is None:
            continue
        # Of an unknown version every default may be the one: slower is only what is slower than all of them.
        known = [default for since, default in defaults if version is None or since <= version]
        known = known if version is None else known[-1:]
        slows = int(text) < min(known) if slower == LESS else int(text) > max(known)
        found.append(Setting(name, text, " or ".join(map(str, known)), slows))
    return tuple(found)


def suspended(capture: Capture) -> bool:
    """Whether all scans are held on purpose."""
    return _texts(capture).get(f"{FOLDER}zfs_scan_suspend_progress", "0") not in {"0", ""}


def idles(capture: Capture) -> bool:
    """Whether scans end without having read or written anything."""
    return _texts(capture).get(f"{FOLDER}zfs_no_scrub_io", "0") not in {"0", ""}


def _texts(capture: Capture) -> dict[str, str]:
    """What was read below the module's folder, whatever the host's root."""
    return {
        read.path[read.path.index("/sys/module/zfs/") :]: read.text.strip()
        for read in capture.files()
        if "/sys/module/zfs/" in read.path and read.text is not None
    }
