"""The text of ``/proc/mdstat``, line by line (grammar: md_seq_show and status_resync in the kernel's md.c)."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace

from mendwatch.model.errors import ParseError
from mendwatch.model.observation import Unread

HEAD = re.compile(r"(?P<name>\S+) : (?P<state>\w+)(?P<mode> \((?:read-only|auto-read-only)\))?(?P<rest>(?: .*)?)")
STATES = frozenset({"active", "inactive", "broken"})
MEMBER = re.compile(r"(?P<name>[^\s\[\]]+)\[(?P<number>\d{1,9})\](?P<flags>(?:\([WJFSR]\))*)")
BLOCKS = re.compile(r"\d+ blocks(?P<rest>.*)")
SLOTS = re.compile(r"\[(?P<slots>[0-9]{1,9})/(?P<good>[0-9]{1,9})\](?: \[(?P<word>[U_]+)\])?")
COPIES = re.compile(r" (?P<copies>\d{1,3}) (?P<how>near|far|offset)-copies")
SUPER = re.compile(r" super (?P<super>external:\S+|non-persistent|\d+\.\d+)")
PROGRESS = re.compile(
    r"\[[=>.]*\]\s+(?P<word>recovery|resync|reshape|check|repair)\s*=\s*\d+\.\d% "
    r"\((?P<done>\d{1,20})/(?P<total>\d{1,20})\)(?: finish=(?P<finish>\d{1,20}\.\d)min)?(?: speed=\d+K/sec)?"
)
HELD = re.compile(r"(?P<word>resync|recover|recovery|reshape|check)=(?P<how>DELAYED|PENDING|REMOTE)")
LEVELS = frozenset({"linear", "raid0", "raid1", "raid4", "raid5", "raid6", "raid10", "multipath", "faulty"})


@dataclass(frozen=True, slots=True)
class Progress:
    """A progress line, or one that says why there is none; blocks are KiB."""

    word: str
    done_kib: int | None = None
    total_kib: int | None = None
    finish_min: float | None = None
    held: str | None = None


@dataclass(frozen=True, slots=True)
class ListedMember:
    """A member as the head line lists it."""

    name: str
    number: int
    flags: str


@dataclass(frozen=True, slots=True)
class Entry:
    """One array's lines.

    Attributes:
        whole: the line with its size was there.
        odd: its first line holds words that we do not know, so that what else it says is not trusted.
        near, far: copies of a raid10, None where the lines do not say.
    """

    name: str
    state: str
    mode: str
    level: str | None
    members: tuple[ListedMember, ...]
    odd: bool = False
    whole: bool = False
    super_block: str | None = None
    slots: int | None = None
    good: int | None = None
    word: str | None = None
    near: int | None = None
    far: int | None = None
    progress: Progress | None = None


@dataclass(slots=True)
class Mdstat:
    """The whole file; not ``whole`` when its last line is missing."""

    entries: list[Entry] = field(default_factory=list)
    unread: tuple[Unread, ...] = ()
    whole: bool = False


def read_mdstat(text: str) -> Mdstat:
    """Read the file.

    Raises:
        ParseError: it is not that file at all.
    """
    found = Mdstat()
    unread: list[Unread] = []
    known = headed = False
    for number, raw in enumerate(text.splitlines(), start=1):
        line = raw.strip()
        if line.startswith("Personalities"):
            known = True
        elif line.startswith("unused devices:"):
            found.whole = known = True
        elif line and not raw[0].isspace():
            entry = _head(line)
            known = known or (entry is not None and not entry.odd)
            headed = entry is not None
            if entry is not None:
                found.entries.append(entry)
            if entry is None or entry.odd:
                unread.append(Unread(number, raw))
        elif line and not (headed and _body(found.entries, line)):
            unread.append(Unread(number, raw))
            headed = headed and BLOCKS.match(line) is None
    if not known:
        first = text.splitlines()[:1] or [""]
        message = "this is not the text of /proc/mdstat"
        raise ParseError(message, 1, first[0])
    found.unread = tuple(unread)
    return found


def _head(line: str) -> Entry | None:
    match = HEAD.fullmatch(line)
    if match is None:
        return None
    # An array that is just being taken down can say its metadata where its members were (kernel 6.12).
    rest, _, _ = match["rest"].partition(" super ")
    words = rest.split()
    level = words.pop(0) if words and match["state"] != "inactive" and "[" not in words[0] else None
    members = [MEMBER.fullmatch(word) for word in words]
    odd = None in members or match["state"] not in STATES or (level is not None and level not in LEVELS)
    odd = odd or (level is None and match["state"] != "inactive")
    listed = tuple(ListedMember(m["name"], int(m["number"]), m["flags"]) for m in members if m is not None)
    return Entry(match["name"], match["state"], (match["mode"] or "").strip(), level, listed, odd)


def _body(entries: list[Entry], line: str) -> bool:
    """Take a line that belongs to the last array; False if it is none that we know."""
    entry = entries[-1]
    if (blocks := BLOCKS.match(line)) is not None:
        if entry.whole:
            return False  # of an array whose first line is lacking
        slots = _slots(blocks["rest"])
        super_block = SUPER.match(blocks["rest"])
        near, far = _copies(blocks["rest"])
        entries[-1] = replace(
            entry,
            whole=True,
            super_block=super_block["super"] if super_block else None,
            slots=int(slots["slots"]) if slots else None,
            good=int(slots["good"]) if slots else None,
            word=slots["word"] if slots else None,
            near=near,
            far=far,
        )
        return True
    if (progress := PROGRESS.match(line)) is not None:
        finish = progress["finish"]
        told = Progress(
            progress["word"], int(progress["done"]), int(progress["total"]), float(finish) if finish else None
        )
        entries[-1] = replace(entry, progress=told)
        return True
    if (held := HELD.fullmatch(line)) is not None:
        entries[-1] = replace(entry, progress=Progress(held["word"], held=held["how"]))
        return True
    return line.startswith("bitmap:")


def _slots(rest: str) -> re.Match[str] | None:
    """The count of slots; None if there is none, or more than one, or one for another number of slots than listed."""
    found = list(SLOTS.finditer(rest))
    if len(found) != 1 or (found[0]["word"] and len(found[0]["word"]) != int(found[0]["slots"])):
        return None
    return found[0]


def _copies(rest: str) -> tuple[int, int] | tuple[None, None]:
    """Near and far copies as printed; one that is not printed is one."""
    told = {match["how"]: int(match["copies"]) for match in COPIES.finditer(rest)}
    if not told:
        return None, None
    return told.get("near", 1), told.get("far", told.get("offset", 1))
