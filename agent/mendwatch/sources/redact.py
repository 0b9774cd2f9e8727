"""A recording fit to be shown to strangers: names and numbers that tell whose server it is are replaced.

Each name is replaced by one of the same length and the same kinds of characters, the same everywhere, so that tables
keep their columns and the text still says the same of arrays that are called otherwise. What stays: the names that the
kernel gives (``sda1``), models, sizes, counters, times.
"""

from __future__ import annotations

import hmac
import re
import string
from collections.abc import Iterator
from dataclasses import replace
from typing import TypeVar

from mendwatch.model.capture import Capture, CommandRead, FileRead, Read
from mendwatch.sources.recording import Header
from mendwatch.sources.redact_words import GENERIC_FOLDERS, GRAMMAR, KEPT_IN_NAMES

T = TypeVar("T")

_KERNEL = re.compile(
    r"(?:sd|vd|xvd|hd)[a-z]{1,3}\d*|nvme\d+(?:c\d+)?n\d+(?:p\d+)?|mmcblk\d+(?:p\d+)?|(?:md|md_d|dm-|loop|zram|sr|nbd|ram)\d+"
    r"(?:p\d+)?|(?:ada|da|nda|nvd)\d+(?:p\d+)?|c\d+t\w+d\d+(?:s\d+)?"
)
_VDEV = re.compile(r"(?:mirror|raidz[123]?|replacing|spare|indirect|hole|missing|draid[123]?(?::[\w:]+)?)(?:-\d+)*")
_BY_ID = re.compile(r"(?:ata|scsi|wwn|nvme|usb|virtio|mmc|dm-name|dm-uuid|md-name|md-uuid|lvm-pv-uuid)-")
_ID = (
    r"(?<![A-Za-z0-9])(?:"
    r"[0-9a-fA-F]{8}(?:-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}"  # filesystems, arrays in sysfs, the boot
    r"|[0-9a-f]{8}(?::[0-9a-f]{8}){3}"  # arrays by their own tool
    r"|LVM-[A-Za-z0-9]{32,64}|[A-Za-z0-9]{6}(?:-[A-Za-z0-9]{4}){5}-[A-Za-z0-9]{6}"  # volumes
    r"|(?:0x|naa\.|eui\.)[0-9a-f]{16,32}|[0-9a-f]{32}"  # world wide names, keys
    r"|[0-9]{17,20}"  # pools and their drives
    r")(?![A-Za-z0-9])"
)
# Left as they are within names: escapes, and what the tools print in place of the name of a drive that is not there.
_ESCAPE = r"\\[0-7]{3}|\\u[0-9a-fA-F]{4}|\\.|<missing disk>|\[unknown\]|unknown device"
_WORD = r"[^\W_]+"
_PIECE = re.compile(f"(?P<id>{_ID})|(?P<escape>{_ESCAPE})|(?P<word>{_WORD})")
_ID_OR_PATH = rf"(?P<id>{_ID})|(?P<path>(?<![\w/:])/(?!(?:proc|sys)/)[^\s'\",()\[\]]+)"

# Where the tools print names. Group 1 is the name.
_TABLE = re.compile(r"^[ \t]*NAME[ \t]+STATE\b.*\n((?:[ \t]*\S.*\n?)*)", re.MULTILINE)
_TABLE_ROW = re.compile(
    r"^[ \t]*(\S(?:.*?\S)?)[ \t]+(?:ONLINE|DEGRADED|FAULTED|OFFLINE|UNAVAIL|REMOVED|AVAIL|INUSE|SPLIT)\b",
    re.MULTILINE,
)
_NAMED = tuple(
    re.compile(pattern, re.MULTILINE)
    for pattern in (
        r"^[ \t]*pool: (.+?)[ \t]*$",
        r"^[ \t]*Label: '(.*)'\s+uuid",
        r"^[ \t]*Name : (\S+)",
        r"\(local to host ([^)\s]+)\)",
        r"\bcannot \w+ '([^'\n]+)'",
        r"\bzpool (?:clear|online|offline|replace|upgrade|export|import|status|scrub) (?:-\S+ )*'?([^\s'-][^\s']*)",
        r'"(?:name|path|phys_path|devid|devices?|hostname|label|lv_(?:full_)?name|[vp][gv]_name)"\s*:\s*"((?:[^"\\]|\\.)*)"',
        r'"((?:[^"\\]|\\.)+)"(?=\s*:\s*\{\s*"name"\s*:)',
        r'"\w*(?:guid|hostid)"\s*:\s*"?(\d+)',
        r"^(\S.*?): \d+ \d+ [a-z]",
        r"^(md_(?!d\d)\S+) :",
    )
)
_ERROR_LIST = re.compile(r"^ {8}(\S.*)$", re.MULTILINE)
_LIST_ROW = re.compile(r"^\t?([^\t\n]+)\t", re.MULTILINE)
_WHOLE = re.compile(r"\A\s*(.*?)\s*\Z", re.DOTALL)
_IN_PATHS = (re.compile(r"/kstat/zfs/([^/]+)/"), re.compile(r"/sys/block/(md_(?!d\d)[^/]+)"))
_MOUNT_NAMES = re.compile(r"^\d+ \d+ \S+ (\S+) (\S+) .*? - \S+ (\S+) (\S+)$", re.MULTILINE)

