"""``btrfs balance status`` (cmds/balance.c)."""

from __future__ import annotations

import re
from dataclasses import dataclass

from mendwatch.parsers.btrfs.text import NUMBER, Note, lines

HEAD = re.compile(r"Balance on '.*' is (?P<how>running|paused)(?:, \w+ requested)*")
# The share that is left is -nan or -inf when no chunk was expected, and negative when there were more than expected.
COUNTS = re.compile(
    rf"(?P<done>{NUMBER}) out of about (?P<total>{NUMBER}) chunks balanced \((?P<looked>{NUMBER}) considered\),"
    r"\s+\S+ ?% left"
)
NONE = re.compile(r"No balance found on '.*'")
# With -v: which chunks it takes.
FILTERS = re.compile(r"Dumping filters: .*|(?:DATA|METADATA|SYSTEM) \(flags 0x[0-9a-f]+\): .*")


@dataclass(frozen=True, slots=True)
class Balance:
    """A balance that runs or is paused, in chunks."""

    paused: bool
    done: int | None = None
    total: int | None = None
    looked: int | None = None


def read_balance(text: str, odd: Note) -> Balance | None:
    """Read ``btrfs balance status``; None if there is none."""
    found: Balance | None = None
    for number, line in lines(text):
        if (head := HEAD.fullmatch(line)) is not None:
            found = Balance(paused=head["how"] == "paused")
        elif found is not None and (counts := COUNTS.fullmatch(line)) is not None:
            found = Balance(found.paused, int(counts["done"]), int(counts["total"]), int(counts["looked"]))
        elif NONE.fullmatch(line) is None and FILTERS.fullmatch(line) is None:
            odd(number, line)
    return found
