"""Which btrfs filesystems are mounted, and where: ``/proc/self/mountinfo`` (format: proc(5))."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

MOUNTINFO = "/proc/self/mountinfo"
LINE = re.compile(
    r"\d+ \d+ (?P<number>\d+:\d+) (?P<root>\S+) (?P<place>\S+) \S+(?: \S+)* - (?P<type>\S+) (?P<device>\S+)(?: .*)?"
)
ESCAPED = re.compile(r"\\([0-7]{3})")


@dataclass(frozen=True, slots=True)
class Mount:
    """A mounted filesystem: one place where it can be asked, and the device that the kernel names for it."""

    place: str
    device: str


def mounts_of(text: str) -> tuple[Mount, ...]:
    """One mount point for each btrfs filesystem, the whole filesystem before a part of it, the shorter path first."""
    found: dict[str, list[tuple[bool, int, str, str]]] = {}
    for line in text.splitlines():
        match = LINE.fullmatch(line)
        if match is not None and match["type"] == "btrfs":
            place, device = _plain(match["place"]), _plain(match["device"])
            key = f"{match['number']} {device}"
            found.setdefault(key, []).append((match["root"] != "/", len(place), place, device))
    return tuple(Mount(place, device) for _, _, place, device in (min(places) for places in found.values()))


def odd_lines(text: str) -> Iterable[tuple[int, str]]:
    """Lines that are none of this file."""
    return ((n, line) for n, line in enumerate(text.splitlines(), start=1) if line and LINE.fullmatch(line) is None)


def _plain(escaped: str) -> str:
    r"""Blanks, tabs, line ends and backslashes are written as ``\040`` and the like."""
    return ESCAPED.sub(lambda code: chr(int(code[1], 8)), escaped)
