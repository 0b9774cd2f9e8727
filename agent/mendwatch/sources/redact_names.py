"""Names made unrecognisable, each the same way everywhere.

A name becomes one of the same length and the same kinds of characters: small letters stay small, digits digits, a
letter outside ASCII takes as many bytes as before, so that tables keep their columns. What stands between the words
of a name stays. Words are replaced regardless of their case, which is kept, so that a name spelled in capitals is the
same name still.
"""

from __future__ import annotations

import hmac
import re
import string
from collections.abc import Iterator
from itertools import count

from mendwatch.sources.redact_words import GENERIC_FOLDERS, GRAMMAR, KEPT_IN_NAMES

KERNEL = re.compile(
    r"(?:sd|vd|xvd|hd)[a-z]{1,3}\d*|nvme\d+(?:c\d+)?n\d+(?:p\d+)?|mmcblk\d+(?:p\d+)?|dasd[a-z]{1,3}\d*"
    r"|(?:md|md_d|dm-|loop|zram|zd|sr|nbd|ram|rbd|drbd|bcache|pmem)\d+(?:p\d+)?"
    r"|(?:ada|da|nda|nvd)\d+(?:p\d+)?|(?:cciss/)?c\d+(?:t\w+)?d\d+(?:[sp]\d+)?"
)
# OpenZFS's own names of what is no drive.
_GROUP = re.compile(r"(?:mirror|raidz[123]?|replacing|spare|indirect|hole|missing|draid[123]?(?::[\w:]+)?)(?:-\d+)*")
_LINK = r"(?:ata|scsi|wwn|nvme|usb|virtio|mmc|dm-name|dm-uuid|md-name|md-uuid|lvm-pv-uuid)-"
_BY_ID = re.compile(_LINK)
_HEX = "[0-9a-fA-F]"
_ID = (
    r"(?<![A-Za-z0-9])(?:"
    rf"{_HEX}{{8}}(?:-{_HEX}{{4}}){{3}}-{_HEX}{{12}}"  # filesystems, arrays in sysfs, the boot
    rf"|{_HEX}{{8}}(?::{_HEX}{{8}}){{3}}"  # arrays by their own tool
    r"|LVM-[A-Za-z0-9]{32,64}|[A-Za-z0-9]{6}(?:-[A-Za-z0-9]{4}){5}-[A-Za-z0-9]{6}"  # volumes
    rf"|(?:0x|naa\.|eui\.){_HEX}{{16,32}}|{_HEX}{{32}}"  # world wide names, keys
    rf"|3?(?=[0-9]*[a-fA-F]){_HEX}{{16}}"  # world wide names without a word before them; 3 is their kind
    r"|[0-9]{17,20}"  # pools and their drives
    r")(?![A-Za-z0-9])"
)
_ID_PREFIX = re.compile(rf"LVM-|0x|naa\.|eui\.|3(?={_HEX}{{16}}\Z)(?=\d*[a-fA-F])|")
# Left as they are within names: escapes, and what the tools print in place of the name of a drive that is not there.
_ESCAPE = r"\\[0-7]{3}|\\x[0-9a-fA-F]{2}|\\u[0-9a-fA-F]{4}|\\.|<missing disk>|\[unknown\]|unknown device|%[0-9A-F]{2}"
WORD = re.compile(r"(?:[^\W_]|[^\x00-\x7f])+")
_PIECE = re.compile(f"(?P<id>{_ID})|(?P<escape>{_ESCAPE})|(?P<word>{WORD.pattern})")
_TOKEN = re.compile(
    rf"(?P<id>{_ID})|(?P<path>(?<![\w/:])/(?!(?:proc|sys)/)[^\s'\",()\[\]]+)"
    rf"|(?P<link>(?<![\w-]){_LINK}(?=[\w.:+-]*[0-9_])[\w.:+-]*\w)"
    r"|\"(?P<key>[a-z][a-z0-9_]*)\"(?=\s*:)"
    r"|'(?P<quoted>[^'\n]{1,80})'|\"(?P<quoted_twice>[^\"\\\n]{1,80})\""
    rf"|(?P<escape>%[0-9A-F]{{2}})|(?P<word>{WORD.pattern})"
)

