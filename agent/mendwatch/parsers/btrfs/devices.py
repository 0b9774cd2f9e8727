"""The outputs that list devices: ``filesystem show`` and ``device stats`` (btrfs-progs 0.19 to 6.19, cmds/*.c)."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field

from mendwatch.model.observation import Errors
from mendwatch.parsers.btrfs.text import LOST, NUMBER, SIZE, Note, lines, size_bytes

LABEL = re.compile(r"Label: (?:'(?P<label>.*)'|none)\s+uuid: (?P<uuid>[0-9a-f-]{36})")
TOTAL = re.compile(rf"Total devices (?P<devices>{NUMBER}) FS bytes used {SIZE}")
DEVICE = re.compile(
    rf"devid\s+(?P<id>{NUMBER}) size (?P<size>{SIZE}) used (?P<used>{SIZE}) path ?(?P<path>.*?)(?P<missing>\s*MISSING)?"
)
SOME_MISSING = "*** Some devices missing"
STAT = re.compile(r"\[(?P<device>.*)\]\.(?P<counter>\w+)\s+(?P<count>\d{1,20})")
STATS_HEAD = re.compile(
    r"Id\s+Path\s+Write errors\s+Read errors\s+Flush errors\s+Corruption errors\s+Generation errors"
)
STATS_ROW = re.compile(r"(?P<id>\d{1,20})\s+(?P<device>\S.*?)" + r"\s+(\d{1,20})" * 5)
COUNTERS = ("write_io_errs", "read_io_errs", "flush_io_errs", "corruption_errs", "generation_errs")
RULE = re.compile(r"[- ]+|[= ]+")


@dataclass(frozen=True, slots=True)
class Device:
    """A device as ``filesystem show`` lists it; devid 0 is the target of a replace."""

    id: int
    size_bytes: int
    used_bytes: int
    path: str
    missing: bool


@dataclass(slots=True)
class Show:
    """One filesystem of ``filesystem show``; ``total`` counts the target of a replace as well."""

    uuid: str
    label: str | None
    total: int | None = None
    some_missing: bool = False
    devices: list[Device] = field(default_factory=list)

    @property
    def whole(self) -> bool:
        """Whether every device has its row, but for those that are said to be left out."""
        ids = {device.id for device in self.devices}
        listed = self.some_missing or len(ids) >= (self.total or 0)
        return self.total is not None and listed and len(ids) == len(self.devices)

    @property
    def missing(self) -> int:
        """How many devices are missing, at least: rows that say so, or rows that are left out (before 5.19)."""
        said = sum(device.missing for device in self.devices)
        left_out = (self.total or 0) - len(self.devices) if self.some_missing else 0
        return max(said, left_out, int(self.some_missing))

    @property
    def target(self) -> Device | None:
        """The device that a replace writes to."""
        return next((device for device in self.devices if device.id == 0), None)


@dataclass(frozen=True, slots=True)
class Counted:
    """A device as ``device stats`` lists it; the text does not tell the devid of most."""

    path: str
    errors: Errors
    devid: int | None = None

    @property
    def missing(self) -> bool:
        """Whether the device is missing."""
        return self.path in LOST or self.path.startswith("devid:")


def read_show(text: str, odd: Note) -> list[Show]:
    """Read ``btrfs filesystem show``."""
    shown: list[Show] = []
    headed = False
    for number, line in lines(text):
        if (head := LABEL.fullmatch(line)) is not None:
            shown.append(Show(head["uuid"], head["label"]))
            headed = True
        elif headed and (device := DEVICE.fullmatch(line)) is not None:
            path = device["path"].strip()
            size, used = size_bytes(device["size"]), size_bytes(device["used"])
            # Nothing used of nothing is what stands for a missing device.
            missing = device["missing"] is not None or path in LOST or size == used == 0
            shown[-1].devices.append(Device(int(device["id"]), size, used, path, missing))
        elif headed and shown[-1].total is None and (total := TOTAL.fullmatch(line)) is not None:
            shown[-1].total = int(total["devices"])
        elif headed and line == SOME_MISSING:
            shown[-1].some_missing = True
        else:
            # A second total belongs to a filesystem whose first line could not be read: so does what follows it.
            headed = headed and TOTAL.fullmatch(line) is None
            odd(number, line)
    return shown


def read_stats(text: str, odd: Note) -> list[Counted]:
    """Read ``btrfs device stats``: as text, as a table (from 5.19), or as JSON (numbers are strings before 6.5)."""
    if text.lstrip().startswith("{"):
        return _read_json_stats(text, odd)
    devices: list[tuple[str, dict[str, int], int | None]] = []
    for number, line in lines(text):
        if (match := STAT.fullmatch(line)) is not None:
            # Two missing devices have one name: a new device begins with the first of its five counters.
            if match["counter"] == COUNTERS[0] or not devices or devices[-1][0] != match["device"]:
                devices.append((match["device"], {}, _devid(match["device"])))
            devices[-1][1][match["counter"]] = int(match["count"])
        elif (row := STATS_ROW.fullmatch(line)) is not None:
            counts = (int(count) for count in row.groups()[2:])
            devices.append((row["device"], dict(zip(COUNTERS, counts, strict=True)), int(row["id"])))
        elif STATS_HEAD.fullmatch(line) is None and RULE.fullmatch(line) is None:
            odd(number, line)
    return [Counted(path, _errors(counts), devid) for path, counts, devid in devices]


def _read_json_stats(text: str, odd: Note) -> list[Counted]:
    try:
        rows = list(json.loads(text)["device-stats"])
    except (ValueError, KeyError, TypeError, RecursionError):
        odd(1, text.strip().splitlines()[0])
        return []
    devices: list[Counted] = []
    for row in rows:
        try:
            counts = {name: int(count) for name, count in row.items() if name.endswith("_errs")}
            devices.append(Counted(str(row["device"]), _errors(counts), int(row["devid"])))
        except (ValueError, KeyError, TypeError, AttributeError, OverflowError):
            odd(1, json.dumps(row))
    return devices


def _devid(path: str) -> int | None:
    number = path.removeprefix("devid:")
    return int(number) if number != path and re.fullmatch(NUMBER, number) else None


def _errors(counts: dict[str, int]) -> Errors:
    told = [counts[name] for name in COUNTERS[3:] if name in counts]
    return Errors(counts.get("read_io_errs"), counts.get("write_io_errs"), sum(told) if told else None)
