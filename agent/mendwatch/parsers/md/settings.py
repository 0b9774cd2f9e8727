"""The limits that can hold an md rebuild back, with the values they have when nobody set them.

Built-in limits: 1000 and 200000 KiB/s a member (the kernel's md.c; Documentation/admin-guide/md.rst).
"""

from __future__ import annotations

import re

from mendwatch.model.capture import Capture, FileRead
from mendwatch.model.observation import Setting
from mendwatch.parsers.md.sysfs import Sysfs

DEFAULTS = {"min": 1000, "max": 200000}
LIMIT = re.compile(r"\d{1,19}")


def settings_of(sysfs: Sysfs, capture: Capture) -> tuple[Setting, ...]:
    """The array's own limits where they were read, else the system's."""
    found: list[Setting] = []
    for end, default in DEFAULTS.items():
        name = f"sync_speed_{end}"
        value, _, scope = sysfs.array.get(name, "").partition(" ")
        if LIMIT.fullmatch(value) is None:
            name = f"speed_limit_{end}"
            value, scope = _system(capture, name), "(system)"
        if LIMIT.fullmatch(value) is not None:
            slows = end == "max" and int(value) < default
            found.append(Setting(name, f"{value} KiB/s {scope}".rstrip(), f"{default} KiB/s", slows))
    return tuple(found)


def _system(capture: Capture, name: str) -> str:
    for read in capture.reads:
        if isinstance(read, FileRead) and read.path.endswith(f"/proc/sys/dev/raid/{name}"):
            return (read.text or "").strip()
    return ""
