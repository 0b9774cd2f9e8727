"""Nothing moves at all: neither a counter of the storage system nor the new drive."""

from __future__ import annotations

from mendwatch.model.evidence import View
from mendwatch.model.records import Cause, Finding


def judge(view: View) -> Finding | None:
    """The finding, None when it moves or has not stood long enough to say."""
    if view.held is not None:
        return Finding(Cause.NOT_MOVING, None, 0.95, f"the storage system itself holds it: {view.held}")
    if view.stands:
        minutes = view.still_s / 60
        return Finding(Cause.NOT_MOVING, None, 0.9, f"no counter of the storage system moved for {minutes:.0f} min")
    return None
