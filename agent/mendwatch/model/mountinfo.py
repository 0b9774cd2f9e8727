"""The kernel's list of mounts, ``/proc/self/mountinfo`` (format: proc(5))."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

MOUNTINFO = "/proc/self/mountinfo"
_LINE = re.compile(
    r"\d+ \d+ (?P<major>\d+):(?P<minor>\d+) (?P<root>\S+) (?P<point>\S+) \S+(?: \S+)* - "
    r"(?P<kind>\S+) (?P<device>\S+)(?: .*)?"
)
_ESCAPED = re.compile(r"\\([0-7]{3})")


@dataclass(frozen=True, slots=True)
class Mount:
    """One mount.

    Attributes:
        point: where it is mounted; root: which part of the filesystem is.
        kind: ``btrfs``, ``ext4``, …; device: what the kernel names for it.
        major, minor: the filesystem's device number.
    """

    point: str
    root: str
    kind: str
    device: str
    major: int
    minor: int


def mounts(text: str) -> Iterator[Mount]:
    """The mounts in their order; lines of another form are left to :func:`odd_lines`."""
    for line in text.splitlines():
        match = _LINE.fullmatch(line)
        if match is not None:
            yield Mount(
                point=_plain(match["point"]),
                root=_plain(match["root"]),
                kind=match["kind"],
                device=_plain(match["device"]),
                major=int(match["major"]),
                minor=int(match["minor"]),
            )


def odd_lines(text: str) -> Iterator[tuple[int, str]]:
    """Lines that are none of this file, with their numbers."""
    return ((n, line) for n, line in enumerate(text.splitlines(), start=1) if line and _LINE.fullmatch(line) is None)


def _plain(escaped: str) -> str:
    r"""Blanks, tabs, line ends and backslashes are written as ``\040`` and the like."""
    return _ESCAPED.sub(lambda code: chr(int(code[1], 8)), escaped)
