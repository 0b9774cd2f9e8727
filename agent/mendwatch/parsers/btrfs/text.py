"""What the outputs of btrfs-progs have in common: sizes, and lines that say nothing of the filesystem."""

from __future__ import annotations

import re
from typing import Protocol

UNITS = "BKMGTPE"
NUMBER = r"\d{1,20}"
SIZE = rf"-?{NUMBER}(?:\.{NUMBER})?(?:[kKMGTPE]i?B|B)?"
LONGEST = 5000
LOST = frozenset({"<missing disk>", "missing", "(null)", ""})
"""What stands in place of a path where there is no device."""
# What the tool says on standard error, as it stands among the rest where both go to one place; early versions of
# `filesystem show` end with their own name.
ASIDE = re.compile(
    r"WARNING: .*|warning[,:] .*|warning devid .*|[Ff]ailed to (?:open|read) /dev/.*|[Bb]trfs(?:-progs)? .*"
)


class Note(Protocol):
    """How an output says which line it could not read."""

    def __call__(self, line: int, text: str) -> None:
        """Note a line."""
        ...


def size_bytes(text: str) -> int:
    """A size, with its unit or plain.

    Units without an i are powers of 1024 in versions before 3.12 and of 1000 with ``--si``: the first is what is met.
    """
    number = text.rstrip("BikKMGTPE")
    unit = text[len(number) :].upper() or "B"
    return round(float(number) * float(1024 ** UNITS.index(unit[0])))


def lines(text: str) -> list[tuple[int, str]]:
    """The lines that say something, without the blanks around them, each with its number.

    One that is longer than any of this tool is cut, so that no pattern has to search it.
    """
    found: list[tuple[int, str]] = []
    for number, raw in enumerate(text.splitlines(), start=1):
        line = raw.strip()
        if len(line) > LONGEST:
            line = f"{line[:LONGEST]}…"
        if line and ASIDE.fullmatch(line) is None:
            found.append((number, line))
    return found
