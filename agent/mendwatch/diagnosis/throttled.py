"""A limit or tunable holds the rebuild back: it is set, and all drives have time to spare."""

from __future__ import annotations

from mendwatch.model.evidence import View, percent, speed
from mendwatch.model.records import Cause, Finding

IDLE = 0.5


def judge(view: View) -> Finding | None:
    """The finding, None unless a setting that slows is in force and no drive is near its limit."""
    if view.target is None or not view.settings:
        return None
    busy = [drive.now.busy for drive in (view.target, *view.sources)]
    known = [one for one in busy if one is not None]
    if len(known) < len(busy) or max(known) > IDLE:
        return None
    names = ", ".join(f"{setting.name} = {setting.value}" for setting in view.settings)
    rate = speed(view.rate_bytes_per_s)
    evidence = f"{names}; {rate} while the busiest of {len(known)} drives is {percent(max(known))} busy"
    return Finding(Cause.THROTTLED, None, 0.85, evidence)
