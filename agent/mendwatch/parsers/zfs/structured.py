"""The JSON of ``zpool status -j`` (2.3 and later): numbers, strings of digits, or scaled strings."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from typing import TypeAlias, cast

from mendwatch.model.errors import ParseError
from mendwatch.model.names import printable
from mendwatch.model.observation import ActivityKind, Errors, Unread
from mendwatch.parsers.zfs.pool import Pool
from mendwatch.parsers.zfs.scan import Scan, nice, when
from mendwatch.parsers.zfs.tree import Node, Tree, pairs_of

Json: TypeAlias = dict[str, object]
# HEALTHY stands in the example of the manual page (zpool-status.8); no code prints it.
WORDS = {"CANT_OPEN": "UNAVAIL", "CLOSED": "OFFLINE", "HEALTHY": "ONLINE"}
# What the text says instead of UNAVAIL for these reasons.
UNOPENED = {"CORRUPT_DATA": "FAULTED", "BAD_LOG": "FAULTED", "SPLIT_POOL": "SPLIT"}
SECTIONS = {"dedup": "dedup", "special": "special", "logs": "logs", "l2cache": "cache", "spares": "spares"}
CLASSES = {"dedup": "dedup", "special": "special", "log": "logs"}
NATIVE_LEAST_BYTES_PER_S = 10 << 20
EXACT, DIGITS, SCALED = 5, 4, 2
KNOWN_VERSION = 0
# No pool is larger than this: a count above it has wrapped.
MOST_BYTES = 1 << 60
MOST_COUNT = 1 << 64
# Module and tool: pool_scan_func_t, dsl_scan_state_t and vdev_rebuild_state_t in sys/fs/zfs.h.
SCRUBS = ("SCRUB", "ERRORSCRUB", "ERROR_SCRUB")
FUNCTIONS = ("NONE", "RESILVER", *SCRUBS)
SCAN_STATES = ("NONE", "SCANNING", "FINISHED", "CANCELED", "ERRORSCRUBBING")
REBUILD_STATES = ("NONE", "ACTIVE", "CANCELED", "COMPLETE")
SECONDS = re.compile(r"[0-9]{1,19}")
COPIES = (
    ("raidz_expand_stats", ActivityKind.EXPAND, "expansion", "to_reflow", "reflowed"),
    ("removal_stats", ActivityKind.REMOVE, "removal", "to_copy", "copied"),
)
# As date(1) prints it, the zone before the year.
DATE = re.compile(r"(\w{3} \w{3} [ \d]\d \d\d:\d\d:\d\d) (\S+) (\d{4})")


def read_json(text: str, at: datetime, zone: str) -> tuple[list[Pool], list[Unread], bool]:
    """The pools of one document; what in it is not known; and whether that is nothing.

    Not known is another version of its form, or a pool that is no object.

    Raises:
        ParseError: it is no such document.
    """
    try:
        document = json.loads(text)
    except (ValueError, RecursionError) as error:
        message = f"the JSON of zpool status cannot be read: {error}"
        raise ParseError(message) from error
    pools = document.get("pools") if isinstance(document, dict) else None
    if not isinstance(pools, dict):
        message = "the JSON of zpool status holds no pools"
        raise ParseError(message)
    unread = [Unread(1, f"{name}: {body!r}"[:200]) for name, body in pools.items() if not isinstance(body, dict)]
    version = _dict(document, "output_version").get("vers_major", KNOWN_VERSION)
    if version != KNOWN_VERSION:
        unread.append(Unread(1, f"output_version: vers_major {version!r} is not known"))
    found = [_pool(str(name), body, at, zone) for name, body in pools.items() if isinstance(body, dict)]
    return found, unread, not unread


def _pool(name: str, body: Json, at: datetime, zone: str) -> Pool:
    name = printable(str(body.get("name", name)))
    roots = _dict(body, "vdevs")
    root = next((node for node in roots.values() if isinstance(node, dict)), {})
    tree = Tree({"normal": [_node(n, v) for n, v in _dict(root, "vdevs").items() if isinstance(v, dict)]})
    tree.whole = bool(tree.sections["normal"]) and len(roots) == 1 and _all_told(roots)
    tree.root_state = str(root.get("state", ""))
    for key, section in SECTIONS.items():
        tree.whole = tree.whole and isinstance(body.get(key, {}), dict) and _all_told(_dict(body, key))
        tree.sections[section] = [_node(n, v) for n, v in _dict(body, key).items() if isinstance(v, dict)]
    _sort_by_class(tree)
    guid = body.get("pool_guid")
    scans = _scans(_dict(body, "scan_stats"), at, zone) + _copies(body, zone)
    exactness = EXACT if isinstance(guid, int) else DIGITS
    start = _dict(body, "scan_stats").get("start_time")
    if isinstance(start, str) and not start.isdigit():
        exactness = SCALED
    errors = _count(body.get("error_count"))
    state = WORDS.get(str(body.get("state")), str(body.get("state", "UNKNOWN")))
    pool = Pool(name, state, tree, exactness, str(guid) if guid is not None else None, errors, scans)
    pool.being_resilvered = "being resilvered" in str(body.get("status"))
    # A drive stands in another's place by a resilver only: then something is told of one.
    lacking = "scan_stats" not in body and any(pairs_of(top) for _, top in tree.groups())
    pool.scan_unread = lacking or not _scan_known(body)
    return pool


def _all_told(vdevs: Json) -> bool:
    """Whether each vdev is an object, all the way down, and so is what it calls its children."""
    return all(
        isinstance(body, dict) and isinstance(body.get("vdevs", {}), dict) and _all_told(_dict(body, "vdevs"))
        for body in vdevs.values()
    )


def _scan_known(body: Json) -> bool:
    """Whether what is said of scans is in words that are known; those of a scrub need not be."""
    stats = body.get("scan_stats", {})
    rebuilds = stats.get("rebuild_stats", {}) if isinstance(stats, dict) else None
    if not isinstance(stats, dict) or not isinstance(rebuilds, dict):
        return False
    if stats and not {"function", "rebuild_stats", "err_scrub_state"} & set(stats):
        return False
    function, state = stats.get("function"), stats.get("state")
    known = (function is None and state is None) or (function in FUNCTIONS and state in SCAN_STATES)
    told = all(isinstance(one, dict) and one.get("state") in REBUILD_STATES for one in rebuilds.values())
    return told and (known or function in SCRUBS)


def _sort_by_class(tree: Tree) -> None:
    """A vdev carries its class: one listed with the normal ones that is of another goes where it belongs."""
    listed, tree.sections["normal"] = tree.sections["normal"], []
    for node in listed:
        section = tree.sections[CLASSES.get(node.notes, "normal")]
        # It may be listed there as well.
        if node.name not in {other.name for other in section}:
            section.append(node)


def _node(name: str, body: Json) -> Node:
    children = [_node(n, v) for n, v in _dict(body, "vdevs").items() if isinstance(v, dict)]
    state = str(body.get("state") or (_derived(children) if children else "UNKNOWN"))
    counts = [_count(body.get(key)) for key in ("read_errors", "write_errors", "checksum_errors")]
    errors = Errors(*counts) if any(count is not None for count in counts) else None
    guid = body.get("guid")
    written = _count(body.get("scan_processed")) or 0
    return Node(
        name=printable(str(body.get("name", name)) if children else name),
        state=WORDS.get(state, state) if state != "CANT_OPEN" else UNOPENED.get(str(body.get("aux")), "UNAVAIL"),
        errors=errors,
        notes=str(body.get("class", "")),
        guid=str(guid) if guid is not None else None,
        written=None if children else written,
        awaiting=_count(body.get("resilver_deferred")) == 1,
        children=children,
        bytes=_count(body.get("phys_space")) or _count(body.get("rep_dev_size")),
    )


def _derived(children: list[Node]) -> str:
    """A dRAID group may lack its state (2.3): it serves as long as its children do not say otherwise."""
    return "ONLINE" if all(child.state == "ONLINE" for child in children) else "DEGRADED"


def _scans(stats: Json, at: datetime, zone: str) -> list[Scan]:
    found: list[Scan] = []
    function, state = stats.get("function"), stats.get("state")
    if function in ("SCRUB", "RESILVER") and state in ("SCANNING", "FINISHED", "CANCELED"):
        found.append(_healing(stats, at, zone, resilver=function == "RESILVER"))
    for top, body in _dict(stats, "rebuild_stats").items():
        if isinstance(body, dict):
            scan = _sequential(top, body, zone)
            found += [scan] if scan is not None else []
    if stats.get("err_scrub_state") == "ERRORSCRUBBING":
        started = _time(stats.get("err_scrub_start_time"), zone)
        how = "paused" if _told(stats.get("err_scrub_pause")) else "running"
        found.append(Scan(ActivityKind.SCRUB, "scrub", how, started=started))
    return found


def _copies(body: Json, zone: str) -> list[Scan]:
    """Expansion and removal; the names of these keys are from memory."""
    found: list[Scan] = []
    for key, kind, word, total_key, done_key in COPIES:
        stats = _dict(body, key)
        how = {"FINISHED": "finished", "CANCELED": "cancelled"}.get(str(stats.get("state")))
        if how is not None:
            started, ended = (_time(stats.get(name), zone) for name in ("start_time", "end_time"))
            found.append(Scan(kind, word, how, started, ended, written=_count(stats.get(done_key))))
        if stats.get("state") != "SCANNING":
            continue
        total, done = _count(stats.get(total_key)), _count(stats.get(done_key))
        found.append(
            Scan(
                kind,
                word,
                "paused" if _told(stats.get("waiting_for_resilver")) else "running",
                started=_time(stats.get("start_time"), zone),
                done=done / total if done is not None and total else None,
                done_bytes=done,
                total_bytes=total,
                counters={"copied": done} if done is not None else {},
            )
        )
    return found


def _healing(stats: Json, at: datetime, zone: str, *, resilver: bool) -> Scan:
    kind, word = (ActivityKind.REBUILD, "resilver") if resilver else (ActivityKind.SCRUB, "scrub")
    state = stats.get("state")
    total = _amount(stats.get("to_examine"))
    skipped = _amount(stats.get("skipped", 0))
    issued = _amount(stats.get("issued"))
    if skipped is None or (total is not None and skipped > total):
        total = None
    elif total is not None:
        total -= skipped
    how = {"FINISHED": "finished", "CANCELED": "cancelled"}.get(str(state), "running")
    if how == "running" and _told(stats.get("scrub_pause")):
        how = "paused"
    processed = _amount(stats.get("processed"))
    counters = {"issued": issued, "processed": processed, "scanned": _amount(stats.get("examined"))}
    pass_started = _time(stats.get("pass_start"), zone)
    native = None
    if how == "running" and (processed if resilver else issued):
        spent = _count(stats.get("scrub_spent_paused")) or 0
        native = _native(pass_started, at, spent, _count(stats.get("issued_bytes_per_scan")), total, issued)
    return Scan(
        kind=kind,
        word=word,
        how=how,
        started=_time(stats.get("start_time"), zone),
        ended=_time(stats.get("end_time"), zone) if how in {"finished", "cancelled"} else None,
        errors=_count(stats.get("errors")),
        done=issued / total if issued is not None and total else None,
        done_bytes=issued,
        total_bytes=total,
        native_s=native,
        written=processed,
        pass_started=pass_started,
        counters={name: value for name, value in counters.items() if value is not None},
    )


def _native(
    pass_started: datetime | None, at: datetime, spent_s: int, done: int | None, total: int | None, issued: int | None
) -> float | None:
    """The estimate that the tool prints, under the conditions under which it prints one."""
    if pass_started is None or done is None or total is None or issued is None or total < issued:
        return None
    rate = done // max(1, int(at.timestamp()) - int(pass_started.timestamp()) - spent_s)
    return float((total - issued) // rate) if rate >= NATIVE_LEAST_BYTES_PER_S else None


def _sequential(top: str, body: Json, zone: str) -> Scan | None:
    how = {"ACTIVE": "running", "CANCELED": "cancelled", "COMPLETE": "finished"}.get(str(body.get("state")))
    if how is None:
        return None
    total, scanned = _amount(body.get("to_scan")), _amount(body.get("scanned"))
    issued, rebuilt = _amount(body.get("issued")), _amount(body.get("rebuilt"))
    counters = {"issued": issued, "processed": rebuilt, "scanned": scanned}
    native = None
    pass_ns, pass_scanned = _count(body.get("pass_time")), _count(body.get("pass_scanned"))
    if how == "running" and total is not None and scanned is not None and pass_ns is not None:
        rate = (pass_scanned or 0) // (pass_ns // 1_000_000 + 1) * 1000
        native = float((total - scanned) // rate) if rate >= NATIVE_LEAST_BYTES_PER_S and total >= scanned else None
    return Scan(
        kind=ActivityKind.REBUILD,
        word="resilver",
        how=how,
        started=_time(body.get("start_time"), zone),
        ended=_time(body.get("end_time"), zone) if how != "running" else None,
        errors=_count(body.get("errors")),
        done=min(1.0, scanned / (total + 1)) if scanned is not None and total is not None else None,
        done_bytes=issued,
        total_bytes=total,
        native_s=native,
        subject=top,
        written=rebuilt,
        counters={name: value for name, value in counters.items() if value is not None},
    )


def _amount(value: object) -> int | None:
    """A number of bytes; one that has wrapped below zero is none (the kernel's differences are unsigned)."""
    count = _count(value)
    return None if count is None or count >= MOST_BYTES else count


def _dict(body: Json, key: str) -> Json:
    found = body.get(key)
    return cast("Json", found) if isinstance(found, dict) else {}


def _count(value: object) -> int | None:
    """A number however this mode writes it; None if it is none."""
    if isinstance(value, bool) or value is None:
        return None
    text = str(value)
    try:
        count = value if isinstance(value, int) else int(text) if text.isdecimal() else nice(text)
    except (ValueError, KeyError, IndexError, OverflowError):
        return None
    return count if 0 <= count < MOST_COUNT else None


def _told(value: object) -> bool:
    """Whether a date or flag is set, in any mode."""
    return value not in (None, 0, "0", "-", "")


def _time(value: object, zone: str) -> datetime | None:
    number = value if isinstance(value, int) else int(str(value)) if SECONDS.fullmatch(str(value)) else None
    if number is None:
        date = DATE.fullmatch(str(value))
        if date is None:
            return None
        return when(f"{date[1]} {date[3]}", "UTC" if date[2] in {"UTC", "GMT"} else zone)
    try:
        return datetime.fromtimestamp(number, UTC) if number > 0 else None
    except (ValueError, OverflowError, OSError):
        return None