_SHORTEST = 3  # a shorter name may be part of anything: it is replaced only where a name must stand
_SHORTEST_NUMBER = 6
_INDEX_DIGITS = 3
_HALF = 32


class Redactor:
    """Replaces names in the polls of one recording.

    Args:
        key: secret and new for each recording, so that nobody can try names until one fits.
        host: the host's name, replaced wherever it stands.
    """

    def __init__(self, key: bytes, host: str | None) -> None:
        self._key = key
        self._words: dict[str, str] = {}
        self._given: set[str] = set()
        self._models: set[str] = set()
        self._names: set[str] = set()
        self._sought: re.Pattern[str] | None = None
        if host:
            self.name(host)
            self._note(host.partition(".")[0])

    def header(self, header: Header) -> Header:
        """The first line; its note is free text and is left out."""
        return Header(None if header.host is None else self.name(header.host), header.timezone)

    def capture(self, capture: Capture) -> Capture:
        """One poll."""
        capture = replace(capture, reads=tuple(_without_strangers(read) for read in capture.reads))
        self._learn(capture)
        return replace(
            capture,
            reads=tuple(self._read(read) for read in capture.reads),
            boot=None if capture.boot is None else self._free(capture.boot),
            disks=self._keys(capture.disks),
            partitions=self._keys(capture.partitions),
            array_devices=self._keys(capture.array_devices),
            links={self.name(name): disks for name, disks in capture.links.items()},
            drives={
                self.name(name): replace(facts, serial=None if facts.serial is None else self.name(facts.serial))
                for name, facts in capture.drives.items()
            },
        )

    def name(self, name: str) -> str:
        """The replacement of a name, link or path."""
        if name.startswith(("/proc/", "/sys/")):
            return self._spans(name, [span for one in _IN_PATHS for span in _found(one, name)])
        if name.startswith("/"):
            parts = name.split("/")
            return "/".join(part if part in GENERIC_FOLDERS else self._part(part) for part in parts)
        return self._part(name)

    def _part(self, part: str) -> str:
        if _KERNEL.fullmatch(part) or _VDEV.fullmatch(part):
            return part
        self._note(part)
        prefix = _BY_ID.match(part)
        start = prefix.end() if prefix else 0
        return part[:start] + _PIECE.sub(self._piece, part[start:])

    def _piece(self, match: re.Match[str]) -> str:
        piece = match.group()
        if match.lastgroup == "id":
            return self._number(piece)
        if match.lastgroup == "escape" or piece in self._models or KEPT_IN_NAMES.fullmatch(piece):
            return piece
        if _KERNEL.fullmatch(piece) or (piece.isdecimal() and len(piece) <= _INDEX_DIGITS):
            return piece
        return self._word(piece)

    def _number(self, number: str) -> str:
        """An identifier, however it is written: with hyphens, colons or nothing between its digits."""
        prefix = re.match(r"LVM-|0x|naa\.|eui\.|", number)
        start = prefix.end() if prefix else 0
        bare = re.sub(r"[-:]", "", number[start:])
        # A volume's long identifier is its group's and its own, each of which is also printed alone.
        new = iter("".join(self._word(bare[at : at + _HALF]) for at in range(0, len(bare), _HALF)))
        return number[:start] + "".join(one if one in "-:" else next(new) for one in number[start:])

    def _word(self, word: str) -> str:
        if word not in self._words:
            new = word
            for attempt in range(100):
                new = self._draw(word, attempt)
                taken = new in self._given or new in self._words or new in self._names
                if not taken and new != word and new.lower() not in GRAMMAR and not _KERNEL.fullmatch(new):
                    break
            self._given.add(new)
            self._words[word] = new
        return self._words[word]

    def _draw(self, word: str, attempt: int) -> str:
        lower = "abcdef" if re.fullmatch(r"[0-9a-f]{8,}", word) else string.ascii_lowercase
        drawn = b""
        while len(drawn) < len(word):
            drawn += hmac.digest(self._key, f"{attempt} {len(drawn)} {word}".encode("utf-8", "replace"), "sha256")
        # A number keeps its first digit: it must not begin with 0, nor outgrow its kind.
        keep = 1 if word.isdecimal() else 0
        return word[:keep] + "".join(_alike(one, byte, lower) for one, byte in zip(word[keep:], drawn, strict=False))

    def _note(self, name: str) -> None:
        """Remember a name, to find it where nobody would look for one."""
        shortest = _SHORTEST_NUMBER if name.isdecimal() else _SHORTEST
        if len(name) >= shortest and name.lower() not in GRAMMAR and name not in self._names:
            self._names.add(name)
            self._sought = None

    def _learn(self, capture: Capture) -> None:
        """Go through a whole poll once, so that a name is known before the first text that mentions it."""
        for facts in capture.drives.values():
            self._models.update(re.findall(_WORD, facts.model or ""))
        for name in (*capture.links, *(facts.serial for facts in capture.drives.values())):
            self.name(name or "")
        for read in capture.reads:
            self._read(read)

    def _read(self, read: Read) -> Read:
        error = None if read.error is None else self._free(read.error)
        if isinstance(read, FileRead):
            text = None if read.text is None else self._text(read.text, read)
            return FileRead(self.name(read.path), text, error)
        return replace(
            read,
            argv=tuple(self._argument(read, at) for at in range(len(read.argv))),
            stdout=self._text(read.stdout, read),
            stderr=self._text(read.stderr, read),
            error=error,
        )

    def _argument(self, read: CommandRead, at: int) -> str:
        word = read.argv[at]
        if at == 0 or word.startswith("-"):
            return word
        # Of the tools that we know, this one names its arrays by a bare word.
        is_name = at > 1 and read.argv[0].endswith("zpool") and read.argv[at - 1] != "-o"
        return self.name(word) if is_name or word.startswith("/") else self._free(word)

    def _text(self, text: str, read: Read) -> str:
        return self._spans(text, list(_name_spans(text, read)))

    def _spans(self, text: str, spans: list[tuple[int, int]]) -> str:
        """A text in which names stand at certain places, and perhaps elsewhere."""
        parts = []
        at = 0
        for start, end in sorted(spans):
            if start < at:
                continue  # two patterns found the same name
            parts += [self._free(text, at, start), self.name(text[start:end])]
            at = end
        return "".join((*parts, self._free(text, at)))

    def _free(self, text: str, start: int = 0, end: int | None = None) -> str:
        """A stretch in which names may stand anywhere: identifiers, paths, and the names that are known."""
        if self._sought is None:
            longest_first = sorted(self._names, key=lambda name: (-len(name), name))
            known = f"|(?<![^\\W_])(?:{'|'.join(map(re.escape, longest_first))})(?![^\\W_])" if longest_first else ""
            self._sought = re.compile(_ID_OR_PATH + known)
        stop = len(text) if end is None else end
        parts = []
        at = start
        # Not cut out of the text: what a name begins with depends on what stands before it.
        for match in self._sought.finditer(text, start, stop):
            name = match.group()
            parts += [text[at : match.start()], self._number(name) if match.lastgroup == "id" else self.name(name)]
            at = match.end()
        return "".join((*parts, text[at:stop]))

    def _keys(self, table: dict[str, T]) -> dict[str, T]:
        return {self.name(name): row for name, row in table.items()}


