"""The readings of one btrfs filesystem in one poll: each output in a shape of its own, absent where not read."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field

from mendwatch.model.observation import Errors, Unread

UNITS = {"B": 0, "KiB": 1, "MiB": 2, "GiB": 3, "TiB": 4, "PiB": 5}
SIZE = r"[\d.]+(?:[KMGTP]iB|B)?"
LABEL = re.compile(r"Label: (?:'(?P<label>.*)'|none)\s+uuid: (?P<uuid>[0-9a-f-]{36})")
TOTAL = re.compile(r"\s*Total devices (?P<devices>\d+) FS bytes used .*")
DEVICE = re.compile(
    rf"\s*devid\s+(?P<id>\d+) size (?P<size>{SIZE}) used (?P<used>{SIZE}) path (?P<path>.*?)(?P<missing>\s*MISSING)?"
)
STAT = re.compile(r"\[(?P<device>.*)\]\.(?P<counter>\w+)\s+(?P<count>\d+)")
PROFILE = re.compile(rf"(?P<kind>Data|Metadata|System),(?P<profile>\w+): Size:(?P<size>{SIZE}), Used:.*")
FIELD = re.compile(r"\s*(?P<name>[^:]+):\s+(?P<value>\S+).*")
UNLOCATED = frozenset({"<missing disk>", "missing", ""})


@dataclass(frozen=True, slots=True)
class Device:
    """A device as ``filesystem show`` lists it; devid 0 is the target of a replace."""

    id: int
    size: int
    used: int
    path: str
    missing: bool


@dataclass(slots=True)
class Readings:
    """What one poll read of one filesystem.

    Attributes:
        mount: where it is mounted.
        stats: error counters by device path.
        profiles: data, metadata and system profiles in use, by kind.
        missing_bytes: size of the missing devices, None when not told.
        leaving: bytes still allocated on a missing device.
        replace, balance, scrub: the text of each status.
        sysfs: files below its folder, by path.
    """

    mount: str | None = None
    uuid: str | None = None
    label: str | None = None
    shown: bool = False
    devices: list[Device] = field(default_factory=list)
    some_missing: bool = False
    stats: dict[str, Errors] = field(default_factory=dict)
    profiles: dict[str, set[str]] = field(default_factory=dict)
    missing_bytes: int | None = None
    leaving: int | None = None
    replace: str | None = None
    balance: str | None = None
    scrub: str | None = None
    sysfs: dict[str, str] = field(default_factory=dict)
    unread: list[Unread] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)


def size(text: str) -> int:
    """A size with or without its unit, in bytes."""
    match = re.fullmatch(r"([\d.]+)([KMGTP]?i?B)?", text)
    if match is None:
        return 0
    return round(float(match[1]) * float(1024 ** UNITS.get(match[2] or "B", 0)))


def take_show(found: Readings, text: str) -> None:
    """``btrfs filesystem show``."""
    for number, line in enumerate(text.splitlines(), start=1):
        if (match := LABEL.fullmatch(line.strip())) is not None:
            found.label, found.uuid, found.shown = match["label"], match["uuid"], True
        elif (device := DEVICE.fullmatch(line)) is not None:
            path = device["path"].strip()
            gone = device["missing"] is not None or path in UNLOCATED
            found.devices.append(Device(int(device["id"]), size(device["size"]), size(device["used"]), path, gone))
        elif "Some devices missing" in line:
            found.some_missing = True
        elif line.strip() and TOTAL.fullmatch(line) is None:
            found.unread.append(Unread(number, line))


def take_stats(found: Readings, text: str) -> None:
    """``btrfs device stats``, as text or JSON (numbers are strings before 6.5)."""
    counts: dict[str, dict[str, int]] = {}
    if text.lstrip().startswith("{"):
        try:
            rows = json.loads(text).get("device-stats", [])
        except (ValueError, AttributeError):
            found.unread.append(Unread(1, text[:200]))
            return
        for row in rows:
            counters = {k: int(v) for k, v in row.items() if k.endswith("_errs") and str(v).isdigit()}
            counts[str(row.get("device", ""))] = counters
    else:
        for number, line in enumerate(text.splitlines(), start=1):
            match = STAT.fullmatch(line.strip())
            if match is not None:
                counts.setdefault(match["device"], {})[match["counter"]] = int(match["count"])
            elif line.strip():
                found.unread.append(Unread(number, line))
    for device, counters in counts.items():
        found.stats[device] = Errors(
            read=counters.get("read_io_errs"),
            write=counters.get("write_io_errs"),
            checksum=_sum(counters.get("corruption_errs"), counters.get("generation_errs")),
        )


def _sum(first: int | None, second: int | None) -> int | None:
    return None if first is None and second is None else (first or 0) + (second or 0)


def take_usage(found: Readings, text: str) -> None:
    """``btrfs filesystem usage``: profiles, and how much is missing; single lines of it are knowingly skipped."""
    for line in text.splitlines():
        if (match := PROFILE.fullmatch(line)) is not None:
            found.profiles.setdefault(match["kind"], set()).add(match["profile"].lower())
        elif line.strip().startswith("Device missing:"):
            value = FIELD.fullmatch(line)
            found.missing_bytes = size(value["value"]) if value is not None else None


def take_device_usage(found: Readings, text: str) -> None:
    """``btrfs device usage``: what is still allocated on a missing device."""
    inside = False
    allocated = 0
    seen = False
    for line in text.splitlines():
        if not line.startswith(" "):
            inside = line.startswith(("missing,", "<missing disk>"))
            seen = seen or inside
        elif inside and (match := re.fullmatch(rf"\s+(?:Data|Metadata|System),\w+:\s+(?P<size>{SIZE})", line)):
            allocated += size(match["size"])
    if seen:
        found.leaving = allocated
