"""The text of ``zpool status``: blocks of labelled lines, and a table of devices."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from mendwatch.model.errors import ParseError
from mendwatch.model.names import printable
from mendwatch.model.observation import Errors, Unread
from mendwatch.parsers.zfs import tree as trees
from mendwatch.parsers.zfs.pool import Pool
from mendwatch.parsers.zfs.scan import NICE, from_text, nice
from mendwatch.parsers.zfs.tree import Node, Tree

LABEL = re.compile(r" {0,3}(?P<label>[a-z]+):(?: (?P<value>.*)|$)")
STATES = "|".join(sorted(trees.STATES))
IN_ITS_COLUMN = re.compile(rf"(?P<state>{STATES})(?P<rest>\s.*|$)")
STATE = re.compile(rf" (?P<state>{STATES})(?P<rest>\s.*|$)")
ANOTHER = re.compile(rf" (?:{STATES}) {{1,40}}{NICE} {{1,40}}{NICE} ")
COUNTS = re.compile(rf"\s*({NICE})\s+({NICE})\s+({NICE})(?P<notes>.*)")
SECTIONS = {"logs": "logs", "cache": "cache", "spares": "spares", "special": "special", "dedup": "dedup"}
SCANS = frozenset({"scan", "scrub", "expand", "remove"})
SKIPPED = frozenset({"status", "action", "see", "checkpoint", "condense", "dedup"})
# The second form is that of the first releases (from memory).
MARK = re.compile(rf"\(resilvering\)|{NICE} resilvered")
COUNT = re.compile(r"([0-9]{1,20}) data errors?, use '-v' for a list")
SCRUB = re.compile(r"(?:error |thorough )?scrub")
ANSI = re.compile(r"\x1b\[[\d;]*m")
TAB_COLUMNS = 8
FIRST_LABEL = re.compile(r"^( *)pool: ", re.MULTILINE)
LABEL_INDENT = DEEPER = 2
# Texts that stand alone, and the date that ``-T`` prints before the first pool.
ALONE = re.compile(r"all pools are healthy|pool '.*' is healthy|\d{9,11}|\w{3} \w{3} [ \d]\d \d\d:\d\d:\d\d .*\d{4}")
EXACTNESS_TEXT, EXACTNESS_PLAIN_COUNTS = 1, 3


@dataclass(slots=True)
class _Block:
    pool: Pool
    label: str = ""
    value: list[tuple[int, str]] = field(default_factory=list)
    table: list[tuple[int, str]] = field(default_factory=list)
    ended: bool = False
    closed: bool = False
    list_of_errors: int | None = None


def read_text(text: str, zone: str, *, plain_counts: bool) -> tuple[list[Pool], list[Unread], bool]:
    """The pools of one output, the lines not read, and whether every pool was found: False if lines belong to none.

    Raises:
        ParseError: it is not the output of ``zpool status``.
    """
    blocks: list[_Block] = []
    unread: list[Unread] = []
    stray = none = False
    text = ANSI.sub("", text)
    indent = _indent(text)
    for number, raw in enumerate(text.splitlines(), start=1):
        line = raw.rstrip("\r").removeprefix(indent)
        match = LABEL.match(line)
        if match is not None and match["label"] == "pool":
            exactness = EXACTNESS_PLAIN_COUNTS if plain_counts else EXACTNESS_TEXT
            name = printable((match["value"] or "").strip())
            blocks.append(_Block(Pool(name, "UNKNOWN", Tree(whole=False), exactness)))
        elif line.strip() == "no pools available":
            none = True
        elif not blocks:
            if line.strip() and ALONE.fullmatch(line.strip()) is None:
                unread.append(Unread(number, raw))
                stray = True
        elif match is not None:
            _finish(blocks[-1], zone, unread)
            _label(blocks[-1], number, match["label"], match["value"] or "", unread)
        else:
            _continue(blocks[-1], number, line, raw, unread)
    whole = not stray and all(_headings(block) <= 1 for block in blocks)
    for block in blocks:
        _finish(block, zone, unread)
        _tree(block, unread)
        block.pool.closed = block.closed
    if not blocks and not none and text.strip() and "healthy" not in text:
        message = "this is not the output of zpool status"
        raise ParseError(message, 1, text.strip().splitlines()[0])
    return [block.pool for block in blocks], unread, whole


def _headings(block: _Block) -> int:
    """Tables in it: a second one is that of a pool whose first line could not be read."""
    return sum(line.lstrip().startswith("NAME ") for _, line in block.table)


def _indent(text: str) -> str:
    """The blanks by which the whole text was moved to the right, as a quoted one is."""
    first = FIRST_LABEL.search(text)
    return " " * max(0, len(first[1]) - LABEL_INDENT) if first is not None else ""


def _label(block: _Block, number: int, label: str, value: str, unread: list[Unread]) -> None:
    block.label = label
    if label == "state":
        block.pool.state = value.strip()
    elif label in SCANS:
        block.value = [(number, value)]
    elif label == "errors":
        block.ended = block.closed = True
        block.pool.data_errors = _errors(value)
        block.list_of_errors = 0 if value.startswith("Permanent errors") else None
    elif label == "config":
        if value.strip():
            block.label = "config-none"
    elif label == "status":
        block.pool.being_resilvered = "being resilvered" in value
    elif label not in SKIPPED:
        unread.append(Unread(number, f"{label}: {value}"))


def _errors(value: str) -> int | None:
    if value.strip() == "No known data errors":
        return 0
    match = COUNT.match(value.strip())
    return int(match[1]) if match else None


def _continue(block: _Block, number: int, line: str, raw: str, unread: list[Unread]) -> None:
    """A line without a label belongs to the label before it."""
    if block.label in SCANS:
        block.value.append((number, line))
    elif block.label == "config" and line.strip():
        block.table.append((number, line))
    elif block.label == "config":
        # A line of blanks alone may be the beginning of a row.
        block.ended = block.ended or (bool(block.table) and not line)
    elif block.label == "errors" and block.list_of_errors is not None:
        if line.strip():
            block.list_of_errors += 1
            block.pool.data_errors = block.list_of_errors
    elif line.strip() and (block.label not in SKIPPED or line.expandtabs(TAB_COLUMNS)[: TAB_COLUMNS // 2].strip()):
        # Advice goes on behind a tab: what stands further left was a labelled line, perhaps that of a scan.
        unread.append(Unread(number, raw))
        block.pool.scan_unread = block.pool.scan_unread or not block.table


def _finish(block: _Block, zone: str, unread: list[Unread]) -> None:
    """The lines of a scan are complete: read them."""
    block.value = [(number, text) for number, text in block.value if "scan warning" not in text]
    if not block.value:
        return
    lines = [text for _, text in block.value]
    scan, missed = from_text(lines, zone, block.label if block.label in {"expand", "remove"} else "scan")
    if scan is not None:
        block.pool.scans.append(scan)
    elif 0 in missed and SCRUB.match(lines[0].strip()) is None:
        block.pool.scan_unread = True
    unread += [Unread(*block.value[number]) for number in missed]
    block.value = []


def _tree(block: _Block, unread: list[Unread]) -> None:
    """The table as a tree; whole only if something follows it, so that none of its rows can be missing.

    Terminals hand on the tab before each row as eight blanks, so that depth is counted from where the heading stands.
    """
    tree = block.pool.tree
    section = "normal"
    roots = 0
    missed = False
    left: int | None = None
    column = 0
    stack: list[tuple[int, Node]] = []
    for number, line in block.table:
        row = line.expandtabs(TAB_COLUMNS)
        if left is None and row.lstrip().startswith("NAME "):
            left, column = row.index("NAME"), row.find("STATE")
            continue
        word = row.strip()
        found = _row(row, column)
        heading = word if found is None else found[1].name if roots and found[0] <= (left or 0) else ""
        if heading in SECTIONS:
            section, stack = SECTIONS[heading], []
            continue
        if found is None:
            unread.append(Unread(number, line))
            missed = True
            continue
        depth, node = found
        if section == "normal" and depth <= (left or 0):
            roots += 1
            tree.root_state = node.state
            continue
        while stack and stack[-1][0] >= depth:
            stack.pop()
        # Each level stands two further in: a wider step is that of a row whose parent is lacking.
        missed = missed or depth - (stack[-1][0] if stack else left or 0) != DEEPER
        siblings = stack[-1][1].children if stack else tree.sections.setdefault(section, [])
        siblings.append(node)
        # Only spares have no counts: another row without them was cut short.
        missed = missed or (node.errors is None and section in trees.COUNTING)
        stack.append((depth, node))
    tree.whole = roots == 1 and block.ended and not missed and left is not None


def _row(row: str, column: int) -> tuple[int, Node] | None:
    match = None
    if column > 0 and row[:column].endswith(" "):
        rest = IN_ITS_COLUMN.match(row, column)
        if rest is not None:
            name = row[:column]
            match = (len(name) - len(name.lstrip(" ")), name.strip(), rest["state"], rest["rest"])
    if match is None:
        split = next((found for found in STATE.finditer(row) if row[: found.start()].strip()), None)
        if split is None:
            return None
        name = row[: split.start()]
        match = (len(name) - len(name.lstrip(" ")), name.strip(), split["state"], split["rest"])
    if ANOTHER.search(match[3]) is not None:
        return None  # two rows on one line
    depth, name, state, rest_text = match
    counts = COUNTS.fullmatch(rest_text)
    notes = counts["notes"] if counts else rest_text
    errors = Errors(*(nice(text) for text in counts.groups()[:3])) if counts else None
    return depth, Node(
        name=printable(name),
        state=state,
        errors=errors,
        notes=notes.strip(),
        awaiting="(awaiting resilver)" in notes,
        marked=MARK.search(notes) is not None,
    )
