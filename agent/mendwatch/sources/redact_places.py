"""Where the storage systems' tools print names, so that a name which is also a word of theirs is found there."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from mendwatch.model.capture import CommandRead, FileRead, Read


@dataclass(frozen=True, slots=True, order=True)
class Place:
    """A name in a text.

    Attributes:
        group: OpenZFS's own names of groups may stand there, too.
        in_json: it is the inside of a JSON string.
    """

    start: int
    end: int
    group: bool = False
    in_json: bool = False


_STRING = r'"((?:[^"\\]|\\.)*)"'
_JSON = tuple(
    re.compile(pattern, re.IGNORECASE)
    for pattern in (
        r'"(?:name|path|phys_?path|devid|devices?|host_?name|label|comment|id|uuid|serial(?:_?number)?|ww(?:n|id)|'
        r'mount_?point|lv_(?:full_)?name|[vp][gv]_name|group|subject|drive)"\s*:\s*' + _STRING,
        _STRING.replace("*", "+") + r'(?=\s*:\s*\{\s*"name"\s*:)',
        r'"\w*(?:guid|hostid)"\s*:\s*"?(\d+)',
    )
)
_ALIASES = re.compile(rf'"aliases"\s*:\s*\[((?:\s*{_STRING.replace("(", "(?:", 1)}\s*,?)*)\s*\]')
_IN_PATHS = (re.compile(r"/kstat/zfs/([^/\n]+)/"), re.compile(r"/sys/block/(md_(?!d\d)[^/\n]+)"))
_WHOLE = (re.compile(r"\A\s*(.*?)\s*\Z", re.DOTALL),)
_ERROR_LIST = re.compile(r"^ {8}(\S.*)$", re.MULTILINE)


def _lines(*patterns: str) -> tuple[re.Pattern[str], ...]:
    return tuple(re.compile(pattern, re.MULTILINE) for pattern in patterns)


# Group 1 is the name.
_PRINTED_BY = {
    "zpool": _lines(
        r"^[ \t]*pool: (.+?)[ \t]*$",
        r"\b(?:cannot \w+|no such pool|pool|zpool (?:[a-z]+ )(?:-\S+ )*) ?'([^'\n]+)'",
        r"\bzpool (?:clear|online|offline|replace|upgrade|export|import|status|scrub) (?:-\S+ )*([^\s'-][^\s']*)",
    ),
    "btrfs": _lines(r"^[ \t]*Label: '(.*)'\s+uuid"),
    "mdadm": _lines(r"^[ \t]*Name : (\S+)", r"\(local to host ([^)\s]+)\)"),
    # Status and table; info as a table.
    "dmsetup": _lines(r"^(\S.*?): \d+ \d+ [a-z]", r"^(\S+)[ \t]+\d+[ \t]+\d+[ \t]+[L-][I-][sw-]"),
}
# What a program that we do not know prints may be quoted from any of these; dmsetup's lines have no mark of their own.
_PRINTED_BY_ANY = tuple(pattern for tool in ("zpool", "btrfs", "mdadm") for pattern in _PRINTED_BY[tool])
_MDSTAT = _lines(r"^(md_(?!d\d)\S+) :")
# Root of the mount, mount point, what is mounted.
_MOUNTS = _lines(*(rf"^\d+ \d+ \S+ {fields}" for fields in (r"(\S+) ", r"\S+ (\S+) ", r".*? - \S+ (\S+) ")))
_LIST_ROW = _lines(r"^\t?([^\t\n]+)\t")
_LIST_ROW_WITH_GUID = (*_LIST_ROW, *_lines(r"^[^\t\n]+\t(\d+)$"))

_LVM = frozenset({"lvm", "lvs", "vgs", "pvs"})
_LVM_HEADING = re.compile(r"  [A-Z#][\w%#]*(?: +[A-Z#%][\w%#]*)* *$")
_LVM_NAMES = re.compile(r"(?<!\S)(?:LV|VG|PV)(?!\S)")
_LVM_CELL = re.compile(r"(?<=\s)[^\s\"]+")
_LVM_MESSAGE = re.compile(r"\s*(?:[A-Z]{3,}:|[{}\]\"]|\[\s*$)")

_TABLE = re.compile(r"^([ \t]*NAME[ \t]+)STATE\b.*\n((?:[ \t]*\S.*\n?)*)", re.MULTILINE)
_TABLE_ROW = re.compile(r"[^\n]+")
_REMOVAL = _lines(r"\b(?:Evacuation|Removal) of (?:vdev )?(\S+)")
_STATE = re.compile(r"(?:\x1b\[[0-9;]*m)?(?:ONLINE|DEGRADED|FAULTED|OFFLINE|UNAVAIL|REMOVED|AVAIL|INUSE|SPLIT)\b")
_NAME_AND_STATE = re.compile(r"[ \t]*(\S(?:.*?\S)?)[ \t]+" + _STATE.pattern)


def command(read: Read) -> tuple[str, ...]:
    """The command without the folder of its program, and without what it was run by; empty for a file."""
    argv = read.argv if isinstance(read, CommandRead) else ()
    if len(argv) > 1 and argv[0].rpartition("/")[2] == "sudo":
        argv = argv[1:]
    return (argv[0].rpartition("/")[2], *argv[1:]) if argv else ()


def places(text: str, read: Read) -> list[Place]:
    """Where names stand in what a reading brought, in order and without overlaps."""
    found = sorted(_all(text, read))
    return [one for at, one in enumerate(found) if not any(one.start < other.end for other in found[:at][-8:])]


def in_path(path: str) -> list[Place]:
    """The names within the path of a kernel's file."""
    return sorted(_found(_IN_PATHS, path))


