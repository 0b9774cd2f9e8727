"""What a damaged poll must not make of an array: a wrong 'all is well'.

Compared is what the parser understands of a damaged poll with what it understands of the same poll undamaged:

1. Where something was only taken away or repeated, redundancy left is at most what it was, or not known.
2. An array that lacked redundancy, or of which that was not known, does not come out with all of it.
3. An array that is no longer told leaves a trace: the poll is not complete, has an error, or a line that was not read.

What the damage made a correct text of another state cannot be told from the truth, and is not judged.
"""

from __future__ import annotations

import signal
import time
import tracemalloc
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import cache
from types import FrameType

from mendwatch.model.capture import CommandRead
from mendwatch.model.observation import Array, Observation
from mendwatch.model.plugin import Parser
from mendwatch.sources import registry
from mendwatch.testing.cases import understood
from mendwatch.testing.damage import has_more, is_whole, shown
from support.damaging import Damaged, Seed, text_of
from support.mutations import Promise

# Far above what an honest parser takes on a busy machine, far below what one gone astray does.
REMOVING = frozenset({Promise.LESS, Promise.ROWS})
LEAST_LIMIT_S, LIMIT_S_PER_CHARACTER = 1.5, 1e-6


@cache
def parsers() -> dict[str, Parser]:
    """The parsers by source."""
    return dict(registry.load().parsers)


def wrongs(damaged: Damaged, truth: Observation, told: Observation) -> Iterator[str]:
    """Each wrong 'all is well' in what was understood."""
    promise = damaged.mutation.promise
    if promise is Promise.NOTHING or _tells_of_fewer_devices(damaged):
        return
    strangers = {array.name: array for array in told.arrays if not {array.name, array.id} & _names(truth)}
    gone: list[Array] = []
    for before in truth.arrays:
        after = next((array for array in told.arrays if {array.name, array.id} & {before.name, before.id}), None)
        if after is None:
            gone.append(before)
        elif _lacked_only_an_end(damaged, before) or _other_readings_tell_the_same(damaged, after):
            continue
        elif not is_whole(before) and is_whole(after) and not _of_another_layout(damaged, before, after):
            yield f"{before.name} had {shown(before)}, and now seems whole with {shown(after)}"
        elif promise is Promise.LESS and has_more(before, after):
            yield f"{before.name} had {shown(before)}, now {shown(after)}"
    if promise in REMOVING and gone and not any(map(is_whole, gone)):
        for name, after in strangers.items():
            if is_whole(after):
                yield f"{gone[0].name} had {shown(gone[0])}, and now seems to be {name}, whole with {shown(after)}"
    silent = told.complete and told.error is None and not told.unread and not strangers
    if gone and silent and promise in REMOVING and not _is_whole_text(damaged, gone):
        yield f"{gone[0].name} is gone without a trace"


def _lacked_only_an_end(damaged: Damaged, before: Array) -> bool:
    """Whether nothing was known because nothing follows the table, and the damage put the end of another text there."""
    put_there = damaged.mutation.name.startswith("spliced")
    return put_there and "cut short" in (before.why_unknown or "") and "\n\n" in damaged.text


def _other_readings_tell_the_same(damaged: Damaged, after: Array) -> bool:
    """Whether the poll holds another output of ``zpool`` that says so by itself, from a moment before the loss."""
    reads = list(damaged.capture.reads)
    if damaged.capture.source != "zfs" or not isinstance(reads.pop(damaged.read), CommandRead):
        return False
    if not any(isinstance(read, CommandRead) for read in reads):
        return False
    told = understood(parsers()["zfs"], replace(damaged.capture, reads=tuple(reads)))
    return any((array.name, array.redundancy_left) == (after.name, after.redundancy_left) for array in told.arrays)


def _of_another_layout(damaged: Damaged, before: Array, after: Array) -> bool:
    """Whether a row that is gone or moved makes the correct text of another pool.

    So it is where the heading of the logs is gone, or a drive stands where the groups stand: then the full level is
    other. A pool without a scan line was never scanned.
    """
    if before.system != "zfs" or damaged.mutation.promise not in {Promise.ROWS, Promise.OTHER}:
        return False
    was = text_of(damaged.seed.capture.reads[damaged.read])
    return before.redundancy_full != after.redundancy_full or (was.count("scan: ") > damaged.text.count("scan: "))


def _tells_of_fewer_devices(damaged: Damaged) -> bool:
    """Whether it is ``btrfs device usage``, a block for each device and no total, the one reading of its poll."""
    read = damaged.capture.reads[damaged.read]
    listed = isinstance(read, CommandRead) and read.argv[1:3] == ("device", "usage")
    return listed and len(damaged.capture.reads) == 1


def _names(seen: Observation) -> set[str]:
    return {name for array in seen.arrays for name in (array.name, array.id)}


def _is_whole_text(damaged: Damaged, gone: list[Array]) -> bool:
    """Whether the text without some of its lines is one that a host without these arrays prints.

    So it is with ``dmsetup status``, a line for each volume, where no other reading of the poll names the volume.
    """
    if damaged.capture.source == "md":
        # An array on one line, as it is printed while it is taken down.
        lines = text_of(damaged.seed.capture.reads[damaged.read]).splitlines()
        heads = [at for at, line in enumerate(lines) if line.startswith(f"{gone[0].name} : ")]
        return not any(lines[at + 1][:1].isspace() and lines[at + 1].strip() for at in heads if at + 1 < len(lines))
    if damaged.capture.source == "zfs":
        # Pool after pool, with nothing behind the last.
        return damaged.text.rstrip().rpartition("\n")[2].lstrip().startswith("errors: ")
    if damaged.capture.source != "dm-raid":
        return False
    reads = [read for at, read in enumerate(damaged.capture.reads) if at != damaged.read]
    told = [text_of(read) for read in reads if isinstance(read, CommandRead) or "_rimage_" in text_of(read)]
    rest = "\n".join(told).replace("--", "-")
    return not any(array.name.rpartition("/")[2] in rest for array in gone)


def tried(damaged: Damaged) -> tuple[list[str], float]:
    """What is wrong with what the parser makes of a damaged poll, and how many seconds of processor time it took."""
    parser = parsers()[damaged.capture.source]
    truth = _truth(damaged.seed)
    began = time.process_time()
    try:
        with _alarm(LEAST_LIMIT_S + len(damaged.text) * LIMIT_S_PER_CHARACTER):
            told = understood(parser, damaged.capture)
    except Exception as error:  # noqa: BLE001 - whatever leaves the parser is a finding
        return [f"{type(error).__name__}: {str(error)[:200]}"], time.process_time() - began
    spent_s = time.process_time() - began
    return list(wrongs(damaged, truth, told)), spent_s


def peak_per_character(damaged: Damaged) -> float:
    """How many bytes are in use at most while a damaged poll is read, for each character of its text."""
    tracemalloc.start()
    try:
        understood(parsers()[damaged.capture.source], damaged.capture)
        return tracemalloc.get_traced_memory()[1] / len(damaged.text)
    finally:
        tracemalloc.stop()


@cache
def _truth(seed: Seed) -> Observation:
    return understood(parsers()[seed.capture.source], seed.capture)


@contextmanager
def _alarm(seconds: float) -> Iterator[None]:
    """Break off what takes more of the processor's time; a regular expression that goes astray sees signals as well."""

    def ring(number: int, frame: FrameType | None) -> None:
        message = f"took more than {seconds:.1f} s"
        raise TimeoutError(message)

    before = signal.signal(signal.SIGPROF, ring)
    signal.setitimer(signal.ITIMER_PROF, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)
