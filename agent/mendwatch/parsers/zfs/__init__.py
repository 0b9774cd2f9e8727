"""OpenZFS: ``zpool status``, as JSON where the installed version has it, else as text of any era.

Order of trust within one poll: the kernel's own word that a pool is suspended; JSON with integers; JSON with strings;
text with plain counts; text. The tree and the error count say how a pool is, never ``state:`` and ``status:`` alone,
which hide things while a resilver runs.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from mendwatch.model.capture import Capture, CommandRead, Read
from mendwatch.model.errors import ParseError
from mendwatch.model.observation import Activity, ActivityKind, Array, IdKind, LastOutcome, Observation, Unread
from mendwatch.model.plugin import Command, File, Files, Want
from mendwatch.parsers.zfs import tree as trees
from mendwatch.parsers.zfs.pool import Pool
from mendwatch.parsers.zfs.scan import Scan, activity, last
from mendwatch.parsers.zfs.structured import read_json
from mendwatch.parsers.zfs.text import read_text
from mendwatch.parsers.zfs.tunables import FOLDER, TUNABLES, settings_of, suspended

KSTAT = "/proc/spl/kstat/zfs/"
JSON_STATUS = ("zpool", "status", "-j", "--json-int")
TEXT_STATUS = ("zpool", "status", "-p")
PLAIN_STATUS = ("zpool", "status")
USAGE = 2
# Options that take pools or devices away from the output, or make it run other programs.
PARTIAL = frozenset({"-x", "-e", "-c"})


@dataclass(slots=True)
class _Readings:
    pools: dict[str, Pool] = field(default_factory=dict)
    unread: list[Unread] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)
    understood: bool = False
    complete: bool = False


class ZfsParser:
    """OpenZFS."""

    name = "zfs"
    program = "zpool"
    present_if = ("/dev/zfs", "/sys/module/zfs")

    def wants(self, reads: tuple[Read, ...]) -> tuple[Want, ...]:
        """JSON first; where that is refused as wrong usage or says nothing, the text."""
        if not reads:
            tunables = [File(f"{FOLDER}{name}") for name in TUNABLES]
            return (Files(f"{KSTAT}*/state"), *tunables, Command(JSON_STATUS))
        tried = {read.argv[1:]: read for read in reads if isinstance(read, CommandRead)}
        as_json, plain_counts = tried.get(JSON_STATUS[1:]), tried.get(TEXT_STATUS[1:])
        if as_json is None or (as_json.exit == 0 and as_json.stdout.strip()) or as_json.exit is None:
            return ()
        if plain_counts is not None and plain_counts.exit == USAGE:
            return (Command(TEXT_STATUS), Command(PLAIN_STATUS))
        return (Command(TEXT_STATUS),)

    def parse(self, capture: Capture) -> Observation:
        """Understand one capture; an output that is none of the tool's is the observation's error."""
        found = _Readings()
        for read in capture.commands():
            if _is_status(read.argv):
                _take(read, capture, found)
        frozen = _kstat(capture)
        arrays = [_array(pool, capture, frozen.get(pool.name)) for pool in found.pools.values()]
        known = {pool.name for pool in found.pools.values()}
        if not found.understood:
            arrays += [_unanswered(name, state) for name, state in frozen.items() if name not in known]
        error = None
        if not found.understood:
            error = "; ".join(dict.fromkeys(found.failed)) or "no zpool status in this poll"
        complete = found.complete and error is None
        return Observation(capture.at, capture.source, tuple(arrays), tuple(found.unread), error, complete)


def _is_status(argv: tuple[str, ...]) -> bool:
    program = argv[0].rpartition("/")[2] if argv else ""
    return program == "zpool" and argv[1:2] == ("status",)


def _take(read: CommandRead, capture: Capture, found: _Readings) -> None:
    """Use one output, the more exact one where two tell the same pool."""
    options = [word for word in read.argv[2:] if word.startswith("-")]
    if read.exit is None or (read.exit != 0 and not read.stdout.strip()):
        if read.exit != USAGE:
            found.failed.append(_why(read))
        return
    if PARTIAL & set(options):
        return
    as_json = any(option in {"-j", "--json"} for option in options)
    none = "no pools available" in read.stderr
    if not read.stdout.strip() and not none:
        found.failed.append("zpool status printed nothing")
        return
    try:
        pools, unread = _read(read.stdout, capture, as_json=as_json, plain_counts="-p" in options)
    except ParseError as error:
        found.failed.append(f"{' '.join(read.argv)}: {error}")
        return
    found.unread += unread
    found.understood = True
    found.complete = found.complete or (len(options) == len(read.argv) - 2 and read.exit == 0)
    for pool in pools:
        before = found.pools.get(pool.name)
        if before is None or pool.exactness > before.exactness:
            if before is not None and pool.guid is None:
                pool.guid = before.guid
            found.pools[pool.name] = pool


def _read(text: str, capture: Capture, *, as_json: bool, plain_counts: bool) -> tuple[list[Pool], list[Unread]]:
    if as_json:
        return read_json(text, capture.at, capture.zone), []
    pools, unread, _ = read_text(text, capture.zone, plain_counts=plain_counts)
    return pools, unread


def _why(read: CommandRead) -> str:
    said = read.error or read.stderr.strip().splitlines()[0:1]
    text = said if isinstance(said, str) else (said[0] if said else f"ended with {read.exit}")
    return f"zpool status: {text}"


def _kstat(capture: Capture) -> dict[str, str]:
    """The kernel's own word on each pool, which never waits for a hung one."""
    found: dict[str, str] = {}
    for read in capture.files():
        _, place, rest = read.path.partition(KSTAT)
        if place and rest.endswith("/state") and read.text is not None:
            found[rest.removesuffix("/state")] = read.text.strip()
    return found


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
    stopped = "SUSPENDED" in {pool.state, kernel_state}
    why = None
    if stopped:
        left = min(left, -1) if left is not None else -1
    elif not pool.tree.whole:
        left, why = None, "the table of devices is cut short or was not read whole"
    state = "SUSPENDED" if stopped else pool.state
    notes: tuple[str, ...] = ()
    if rebuilt and ended is not None and ended.errors:
        # What it could not write is still missing on the drive that it filled, though the tree shows it ONLINE.
        notes = (f"the last resilver ended with {ended.errors} errors: a part of the data was not rebuilt",)
        left = min(left, max(0, (full or 0) - 1)) if left is not None else None
    sizes = [leaf.bytes for _, top in pool.tree.groups() for leaf in top.leaves() if leaf.bytes]
    return Array(
        name=pool.name,
        id=pool.guid or pool.name,
        id_kind=IdKind.POOL_GUID if pool.guid else IdKind.NAME,
        system="zfs",
        level=trees.level(pool.tree),
        state=state,
        redundancy_full=full if pool.tree.whole else None,
        redundancy_left=left,
        why_unknown=why,
        spares_free=trees.spares_free(pool.tree),
        data_errors=pool.data_errors,
        members=trees.members(pool.tree, fills, drives),
        activities=tuple(_activity(scan, pool, capture) for scan in running),
        last_activity=ended,
        lost=stopped or state in {"FAULTED", "UNAVAIL"} or (left is not None and left < 0),
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


def _unanswered(name: str, state: str) -> Array:
    """A pool of which only the kernel's file tells."""
    stopped = state == "SUSPENDED"
    return Array(
        name=name,
        id=name,
        id_kind=IdKind.NAME,
        system="zfs",
        level=None,
        state=state,
        redundancy_full=None,
        redundancy_left=-1 if stopped else None,
        why_unknown=None if stopped else "zpool did not answer; only the kernel's state file was read",
        spares_free=None,
        data_errors=None,
        members=(),
        activities=None,
        last_activity=None,
        lost=stopped,
    )


PARSER = ZfsParser()