def _all(text: str, read: Read) -> Iterator[Place]:
    if isinstance(read, FileRead):
        if read.path.endswith(("/label", "/dm/name", "/dm/uuid")):
            yield from _found(_WHOLE, text)
        elif read.path.endswith("/mountinfo"):
            yield from _found(_MOUNTS, text)
        elif read.path.endswith("/mdstat"):
            yield from _found(_MDSTAT, text)
        return
    tool, *options = command(read) or ("",)
    is_zpool = tool == "zpool"
    yield from _found(_IN_PATHS, text)
    yield from _found(_JSON, text, group=is_zpool, in_json=True)
    yield from (
        Place(inner.start(1), inner.end(1), in_json=True)
        for aliases in _ALIASES.finditer(text)
        for inner in re.compile(_STRING).finditer(text, *aliases.span(1))
    )
    yield from _found(_PRINTED_BY.get(tool, () if tool in _LVM else _PRINTED_BY_ANY), text)
    if tool in _LVM:
        yield from _reported(text)
    if is_zpool:
        yield from _rows(text)
        yield from _found(_REMOVAL, text, group=True)
        if "ermanent errors" in text:
            yield from _found((_ERROR_LIST,), text)
        if options[:1] == ["list"]:
            asked = any("guid" in word for word in options)
            yield from _found(_LIST_ROW_WITH_GUID if asked else _LIST_ROW, text, group=True)


def _reported(text: str) -> Iterator[Place]:
    """The names in a report of LVM's as a table: below the headings of groups and volumes."""
    columns: list[int] = []
    at = 0
    for line in text.splitlines(keepends=True):
        headings = [heading.start() for heading in _LVM_NAMES.finditer(line)]
        if headings and _LVM_HEADING.match(line):
            columns = headings
        elif not _LVM_MESSAGE.match(line):
            for column in columns:
                name = _LVM_CELL.match(line, column)
                if name is not None:
                    yield Place(at + name.start(), at + name.end())
        at += len(line)


def _rows(text: str) -> Iterator[Place]:
    """The names in a table of devices; the heading tells where they end, whatever words they hold."""
    for table in _TABLE.finditer(text):
        column = len(table.group(1).encode("utf-8", "replace"))
        for row in _TABLE_ROW.finditer(text, *table.span(2)):
            # The tool pads by bytes.
            raw = row.group().encode("utf-8", "replace")
            before = raw[:column].decode("utf-8", "replace")
            if before[-1:] in {" ", "\t"} and _STATE.match(raw[column:].decode("utf-8", "replace")):
                start = row.start() + len(before) - len(before.lstrip())
                yield Place(start, row.start() + len(before.rstrip()), group=True)
            elif found := _NAME_AND_STATE.match(row.group()):
                # A heading within the table (logs, spares) has no state.
                yield Place(row.start() + found.start(1), row.start() + found.end(1), group=True)


def _found(
    patterns: tuple[re.Pattern[str], ...], text: str, *, group: bool = False, in_json: bool = False
) -> Iterator[Place]:
    for pattern in patterns:
        for match in pattern.finditer(text):
            if match.end(1) > match.start(1):
                yield Place(*match.span(1), group, in_json)
