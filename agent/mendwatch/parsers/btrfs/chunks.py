"""The outputs that list chunks: ``filesystem usage``, ``filesystem df`` and ``device usage`` (cmds/filesystem*.c)."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

from mendwatch.parsers.btrfs.text import LOST, NUMBER, SIZE, Note, lines, size_bytes

KIND = r"(?P<kind>(?:Data|Metadata|System)(?:\+\w+)?)"
HEAD = re.compile(rf"{KIND},\s?(?P<profile>\w+): Size:(?P<size>{SIZE}), Used:(?P<used>{SIZE})(?: .*)?")
HELD = re.compile(rf"(?P<path>\S(?:.*\S)?)\s+(?P<size>{SIZE})")
FREE_HEAD = "Unallocated:"
SUMMARY_HEAD = "Overall:"
# The example of the manual page lacks one colon (btrfs-filesystem.8).
SUMMARY = re.compile(
    r"(?P<name>[A-Z]\w+(?: \w+)*(?: \([\w, ]+\))?)(?::|(?<=df\)))\s+(?P<value>[^\s(]+)(?: %)?(?:\s*\(.*\))?"
)
COLUMNS = re.compile(r"(?:(?:Data|Metadata|System)(?:\+\w+)?\s*)+")
PROFILES = re.compile(r"(?P<id>Id\s+)?(?:Path\s+)?(?P<profiles>(?:\w+\s+)+?)Unallocated(?:\s+Total)?(?:\s+Slack)?")
RULE = re.compile(r"[-= ]+")
# Before 3.12 a single copy has no profile; the reserve is no kind of chunk, and had no name before 3.15.
DF = re.compile(rf"{KIND}(?:, (?P<profile>\w+))?: total=(?P<total>{SIZE}), used=(?P<used>{SIZE})")
DF_RESERVE = re.compile(rf"(?:GlobalReserve|unknown), single: total={SIZE}, used={SIZE}")
RESERVE = "GlobalReserve"
DEVICE_HEAD = re.compile(r"(?P<path>.*?),\s+ID: (?P<id>\d{1,20})")
# Behind a profile in stripes stands their number.
DEVICE_HELD = re.compile(rf"{KIND},\s?(?P<profile>\w+)(?:/{NUMBER})?:\s+(?P<size>{SIZE})")
DEVICE_FACT = re.compile(rf"(?P<name>Device size|Device slack|Unallocated):\s+(?P<size>{SIZE})")

PARITY = frozenset({"raid5", "raid6"})
ROUNDED = 0.02  # Sums of rounded figures do not meet exactly.


@dataclass(slots=True)
class Chunks:
    """The chunks of one kind and profile.

    Attributes:
        kind: ``data``, ``metadata``, ``system`` or ``data+metadata``; profile in lower case as well.
        used_bytes: None where the output does not tell what is in them.
        held: what each device has of them, where the output tells.
    """

    kind: str
    profile: str
    size_bytes: int
    used_bytes: int | None = None
    held: list[tuple[str, int]] = field(default_factory=list)


@dataclass(slots=True)
class Usage:
    """Chunks by kind and profile.

    Attributes:
        free: the space of each device that is in no chunk; lists every device where the output tells devices at all.
        devids: their numbers, in the same order, where the output tells them.
        allocated_bytes: what all devices have in chunks, by the summary.
        missing_bytes: the size of missing devices. 0 says nothing: it reads so while a missing device is removed.
        doubtful: a line that could not be read may have held chunks.
    """

    chunks: list[Chunks] = field(default_factory=list)
    free: list[tuple[str, int]] = field(default_factory=list)
    devids: list[int] = field(default_factory=list)
    allocated_bytes: int | None = None
    missing_bytes: int | None = None
    doubtful: bool = False

    @property
    def whole(self) -> bool:
        """Whether nothing was cut off: every kind of chunk is there, and every device that holds some."""
        kinds = {kind for chunks in self.chunks for kind in chunks.kind.split("+")}
        return not self.doubtful and {"metadata", "system"} <= kinds and self._lists_holders() and self._adds_up()

    @property
    def missing(self) -> int | None:
        """How many devices are missing, None if the output lists no devices or was cut."""
        listed = bool(self.free) and not self.doubtful and self._lists_holders()
        return sum(path in LOST for path, _ in self.free) if listed else None

    @property
    def numbered(self) -> list[tuple[int, str]]:
        """Number and path of each device; empty where the output does not tell them of all."""
        paths = [path for path, _ in self.free]
        return list(zip(self.devids, paths, strict=True)) if len(self.devids) == len(paths) else []

    def _lists_holders(self) -> bool:
        # By multiset: several missing devices have one name.
        listed = Counter(path for path, _ in self.free)
        return all(Counter(path for path, _ in chunks.held) <= listed for chunks in self.chunks)

    def _adds_up(self) -> bool:
        """Whether the rows are all that is allocated; early versions leave chunks with parity out of the summary."""
        held = sum(size for chunks in self.chunks for _, size in chunks.held)
        if not held or self.allocated_bytes is None or PARITY & {chunks.profile for chunks in self.chunks}:
            return True
        return abs(held - self.allocated_bytes) <= ROUNDED * self.allocated_bytes

    def leaving(self) -> dict[str, int]:
        """Bytes in chunks of devices that are being removed.

        Such a device is shrunk to nothing before its chunks move (btrfs_rm_device), so that what it has free is
        negative by what it still holds; one that is made smaller keeps a size.
        """
        found: dict[str, int] = {}
        for path, free in self.free:
            if free >= 0:
                continue
            held = sum(size for chunks in self.chunks for other, size in chunks.held if other == path)
            # Rounded figures do not meet exactly.
            if held * 0.99 <= -free <= held * 1.01:
                found[path] = held
        return found


def read_usage(text: str, odd: Note) -> Usage:
    """Read ``btrfs filesystem usage``, by chunks or as a table (``-T``)."""
    found = Usage()
    rows: list[tuple[str, int]] | None = None
    table: list[Chunks] = []
    numbered = False
    for number, line in lines(text):
        if (head := HEAD.fullmatch(line)) is not None:
            sizes = (size_bytes(head["size"]), size_bytes(head["used"]))
            found.chunks.append(Chunks(head["kind"].lower(), head["profile"].lower(), *sizes))
            rows = found.chunks[-1].held
        elif line == FREE_HEAD:
            rows = found.free
        elif not found.chunks and not table and (fact := SUMMARY.fullmatch(line)) is not None:
            size = size_bytes(fact["value"]) if re.fullmatch(SIZE, fact["value"]) else None
            if fact["name"] == "Device missing":
                found.missing_bytes = size
            elif fact["name"] == "Device allocated":
                found.allocated_bytes = size
        elif COLUMNS.fullmatch(line) is not None:
            table = [Chunks(kind.lower(), "", 0) for kind in line.split()]
        elif table and (names := PROFILES.fullmatch(line)) is not None and not found.chunks:
            numbered = names["id"] is not None
            _name(table, names["profiles"].split(), found)
        elif table and found.chunks and (RULE.fullmatch(line) or _read_row(line, found, numbered=numbered)):
            pass
        elif rows is not None and (held := HELD.fullmatch(line)) is not None:
            rows.append((held["path"], size_bytes(held["size"])))
        elif line != SUMMARY_HEAD:
            found.doubtful = found.doubtful or rows is not found.free
            odd(number, line)
    return found


def _name(table: list[Chunks], profiles: list[str], found: Usage) -> None:
    """Give the columns of a table their profiles; columns that do not match are not judged."""
    found.doubtful = found.doubtful or len(table) != len(profiles)
    for chunks, profile in zip(table, profiles, strict=False):
        chunks.profile = profile.lower()
        found.chunks.append(chunks)


def _read_row(line: str, found: Usage, *, numbered: bool) -> bool:
    """Read a row of the table: a device, or what the columns add up to."""
    words = line.split()
    summed = words[0] in {"Total", "Used"}
    first = 1 if summed or not numbered else 2
    sizes = [_cell(word) for word in words[first:]]
    columns = len(found.chunks)
    if (
        len(sizes) < columns + (words[0] != "Used")
        or None in sizes
        or not (summed or first == 1 or re.fullmatch(NUMBER, words[0]))
    ):
        return False
    told = [size or 0 for size in sizes]
    if summed:
        for chunks, size in zip(found.chunks, told, strict=False):
            if words[0] == "Total":
                chunks.size_bytes = size
            else:
                chunks.used_bytes = size
        return True
    path = words[first - 1]
    if first > 1:
        found.devids.append(int(words[0]))
    for chunks, size in zip(found.chunks, told, strict=False):
        if size:
            chunks.held.append((path, size))
    found.free.append((path, told[columns]))
    return True


def _cell(word: str) -> int | None:
    if word == "-":
        return 0
    return size_bytes(word) if re.fullmatch(SIZE, word) else None


def read_df(text: str, odd: Note) -> Usage:
    """Read ``btrfs filesystem df``, as text or as JSON (from 6.1)."""
    found = Usage()
    if text.lstrip().startswith("{"):
        found.chunks = _read_json_df(text, odd)
        return found
    for number, line in lines(text):
        if (match := DF.fullmatch(line)) is not None:
            profile = (match["profile"] or "single").lower()
            sizes = (size_bytes(match["total"]), size_bytes(match["used"]))
            found.chunks.append(Chunks(match["kind"].lower(), profile, *sizes))
        elif DF_RESERVE.fullmatch(line) is None:
            found.doubtful = True
            odd(number, line)
    found.doubtful = found.doubtful or not any("data" in chunks.kind.split("+") for chunks in found.chunks)
    return found


def _read_json_df(text: str, odd: Note) -> list[Chunks]:
    try:
        return [
            Chunks(_kind(row["bg-type"]), row["bg-profile"].lower(), int(row["total"]), int(row["used"]))
            for row in json.loads(text)["filesystem-df"]
            if row["bg-type"] != RESERVE
        ]
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError):
        odd(1, text.strip().splitlines()[0])
        return []


def _kind(word: str) -> str:
    """A kind of chunk in lower case; what survives of another kind nobody can say.

    Raises:
        ValueError: it is no kind that is known.
    """
    if re.fullmatch(KIND, word) is None:
        raise ValueError(word)
    return word.lower()


def read_device_usage(text: str, odd: Note) -> Usage:
    """Read ``btrfs device usage``, which tells what each device holds but not how full it is."""
    found = Usage()
    path = ""
    seen: list[Chunks] = []
    facts: set[str] = set()
    for number, line in lines(text):
        if (head := DEVICE_HEAD.fullmatch(line)) is not None:
            path, seen, facts = head["path"], [], set()
            found.devids.append(int(head["id"]))
        elif found.devids and (held := DEVICE_HELD.fullmatch(line)) is not None:
            chunks = _chunks(found, held["kind"].lower(), held["profile"].lower())
            # Chunks over unlike numbers of devices have a line each.
            before = chunks.held.pop()[1] if any(chunks is one for one in seen) else 0
            chunks.held.append((path, before + size_bytes(held["size"])))
            seen.append(chunks)
        elif found.devids and (fact := DEVICE_FACT.fullmatch(line)) is not None:
            # What is told twice is of two devices, with something cut out between.
            found.doubtful = found.doubtful or fact["name"] in facts
            facts.add(fact["name"])
            if fact["name"] == "Unallocated":
                found.free.append((path, size_bytes(fact["size"])))
        else:
            found.doubtful = True
            odd(number, line)
    found.doubtful = found.doubtful or len(found.free) != len(found.devids)
    for chunks in found.chunks:
        chunks.size_bytes = sum(size for _, size in chunks.held)
    return found


def _chunks(found: Usage, kind: str, profile: str) -> Chunks:
    known = next((one for one in found.chunks if (one.kind, one.profile) == (kind, profile)), None)
    if known is None:
        known = Chunks(kind, profile, 0)
        found.chunks.append(known)
    return known


def holding(chunks: Iterable[Chunks]) -> list[Chunks]:
    """Those that hold something; what is empty beside another profile of its kind can lose nothing."""
    there = [one for one in chunks if one.size_bytes]
    filled = {one.kind for one in there if one.used_bytes}
    return [one for one in there if one.used_bytes or one.used_bytes is None or one.kind not in filled]
