"""Redacted polls held against what they were made of: the same is understood, and no name is left in any spelling.

The names come from what the parsers understood and from patterns of the tests' own, not from the code that hides them.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import islice
from pathlib import Path
from urllib.parse import quote

from mendwatch.model.capture import Capture, CommandRead
from mendwatch.model.observation import Activity, Array, Member, Observation
from mendwatch.sources.recording import capture_to_json, read_recording
from mendwatch.testing import read_cases
from support.recordings import RECORDED

AS_A_NUMBER = 17

# The kernel's names, groups of OpenZFS, what stands in for a member that is not there; folders that every server has.
_NOBODYS = re.compile(
    r"(?:sd|vd|hd|xvd)[a-z]+\d*|nvme\d+n\d+(?:p\d+)?|(?:md|dm-|loop)\d+(?:p\d+)?|c\d+t\w+"
    r"|(?:ada|da)\d+(?:[ps]\d+)?|d?raidz?\d?(?:[-:]\w+)*|(?:mirror|spare|replacing)(?:-\d+)*|devid \d+|leg \d+|slot \d+"
    r"|\[?unknown\]?(?: device)?|\d{1,3}|<missing disk>|missing device|[0:-]+"
)
_FOLDERS = frozenset({"dev", "disk", "mapper", "by-id", "by-path", "mnt", "srv", "home", "media", "run", "var", "tmp"})
_IDS = re.compile(
    r"\b([0-9a-fA-F]{8}(?:-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12})\b|\b([0-9a-f]{8}(?::[0-9a-f]{8}){3})\b|\bLVM-(\w{64})\b"
    r"|\b(\w{6}(?:-\w{4}){5}-\w{6})\b|guid\": ?\"?(\d+)|0x([0-9a-f]{16})\b|\b(\d{17,20})\b"
)
_LINK = re.compile(r"(?:(?:ata|scsi|nvme|usb|virtio|wwn)-)?(.+?)(?:-part\d+|_(?:rimage|rmeta)_\d+)?")


def sampled(path: Path, every: int) -> tuple[str | None, list[Capture]]:
    """The host, and the first poll of a recording with each so-manieth after it."""
    recording = read_recording(path)
    polls = [line for line in islice(recording.lines, 0, None, every) if isinstance(line, Capture)]
    return recording.header.host, polls


def cases() -> Iterator[Capture]:
    """Every recorded single output."""
    for folder in sorted(RECORDED.iterdir()):
        yield from (case.capture for case in read_cases(folder))


def texts(capture: Capture) -> Iterator[str]:
    """All that was read, as text."""
    for read in capture.reads:
        if isinstance(read, CommandRead):
            yield from (read.stdout, read.stderr, read.error or "", *read.argv)
        else:
            yield from (read.text or "", read.error or "", read.path)


def secrets(capture: Capture, seen: Observation | None, host: str | None) -> set[str]:
    """What tells whose server it is: names without what every server has, identifiers, serial numbers."""
    names = {host or "", capture.boot or "", *capture.links, *(facts.serial or "" for facts in capture.drives.values())}
    for array in seen.arrays if seen is not None else ():
        names |= {array.name, array.id, *array.aliases, *(member.name for member in array.members)}
    pieces = set()
    for name in names:
        for part in re.split(r"/|(?<=\S): ", name):
            found = _LINK.fullmatch(part)
            if found is not None and not _NOBODYS.fullmatch(part) and part not in _FOLDERS:
                pieces.add(found.group(1))
    for text in texts(capture):
        pieces |= {one for match in _IDS.finditer(text) for one in match.groups() if one and one.strip("0-:")}
    return pieces


def spellings(secret: str) -> set[str]:
    """The ways in which one and the same name may be written."""
    low = {secret, secret.lower(), secret.upper()}
    ways = {way for one in low for way in (one, one.replace("-", "--"), one.replace(" ", "\\040"), quote(one, safe=""))}
    if re.fullmatch(r"[0-9a-fA-F:-]{20,}|\w{6}(?:-\w{4}){5}-\w{6}", secret):
        ways |= {re.sub("[-:]", "", one) for one in low}
    if secret.isdecimal() and len(secret) >= AS_A_NUMBER:
        ways.add(f"{int(secret):x}")
    return ways | {json.dumps(way)[1:-1] for way in ways}


def left(told: str, secret: str) -> list[str]:
    """The spellings in which a name still stands somewhere, as words of their own."""
    return [
        way for way in spellings(secret) if way in told and re.search(rf"(?<![^\W_]){re.escape(way)}(?![^\W_])", told)
    ]


def said(capture: Capture) -> str:
    """The line of the recording."""
    return json.dumps(capture_to_json(capture), ensure_ascii=False)


def unlike(before: Observation, after: Observation, name: Callable[[str], str]) -> list[str]:
    """Where the redacted poll says something else than the same of arrays that are called otherwise."""
    arrays = {name(array.name): array for array in before.arrays}
    told = {array.name: array for array in after.arrays}
    lines = []
    if set(arrays) != set(told):
        lines.append(f"arrays: {sorted(told)}, not {sorted(arrays)}")
    lines += [
        f"{one}: {place}: {_value(told[one], place)!r}, not {_value(array, place, name)!r}"
        for one, array in arrays.items()
        if one in told
        for place in _PLACES
        if _value(told[one], place) != _value(array, place, name)
    ]
    for what in ("error", "complete"):
        if bool(getattr(before, what)) != bool(getattr(after, what)):
            lines.append(f"{what}: {getattr(after, what)!r}")
    if [line.line for line in before.unread] != [line.line for line in after.unread]:
        lines.append(f"unread: {after.unread}, not {before.unread}")
    return lines


_PLACES = ("id", "members", "activities", "aliases", "notes", "rest")


def _value(array: Array, place: str, name: Callable[[str], str] = str) -> object:
    match place:
        case "id":
            return name(array.id)
        case "members":
            return sorted(map(repr, (_member(member, name) for member in array.members)))
        case "activities":
            runs = array.activities
            return None if runs is None else sorted(map(repr, (_activity(run, name) for run in runs)))
        case "aliases":
            return sorted(_named(alias, name) for alias in array.aliases)
        case "notes":
            return len(array.notes)
        case _:
            bare = replace(array, name="", id="", members=(), activities=None, aliases=(), notes=())
            return replace(bare, why_unknown=bare.why_unknown and "", device=bare.device and _named(bare.device, name))


def _member(member: Member, name: Callable[[str], str]) -> Member:
    group = member.group and _named(member.group, name)
    return replace(member, name=_named(member.name, name), group=group)


def _activity(run: Activity, name: Callable[[str], str]) -> Activity:
    fills = tuple(sorted(_named(one, name) for one in run.fills))
    counters = {str(number): value for number, value in enumerate(sorted(run.counters.values()))}
    held = run.why_held and ""
    return replace(run, fills=fills, counters=counters, why_held=held, subject=run.subject and "")


def _named(one: str, name: Callable[[str], str]) -> str:
    """A name as it must be found again; the parsers' own words for what has no name stay."""
    return one if _NOBODYS.fullmatch(one) else name(one)
