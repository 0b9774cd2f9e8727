"""The data lie scattered: all drives are busy with small reads of the rebuild's own, and none is to blame.

A rotating drive serves some 100 to 200 reads a second that lie apart, whatever their size (common practice, no source).
"""

from __future__ import annotations

from statistics import median

from mendwatch.model.evidence import View, percent, speed
from mendwatch.model.records import Cause, Finding

SATURATED = 0.75
EACH_AT_LEAST = 0.6
TARGET_IDLE = 0.6
# A healthy resilver of small records was seen to read 86 KiB at a time.
SMALL_BYTES = 64 * 1024
OTHERS_MOST = 0.5
POLLS_LEAST = 8


def judge(view: View) -> Finding | None:
    """The finding, None unless every source is busy with small reads that are the rebuild's."""
    rate, target = view.rate_bytes_per_s, view.target
    if not rate or target is None or not view.sources or view.polls < POLLS_LEAST:
        return None
    busy = [source.now.busy or 0.0 for source in view.sources]
    if (
        median(busy) < SATURATED
        or min(busy) < EACH_AT_LEAST
        or target.now.busy is None
        or target.now.busy > TARGET_IDLE
    ):
        return None
    sizes = [source.now.bytes_per_read for source in view.sources if source.now.bytes_per_read is not None]
    if len(sizes) < len(view.sources) or median(sizes) > SMALL_BYTES:
        return None
    if median(source.moved_bytes_per_s - rate for source in view.sources) > OTHERS_MOST * rate:
        return None  # most of it is others'
    each = median(source.now.read_bytes_per_s or 0.0 for source in view.sources)
    evidence = (
        f"the {len(view.sources)} source drives: {percent(median(busy))} busy with reads of "
        f"{median(sizes) / 1024:.0f} KiB at {speed(each)} each; new drive {target.name}: {percent(target.now.busy)}"
    )
    return Finding(Cause.SCATTERED_LAYOUT, None, 0.75, evidence)