_SHORTEST = 3  # a shorter name may be part of anything: it is replaced only where a name must stand, or quoted
_SHORTEST_ALONE = 4  # of a word of a name of several words
_SHORTEST_JOINED = 5  # of several words together
_SHORTEST_NUMBER = 8  # a shorter number may be a count
_INDEX_DIGITS = 3
_HALF = 32
_GUID_DIGITS = 20
_TRIES = 60
# By bytes in UTF-8: letters whose capitals take as many bytes, ideographs, pictures.
_LETTERS = {
    2: "àáâãäåæèéêëìíîïðñòóôõöøùúûüý",
    3: "".join(map(chr, range(0x4E00, 0x4F00))),
    4: "".join(map(chr, range(0x1F300, 0x1F400))),
}


class Names:
    """The replacements of one recording, and the names that are known so far.

    Args:
        key: secret and new for each recording, so that nobody can try names until one fits.
    """

    def __init__(self, key: bytes) -> None:
        self._key = key
        self._words: dict[str, str] = {}
        self._given: set[str] = set()
        self._models: set[str] = set()
        self._leaves: set[str] = set()
        self._known: dict[str, list[str]] = {}
        self._noted: set[str] = set()
        self._weak: set[str] = set()

    def keep_model(self, model: str) -> None:
        """A drive's model may stay in the links that are made of it."""
        self._models.update(WORD.findall(_lower(model)))

    def is_leaf(self, name: str) -> None:
        """This is a drive's name, even if it looks like a group's."""
        self._leaves.add(name)

    def name(self, name: str, *, group: bool = False) -> str:
        """The replacement of a name, link or path; ``group``: OpenZFS's own names of groups may stand there."""
        if name.startswith("/"):
            parts = name.split("/")
            return "/".join(part if part in GENERIC_FOLDERS else self._part(part, group=False) for part in parts)
        return self._part(name, group=group)

    def note(self, name: str) -> None:
        """Remember a name, to find it where nobody would look for one."""
        if name in self._noted:
            return
        self._noted.add(name)
        low = _lower(name)
        prefix = _BY_ID.match(low)
        words = WORD.findall(low, prefix.end() if prefix else 0)
        joined = len(words) > 1 and len(low) >= _SHORTEST_JOINED and any(_is_telling(word, 2) for word in words)
        if not joined and not any(_is_telling(word, _SHORTEST) for word in words):
            self._weak.add(low)
            return
        self._find(low)
        for word in words:
            if _is_telling(word, _SHORTEST_ALONE) and word not in self._models:
                self._find(word)

    def free(self, text: str, start: int = 0, end: int | None = None) -> str:
        """A stretch in which names may stand anywhere: identifiers, paths, and the names that are known."""
        stop = len(text) if end is None else end
        parts = []
        at = done = start
        # Not cut out of the text: what a name begins with depends on what stands before it.
        while match := _TOKEN.search(text, at, stop):
            first, last = match.span()
            new = None
            match match.lastgroup:
                case "id":
                    new = self._number(match.group())
                case "path" | "link":
                    new = self.name(match.group())
                case "escape":
                    pass
                case "key":
                    # The tools' own keys; a name that is one was found where names stand.
                    if "_" not in match.group("key") and match.group("key") not in GRAMMAR:
                        last = first + 1
                case "quoted" | "quoted_twice":
                    new = self._quoted(match.group(), twice=match.lastgroup == "quoted_twice")
                    last = last if new is not None else first + 1
                case _:
                    known = self._at(text, first, stop)
                    if known:
                        last = first + known
                        new = self.name(text[first:last])
            if new is not None:
                parts += [text[done:first], new]
                done = last
            at = last
        return "".join((*parts, text[done:stop]))

    def identifiers(self, text: str) -> str:
        """A stretch of the kernel's own words in which nothing but identifiers is replaced."""
        return re.sub(_ID, lambda match: self._number(match.group()), text)

    def _find(self, low: str) -> None:
        words = list(WORD.finditer(low))
        name = low[words[0].start() : words[-1].end()]
        names = self._known.setdefault(words[0].group(), [])
        if name not in names:
            names.append(name)
            names.sort(key=len, reverse=True)

    def _at(self, text: str, at: int, stop: int) -> int:
        """How long the longest known name is that begins here; 0 if none does."""
        first = WORD.match(text, at, stop)
        for name in self._known.get(_lower(first.group()), ()) if first is not None else ():
            end = at + len(name)
            if end <= stop and _lower(text[at:end]) == name and not WORD.match(text, end):
                return len(name)
        return 0

    def _quoted(self, quoted: str, *, twice: bool) -> str | None:
        """A name in quotes that is too short or too common to be replaced elsewhere; None if it is none."""
        inside = quoted[1:-1]
        parts = [inside] if _lower(inside) in self._weak else inside.split("/")
        if not all(_lower(part) in self._weak for part in parts):
            return None
        if twice and any(_lower(part) in GRAMMAR or _is_number(part) for part in parts):
            return None  # in JSON it may be a word of the tool's, or a count
        return quoted[0] + "/".join(self.name(part) for part in parts) + quoted[-1]

    def _part(self, part: str, *, group: bool) -> str:
        if KERNEL.fullmatch(part) or (group and part not in self._leaves and _GROUP.fullmatch(part)):
            return part
        self.note(part)
        prefix = _BY_ID.match(part)
        # An array of md's that its owner named.
        start = prefix.end() if prefix else len("md_") if part.startswith("md_") else 0
        return part[:start] + _PIECE.sub(lambda piece: self._piece(piece, is_link=prefix is not None), part[start:])

    def _piece(self, match: re.Match[str], *, is_link: bool) -> str:
        piece = match.group()
        if match.lastgroup == "id":
            return self._number(piece)
        if match.lastgroup == "escape" or KEPT_IN_NAMES.fullmatch(piece) or KERNEL.fullmatch(piece):
            return piece
        if (is_link and _lower(piece) in self._models) or (_is_number(piece) and len(piece) <= _INDEX_DIGITS):
            return piece
        return self._word(piece)

    def _number(self, number: str) -> str:
        """An identifier, however it is written: with hyphens, colons or nothing between its digits."""
        if not number.strip("0x-:"):
            return number  # the tools' word for none
        prefix = _ID_PREFIX.match(number)
        start = prefix.end() if prefix else 0
        bare = re.sub(r"[-:]", "", number[start:])
        # A volume's long identifier is its group's and its own, each of which is also printed alone.
        new = iter("".join(self._word(bare[at : at + _HALF]) for at in range(0, len(bare), _HALF)))
        return number[:start] + "".join(one if one in "-:" else next(new) for one in number[start:])

    def _word(self, word: str) -> str:
        low = _lower(word)
        if low not in self._words:
            new = next(drawn for drawn in self._draws(low) if drawn not in self._given)
            self._given.add(new)
            self._words[low] = new
        drawn = self._words[low]
        cased = (new.upper() if old.isupper() else new for old, new in zip(word, drawn, strict=False))
        return "".join(cased) + drawn[len(word) :]

    def _draws(self, low: str) -> Iterator[str]:
        """Candidates: first such as are no name and no word that means something, at last whatever is left."""
        drawn = [self._draw(low, attempt) for attempt in range(_TRIES)]
        for one in drawn:
            if one not in self._words and one != low and one not in GRAMMAR and not KERNEL.fullmatch(one):
                yield one
        yield from (one for one in drawn if one not in GRAMMAR)
        yield from (f"{one}{low[1:]}" for one in (*string.ascii_lowercase, *string.digits))
        # So many names of one or two letters that they must grow.
        yield from (f"{drawn[0]}{number}" for number in count(1))

    def _draw(self, low: str, attempt: int) -> str:
        letters = "abcdef" if re.fullmatch(r"[0-9a-f]{8,}", low) else string.ascii_lowercase
        drawn = b""
        while len(drawn) < len(low):
            drawn += hmac.digest(self._key, f"{attempt} {len(drawn)} {low}".encode("utf-8", "replace"), "sha256")
        new = [_alike(one, byte, letters) for one, byte in zip(low, drawn, strict=False)]
        if _is_number(low):
            # A number keeps its first digit: it must not begin with 0, nor outgrow 64 bits.
            new[0] = low[0]
            if len(low) == _GUID_DIGITS:
                new[1] = string.digits[drawn[1] % 8]
        return "".join(new)


def _is_number(text: str) -> bool:
    return text.isascii() and text.isdecimal()


def _is_telling(word: str, shortest: int) -> bool:
    """Whether a word can be sought anywhere: neither too short nor one of the tools' own."""
    return len(word) >= (_SHORTEST_NUMBER if _is_number(word) else shortest) and word not in GRAMMAR


def _lower(text: str) -> str:
    """Small letters, one for one and of as many bytes."""
    if text.isascii():
        return text.lower()
    return "".join(low if _length(low := one.lower()) == _length(one) and len(low) == 1 else one for one in text)


def _length(text: str) -> int:
    return len(text.encode("utf-8", "surrogatepass"))


def _alike(one: str, byte: int, letters: str) -> str:
    """Another character of the same kind and length."""
    if not one.isascii():
        choice = _LETTERS[_length(one)]
        return choice[byte % len(choice)]
    return string.digits[byte % 10] if one.isdecimal() else letters[byte % len(letters)]
