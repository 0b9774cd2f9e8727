"""The text of ``/proc/mdstat``, line by line (grammar: md_seq_show and status_resync in the kernel's md.c).

Lines are told apart by what they say, never by their indentation: in text that a person passes on, blanks are lost,
tabs become blanks, long lines are wrapped, a prompt stands before and after. Of several copies of the file the last
counts: it is the latest.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

from mendwatch.model.errors import ParseError
from mendwatch.model.observation import Unread

HEAD = re.compile(r"(?P<name>\S+) : (?P<state>\w+)(?P<mode> \((?:read-only|auto-read-only)\))?(?P<rest>(?: .*)?)")
STATES = frozenset({"active", "inactive", "broken"})
LEVELS = frozenset({"linear", "raid0", "raid1", "raid4", "raid5", "raid6", "raid10", "multipath", "faulty"})
MEMBER = re.compile(r"(?P<name>[^\s\[\]]+)\[(?P<number>[0-9]{1,9})\](?P<flags>(?:\([A-Z]\))*)")
NUMBERED = re.compile(r"\[[0-9]{1,9}\]")
FLAGS = frozenset("WJFSR")
BLOCKS = re.compile(r"[0-9]+ blocks(?P<rest>.*)")
SLOTS = re.compile(r"\[(?P<slots>[0-9]{1,9})/(?P<good>[0-9]{1,9})\](?: \[(?P<word>[A-Z_]+)\])?")
COPIES = re.compile(r" (?P<copies>[0-9]{1,3}) (?P<how>near|far|offset)-copies")
SUPER = re.compile(r" super (?P<super>external:\S*|non-persistent|[0-9]+\.[0-9]+)")
PROGRESS = re.compile(
    r"\[[^\[\]]*\] (?P<word>recovery|recover|resync|reshape|check|repair) ?= ?[0-9]+\.[0-9]% "
    r"\((?P<done>[0-9]{1,20})/(?P<total>[0-9]{1,20})\)(?: finish=(?P<minutes>[0-9]{1,20})\.(?P<tenths>[0-9])min)?"
    r"(?: speed=-?[0-9]+K/sec)?"
)
HELD = re.compile(r"(?P<word>resync|recovery|recover|reshape|check) ?= ?(?P<how>DELAYED|PENDING|REMOTE)")
# What a line may consist of that is the rest of the line above.
WRAPPED = re.compile(
    r"[^\s\[\]]+\[[0-9]{1,9}\](?:\([A-Z]\))*|super|level|[0-9]+,?|[0-9]+\.[0-9]+%?|[0-9]+[kK]|chunks?,?|algorithm|rounding|"
    r"(?:near|far|offset)-copies|\[[0-9]+/[0-9]+\]|\[[A-Z_]+\]|=|\([0-9]+/[0-9]+\)|finish=\S+|speed=\S+"
)
# A prompt, what was typed behind it, the two lines that kernels 2.4 had besides.
AROUND = re.compile(r".*/proc/mdstat\b.*|.{0,80}[#$%]|read_ahead [0-9]+ sectors|read_ahead not set|[Ee]vent: [0-9]+")


@dataclass(frozen=True, slots=True)
class Progress:
    """A progress line, or one that says why there is none; blocks are KiB."""

    word: str
    done_kib: int | None = None
    total_kib: int | None = None
    finish_s: int | None = None
    held: str | None = None


@dataclass(frozen=True, slots=True)
class ListedMember:
    """A member as the head line lists it; ``number`` is that of its metadata, and no slot."""

    name: str
    number: int
    flags: str


@dataclass(frozen=True, slots=True)
class Entry:
    """One array's lines.

    Attributes:
        whole: the line with its size was there.
        odd: its lines hold words that we do not know, so that what else they say is not trusted.
        gap: a line among its own was not read, or is lacking: it may have told what runs.
        near, far: copies of a raid10, None where the lines do not say.
    """

    name: str
    state: str
    mode: str
    level: str | None
    members: tuple[ListedMember, ...]
    odd: bool = False
    whole: bool = False
    gap: bool = False
    super_block: str | None = None
    slots: int | None = None
    good: int | None = None
    word: str | None = None
    near: int | None = None
    far: int | None = None
    progress: Progress | None = None

    @property
    def reshapes(self) -> bool:
        """A reshape runs or waits, as far as these lines say."""
        return self.progress is not None and self.progress.word == "reshape"


@dataclass(slots=True)
class Mdstat:
    """The whole file: ``begun`` with its first line, ``ended`` with its last."""

    entries: dict[str, Entry] = field(default_factory=dict)
    unread: tuple[Unread, ...] = ()
    begun: bool = False
    ended: bool = False


def read_mdstat(text: str) -> Mdstat:
    """Read the file.

    Raises:
        ParseError: it is not that file at all.
    """
    found = Mdstat()
    unread: list[Unread] = []
    name = ""
    for number, raw, line in _lines(text):
        if line.startswith("Personalities"):
            found.entries, found.begun, found.ended, name = {}, True, False, ""
        elif line.startswith("unused devices:"):
            found.ended, name = True, ""
        elif (head := _head(line)) is not None:
            found.entries[head.name] = head
            name = head.name
            if head.odd:
                unread.append(Unread(number, raw))
        elif name and (longer := _body(found.entries[name], line)) is not None:
            if longer.odd and not found.entries[name].odd:
                unread.append(Unread(number, raw))
            found.entries[name] = longer
        elif not AROUND.fullmatch(line):
            unread.append(Unread(number, raw))
            if name:
                found.entries[name] = replace(found.entries[name], gap=True)
            # What follows a head that cannot be read belongs to no array above it.
            name = "" if NUMBERED.search(line) or BLOCKS.match(line) else name
    if not (found.begun or found.ended or any(not entry.odd for entry in found.entries.values())):
        message = "this is not the text of /proc/mdstat"
        raise ParseError(message, 1, (text.splitlines() or [""])[0])
    if name and found.begun and _may_lack_what_runs(text):
        found.entries[name] = replace(found.entries[name], gap=True)
    found.unread = tuple(unread)
    return found


def _may_lack_what_runs(text: str) -> bool:
    """Whether a text without its last line ends where what runs would stand: before a bitmap's or an empty line."""
    told = text.rstrip()
    return text[len(told) :].count("\n") <= 1 and not told.rpartition("\n")[2].lstrip().startswith("bitmap:")


