"""The device tree of a pool, from text or JSON, and what is left of its redundancy.

Rules: a leaf is good when it is ONLINE or DEGRADED and is not being filled and does not wait to be; a replacing or
spare pair is one slot, good if any side is; a mirror survives its good slots less one, raidz and dRAID their parity
less the bad slots; a pool is as good as its worst group of the normal, special and dedup classes.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from mendwatch.model.observation import Errors, Member, Role

PAIR = re.compile(r"(replacing|spare)(-\d+)?")
PARITY = re.compile(r"(?:raidz|draid)([1-3]?)(?!\w)")
MIRROR = re.compile(r"mirror(-\d+)?")
LEVEL = re.compile(r"(mirror|raidz[1-3]?|draid[1-3]?)(?!\w)")
# Every word that the tool has for a vdev: what another one means for the data is not known.
STATES = frozenset(
    {
        "ONLINE",
        "DEGRADED",
        "FAULTED",
        "UNAVAIL",
        "OFFLINE",
        "REMOVED",
        "SPLIT",
        "AVAIL",
        "INUSE",
        "SUSPENDED",
        "UNKNOWN",
    }
)
# What a removed vdev leaves behind holds no drive.
REMAINS = re.compile(r"(indirect|hole)-\d+")
SERVING = frozenset({"ONLINE", "DEGRADED"})
# A leaf that got a far smaller share of the writes than the others only had a block mended.
FILLED_SHARE = 0.2
COUNTING = {"normal": Role.DATA, "special": Role.SPECIAL, "dedup": Role.DEDUP}
OTHERS = {"logs": Role.LOG, "cache": Role.CACHE, "spares": Role.SPARE}


@dataclass(slots=True)
class Node:
    """A vdev: a leaf has no children. ``written`` counts what this resilver has written to a leaf, if told."""

    name: str
    state: str
    errors: Errors | None = None
    notes: str = ""
    guid: str | None = None
    written: int | None = None
    awaiting: bool = False
    marked: bool = False
    children: list[Node] = field(default_factory=list)
    bytes: int | None = None

    def leaves(self) -> Iterator[Node]:
        """The leaves below, or the node itself."""
        if not self.children:
            yield self
        for child in self.children:
            yield from child.leaves()

    @property
    def is_pair(self) -> bool:
        """Whether it is an old and a new side of one slot."""
        return bool(self.children) and PAIR.fullmatch(self.name) is not None


@dataclass(slots=True)
class Tree:
    """The vdevs of a pool by section: ``normal``, ``special``, ``dedup``, ``logs``, ``cache``, ``spares``."""

    sections: dict[str, list[Node]] = field(default_factory=dict)
    whole: bool = True
    root_state: str = ""

    def groups(self) -> list[tuple[Role, Node]]:
        """The top-level vdevs whose loss loses the pool."""
        return [
            (role, node)
            for name, role in COUNTING.items()
            for node in self.sections.get(name, [])
            if node.children or not REMAINS.fullmatch(node.name)
        ]


def fills(tree: Tree, *, healing: bool, sequential: frozenset[str]) -> tuple[str, ...]:
    """The names of the leaves being filled.

    Args:
        tree: the vdevs.
        healing: a healing resilver runs in the pool.
        sequential: the top-level vdevs in which a sequential one runs.
    """
    found: list[Node] = []
    for _, top in tree.groups():
        if top.name in sequential:
            found += _newest(top) or [list(top.leaves())[-1]]
    if healing:
        found += _healing(tree)
    return tuple(dict.fromkeys(node.name for node in found))


def _newest(node: Node) -> list[Node]:
    """The side of each pair that joined last, else the leaves that the tool marks."""
    paired = [list(pair.children[-1].leaves())[-1] for pair in pairs_of(node)]
    return [leaf for leaf in paired if leaf.state in SERVING] or [leaf for leaf in node.leaves() if leaf.marked]


def pairs_of(node: Node) -> list[Node]:
    """The pairs of an old and a new side in a vdev, the innermost first."""
    below = [pair for child in node.children for pair in pairs_of(child)]
    return [*below, node] if node.is_pair else below


def _healing(tree: Tree) -> list[Node]:
    found: list[Node] = []
    unpaired: list[Node] = []
    for _, top in tree.groups():
        pairs = pairs_of(top)
        filled = _filled_sides(pairs)
        found += filled
        # A dRAID writes a distributed spare's data to all of its drives: none of them is being filled.
        if not (filled and top.name.startswith("draid")):
            paired = {id(leaf) for pair in pairs for leaf in pair.leaves()}
            left = [leaf for leaf in top.leaves() if id(leaf) not in paired]
            # The mark only says that something was mended there: more of them than the group survives mean nothing.
            marked = sum(leaf.marked for leaf in left if leaf.written is None)
            unpaired += left if marked <= max(0, _tolerance(top, len(top.children))) else []
    most = max((leaf.written or 0 for leaf in (*found, *unpaired)), default=0)
    for leaf in unpaired:
        if leaf.awaiting or leaf.state not in SERVING:
            continue
        alone = leaf.written is None and leaf.marked and not found
        if alone or (most and (leaf.written or 0) >= FILLED_SHARE * most):
            found.append(leaf)
    return found or _first_moments(tree)


def _first_moments(tree: Tree) -> list[Node]:
    """A spare that has just taken over carries no mark before its first write; with nothing else to fill, it is it."""
    pairs = [pair for _, top in tree.groups() for pair in pairs_of(top)]
    newest = [list(pair.children[-1].leaves())[-1] for pair in pairs]
    return [leaf for leaf in newest if leaf.state in SERVING and not leaf.awaiting]


def leave_unfinished(tree: Tree) -> None:
    """A resilver was cancelled: the new side of each pair holds only a part of its data."""
    for leaf in _first_moments(tree):
        leaf.awaiting = True


def _filled_sides(pairs: list[Node]) -> list[Node]:
    """The side of each pair that lacks data; the innermost pairs come first."""
    found: list[Node] = []
    for pair in pairs:
        leaf = list(pair.children[-1].leaves())[-1]
        spare = pair.name.startswith("spare")
        resting = spare and not leaf.marked and not leaf.written and not leaf.awaiting
        # A distributed spare whose slot is now being given a real drive has its data already.
        served = spare and leaf.name.startswith("draid") and any(side in list(pair.leaves()) for side in found)
        if leaf.state in SERVING and not leaf.awaiting and not resting and not served:
            found.append(leaf)
    return found


def members(tree: Tree, filled: tuple[str, ...], drives: dict[str, str]) -> tuple[Member, ...]:
    """All leaves as members, both sides of a pair included."""
    found: list[Member] = []
    for section, role in {**COUNTING, **OTHERS}.items():
        for top in tree.sections.get(section, []):
            if REMAINS.fullmatch(top.name):
                continue
            group = top.name if top.children else None
            for leaf in top.leaves():
                rebuilding = leaf.name in filled and role is not Role.SPARE
                good = leaf.state in SERVING and not rebuilding and not leaf.awaiting
                found.append(
                    Member(
                        name=leaf.name,
                        role=role,
                        group=group,
                        drive=drives.get(leaf.name),
                        state=leaf.state,
                        good=good and role in COUNTING.values(),
                        rebuilding=rebuilding,
                        errors=leaf.errors,
                    )
                )
    return tuple(found)


def strangers(tree: Tree) -> tuple[str, ...]:
    """The inner vdevs of a kind that is not known, as when each is printed by its GUID."""

    def look(node: Node) -> Iterator[str]:
        known = PARITY.match(node.name) or MIRROR.fullmatch(node.name) or node.is_pair
        if node.children and not known:
            yield node.name
        for child in node.children:
            yield from look(child)

    return tuple(name for _, top in tree.groups() for name in look(top))


def odd_states(tree: Tree) -> tuple[str, ...]:
    """The states of groups and their drives that are none of the tool's words."""
    nodes = (node for _, top in tree.groups() for node in (top, *top.leaves()))
    return tuple(node.state for node in nodes if node.state not in STATES)


