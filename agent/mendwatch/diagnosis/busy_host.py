"""Other I/O takes the drives: the sources are busy with more than the rebuild asks of them."""

from __future__ import annotations

from statistics import median

from mendwatch.model.evidence import DriveView, View, percent, speed
from mendwatch.model.records import Cause, Finding

SATURATED = 0.65
OTHER_SHARE = 0.3
OTHER_SHARE_UNSEEN = 1.0
# Sources that read ahead of a new drive which has just slowed down look the same for a while.
POLLS_LEAST = 12
SLOWER_WRITES = 3.0
# Others' small requests move few bytes and take much time all the same: told by the time, beside what the same rate
# took when the rebuild was at its best, and by the size of the reads.
FALLEN_BELOW = 0.75
OTHER_TIME = 0.3
SMALLER_READS = 0.75


def judge(view: View) -> Finding | None:
    """The finding, None unless the sources are saturated and do much that the rebuild does not explain."""
    rate = view.rate_bytes_per_s
    if rate is None or not view.sources or any(source.now.busy is None for source in view.sources):
        return None
    busy = median(source.now.busy or 0.0 for source in view.sources)
    # Each source is read about as fast as the new drive is written (parity and mirrors alike); the rest is others'.
    other = median(source.moved_bytes_per_s - rate for source in view.sources)
    if view.target is not None and _slowed_itself(view.target):
        return None
    known_slow = view.slow_polls > 0
    if (view.slow_polls or view.polls) < POLLS_LEAST:
        return None
    if busy < SATURATED:
        return None
    other_time = _other_time(view)
    if other < (OTHER_SHARE if known_slow else OTHER_SHARE_UNSEEN) * rate and other_time < OTHER_TIME:
        return None
    evidence = (
        f"the {len(view.sources)} source drives: {percent(busy)} busy, each with {speed(max(0.0, other))} beyond the "
        f"rebuild's own {speed(rate)}"
    )
    if other_time >= OTHER_TIME:
        evidence += f", and for {percent(other_time)} of the time with others' requests"
    if view.best_bytes_per_s is not None:
        evidence += f" (it went at {speed(view.best_bytes_per_s)} before)"
    return Finding(Cause.BUSY_HOST, None, 0.8 if known_slow else 0.55, evidence)


def _other_time(view: View) -> float:
    """Share of the sources' time that the rebuild's own rate does not explain; 0 where nothing says so."""
    if not view.fallen_below(FALLEN_BELOW):
        return 0.0
    shares = [_others_share(source, view.share_of_best or 0.0) for source in view.sources]
    return median(shares)


def _others_share(source: DriveView, share_of_best: float) -> float:
    now, best = source.now, source.best
    if best is None or best.busy is None or now.busy is None or not now.write_bytes_per_s:
        return 0.0
    if now.bytes_per_read is None or best.bytes_per_read is None:
        return 0.0
    if now.bytes_per_read > SMALLER_READS * best.bytes_per_read:
        return 0.0
    return now.busy - best.busy * share_of_best


def _slowed_itself(target: DriveView) -> bool:
    """Whether the new drive's own writes got much slower: then the sources only read ahead of it."""
    if target.best is None or target.now.ms_per_write is None or target.best.ms_per_write is None:
        return False
    return target.now.ms_per_write > SLOWER_WRITES * target.best.ms_per_write
