"""The new drive is the bottleneck for a reason other than shingling: it counts errors, or was never any faster."""

from __future__ import annotations

from statistics import median

from mendwatch.model.evidence import DriveView, View, percent, speed
from mendwatch.model.records import Cause, Finding

FALLEN_BELOW = 0.35
SATURATED = 0.9
PEERS_IDLE = 0.3
PEERS_COULD = 6.0
EVEN = 1.2


def judge(view: View) -> Finding | None:
    """The finding, None unless only the new drive is saturated, and it does far less than its peers could."""
    target = view.target
    if target is None or not view.sources or not view.rate_bytes_per_s:
        return None
    peers_busy = view.peers_busy
    if target.now.busy is None or target.now.busy < SATURATED or peers_busy > PEERS_IDLE:
        return None
    errors = 0 if target.errors is None else (target.errors.write or 0) + (target.errors.read or 0)
    if errors and view.fallen_below(FALLEN_BELOW):
        return _finding(view, target, peers_busy, 0.8, f"{errors} errors counted against it")
    # What a peer could deliver if it were asked for all its time; a drive of the same kind would keep up with it.
    could = median((source.now.read_bytes_per_s or 0.0) / max(source.now.busy or 1.0, 0.01) for source in view.sources)
    steady = view.unsteady < EVEN and not view.fallen_below(FALLEN_BELOW)
    if steady and could >= PEERS_COULD * view.rate_bytes_per_s:
        return _finding(view, target, peers_busy, 0.5, f"they could deliver about {speed(could)}")
    return None


def _finding(view: View, target: DriveView, peers_busy: float, confidence: float, besides: str) -> Finding:
    evidence = (
        f"new drive {target.name}: {percent(target.now.busy or 0.0)} busy at {speed(view.rate_bytes_per_s)}; "
        f"its {len(view.sources)} peers: {percent(peers_busy)} busy; {besides}"
    )
    return Finding(Cause.SLOW_WRITER, target.name, confidence, evidence)
