"""Why what a reading says of a pool does not hold together, so that its redundancy is not told.

A row that is lacking, given twice or garbled leaves traces: a vdev is DEGRADED only for a child that is not ONLINE
(vdev_propagate_state and the state changes of root, mirror and raidz in module/zfs); each kind has a least number of
children (its parity and one, or two sides); a drive is marked as resilvering only while that runs (print_status_config
in cmd/zpool); and a run belongs to a vdev that is there.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator

from mendwatch.parsers.zfs.pool import Pool
from mendwatch.parsers.zfs.tree import PARITY, Node, Tree, odd_states, strangers

CUT = "the table of devices is cut short, leaves drives out, or was not read whole"
RESILVERING = "(resilvering)"
DISTRIBUTED_SPARE = re.compile(r"draid[123]-[0-9]+-[0-9]+")
SIDES = re.compile(r"(?:mirror|replacing|spare)-[0-9]+")


def doubt(pool: Pool, *, rebuilding: bool, subjects: frozenset[str]) -> str | None:
    """The first reason to doubt the tree; None if it holds together.

    Args:
        pool: one reading.
        rebuilding: it says that a resilver runs.
        subjects: the top-level vdevs that it says a sequential one fills.
    """
    if not pool.tree.whole or pool.state == "UNKNOWN":
        return CUT
    tops = [top for _, top in pool.tree.groups()]
    return _of_words(pool.tree) or _of_scan(pool, tops, subjects, rebuilding=rebuilding) or _of_rows(pool.tree, tops)


def _of_words(tree: Tree) -> str | None:
    if odd := odd_states(tree):
        return f"what the state {odd[0]} means is not known"
    if strange := strangers(tree):
        return f"what the vdev {strange[0]} survives is not told"
    return None


def _of_scan(pool: Pool, tops: list[Node], subjects: frozenset[str], *, rebuilding: bool) -> str | None:
    if pool.scan_unread:
        return "what it says of its scan is not understood"
    marked = any(RESILVERING in leaf.notes for top in tops for leaf in top.leaves())
    if (pool.being_resilvered or marked) and not rebuilding:
        return "it is being resilvered, and the scan that does so is not told"
    if not pool.scans and any(_was_filled(node) for node in _below(tops)):
        return "a drive was put in the place of another, and no scan is told"
    if absent := subjects - {top.name for top in tops}:
        return f"the vdev {min(absent)} is being resilvered, and is not among the devices"
    return None


def _of_rows(tree: Tree, tops: list[Node]) -> str | None:
    root = Node("", tree.root_state, children=[*tops, *tree.sections.get("logs", [])])
    if any(_unexplained(node) for node in (root, *_below(tops))):
        return "a vdev is DEGRADED, and none of its drives tells why"
    if few := next((node for node in _below(tops) if len(node.children) < _least(node)), None):
        return f"the vdev {few.name} lacks drives that it must have"
    for top in tops:
        names = Counter(leaf.name for leaf in top.leaves())
        # Where all have one name, somebody has masked them.
        if len(names) > 1 and (twice := next((name for name, times in names.items() if times > 1), None)):
            return f"{twice} stands twice in one vdev"
    return None


def _below(nodes: list[Node]) -> Iterator[Node]:
    for node in nodes:
        yield node
        yield from _below(node.children)


def _was_filled(node: Node) -> bool:
    """Whether it is a pair, which a resilver has filled or will; a distributed spare may come without a scan."""
    return node.is_pair and DISTRIBUTED_SPARE.fullmatch(node.children[-1].name) is None


def _unexplained(node: Node) -> bool:
    return node.state == "DEGRADED" and bool(node.children) and all(one.state == "ONLINE" for one in node.children)


def _least(node: Node) -> int:
    parity = PARITY.match(node.name)
    if parity is not None:
        return 0 if DISTRIBUTED_SPARE.fullmatch(node.name) else int(parity[1] or 1) + 1
    return 2 if SIDES.fullmatch(node.name) else 0
