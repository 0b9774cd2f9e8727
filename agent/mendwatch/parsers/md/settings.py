"""The limits that can hold an md rebuild back, with the values they have when nobody set them.

Built-in limits: 1000 and 200000 KiB/s a member (the kernel's md.c; Documentation/admin-guide/md.rst).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from mendwatch.model.capture import Capture
from mendwatch.model.observation import Activity, Setting
from mendwatch.parsers.md.sysfs import Sysfs

DEFAULTS = {"min": 1000, "max": 200000}
LIMIT = re.compile(r"[0-9]{1,19}")
STOPPED = "sync_max stops it here"


def limits_of_the_system(capture: Capture) -> dict[str, str]:
    """The system's speed limits in KiB/s as text, by the name of their file."""
    known = {f"/proc/sys/dev/raid/speed_limit_{end}": f"speed_limit_{end}" for end in DEFAULTS}
    return {
        name: read.text.strip()
        for read in capture.files()
        for path, name in known.items()
        if read.path.endswith(path) and read.text is not None
    }


def settings_of(sysfs: Sysfs, limits: Mapping[str, str], activities: Iterable[Activity]) -> tuple[Setting, ...]:
    """The array's own limits where they were read, else the system's; and the sector at which a run is to stop.

    That sector holds nothing up until the run is there.
    """
    found: list[Setting] = []
    for end, default in DEFAULTS.items():
        name = f"sync_speed_{end}"
        value, _, scope = sysfs.array.get(name, "").partition(" ")
        if LIMIT.fullmatch(value) is None:
            name = f"speed_limit_{end}"
            value, scope = limits.get(name, ""), "(system)"
        if LIMIT.fullmatch(value) is not None:
            slows = end == "max" and int(value) < default
            found.append(Setting(name, f"{value} KiB/s {scope}".rstrip(), f"{default} KiB/s", slows))
    stop = sysfs.number("sync_max")
    if stop is not None:
        stopped = any(activity.why_held == STOPPED for activity in activities)
        found.append(Setting("sync_max", f"{stop} sectors", "max", stopped))
    return tuple(found)