def _lines(text: str) -> Iterator[tuple[int, str, str]]:
    """Each line that is not blank: its number, as it stands, and with single blanks; wrapped ones put together."""
    start, raws, lines = 0, list[str](), list[str]()
    for number, raw in enumerate(text.splitlines(), start=1):
        line = " ".join(raw.split()).lstrip("> ")
        goes_on = bool(lines) and not line.isdecimal() and all(WRAPPED.fullmatch(word) for word in line.split(" "))
        if lines and not goes_on:
            yield start, "\n".join(raws), " ".join(lines)
            raws, lines = [], []
        if line:
            start = start if goes_on else number
            raws.append(raw)
            lines.append(line)
    if lines:
        yield start, "\n".join(raws), " ".join(lines)


def _head(line: str) -> Entry | None:
    match = HEAD.fullmatch(line)
    if match is None or not (match["state"] in STATES or match["name"].startswith("md")):
        return None
    words = match["rest"].split()
    level = words.pop(0) if words and match["state"] != "inactive" and "[" not in words[0] else None
    members: list[ListedMember] = []
    for word in words:
        member = MEMBER.fullmatch(word)
        if member is None:
            break
        members.append(ListedMember(member["name"], int(member["number"]), member["flags"]))
    words = words[len(members) :]
    # Without a member left, or while it is taken down, the kernel prints no size, and the rest follows on this line.
    sizeless = not members and (not words or words[0] in {"super", "level"} or words[0].startswith("["))
    odd = bool(words) and not sizeless
    odd = odd or match["state"] not in STATES or (level is not None and level not in LEVELS)
    odd = odd or (level is None and match["state"] != "inactive")
    odd = odd or any(not set(member.flags) <= FLAGS | set("()") for member in members)
    head = Entry(match["name"], match["state"], (match["mode"] or "").strip(), level, tuple(members), odd)
    return _sized(head, " " + " ".join(words)) if words and not odd else head


def _body(entry: Entry, line: str) -> Entry | None:
    """The array with a line of its own added; None if the line is none that we know, or one that it has already."""
    if (blocks := BLOCKS.fullmatch(line)) is not None:
        return None if entry.whole else _sized(entry, blocks["rest"])
    if (progress := PROGRESS.match(line)) is not None and entry.progress is None:
        finish_s = int(progress["minutes"]) * 60 + int(progress["tenths"]) * 6 if progress["minutes"] else None
        told = Progress(progress["word"], int(progress["done"]), int(progress["total"]), finish_s)
        return replace(entry, progress=told)
    if (held := HELD.fullmatch(line)) is not None and entry.progress is None:
        return replace(entry, progress=Progress(held["word"], held=held["how"]))
    return entry if line.startswith("bitmap:") else None


def _sized(entry: Entry, rest: str) -> Entry:
    """The array with what stands behind its size; two counts of slots, or one that its word contradicts, are none."""
    super_block = SUPER.match(rest)
    near, far = _copies(rest)
    counts = list(SLOTS.finditer(rest))
    slots = counts[0] if counts else None
    word = slots["word"] if slots else None
    agree = len(counts) == 1 and (word is None or (len(word) == int(counts[0]["slots"]) and set(word) <= {"U", "_"}))
    return replace(
        entry,
        whole=True,
        odd=entry.odd or (slots is not None and not agree),
        super_block=super_block["super"] if super_block else None,
        slots=int(slots["slots"]) if slots is not None and agree else None,
        good=int(slots["good"]) if slots is not None and agree else None,
        word=word if agree else None,
        near=near,
        far=far,
    )


def _copies(rest: str) -> tuple[int, int] | tuple[None, None]:
    """Near and far copies as printed; one that is not printed is one."""
    told = {match["how"]: int(match["copies"]) for match in COPIES.finditer(rest)}
    if not told:
        return None, None
    return told.get("near", 1), told.get("far", told.get("offset", 1))
