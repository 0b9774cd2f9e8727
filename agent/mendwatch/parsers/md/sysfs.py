"""What ``/sys/block/mdX/md`` says of the arrays, as read in one poll."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from mendwatch.model.capture import Capture

PATH = re.compile(r".*/sys/block/(?P<array>[^/]+)/md/(?:dev-(?P<member>[^/]+)/)?(?P<file>[^/]+)")
BEFORE = re.compile(r"[0-9]{1,20} \((?P<before>[0-9]{1,20})\)")


@dataclass(slots=True)
class Sysfs:
    """The files of one array and of its members, each stripped of white space; absent ones are not there."""

    array: dict[str, str] = field(default_factory=dict)
    members: dict[str, dict[str, str]] = field(default_factory=dict)

    def number(self, name: str) -> int | None:
        """The first number in a file of the array, None if there is none."""
        return number(self.array, name)

    def before(self, name: str) -> int | None:
        """What a file of the array says of the time before the reshape (``6 (4)``), else its number."""
        match = BEFORE.fullmatch(self.array.get(name, ""))
        return int(match["before"]) if match else self.number(name)

    def states(self, member: str) -> frozenset[str]:
        """The words of a member's state."""
        return frozenset(filter(None, self.members.get(member, {}).get("state", "").split(",")))


def number(files: Mapping[str, str], name: str) -> int | None:
    """The leading number in a file, None if it has none, or one that no kernel prints."""
    match = re.match(r"-?[0-9]{1,20}(?!\d)", files.get(name, ""))
    return int(match[0]) if match else None


def sysfs_of(capture: Capture) -> dict[str, Sysfs]:
    """Gather what this poll read of each array, by name."""
    found: dict[str, Sysfs] = {}
    for read in capture.files():
        match = PATH.fullmatch(read.path)
        if match is None or read.text is None:
            continue
        of_array = found.setdefault(match["array"], Sysfs())
        if match["member"]:
            of_array.members.setdefault(match["member"].replace("!", "/"), {})[match["file"]] = read.text.strip()
        else:
            of_array.array[match["file"]] = read.text.strip()
    return found
