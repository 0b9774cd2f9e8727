"""OpenZFS: ``zpool status``, as JSON where the installed version has it, else as text of any era.

Order of trust within one poll: the kernel's own word that a pool is suspended; JSON with integers; JSON with strings;
text with plain counts; text. The tree and the error count say how a pool is, never ``state:`` and ``status:`` alone,
which hide things while a resilver runs.

The text does not tell a pool's GUID: ``zpool list`` does, in every version. A pool that hangs holds up the answer for
all; the others are then asked one by one, by the names that the kernel lists.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from mendwatch.model.capture import Capture, CommandRead, FileRead, Read
from mendwatch.model.errors import ParseError
from mendwatch.model.names import printable
from mendwatch.model.observation import Activity, ActivityKind, Array, IdKind, LastOutcome, Observation, Unread
from mendwatch.model.plugin import Command, File, Files, Want
from mendwatch.parsers.zfs import tree as trees
from mendwatch.parsers.zfs.doubts import doubt
from mendwatch.parsers.zfs.pool import Pool
from mendwatch.parsers.zfs.scan import Scan, activity, last
from mendwatch.parsers.zfs.structured import read_json
from mendwatch.parsers.zfs.text import read_text
from mendwatch.parsers.zfs.tunables import FOLDER, TUNABLES, VERSION, idles, settings_of, suspended

KSTAT = "/proc/spl/kstat/zfs/"
JSON_STATUS = ("zpool", "status", "-j", "--json-int")
TEXT_STATUS = ("zpool", "status", "-p")
PLAIN_STATUS = ("zpool", "status")
GUIDS = ("zpool", "list", "-H", "-o", "name,guid")
USAGE = 2
LOST = frozenset({"FAULTED", "UNAVAIL", "REMOVED"})  # states of a pool that serves nothing
WITH_VALUE = "cT"  # options of ``zpool status`` that are followed by a value


@dataclass(slots=True)
class _Readings:
    pools: dict[str, Pool] = field(default_factory=dict)
    unread: list[Unread] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)
    broken: list[Unread] = field(default_factory=list)
    understood: bool = False
    complete: bool = False


class ZfsParser:
    """OpenZFS."""

    name = "zfs"
    program = "zpool"
    present_if = ("/dev/zfs", "/sys/module/zfs")

    def wants(self, reads: tuple[Read, ...]) -> tuple[Want, ...]:
        """JSON first; where that is refused as wrong usage or says nothing, the text and the GUIDs."""
        if not reads:
            tunables = [File(VERSION), *(File(f"{FOLDER}{name}") for name in TUNABLES)]
            return (Files(f"{KSTAT}*/state"), *tunables, Command(JSON_STATUS))
        tried = {read.argv[1:]: read for read in reads if isinstance(read, CommandRead)}
        as_json, plain_counts = tried.get(JSON_STATUS[1:]), tried.get(TEXT_STATUS[1:])
        if as_json is None or (as_json.exit == 0 and as_json.stdout.strip()):
            return ()
        if as_json.exit is None:
            return _one_by_one(reads)
        if plain_counts is not None and plain_counts.exit == USAGE:
            return (Command(TEXT_STATUS), Command(PLAIN_STATUS), Command(GUIDS))
        return (Command(TEXT_STATUS), Command(GUIDS))

    def parse(self, capture: Capture) -> Observation:
        """Understand one capture; an output that is none of the tool's is the observation's error."""
        found = _Readings()
        status = [read for read in capture.commands() if _is(read.argv, "status")]
        # Asked only for what is not healthy (-x), the tool leaves out the rest: used where nothing else was read.
        for read in sorted(status, key=lambda read: "-x" in _options(read.argv)):
            if not (found.understood and "-x" in _options(read.argv)):
                _take(read, capture, found)
        guids = _guids(capture, found)
        for pool in found.pools.values():
            pool.guid = pool.guid or guids.get(pool.name)
        frozen = _kstat(capture)
        arrays = [_array(pool, capture, frozen.get(pool.name)) for pool in found.pools.values()]
        left_out = {name: state for name, state in frozen.items() if name not in found.pools}
        error = None
        if found.understood:
            found.unread += found.broken
        else:
            error = "; ".join(dict.fromkeys(found.failed)) or "no zpool status in this poll"
        if found.failed or found.complete or not found.understood:
            arrays += [_unanswered(name, state, guids.get(name)) for name, state in left_out.items()]
        complete = found.complete and not left_out
        return Observation(capture.at, capture.source, tuple(arrays), tuple(found.unread), error, complete)


def _one_by_one(reads: tuple[Read, ...]) -> tuple[Want, ...]:
    """Ask for each pool by itself, those left out that the kernel calls suspended: they are what hangs."""
    pools = {name: state for read in reads if isinstance(read, FileRead) for name, state in _state(read)}
    # With a single pool there is nobody else to ask.
    served = [name for name, state in pools.items() if state != "SUSPENDED"] if len(pools) > 1 else []
    return tuple(Command((*JSON_STATUS, name)) for name in served if not name.startswith("-"))


def _is(argv: tuple[str, ...], verb: str) -> bool:
    program = argv[0].rpartition("/")[2] if argv else ""
    return program == "zpool" and argv[1:2] == (verb,)


def _options(argv: tuple[str, ...]) -> frozenset[str]:
    """The options of a command, those of one letter by themselves (``-Pv`` is two), and ``pool`` if one is named."""
    found: set[str] = set()
    takes = ""
    for word in argv[2:]:
        if word.startswith("--"):
            found.add("-j" if word == "--json" else word)
        elif word.startswith("-") and len(word) > 1:
            found.update(f"-{letter}" for letter in word[1:])
            takes = word[-1] if word[-1] in WITH_VALUE else ""
        elif takes:
            takes = ""
        else:
            found.add("pool")
    return frozenset(found)


def _take(read: CommandRead, capture: Capture, found: _Readings) -> None:
    """Use one output, the more exact one where two tell the same pool."""
    options = _options(read.argv)
    if read.exit is None or (read.exit != 0 and not read.stdout.strip()):
        if read.exit != USAGE:
            found.failed.append(_why(read))
        return
    none = "no pools available" in read.stderr
    if not read.stdout.strip() and not none:
        found.failed.append("zpool status printed nothing")
        return
    try:
        pools, unread, whole = _read(read.stdout, capture, options)
    except ParseError as error:
        found.failed.append(f"{' '.join(read.argv)}: {error}")
        found.broken.append(Unread(1, read.stdout.strip().splitlines()[0][:200]))
        return
    found.unread += unread
    found.understood = True
    # A pool that serves nothing has no last line.
    to_the_end = not pools or pools[-1].closed or pools[-1].state in LOST
    of_all = not {"pool", "-x"} & options and read.exit == 0
    found.complete = found.complete or (of_all and whole and to_the_end)
    # Asked for again and again, the tool prints one answer after the other: the last counts.
    for pool in {pool.name: pool for pool in pools}.values():
        if "-e" in options:
            pool.tree.whole = False  # it leaves out healthy drives
        before = found.pools.get(pool.name)
        if before is None or (pool.tree.whole, pool.exactness) > (before.tree.whole, before.exactness):
            if before is not None and pool.guid is None:
                pool.guid = before.guid
            found.pools[pool.name] = pool


def _read(text: str, capture: Capture, options: frozenset[str]) -> tuple[list[Pool], list[Unread], bool]:
    if "-j" in options:
        return read_json(text, capture.at, capture.zone)
    return read_text(text, capture.zone, plain_counts="-p" in options)


def _guids(capture: Capture, found: _Readings) -> dict[str, str]:
    """The GUIDs by name, from ``zpool list -H -o name,guid`` or ``zpool get -H guid``."""
    guids: dict[str, str] = {}
    for read in capture.commands():
        listed = _is(read.argv, "list") and "name,guid" in read.argv
        if read.exit != 0 or not (listed or (_is(read.argv, "get") and "guid" in read.argv and "-o" not in read.argv)):
            continue
        for number, line in enumerate(read.stdout.splitlines(), start=1):
            words = line.split("\t")
            guid = words[1] if listed and len(words) > 1 else words[2] if len(words) > 2 else ""  # noqa: PLR2004
            if guid.isdecimal():
                guids[printable(words[0])] = guid
            elif line.strip():
                found.unread.append(Unread(number, line))
    return guids


def _why(read: CommandRead) -> str:
    said = read.error or read.stderr.strip().splitlines()[0:1]
    text = said if isinstance(said, str) else (said[0] if said else f"ended with {read.exit}")
    return f"zpool status: {text}"


def _kstat(capture: Capture) -> dict[str, str]:
    """The kernel's own word on each pool, which never waits for a hung one."""
    return {printable(name): state for read in capture.files() for name, state in _state(read)}