def _without_strangers(read: Read) -> Read:
    """Leave out what no parser needs and what tells of more than arrays: other mounts, typed commands, events."""
    if isinstance(read, CommandRead):
        chatty = read.argv[0].endswith("zpool") and not {"history", "events"}.isdisjoint(read.argv[1:2])
        return replace(read, stdout="", stderr="") if chatty else read
    if read.text is not None and read.path.endswith("/mountinfo"):
        return replace(read, text="".join(line for line in read.text.splitlines(keepends=True) if " - btrfs " in line))
    return read


def _name_spans(text: str, read: Read) -> Iterator[tuple[int, int]]:
    if isinstance(read, FileRead):
        if read.path.endswith(("/label", "/dm/name", "/dm/uuid")):
            yield from _found(_WHOLE, text)
            return
        if read.path.endswith("/mountinfo"):
            for match in _MOUNT_NAMES.finditer(text):
                yield from (match.span(group) for group in range(1, 4))
            return
    for table in _TABLE.finditer(text):
        # A heading within the table (logs, spares) has no state.
        yield from (row.span(1) for row in _TABLE_ROW.finditer(text, table.start(1), table.end(1)))
    for pattern in _NAMED:
        yield from _found(pattern, text)
    if "ermanent errors" in text:
        yield from _found(_ERROR_LIST, text)
    if isinstance(read, CommandRead) and read.argv[0].endswith("zpool") and read.argv[1:2] == ("list",):
        yield from _found(_LIST_ROW, text)


def _found(pattern: re.Pattern[str], text: str) -> list[tuple[int, int]]:
    return [match.span(1) for match in pattern.finditer(text)]


def _alike(one: str, byte: int, lower: str) -> str:
    """Another character of the same kind."""
    if one.isdecimal():
        return string.digits[byte % 10]
    if one.isupper():
        return lower[byte % len(lower)].upper()
    return lower[byte % len(lower)]
