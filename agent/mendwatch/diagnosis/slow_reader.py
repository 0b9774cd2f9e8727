"""One of the drives that are read holds all the others up."""

from __future__ import annotations

from statistics import median

from mendwatch.model.evidence import DriveView, View, percent, speed
from mendwatch.model.records import Cause, Finding

FALLEN_BELOW = 0.5
SATURATED = 0.8
OTHERS_IDLE = 0.5
SLOWER_READS = 3.0


def judge(view: View) -> Finding | None:
    """The finding, None unless exactly one source is saturated and everything else waits for it."""
    target = view.target
    if target is None or target.now.busy is None or target.now.busy > OTHERS_IDLE:
        return None
    if view.share_of_best is not None and not view.fallen_below(FALLEN_BELOW):
        return None
    ranked = sorted(view.sources, key=_busy, reverse=True)
    slow, others = ranked[:1], ranked[1:]
    if not others or _busy(slow[0]) < SATURATED or _busy(others[0]) > OTHERS_IDLE:
        return None
    own_ms = slow[0].now.ms_per_read
    others_ms = [source.now.ms_per_read for source in others if source.now.ms_per_read is not None]
    if own_ms is None or not others_ms or own_ms < SLOWER_READS * median(others_ms):
        return None
    others_busy = median(_busy(source) for source in others)
    evidence = (
        f"source {slow[0].name}: {percent(_busy(slow[0]))} busy at {speed(slow[0].now.read_bytes_per_s)}, "
        f"{own_ms:.0f} ms a read; the other {len(others)}: {percent(others_busy)} busy, {median(others_ms):.0f} ms; "
        f"new drive: {percent(target.now.busy)} busy"
    )
    confidence = 0.85 if view.share_of_best is not None else 0.6
    return Finding(Cause.SLOW_READER, slow[0].name, confidence, evidence)


def _busy(source: DriveView) -> float:
    """How busy a source is; one that is not known counts as busy, so that it is never the idle peer."""
    return 1.0 if source.now.busy is None else source.now.busy
