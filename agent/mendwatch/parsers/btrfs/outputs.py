"""The outputs that list devices and chunks, each in a shape of its own (btrfs-progs 5.10 to 6.19, cmds/*.c)."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field
from typing import Protocol

from mendwatch.model.observation import Errors

UNITS = ("B", "KiB", "MiB", "GiB", "TiB", "PiB", "EiB")
SIZE = r"-?\d+(?:\.\d+)?(?:[KMGTPE]iB|B)?"
LABEL = re.compile(r"Label: (?:'(?P<label>.*)'|none)\s+uuid: (?P<uuid>[0-9a-f-]{36})")
TOTAL = re.compile(r"Total devices (?P<devices>\d+) FS bytes used .*")
DEVICE = re.compile(
    rf"devid\s+(?P<id>\d+) size (?P<size>{SIZE}) used (?P<used>{SIZE}) path ?(?P<path>.*?)(?P<missing>\s*MISSING)?"
)
STAT = re.compile(r"\[(?P<device>.*)\]\.(?P<counter>\w+)\s+(?P<count>\d+)")
CHUNKS = re.compile(
    rf"(?P<kind>[A-Z]\w+(?:\+\w+)?),(?P<profile>\w+): Size:(?P<size>{SIZE}), Used:(?P<used>{SIZE})(?: .*)?"
)
HELD = re.compile(rf"\s+(?P<path>\S.*?)\s+(?P<size>{SIZE})")
LOST = frozenset({"<missing disk>", "missing", ""})
FIRST_COUNTER = "write_io_errs"


class Note(Protocol):
    """How an output says which line it could not read."""

    def __call__(self, line: int, text: str) -> None:
        """Note a line."""
        ...


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
    def missing(self) -> int:
        """How many devices are missing: rows that say so, or rows that are left out (before 5.19)."""
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


@dataclass(slots=True)
class Chunks:
    """The chunks of one kind and profile, and what each device holds of them, where the output tells."""

    kind: str
    profile: str
    size_bytes: int
    used_bytes: int
    held: list[tuple[str, int]] = field(default_factory=list)


@dataclass(slots=True)
class Usage:
    """``filesystem usage``: chunks by kind and profile, and the space of each device that is in no chunk."""

    chunks: list[Chunks] = field(default_factory=list)
    free: list[tuple[str, int]] = field(default_factory=list)

    @property
    def whole(self) -> bool:
        """Whether it was not cut short: system chunks come last, and after the rows of devices what they have free."""
        listed = any(chunks.held for chunks in self.chunks)
        return any(chunks.kind == "system" for chunks in self.chunks) and (bool(self.free) or not listed)

    def holding(self) -> list[Chunks]:
        """The chunks that hold something; one that is empty beside another profile of its kind can lose nothing."""
        chunks = [one for one in self.chunks if one.size_bytes]
        filled = {one.kind for one in chunks if one.used_bytes}
        return [one for one in chunks if one.used_bytes or one.kind not in filled]


def size_bytes(text: str) -> int:
    """A size, with its unit or plain."""
    number = text.rstrip("BiKMGTPE")
    unit = text[len(number) :] or "B"
    return round(float(number) * float(1024 ** UNITS.index(unit)))


def read_show(text: str, odd: Note) -> list[Show]:
    """Read ``btrfs filesystem show``."""
    shown: list[Show] = []
    for number, raw in enumerate(text.splitlines(), start=1):
        line = raw.strip()
        if (head := LABEL.fullmatch(line)) is not None:
            shown.append(Show(head["uuid"], head["label"]))
        elif shown and (device := DEVICE.fullmatch(line)) is not None:
            path = device["path"].strip()
            missing = device["missing"] is not None or path in LOST
            row = Device(int(device["id"]), size_bytes(device["size"]), size_bytes(device["used"]), path, missing)
            shown[-1].devices.append(row)
        elif shown and (total := TOTAL.fullmatch(line)) is not None:
            shown[-1].total = int(total["devices"])
        elif shown and line == "*** Some devices missing":
            shown[-1].some_missing = True
        elif line:
            odd(number, raw)
    return shown


def read_stats(text: str, odd: Note) -> list[Counted]:
    """Read ``btrfs device stats``, as text or as JSON (whose numbers are strings before 6.5)."""
    if text.lstrip().startswith("{"):
        return _read_json_stats(text, odd)
    devices: list[tuple[str, dict[str, int]]] = []
    for number, line in enumerate(text.splitlines(), start=1):
        match = STAT.fullmatch(line.strip())
        if match is None:
            if line.strip():
                odd(number, line)
            continue
        # Two missing devices have one name: a new device begins with the first of its five counters.
        if match["counter"] == FIRST_COUNTER or not devices or devices[-1][0] != match["device"]:
            devices.append((match["device"], {}))
        devices[-1][1][match["counter"]] = int(match["count"])
    return [Counted(path, _errors(counts), _devid(path)) for path, counts in devices]


def _read_json_stats(text: str, odd: Note) -> list[Counted]:
    try:
        rows = json.loads(text)["device-stats"]
        return [
            Counted(
                str(row["device"]),
                _errors({name: int(count) for name, count in row.items() if name.endswith("_errs")}),
                int(row["devid"]),
            )
            for row in rows
        ]
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        odd(1, text.strip().splitlines()[0])
        return []


def _devid(path: str) -> int | None:
    number = path.removeprefix("devid:")
    return int(number) if number != path and number.isdecimal() else None


def _errors(counts: dict[str, int]) -> Errors:
    told = [counts[name] for name in ("corruption_errs", "generation_errs") if name in counts]
    return Errors(counts.get("read_io_errs"), counts.get("write_io_errs"), sum(told) if told else None)


def read_usage(text: str, odd: Note) -> Usage:
    """Read ``btrfs filesystem usage``; the summary at its head is knowingly skipped."""
    found = Usage()
    rows: list[tuple[str, int]] | None = None
    summary = False
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip():
            continue
        if (head := CHUNKS.fullmatch(line)) is not None:
            sizes = (size_bytes(head["size"]), size_bytes(head["used"]))
            chunks = Chunks(head["kind"].lower(), head["profile"].lower(), *sizes)
            found.chunks.append(chunks)
            rows, summary = chunks.held, False
        elif line == "Unallocated:":
            rows, summary = found.free, False
        elif line == "Overall:":
            summary = True
        elif rows is not None and (held := HELD.fullmatch(line)) is not None:
            rows.append((held["path"], size_bytes(held["size"])))
        elif not (summary and line.startswith("    ") and ":" in line):
            odd(number, line)
    return found
