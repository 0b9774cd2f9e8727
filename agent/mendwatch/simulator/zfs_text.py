"""The scene as OpenZFS 2.2 and later prints it: ``zpool status``, with the estimate that the tool itself would give.

Wording as seen in output of OpenZFS 2.3.9; the estimate is the whole pass's mean rate, left out below 10 MiB/s
(module/zfs/dsl_scan.c and cmd/zpool/zpool_main.c of that version).
"""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from mendwatch.model.capture import CommandRead, FileRead, Read
from mendwatch.simulator.scenario import Drive
from mendwatch.simulator.scene import Scene

ESTIMATE_FROM_BYTES_PER_S = 10 * 2**20
COLUMNS = 5
LIMIT_DEFAULT, LIMIT_LOWERED = 16777216, 524288

FAULTED = """\
status: One or more devices are faulted in response to persistent errors.
\tSufficient replicas exist for the pool to continue functioning in a
\tdegraded state.
action: Replace the faulted device, or use 'zpool clear' to mark the device
\trepaired.
"""
RESILVERING = """\
status: One or more devices is currently being resilvered.  The pool will
\tcontinue to function, possibly in a degraded state.
action: Wait for the resilver to complete.
"""


def reads(scene: Scene) -> tuple[Read, ...]:
    """What one poll of this source brings in."""
    state = "DEGRADED" if scene.missing else "ONLINE"
    limit = LIMIT_DEFAULT if scene.limit_bytes_per_s is None else LIMIT_LOWERED
    return (
        CommandRead(("zpool", "status", "-p"), 0, status(scene), seconds=0.05),
        FileRead(f"/proc/spl/kstat/zfs/{scene.scenario.array_name}/state", f"{state}\n"),
        FileRead("/sys/module/zfs/version", "2.3.9-1\n"),
        FileRead("/sys/module/zfs/parameters/zfs_scan_vdev_limit", f"{limit}\n"),
        FileRead("/sys/module/zfs/parameters/zfs_scan_suspend_progress", "0\n"),
    )


def status(scene: Scene) -> str:
    """The whole document."""
    state = "DEGRADED" if scene.missing else "ONLINE"
    head = f"  pool: {scene.scenario.array_name}\n state: {state}\n"
    said = RESILVERING if scene.rebuilding else FAULTED if scene.missing else ""
    return f"{head}{said}{_scan(scene)}config:\n\n{_table(scene)}\nerrors: No known data errors\n"


def scaled(count: float) -> str:
    """A number of bytes as the tool scales it: at most five characters (lib/libzutil/zutil_nicenum.c)."""
    value, unit = int(count), 0
    while value >> 10 * (unit + 1) and unit < len("BKMGTPE") - 1:
        unit += 1
    letter = "BKMGTPE"[unit]
    if unit == 0 or value % (1 << 10 * unit) == 0:
        return f"{value >> 10 * unit}{letter}"
    scaled_value = value / (1 << 10 * unit)
    return next(text for digits in (2, 1, 0) if len(text := f"{scaled_value:.{digits}f}{letter}") <= COLUMNS)


def lasted(seconds: float) -> str:
    """A duration as the tool prints it: ``3 days 04:23:24``."""
    minutes, second = divmod(int(seconds), 60)
    hours, minute = divmod(minutes, 60)
    days, hour = divmod(hours, 24)
    return (f"{days} days " if days else "") + f"{hour:02d}:{minute:02d}:{second:02d}"


def _date(scene: Scene, when: datetime) -> str:
    local = when.astimezone(ZoneInfo(scene.scenario.zone))
    return f"{local:%a %b} {local.day:2d} {local:%H:%M:%S %Y}"


def _scan(scene: Scene) -> str:
    if scene.began is None:
        return ""
    written = scaled(scene.done_bytes)
    if scene.ended is not None:
        took = lasted((scene.ended - scene.began).total_seconds())
        return f"  scan: resilvered {written} in {took} with 0 errors on {_date(scene, scene.ended)}\n"
    total = scene.scenario.write_bytes * scene.scenario.drives
    issued = int(total * scene.share)
    pass_s = max(1, int(scene.pass_s))
    rate = int(total * scene.pass_share) // pass_s
    examined = int(total * scene.walked)
    walking = f" at {scaled(examined // pass_s)}/s" if 0 < scene.walked < 1 else ""
    issuing = f" at {scaled(rate)}/s" if rate else ""
    if rate >= ESTIMATE_FROM_BYTES_PER_S and scene.done_bytes > 0:
        left = f"{lasted((total - issued) // rate)} to go"
    else:
        left = "no estimated completion time"
    return (
        f"  scan: resilver in progress since {_date(scene, scene.began)}\n"
        f"\t{scaled(examined)} / {scaled(total)} scanned{walking}, {scaled(issued)} / {scaled(total)} issued{issuing}\n"
        f"\t{written} resilvered, {100 * scene.share:.2f}% done, {left}\n"
    )


def _table(scene: Scene) -> str:
    state = "DEGRADED" if scene.missing else "ONLINE"
    rows: list[tuple[str, str, str]] = [(scene.scenario.array_name, state, "")]
    rows.append((f"  {scene.scenario.layout}-0", state, ""))
    for slot, drive in enumerate(scene.members):
        rows.extend(_slot(scene, slot, drive))
    width = max(10, *(len(name) for name, _, _ in rows))
    lines = [f"\t{'NAME':<{width}}  STATE     READ WRITE CKSUM\n"]
    for name, word, note in rows:
        written = 17 if note.endswith("too many errors") else 0
        lines.append(f"\t{name:<{width}}  {word:<8} {0:5d} {written:5d} {0:5d}{note}\n")
    return "".join(lines)


def _slot(scene: Scene, slot: int, drive: Drive) -> list[tuple[str, str, str]]:
    if drive not in scene.lost:
        return [(f"    {drive.name}", "ONLINE", "")]
    replaced = scene.new is not None and drive == scene.lost[0]
    if not replaced or scene.new is None:
        return [(f"    {drive.name}", "FAULTED", "  too many errors")]
    if scene.ended is not None:
        return [(f"    {scene.new.name}", "ONLINE", "")]
    return [
        (f"    replacing-{slot}", "DEGRADED", ""),
        (f"      {drive.name}", "FAULTED", "  too many errors"),
        (f"      {scene.new.name}", "ONLINE", "  (resilvering)"),
    ]
