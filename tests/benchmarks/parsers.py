"""Prints what it costs to understand one poll, and to take a source one poll further, on hosts of growing size.

    python tests/benchmarks/parsers.py [--repeats N]

Aims: 1,200 drives of OpenZFS under 30 ms, and a cost that grows no faster than the host: the time for each drive stays
what it was with fewer. Times are CPU time. Machines differ: beside each time stands how many times Python's
own JSON reader could read the pool of 1,200 drives meanwhile, which carries over from one to another better.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
import tracemalloc
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parents[1]))

from mendwatch import cycle
from mendwatch.model.capture import Capture
from mendwatch.model.plugin import Parser
from mendwatch.model.policy import HostPolicy
from mendwatch.parsers.btrfs import PARSER as BTRFS
from mendwatch.parsers.dm_raid import PARSER as DM_RAID
from mendwatch.parsers.md import PARSER as MD
from mendwatch.parsers.zfs import PARSER as ZFS
from support import large_hosts

HOSTS: dict[str, tuple[Parser, Callable[[int], Capture], tuple[int, ...], str]] = {
    "OpenZFS, text": (ZFS, large_hosts.zfs_text, (12, 120, 1200), "drives"),
    "OpenZFS, JSON": (ZFS, large_hosts.zfs_json, (12, 120, 1200), "drives"),
    "md, mdstat and sysfs": (MD, large_hosts.md, (1, 24, 200), "arrays"),
    "btrfs": (BTRFS, large_hosts.btrfs, (12, 120, 1200), "devices"),
    "device-mapper RAID": (DM_RAID, large_hosts.dm_raid, (1, 24, 200), "volumes"),
}
HEADING = f"{'':<22}{'size':>13} {'reads':>6} {'KiB':>6} {'ms':>8} {'µs each':>8} {'grows':>6} {'yardsticks':>10}"


def timed_ms(work: Callable[[], object], repeats: int) -> float:
    """The median CPU time of some calls, which wait for nothing; one before them warms up."""
    work()
    spent: list[float] = []
    for _ in range(repeats):
        began = time.process_time()
        work()
        spent.append(time.process_time() - began)
    return 1000 * median(spent)


def peak_kib(work: Callable[[], object]) -> float:
    """The most memory that one call has in use at a time, above what was there before it."""
    tracemalloc.start()
    work()
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return peak / 1024


def table(title: str, repeats: int, prepare: Callable[[Parser, Capture], Callable[[], object]]) -> None:
    """Print one line for each size of each host; ``grows`` is the time for each drive against the size before."""
    (pool,) = large_hosts.zfs_json(1200).commands()
    yardstick_ms = timed_ms(lambda: json.loads(pool.stdout), repeats)
    print(f"{title} (yardstick: {yardstick_ms:.2f} ms)")
    print(f"{HEADING} {'peak KiB':>9}")
    for name, (parser, compose, sizes, unit) in HOSTS.items():
        before: float | None = None
        for size in sizes:
            capture = compose(size)
            work = prepare(parser, capture)
            spent_ms = timed_ms(work, repeats)
            each = 1000 * spent_ms / size
            grows = f"{each / before:.2f}" if before is not None else ""
            print(
                f"{name:<22}{size:>5} {unit:<7} {len(capture.reads):>6} {_characters(capture) / 1024:>6.0f} "
                f"{spent_ms:>8.2f} {each:>8.1f} {grows:>6} {spent_ms / yardstick_ms:>10.1f} {peak_kib(work):>9.0f}"
            )
            before = each
    print()


def _characters(capture: Capture) -> int:
    files = sum(len(read.text or "") for read in capture.files())
    return files + sum(len(read.stdout) for read in capture.commands())


def parsing(parser: Parser, capture: Capture) -> Callable[[], object]:
    """Understand a poll."""
    return lambda: parser.parse(capture)


def stepping(parser: Parser, capture: Capture) -> Callable[[], object]:
    """Take a source from its first poll to its second, the state as JSON included."""
    host = HostPolicy("store-1")
    first = cycle.step(cycle.begin(capture.source), capture, parser, host).state
    second = replace(capture, at=capture.at + timedelta(seconds=30))
    return lambda: cycle.step(first, second, parser, host)


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--repeats", type=int, default=15)
    repeats = options.parse_args().repeats
    table("Parser.parse of one poll", repeats, parsing)
    table("cycle.step with one poll, the parse included", repeats, stepping)


if __name__ == "__main__":
    main()
