"""One pool as one reading tells it, before the readings of a poll are brought together."""

from __future__ import annotations

from dataclasses import dataclass, field

from mendwatch.parsers.zfs.scan import Scan
from mendwatch.parsers.zfs.tree import Tree


@dataclass(slots=True)
class Pool:
    """A pool.

    Attributes:
        exactness: ranks the readings of one poll, the highest is used.
        being_resilvered: the advice that the tool prints says so.
        closed: its last line was there; without it more may have followed.
        scan_unread: something is said of a scan that was not understood, and it is none of a scrub.
    """

    name: str
    state: str
    tree: Tree
    exactness: int
    guid: str | None = None
    data_errors: int | None = None
    scans: list[Scan] = field(default_factory=list)
    being_resilvered: bool = False
    scan_unread: bool = False
    closed: bool = True