def _state(read: FileRead) -> list[tuple[str, str]]:
    _, place, rest = read.path.partition(KSTAT)
    told = place and rest.endswith("/state") and read.text is not None
    return [(rest.removesuffix("/state"), (read.text or "").strip())] if told else []


def _array(pool: Pool, capture: Capture, kernel_state: str | None) -> Array:
    running = [scan for scan in pool.scans if scan.goes_on]
    healing = [s for s in running if s.kind is ActivityKind.REBUILD and s.subject is None]
    sequential = frozenset(s.subject for s in running if s.subject is not None)
    ended = last(pool.scans)
    rebuilt = ended is not None and ended.kind is ActivityKind.REBUILD and not running
    if rebuilt and ended is not None and ended.outcome is LastOutcome.CANCELLED:
        trees.leave_unfinished(pool.tree)
    fills = trees.fills(pool.tree, healing=bool(healing), sequential=sequential)
    drives = {name: disks[0] for name, disks in capture.links.items() if disks}
    full, left, slots = trees.redundancy(pool.tree, fills, unknown_fill=bool(healing) and not fills)
    doubted = doubt(pool, rebuilding=bool(healing or sequential), subjects=sequential)
    stopped = "SUSPENDED" in {pool.state, kernel_state}
    why = None
    if stopped:
        left = min(left, -1) if left is not None else -1
    elif pool.state in LOST and left is not None:
        # Whatever the drives say of themselves, and though such a pool has no last line that would end the table.
        left = min(left, -1)
    elif doubted is not None:
        left, why = None, doubted
    state = "SUSPENDED" if stopped else pool.state
    notes: tuple[str, ...] = ()
    if rebuilt and ended is not None and ended.errors:
        # What it could not write is still missing on the drive that it filled, though the tree shows it ONLINE.
        notes = (f"the last resilver ended with {ended.errors} errors: a part of the data was not rebuilt",)
        left = min(left, max(0, (full or 0) - 1)) if left is not None else None
    if idles(capture):
        notes += ("zfs_no_scrub_io is set: a resilver ends without having rebuilt anything",)
    sizes = [leaf.bytes for _, top in pool.tree.groups() for leaf in top.leaves() if leaf.bytes]
    return Array(
        name=pool.name,
        id=pool.guid or pool.name,
        id_kind=IdKind.POOL_GUID if pool.guid else IdKind.NAME,
        system="zfs",
        level=trees.level(pool.tree),
        state=state,
        redundancy_full=full if pool.tree.whole and not trees.strangers(pool.tree) else None,
        redundancy_left=left,
        why_unknown=why,
        spares_free=trees.spares_free(pool.tree),
        data_errors=pool.data_errors,
        members=trees.members(pool.tree, fills, drives),
        activities=tuple(_activity(scan, pool, capture) for scan in running),
        last_activity=ended,
        lost=stopped or state in LOST or (left is not None and left < 0),
        slots=slots if pool.tree.whole else None,
        member_bytes=max(sizes, default=None),
        settings=settings_of(capture),
        notes=notes,
    )


def _activity(scan: Scan, pool: Pool, capture: Capture) -> Activity:
    """A scan with the members that it fills, those of its own top-level vdev for a sequential one."""
    healing = scan.subject is None and scan.kind is ActivityKind.REBUILD
    sequential = frozenset() if scan.subject is None else frozenset({scan.subject})
    fills = trees.fills(pool.tree, healing=healing, sequential=sequential)
    written = {leaf.name: leaf.written for _, top in pool.tree.groups() for leaf in top.leaves() if leaf.written}
    return activity(scan, fills, written if healing else {}, suspended=suspended(capture))


def _unanswered(name: str, state: str, guid: str | None) -> Array:
    """A pool of which only the kernel's file tells."""
    stopped = state == "SUSPENDED"
    return Array(
        name=name,
        id=guid or name,
        id_kind=IdKind.POOL_GUID if guid else IdKind.NAME,
        system="zfs",
        level=None,
        state=state,
        redundancy_full=None,
        redundancy_left=-1 if stopped else None,
        why_unknown=None if stopped else "zpool told nothing of it; only the kernel's state file was read",
        spares_free=None,
        data_errors=None,
        members=(),
        activities=None,
        last_activity=None,
        lost=stopped,
    )


PARSER = ZfsParser()