def redundancy(tree: Tree, filled: tuple[str, ...], *, unknown_fill: bool) -> tuple[int | None, int | None, int]:
    """Full level, redundancy left, and number of slots; None without any group.

    Args:
        tree: the vdevs.
        filled: the leaves being filled.
        unknown_fill: a resilver runs, and which leaf lacks data is not told yet: one of them does.
    """
    groups = [top for _, top in tree.groups()]
    if not groups:
        return None, None, 0
    full = min(_tolerance(top, len(top.children)) for top in groups)
    left = min(_left(top, set(filled)) for top in groups)
    if unknown_fill and left > 0:
        left -= 1
    return full, left, sum(1 if top.is_pair else max(1, len(top.children)) for top in groups)


def _tolerance(top: Node, good_slots: int) -> int:
    if not top.children or top.is_pair:
        return 0  # a plain drive, and one that is being replaced
    parity = PARITY.match(top.name)
    if parity is not None:
        return int(parity[1] or 1) - (len(top.children) - good_slots)
    return good_slots - 1


def _left(top: Node, filled: set[str]) -> int:
    if not top.children or top.is_pair:
        return 0 if _good(top, filled) else -1
    left = _tolerance(top, sum(_good(slot, filled) for slot in top.children))
    if top.state not in SERVING:
        return min(left, -1)
    # A drive that was away for a moment lacks little: a group that serves with it is not lost. The new side of a pair
    # holds nothing but what was copied.
    kept = sum(_good(slot, filled) if slot.is_pair else slot.state in SERVING for slot in top.children)
    return max(left, 0) if _tolerance(top, kept) >= 0 else left


def _good(slot: Node, filled: set[str]) -> bool:
    if slot.children:
        return any(_good(side, filled) for side in slot.children)
    return slot.state in SERVING and slot.name not in filled and not slot.awaiting


def level(tree: Tree) -> str | None:
    """``mirror``, ``raidz1`` … of the normal class, unlike groups joined with ``+``; ``stripe`` for plain drives."""
    words: list[str] = []
    for role, top in tree.groups():
        if role is not Role.DATA:
            continue
        match = LEVEL.match(top.name) if top.children and not top.is_pair else None
        if top.children and not top.is_pair and match is None:
            return None
        word = match[1] if match else "stripe"
        word = f"{word}1" if word in {"raidz", "draid"} else word
        if word not in words:
            words.append(word)
    return "+".join(words) or None


def spares_free(tree: Tree) -> int:
    """Idle spares."""
    return sum(leaf.state == "AVAIL" for leaf in tree.sections.get("spares", []))
